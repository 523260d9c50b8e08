package source

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math/big"
	"strings"
	"sync"
	"time"

	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/source/system"
)

// fallbackRate is the speed of a video that does not state one, in pictures a
// second. It is the clip's rate unless told otherwise; each picture has its own
// time all the same.
const fallbackRate = 30

// fastestRate is more than any video has that is not meant to be slowed down.
const fastestRate = 300

// film is a file that the system's codecs decode.
type film struct {
	path  string
	about *system.Description
	log   *warnings
	to    time.Duration // up to where it is read; 0 for the end
	whole bool          // all of its streams are read
	cut   bool          // its end is missing

	mu      sync.Mutex
	open    int           // streams that have not ended
	latest  time.Duration // end of those that have
	longest time.Duration // for which a picture was shown
	gaps    []system.Gap  // of those streams that have ended
}

// openSystem opens a file with the system's codecs. The kind is what its first
// bytes say, empty where they say nothing.
func openSystem(ctx context.Context, path, kind string, o Options) (_ *Media, err error) {
	sum := func() ([32]byte, error) { return sumFile(path) }
	stop := func() {}
	if o.SumAhead {
		s := sumAhead(path)
		sum, stop = s.wait, func() { s.stop.Store(true) }
		defer func() {
			if err != nil {
				stop()
			}
		}()
	}
	about, err := describe(ctx, path)
	if err != nil {
		return nil, systemError(path, err)
	}
	video, track, err := choose(path, about, o)
	if err != nil {
		return nil, err
	}
	if kind == "" {
		kind = about.Container + " video"
	}
	if len(about.Videos) == 0 {
		kind = strings.TrimSuffix(kind, " video") + " sound"
	}
	kind = strings.Replace(kind, " sound sound", " sound", 1)
	from, to := nanoseconds(o.From), nanoseconds(o.To)
	if video >= 0 || track >= 0 {
		if err := beyond(path, about, from); err != nil {
			return nil, err
		}
	}
	f := &film{
		path: path, about: about, log: &warnings{}, to: to, cut: cutShort(path),
		whole: (video >= 0 || len(about.Videos) == 0) && (track >= 0 || len(about.Tracks) == 0),
	}
	if video < 0 && track < 0 {
		if f.cut {
			return nil, &DamagedError{path, "", fmt.Errorf("the file is cut short: what is left holds %s and nothing that is asked for", about.Holds())}
		}
		return nil, &NothingWantedError{path, about.Holds()}
	}
	m := &Media{Kind: kind, Film: video >= 0 && track >= 0, log: f.log, Warnings: f.log.all,
		sum: sum, closed: stop}
	if video >= 0 {
		m.bars = func(ctx context.Context) (picture.Bars, bool, error) {
			b, found, err := system.FindBars(ctx, about, video, from, to)
			if err != nil {
				err = systemError(path, err)
			}
			return b, found, err
		}
	}
	// Both decoders start at the same time.
	var pictures *filmPictures
	var sound *filmSound
	var picturesErr, soundErr error
	var starting sync.WaitGroup
	if video >= 0 {
		starting.Go(func() { pictures, picturesErr = f.pictures(ctx, video, from, to, o) })
	}
	if track >= 0 {
		starting.Go(func() { sound, soundErr = f.sound(ctx, track, from, to) })
	}
	starting.Wait()
	if pictures != nil {
		f.open++
		m.Pictures = pictures
	}
	if sound != nil {
		f.open++
		m.Sound = sound
	}
	var damaged *system.DamagedError
	if pictures != nil && errors.As(soundErr, &damaged) {
		m.Film = false
		f.log.lost("the sound is left out: %s", damaged.Why)
		soundErr = nil
	}
	var over *system.EndedError
	if pictures != nil && errors.As(soundErr, &over) {
		m.Film, soundErr = false, nil
		f.whole = false
	}
	if errors.As(picturesErr, &over) {
		m.Close()
		return nil, f.nothingLater(from)
	}
	if err := cmp.Or(picturesErr, soundErr); err != nil {
		m.Close()
		if errors.As(err, &over) {
			return nil, f.nothingLater(from)
		}
		return nil, systemError(path, err)
	}
	return m, nil
}

// nothingLater is the error for a part that begins where a stream has ended.
func (f *film) nothingLater(from time.Duration) error {
	why := fmt.Sprintf("has nothing at %s or later", seconds(int64(from), nanosecond))
	if f.cut {
		return &DamagedError{f.path, "", errors.New("the file is cut short, and " + why)}
	}
	return &UnsupportedError{f.path, why, "begin earlier"}
}

// choose picks the video and the sound to be read, -1 for none. What is wanted
// and cannot be decoded is an error.
func choose(path string, about *system.Description, o Options) (video, track int, err error) {
	video, track = -1, -1
	for i, v := range about.Videos {
		if !o.NoPictures && (!v.Still || len(about.Tracks) == 0) {
			video = i
			break
		}
	}
	if !o.NoSound && len(about.Tracks) > 0 {
		track = max(o.SoundTrack, 1) - 1
	}
	if !o.NoSound && (o.SoundTrack < 0 || o.SoundTrack > len(about.Tracks)) {
		has := &UnsupportedError{path, fmt.Sprintf("has %s, and no number %d", counted(len(about.Tracks), "sound", "sounds"), o.SoundTrack), ""}
		switch list := tracks(about); {
		case o.TrackOrFirst && len(list) == 0:
			track = -1
		case o.TrackOrFirst:
			track = 0
		case len(list) == 0:
			has.Holds = "has no sound"
			return 0, 0, has
		case len(list) == 1:
			has.Try = "take the one it has: " + list[0]
			return 0, 0, has
		default:
			has.Try = "choose one of these: " + strings.Join(list, "; ")
			return 0, 0, has
		}
	}
	if err := about.Lacks(video, track); err != nil {
		return 0, 0, systemError(path, err)
	}
	return video, track, nil
}

// beyond is the error for a part that begins where a file has ended; nil for any
// other part.
func beyond(path string, about *system.Description, from time.Duration) error {
	if from == 0 || about.Duration == 0 || about.Guessed || about.Estimated() || from < about.Duration {
		return nil
	}
	return &UnsupportedError{path, fmt.Sprintf("lasts %s, and nothing of it comes at %s or later",
		seconds(int64(about.Duration), nanosecond), seconds(int64(from), nanosecond)), "begin earlier"}
}

// tracks lists the sounds of a file for a person.
func tracks(about *system.Description) []string {
	list := make([]string, 0, len(about.Tracks))
	for i, t := range about.Tracks {
		text := fmt.Sprintf("%d %s", i+1, t.Codec)
		for _, more := range []string{t.Language, t.Title} {
			if more != "" {
				text += ", " + more
			}
		}
		list = append(list, text)
	}
	return list
}

// systemError gives an error of the system's codecs the type that it has here.
func systemError(path string, err error) error {
	var missing *system.MissingError
	var unknown *system.UnknownError
	var damaged *system.DamagedError
	switch {
	case errors.As(err, &missing):
		if missing.Holds == "" {
			missing.Holds = holds(path)
		}
		return &UnsupportedError{path, missing.What(), strings.Join(missing.Tries(), "; ")}
	case errors.As(err, &unknown):
		return &UnsupportedError{path, unknown.Why, tryVid}
	case errors.As(err, &damaged):
		why := damaged.Why
		if unfinished(path) {
			why = "the file has no part that tells how to read it (a moov box), which is written last: it is cut short, or recording it was not finished"
		}
		return &DamagedError{path, damaged.Where, errors.New(why)}
	}
	return err
}

// nanoseconds rounds seconds.
func nanoseconds(r Ratio) time.Duration {
	if r.Num == 0 || r.Den == 0 {
		return 0
	}
	n := new(big.Int).Mul(big.NewInt(r.Num), big.NewInt(int64(time.Second)))
	return time.Duration(n.Div(n, big.NewInt(r.Den)).Int64())
}

var nanosecond = Ratio{1, int64(time.Second)}

// ended notes the end of a stream.
func (f *film) ended(what string, e system.Ending) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.open--
	f.latest = max(f.latest, e.At)
	f.tellGaps(what, e.Gaps)
	if e.Broken > 0 {
		f.log.lost("%s damaged or missing", counted(int(e.Broken), "picture is", "pictures are"))
	}
	if e.Damaged != "" {
		f.log.lost("the %s cannot be read beyond %s: %s", what, seconds(int64(e.At), nanosecond), e.Damaged)
	}
	if f.open > 0 || f.to > 0 && f.latest >= f.to {
		return
	}
	// What is declared may be rounded, and last as long as a picture whose end
	// nothing states.
	slack := 250 * time.Millisecond
	if !f.cut {
		slack = time.Second + 2*f.longest
	}
	switch {
	case (f.cut || f.whole) && !f.about.Guessed && f.to == 0 && f.latest < f.about.Duration-slack:
		f.log.lost("ends at %s of %s", seconds(int64(f.latest), nanosecond), seconds(int64(f.about.Duration), nanosecond))
	case f.cut:
		f.log.lost("the file is cut short; it ends at %s", seconds(int64(f.latest), nanosecond))
	}
}

// tellGaps notes where a stream brought nothing: what the file has and the decoder made
// nothing of is lost, and so is what both streams lack at one time.
func (f *film) tellGaps(what string, gaps []system.Gap) {
	for _, g := range gaps {
		both := false
		for _, other := range f.gaps {
			both = both || g.From < other.To && other.From < g.To
		}
		switch {
		case both:
			f.log.lost("from %s to %s neither picture nor sound can be decoded", seconds(int64(g.From), nanosecond), seconds(int64(g.To), nanosecond))
		case g.Lost:
			f.log.lost("from %s to %s the %s cannot be decoded", seconds(int64(g.From), nanosecond), seconds(int64(g.To), nanosecond), what)
		}
	}
	f.gaps = append(f.gaps, gaps...)
}

// shown notes for how long a picture was shown.
func (f *film) shown(d time.Duration) {
	f.mu.Lock()
	f.longest = max(f.longest, d)
	f.mu.Unlock()
}

// filmPictures are the pictures of a film, framed by the worker.
type filmPictures struct {
	film  *film
	info  PicturesInfo
	from  *system.Pictures
	pool  *pool
	ahead chan filmPicture // read ahead, in order; the last has an error
	stop  context.CancelFunc
	ended error // what the last one had
}

// filmPicture is a picture of a film as its worker sends it.
type filmPicture struct {
	slot      *slot
	at, until time.Duration
	err       error
}

// Pictures are read ahead from the moment a film is opened: while its sound is opened and
// measured, its pictures are decoded.
const (
	aheadBytes = 12_000_000
	mostAhead  = 64
)

func (f *film) pictures(ctx context.Context, video int, from, to time.Duration, o Options) (*filmPictures, error) {
	v := &f.about.Videos[video]
	size := v.Upright()
	if err := checkSize(f.path, size.X, size.Y, o.maxPixels()); err != nil {
		return nil, err
	}
	framing := picture.Framing{Width: size.X, Height: size.Y}
	if o.Framing != nil {
		framing = *o.Framing
	}
	framed := 6 * int64(framing.Width) * int64(framing.Height)
	if framed > MaxMemory {
		return nil, &LimitError{f.path, fmt.Sprintf("panel of %dx%d", framing.Width, framing.Height), framed, MaxMemory, "bytes", ""}
	}
	pictures, err := system.OpenPictures(ctx, f.about, system.PictureOptions{Video: video, Framing: framing, From: from, To: to})
	if err != nil {
		return nil, err
	}
	rate := Ratio{int64(v.RateNum), int64(v.RateDen)}.lowest()
	// Where the pictures last unevenly, some encoders give the unit of their times
	// for a rate, such as 1000 or 1000000000 a second.
	if rate.Num == 0 || rate.Float() > fastestRate {
		rate = Ratio{fallbackRate, 1}
	}
	if v.Interlaced { // a picture of each field
		rate = Ratio{2 * rate.Num, rate.Den}.lowest()
	}
	p := &filmPictures{
		film: f, from: pictures, pool: newPool(framed, 0),
		info:  PicturesInfo{Width: size.X, Height: size.Y, Tick: nanosecond, Rate: rate},
		ahead: make(chan filmPicture, min(max(aheadBytes/framed, 1), mostAhead)),
	}
	if !f.about.Guessed {
		p.info.Duration = Ratio{int64(f.about.Duration), int64(time.Second)}.lowest()
	}
	ctx, p.stop = context.WithCancel(ctx)
	go p.read(ctx)
	return p, nil
}

// read sends all pictures ahead.
func (p *filmPictures) read(ctx context.Context) {
	defer close(p.ahead)
	for {
		s, err := p.pool.get(ctx, 0, 0)
		next := filmPicture{err: err}
		if err == nil {
			next.slot = s
			if next.at, next.until, next.err = p.from.Next(ctx, &s.framed); next.err != nil {
				s.Release()
			}
		}
		select {
		case p.ahead <- next:
		case <-ctx.Done():
			if next.err == nil {
				s.Release()
			}
			return
		}
		if next.err != nil {
			return
		}
	}
}

func (p *filmPictures) Info() PicturesInfo { return p.info }

func (p *filmPictures) Next(ctx context.Context) (*Timed, error) {
	if p.ended != nil {
		return nil, p.ended
	}
	var next filmPicture
	open := false
	select {
	case next, open = <-p.ahead:
	case <-ctx.Done():
	}
	if !open { // cancelled, here or where the film was opened
		return nil, context.Canceled
	}
	if next.err != nil {
		if p.ended = systemError(p.film.path, next.err); next.err == io.EOF {
			p.pool.end()
			p.film.ended("video", p.from.Ending())
		}
		return nil, p.ended
	}
	p.film.shown(next.until - next.at)
	s := next.slot
	s.At, s.Until = int64(next.at), int64(next.until)
	s.Picture = picture.Picture{Framed: &s.framed}
	return &s.Timed, nil
}

func (p *filmPictures) Close() error {
	p.stop()
	for next := range p.ahead {
		if next.err == nil {
			next.slot.Release()
		}
	}
	p.pool.close()
	return p.from.Close()
}

// filmSound is the sound of a film.
type filmSound struct {
	film  *film
	info  SoundInfo
	from  *system.Sound
	ended bool
}

func (f *film) sound(ctx context.Context, track int, from, to time.Duration) (*filmSound, error) {
	s, err := system.OpenSound(ctx, f.about, system.SoundOptions{Track: track, From: from, To: to})
	if err != nil {
		return nil, err
	}
	info := SoundInfo{Rate: s.Rate, Channels: s.Channels, First: s.First}
	if len(f.about.Videos) == 0 && !f.about.Guessed { // else the duration may be that of the video
		info.Frames = new(big.Int).Div(new(big.Int).Mul(big.NewInt(int64(f.about.Duration)), big.NewInt(int64(s.Rate))), big.NewInt(int64(time.Second))).Int64()
	}
	return &filmSound{film: f, from: s, info: info}, nil
}

func (s *filmSound) Info() SoundInfo { return s.info }

func (s *filmSound) Read(dst []float32) (int, error) {
	if s.ended {
		return 0, io.EOF
	}
	n, err := s.from.Read(dst)
	if err == io.EOF {
		s.ended = true
		s.film.ended("sound", s.from.Ending())
	}
	return n, systemError(s.film.path, err)
}

func (s *filmSound) Close() error { return s.from.Close() }
