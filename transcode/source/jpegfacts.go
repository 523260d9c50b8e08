package source

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// maxJPEGBlocks bounds the blocks of 8 by 8 samples that the scans of a
// progressive JPEG pass over, because a scan of a large picture may be a few
// bytes long. It is over twice what 24 million pixels in ten scans take. Other
// files pass once over each block.
const maxJPEGBlocks = 8 << 20

// jpegPart is a component of a JPEG frame.
type jpegPart struct {
	id     byte
	h, v   int   // sampling factors
	blocks int64 // in one scan of it
}

// jpegFacts walks the segments of a JPEG (ITU-T T.81, annex B), as far as the
// first scan or, where scans are to be counted, to the end. What is wrong with
// them is for the decoder to say.
func jpegFacts(path string, r io.Reader, w, h int, countScans bool) (f facts, err error) {
	in := bufio.NewReaderSize(r, 1<<16)
	var buffer [1 << 16]byte
	var parts []jpegPart
	var blocks int64
	progressive, adobeRGB := false, false
	for {
		marker, err := nextMarker(in)
		if err != nil || marker == 0xd9 || marker == 0xda && !countScans { // end of image, first scan
			break
		}
		if marker == 0x01 || marker >= 0xd0 && marker <= 0xd8 { // no length
			continue
		}
		if _, err := io.ReadFull(in, buffer[:2]); err != nil {
			break
		}
		segment := buffer[:max(int(binary.BigEndian.Uint16(buffer[:]))-2, 0)]
		if _, err := io.ReadFull(in, segment); err != nil {
			break
		}
		switch {
		case marker >= 0xc0 && marker <= 0xc2 && parts == nil: // start of frame
			progressive = marker == 0xc2
			parts = jpegParts(segment, w, h)
		case marker == 0xda: // start of scan
			blocks += scannedBlocks(segment, parts)
			switch {
			case progressive && blocks > maxJPEGBlocks:
				return f, &LimitError{path, fmt.Sprintf("picture of %dx%d in many scans", w, h),
					blocks, maxJPEGBlocks, "blocks to decode", tryPic}
			case !progressive && blocks > allBlocks(parts):
				return f, &DamagedError{path, "", errors.New("scans that code the same part of the picture twice")}
			}
		case marker == 0xe1 && f.turn == 0 && starts(segment, exifPrefix):
			f.turn = tiffOrientation(segment[len(exifPrefix):])
		case marker == 0xee && starts(segment, "Adobe") && len(segment) >= 12:
			adobeRGB = segment[11] == 0
		}
	}
	pixels, samples := int64(w)*int64(h), 64*allBlocks(parts)
	f.decode, f.result, f.turned = samples, samples, samples
	if progressive { // coefficients of four bytes besides
		f.decode += 4 * samples
	}
	rgb := len(parts) == 3 && (adobeRGB || parts[0].id == 'R' && parts[1].id == 'G' && parts[2].id == 'B')
	switch {
	case rgb || len(parts) == 4:
		f.decode += 4 * pixels
		f.result, f.turned = 4*pixels, 4*pixels
	case len(parts) == 3 && parts[0].h > 2*parts[1].h:
		f.turned = 4 * pixels
	}
	return f, nil
}

// nextMarker passes over entropy-coded data, in which 0xff is followed by 0.
func nextMarker(in *bufio.Reader) (byte, error) {
	for {
		if _, err := in.ReadSlice(0xff); err == bufio.ErrBufferFull {
			continue
		} else if err != nil {
			return 0, err
		}
		marker := byte(0xff)
		for marker == 0xff { // fill bytes
			var err error
			if marker, err = in.ReadByte(); err != nil {
				return 0, err
			}
		}
		if marker != 0 {
			return marker, nil
		}
	}
}

// jpegParts reads the components of a frame header; nil when it is damaged.
func jpegParts(segment []byte, w, h int) []jpegPart {
	if len(segment) < 6 || len(segment) < 6+3*int(segment[5]) {
		return nil
	}
	parts := make([]jpegPart, segment[5])
	mostH, mostV := 1, 1
	for i := range parts {
		b := segment[6+3*i:]
		p := jpegPart{id: b[0], h: int(b[1] >> 4), v: int(b[1] & 15)}
		if p.h < 1 || p.v < 1 || len(parts) == 1 {
			p.h, p.v = 1, 1
		}
		mostH, mostV = max(mostH, p.h), max(mostV, p.v)
		parts[i] = p
	}
	for i := range parts {
		p := &parts[i]
		across, down := (w+8*mostH-1)/(8*mostH), (h+8*mostV-1)/(8*mostV)
		p.blocks = int64(across) * int64(p.h) * int64(down) * int64(p.v)
	}
	return parts
}

// allBlocks counts the blocks of a picture.
func allBlocks(parts []jpegPart) (blocks int64) {
	for _, p := range parts {
		blocks += p.blocks
	}
	return blocks
}

// scannedBlocks counts the blocks that a scan passes over.
func scannedBlocks(segment []byte, parts []jpegPart) (blocks int64) {
	if len(segment) == 0 || len(segment) < 1+2*int(segment[0]) {
		return 0
	}
	for i := range int(segment[0]) {
		for _, p := range parts {
			if p.id == segment[1+2*i] {
				blocks += p.blocks
			}
		}
	}
	return blocks
}
