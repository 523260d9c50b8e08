package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"
	"github.com/urfave/cli/v2"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/export"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
)

func unpackCommand() *command {
	return &command{
		name:  "unpack",
		short: "take a clip apart into pictures and sound",
		about: "Writes the picture of every beat of CLIP as a PNG file, upright and in exactly " +
			"the levels that the panel shows, and its sound as sound.wav. A picture that " +
			"repeats is written again, so that the folder packs to as many beats as the clip " +
			"has. WAV files have whole sample rates: where the clip's is none, it is rounded, " +
			"which a note says.\n\n" +
			"FOLDER must be new or empty. It gets its name when it is complete.",
		operands: []operand{{"CLIP", "the clip to take apart"}},
		flags: []cli.Flag{
			&cli.StringFlag{Name: "output", Aliases: []string{"o"}, Required: true, Category: everywhere, Usage: "write into `FOLDER`, new or empty"},
		},
		examples: []example{
			{"stampreel unpack express.srq -o express/", "frame-000000.png, frame-000001.png and so on"},
			{"stampreel pack express/ express/sound.wav --rate 25 -o again.srq", "pack it again, at the rate that unpack told"},
		},
		results: true,
		run:     runUnpack,
	}
}

const (
	unpackedSound = "sound.wav"
	unpackedFrame = "frame-%06d.png"
)

// unpacked is what unpack says of its result.
type unpacked struct {
	Clip       string  `json:"clip"`
	Folder     string  `json:"folder"`
	Frames     int64   `json:"frames"`
	Rate       float64 `json:"rate_hz"`
	Upright    size    `json:"upright"`
	Sound      string  `json:"sound,omitempty"` // name of the file; none without sound
	SampleRate int     `json:"sample_rate_hz"`  // of the file; 0 without sound
	Samples    int64   `json:"samples"`         // of one channel

	rate container.Ratio
}

func runUnpack(ctx context.Context, c *call) error {
	folder := c.String("output")
	result, err := c.unpack(ctx, c.operand(0), folder)
	if err != nil {
		return err
	}
	text := fmt.Sprintf("%s: %s of %v, %s a second", console.Name(folder), console.Count(result.Frames, "picture", "pictures"), result.Upright, ratio(result.rate))
	if result.Sound != "" {
		text += fmt.Sprintf(", %s of %d Hz", result.Sound, result.SampleRate)
	}
	c.console.Result("%s", text)
	return c.console.JSON(result)
}

// unpack writes the pictures and the sound of a clip into a new folder.
func (c *call) unpack(ctx context.Context, clip, folder string) (*unpacked, error) {
	r, f, err := openClip(clip)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	h := r.Header()
	progress := c.console.Progress(console.Job{What: "unpacking " + clip, Unit: "pictures"})
	defer progress.Stop()
	progress.Expect(int64(h.Beats))
	result := &unpacked{Clip: clip, Folder: folder, Rate: h.Rate().Float(), Upright: uprightSize(&h), rate: h.Rate()}
	err = newFolder(folder, func(dir string) error {
		return unpackInto(ctx, r, dir, progress.Add, result)
	})
	progress.Stop()
	if err != nil {
		return nil, named(clip, err)
	}
	if result.Sound != "" && h.SampleRateDen != 1 {
		c.console.Note("the clip's sample rate is %s Hz, that of %s %d Hz", ratio(h.SampleRate()), result.Sound, result.SampleRate)
	}
	return result, nil
}

// named puts the clip's name before errors of the clip, which do not know it.
func named(clip string, err error) error {
	var file *os.PathError
	var tried *triedError
	if errors.As(err, &file) || errors.As(err, &tried) {
		return err
	}
	return fmt.Errorf("%s: %w", clip, err)
}

// newFolder makes a folder whose content fill writes into the folder it is
// given, which has another name until it is complete. When fill fails, nothing
// is left.
func newFolder(path string, fill func(dir string) error) error {
	final, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	if err := freeForFolder(final, path); err != nil {
		return err
	}
	dir, err := os.MkdirTemp(filepath.Dir(final), ".stampreel-*.part")
	if err != nil {
		return &os.PathError{Op: "write", Path: path, Err: errors.Unwrap(err)}
	}
	defer os.RemoveAll(dir)
	if err := fill(dir); err != nil {
		return inPlaceOf(dir, path, err)
	}
	if err := os.Chmod(dir, 0o755); err != nil { // a temporary folder is private
		return inPlaceOf(dir, path, err)
	}
	if err := os.Remove(final); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return inPlaceOf(dir, path, os.Rename(dir, final))
}

// freeForFolder checks that nothing has the name but perhaps an empty folder.
func freeForFolder(final, path string) error {
	const try = "a folder that does not exist yet"
	info, err := os.Lstat(final)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return err
	case !info.IsDir():
		return &triedError{fmt.Sprintf("%s exists and is no folder", path), try}
	}
	entries, err := os.ReadDir(final)
	switch {
	case err != nil:
		return err
	case len(entries) > 0:
		return &triedError{fmt.Sprintf("%s is not empty", path), try}
	}
	return nil
}

// triedError is an error with what to try next.
type triedError struct{ text, try string }

func (e *triedError) Error() string   { return e.text }
func (e *triedError) Tries() []string { return []string{e.try} }

// inPlaceOf names the final folder in an error about the temporary one.
func inPlaceOf(temporary, path string, err error) error {
	var file *os.PathError
	var link *os.LinkError
	switch {
	case errors.As(err, &file) && strings.HasPrefix(file.Path, temporary):
		return &os.PathError{Op: "write", Path: path + strings.TrimPrefix(file.Path, temporary), Err: file.Err}
	case errors.As(err, &link):
		return &os.PathError{Op: "write", Path: path, Err: link.Err}
	}
	return err
}

// unpackInto writes the pictures and the sound of a clip into a folder.
func unpackInto(ctx context.Context, r *container.Reader, dir string, done func(int64), result *unpacked) error {
	h := r.Header()
	var sound *soundFile
	var file *os.File
	if h.SoundCoding != container.NoSound {
		var err error
		if file, err = os.Create(filepath.Join(dir, unpackedSound)); err != nil {
			return err
		}
		defer file.Close()
		sound = newSoundFile(file, &h)
		lead, err := r.LeadIn()
		if err != nil {
			return err
		}
		if err := sound.leadIn(&h, lead); err != nil {
			return err
		}
		result.Sound, result.SampleRate, result.Samples = unpackedSound, sound.pcm.Rate, sound.each
	}
	encoder := png.Encoder{CompressionLevel: png.BestSpeed, BufferPool: &onePNGBuffer{}}
	var b container.Beat
	panel := container.NewPanel(&h)
	var picture bytes.Buffer // PNG of what the panel shows
	for n := range h.Beats {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := r.Show(h.FirstBeat+n, panel, &b); err != nil {
			return err
		}
		if b.FrameCoding != container.Repeat {
			img, err := fill.Picture(&h, panel.Pixels)
			if err != nil {
				return err
			}
			picture.Reset()
			if err := encoder.Encode(&picture, img); err != nil {
				return err
			}
		}
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf(unpackedFrame, b.Number)), picture.Bytes(), 0o644); err != nil {
			return err
		}
		if sound != nil {
			if err := sound.beat(&h, b.Sound, h.StoredSamples(b.Number)); err != nil {
				return err
			}
		}
		result.Frames++
		done(1)
	}
	if sound == nil {
		return nil
	}
	if err := sound.close(); err != nil {
		return err
	}
	return file.Close()
}

// onePNGBuffer keeps the encoder's working memory from picture to picture.
type onePNGBuffer struct{ b *png.EncoderBuffer }

func (p *onePNGBuffer) Get() *png.EncoderBuffer  { return p.b }
func (p *onePNGBuffer) Put(b *png.EncoderBuffer) { p.b = b }

// samples are the samples of a file's beats as bytes of PCM. They take the lead-in and
// then what each beat stores, which is the order of playing, and leave out
// what is stored behind the sound of the last beat: that is the start of a loop
// or of the next part.
type samples struct {
	pcm  export.PCM
	each int64 // samples of one channel, in all
	left int64 // bytes still to come
	give func(pcm []byte) error
}

// samplesOf gives the samples of a clip to a function, some at a time.
func samplesOf(h *container.Header, give func(pcm []byte) error) samples {
	bits := 8 * h.SoundCoding.SampleBytes()
	if h.SoundCoding == container.IMAADPCM {
		bits = 16
	}
	s := samples{pcm: export.PCM{Rate: int(math.Round(h.SampleRate().Float())), Channels: int(h.Channels), Bits: bits}, give: give}
	t := h.Timing()
	s.each = int64(t.FirstSample(h.FirstBeat+h.Beats) - t.FirstSample(h.FirstBeat))
	s.left = s.each * int64(s.pcm.Channels*bits/8)
	return s
}

// beat takes the sound of one beat as stored.
func (s *samples) beat(h *container.Header, sound []byte, count int) error {
	if h.SoundCoding == container.IMAADPCM {
		wave := make([]int16, count*int(h.Channels))
		if err := sample.DecodeADPCM(wave, sound, count, int(h.Channels)); err != nil {
			return err
		}
		sound = sample.AppendS16(nil, wave)
	}
	sound = sound[:min(int64(len(sound)), s.left)]
	s.left -= int64(len(sound))
	return s.give(sound)
}

// leadIn takes the sound of the lead-in.
func (s *samples) leadIn(h *container.Header, sound []byte) error {
	for k := range int(h.SoundLead) {
		count := h.LeadSamples(k)
		n := h.CodedBytes(count)
		if err := s.beat(h, sound[:n], count); err != nil {
			return err
		}
		sound = sound[n:]
	}
	return nil
}

// end says whether all came.
func (s *samples) end() error {
	if s.left > 0 {
		return fmt.Errorf("the sound ends %d bytes early", s.left)
	}
	return nil
}

// soundFile writes samples as WAV.
type soundFile struct {
	samples
	file    io.WriteSeeker
	encoder *wav.Encoder
	buffer  audio.IntBuffer
	odd     bool // whether all bytes together are an odd number
}

// newSoundFile begins a WAV in an empty file, which is the caller's to close.
func newSoundFile(f io.WriteSeeker, h *container.Header) *soundFile {
	const pcm = 1
	s := &soundFile{file: f}
	s.samples = samplesOf(h, s.write)
	p := s.pcm
	s.encoder = wav.NewEncoder(f, p.Rate, p.Bits, p.Channels, pcm)
	s.buffer = audio.IntBuffer{Format: &audio.Format{NumChannels: p.Channels, SampleRate: p.Rate}, SourceBitDepth: p.Bits}
	s.odd = s.left%2 == 1
	return s
}

// write takes bytes of the DAC; the encoder takes integers, a piece at a time.
func (s *soundFile) write(sound []byte) error {
	const most = 1 << 16 // bytes of a piece, whole samples of all channels
	for len(sound) > 0 {
		piece := sound[:min(len(sound), most)]
		sound = sound[len(piece):]
		data := s.buffer.Data[:0]
		if s.buffer.SourceBitDepth == 8 {
			for _, v := range piece {
				data = append(data, int(v))
			}
		} else {
			for ; len(piece) >= 2; piece = piece[2:] {
				data = append(data, int(int16(binary.LittleEndian.Uint16(piece))))
			}
		}
		s.buffer.Data = data
		if err := s.encoder.Write(&s.buffer); err != nil {
			return err
		}
	}
	return nil
}

func (s *soundFile) close() error {
	if err := s.end(); err != nil {
		return err
	}
	if s.odd { // a chunk of a RIFF file is padded to whole words, which the encoder does not do
		if _, err := s.file.Write([]byte{0}); err != nil {
			return err
		}
		s.encoder.WrittenBytes++
	}
	return s.encoder.Close()
}
