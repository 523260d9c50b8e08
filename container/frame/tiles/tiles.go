// Package tiles codes only what changed of a picture: rectangles of panel pixels that go
// straight into the panel's window. The panel's own memory is the reference, so a player
// needs no frame buffer, and neither the card nor the panel's bus carries what stays.
//
// Section 3.1 of container/FORMAT.md says what the frame of such a beat is.
//
// The encoder chooses the rectangles by what a window, a byte on the panel's bus and a byte
// from the card cost (cover.go), and the operations by dynamic programming (code.go).
package tiles
