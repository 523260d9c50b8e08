package viewer

import (
	"encoding/binary"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"sync"

	"example.org/stampreel/budget"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
)

// Bounds of one answer.
const (
	mostBeats = 64
	mostBytes = 4 << 20 // of pixels or samples; one beat may have more
)

// opened is a clip that is being looked at. The lock is held while it reads.
type opened struct {
	number int
	clip   *Clip

	mu     sync.Mutex
	file   fill.File // nil once closed
	reader *container.Reader
	header container.Header
	panel  *container.Panel
	beat   container.Beat

	judging sync.Mutex
	judged  *budget.Clip // what the budget knows of it, once asked; read by path
}

func openClip(clip *Clip, number int) (*opened, error) {
	r, f, err := fill.Open(clip.Path)
	if err != nil {
		return nil, err
	}
	h := r.Header()
	return &opened{number: number, clip: clip, file: f, reader: r, header: h, panel: container.NewPanel(&h)}, nil
}

func (o *opened) close() {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.file != nil {
		o.file.Close()
		o.file = nil
	}
}

// facts are what the header of a clip says.
type facts struct {
	Width      int       `json:"width"` // upright
	Height     int       `json:"height"`
	Pixels     string    `json:"pixel_format"`
	RateNum    uint32    `json:"rate_num"`
	RateDen    uint32    `json:"rate_den"`
	FirstBeat  uint32    `json:"first_beat"`
	Beats      uint32    `json:"beats"`
	Bytes      int64     `json:"bytes"`
	Loops      bool      `json:"loops"`
	Continues  bool      `json:"continues"` // another part follows
	Part       uint16    `json:"part"`
	Sound      string    `json:"sound_coding"`
	Channels   uint8     `json:"channels"`
	SampleNum  uint32    `json:"sample_rate_num"` // 0 without sound
	SampleDen  uint32    `json:"sample_rate_den"`
	SampleBits int       `json:"sample_bits"`    // of the samples that sound gives
	Lead       uint16    `json:"sound_lead"`     // beats
	Flashes    string    `json:"flashes"`        // what may harm people; "" for nothing
	FlashAt    []float64 `json:"flashes_from_s"` // in the clip
}

func factsOf(h *container.Header) *facts {
	f := &facts{
		Width: int(h.Width), Height: int(h.Height), Pixels: h.PixelFormat.String(),
		RateNum: h.RateNum, RateDen: h.RateDen, FirstBeat: h.FirstBeat, Beats: h.Beats,
		Bytes: int64(h.FileSectors) * container.SectorBytes, Loops: h.Loop(), Continues: h.Continues(), Part: h.Part,
		Sound: h.SoundCoding.String(), Channels: h.Channels, SampleNum: h.SampleRateNum, SampleDen: h.SampleRateDen,
		SampleBits: 8 * h.SoundCoding.SampleBytes(), Lead: h.SoundLead, FlashAt: []float64{},
	}
	if h.SoundCoding == container.IMAADPCM {
		f.SampleBits = 16
	}
	if h.Turn%2 == 1 {
		f.Width, f.Height = f.Height, f.Width
	}
	return f
}

// damage is a beat that cannot be read, and why.
type damage struct {
	Beat  uint32 `json:"beat"`
	Error string `json:"error"`
}

// beats are the beats of a clip, one value of each in each row. They count from
// the first beat of the file, as all beats do that the page names.
type beats struct {
	Facts   *facts   `json:"facts"`
	Codings []string `json:"codings"` // names of the codings, by their number
	Bytes   []int64  `json:"bytes"`   // of the whole beat; 0 where its header cannot be read
	Frame   []uint32 `json:"frame_bytes"`
	Sound   []uint32 `json:"sound_bytes"` // stored in it, to be heard the lead later
	Coding  []int    `json:"coding"`
	Key     []int    `json:"key"` // 1 for key beats
	Damaged []damage `json:"damaged"`
}

// mostDamage is how many damaged beats are told of one by one.
const mostDamage = 1000

func (s *Server) serveBeats(w http.ResponseWriter, r *http.Request, o *opened) error {
	h := &o.header
	b := beats{Facts: factsOf(h), Damaged: []damage{}}
	for c := container.Repeat; c <= container.KeyTiles; c++ {
		b.Codings = append(b.Codings, c.String())
	}
	for n := range h.Beats {
		if n%1024 == 0 && r.Context().Err() != nil {
			return r.Context().Err()
		}
		var head container.Beat
		if err := o.reader.ReadHeader(h.FirstBeat+n, &head); err != nil {
			if len(b.Damaged) < mostDamage {
				b.Damaged = append(b.Damaged, damage{n, words(err)})
			}
			head = container.Beat{}
		}
		key := 0
		if head.Key() {
			key = 1
		}
		b.Bytes = append(b.Bytes, int64(head.Sectors)*container.SectorBytes)
		b.Frame, b.Sound = append(b.Frame, head.FrameBytes), append(b.Sound, head.SoundBytes)
		b.Coding, b.Key = append(b.Coding, int(head.FrameCoding)), append(b.Key, key)
	}
	return answer(w, b)
}

// span reads from and count: beats counted from the first of the file.
func (o *opened) span(r *http.Request) (from, count uint32, err error) {
	q := r.URL.Query()
	a, err := strconv.ParseUint(q.Get("from"), 10, 32)
	if err != nil || a >= uint64(o.header.Beats) {
		return 0, 0, &request{http.StatusBadRequest, fmt.Sprintf("from=%s: the clip has beats 0 to %d", q.Get("from"), o.header.Beats-1)}
	}
	n, err := strconv.ParseUint(q.Get("count"), 10, 32)
	if err != nil || n < 1 {
		return 0, 0, &request{http.StatusBadRequest, fmt.Sprintf("count=%s, want 1 or more", q.Get("count"))}
	}
	return uint32(a), uint32(min(n, mostBeats, uint64(o.header.Beats)-a)), nil
}

// Kinds of a record of pixels.
const (
	shown   = 'p' // the picture: width·height·4 bytes, red, green, blue and 255
	stays   = 's' // the picture of the record before
	damaged = 'd' // no picture; a text says why
)

// servePixels answers with a record for each beat: its kind, the bytes that
// follow (32 bits, little-endian), those bytes. There may be fewer records than
// were asked for.
func (s *Server) servePixels(w http.ResponseWriter, r *http.Request, o *opened) error {
	from, count, err := o.span(r)
	if err != nil {
		return err
	}
	size := int(o.header.Width) * int(o.header.Height) * 4
	w.Header().Set("Content-Type", "application/octet-stream")
	given, whole := 0, false // whether the record before has the picture that may stay
	for n := from; n < from+count && (n == from || given+size <= mostBytes); n++ {
		if r.Context().Err() != nil {
			return nil
		}
		kind, body := byte(shown), []byte(nil)
		err := o.reader.Show(o.header.FirstBeat+n, o.panel, &o.beat)
		switch {
		case err != nil:
			// What the panel holds after a beat that went wrong half-way is nobody's
			// picture: the next beats begin from their key beat.
			o.panel = container.NewPanel(&o.header)
			kind, body, whole = damaged, []byte(words(err)), false
		case whole && o.beat.FrameCoding == container.Repeat:
			kind = stays
		default:
			img, err := fill.Picture(&o.header, o.panel.Pixels)
			if err != nil {
				return err
			}
			body, whole = img.Pix, true
		}
		if err := record(w, kind, body); err != nil {
			return nil // nobody reads any more
		}
		given += len(body)
	}
	return nil
}

// serveSound answers with a record for each beat, as servePixels does: the
// samples that play with it, as the DAC gets them, channels interleaved; bytes
// for 8 bits, two each, low byte first, for 16.
func (s *Server) serveSound(w http.ResponseWriter, r *http.Request, o *opened) error {
	from, count, err := o.span(r)
	if err != nil {
		return err
	}
	h := &o.header
	if h.SoundCoding == container.NoSound {
		return &request{http.StatusNotFound, "the clip has no sound"}
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	given := 0
	for n := from; n < from+count && given <= mostBytes; n++ {
		if r.Context().Err() != nil {
			return nil
		}
		kind := byte(shown)
		body, err := o.sound(h.FirstBeat + n)
		if err != nil {
			kind, body = damaged, []byte(words(err))
		}
		if err := record(w, kind, body); err != nil {
			return nil
		}
		given += len(body)
	}
	return nil
}

// sound is what the DAC gets with a beat.
func (o *opened) sound(number uint32) ([]byte, error) {
	h := &o.header
	stored, err := o.reader.Sound(number)
	if err != nil || h.SoundCoding != container.IMAADPCM {
		return stored, err
	}
	samples := h.Timing().Samples(number)
	wave := make([]int16, samples*int(h.Channels))
	if err := sample.DecodeADPCM(wave, stored, samples, int(h.Channels)); err != nil {
		return nil, err
	}
	return sample.AppendS16(nil, wave), nil
}

func record(w io.Writer, kind byte, body []byte) error {
	head := binary.LittleEndian.AppendUint32([]byte{kind}, uint32(len(body)))
	if _, err := w.Write(head); err != nil {
		return err
	}
	_, err := w.Write(body)
	return err
}
