package source

import "crypto/sha256"

// Made returns a Media whose pictures and sound, either of which may be nil,
// are made by code. Its Sum is that of the given bytes, which should tell it
// from whatever else that code makes.
func Made(kind string, p Pictures, s Sound, from []byte) *Media {
	sum := sha256.Sum256(from)
	return &Media{Kind: kind, Pictures: p, Sound: s, sum: func() ([32]byte, error) { return sum, nil }}
}
