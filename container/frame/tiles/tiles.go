// Package tiles codes only what changed of a picture: rectangles of panel pixels that go
// straight into the panel's window. The panel's own memory is the reference, so a player
// needs no frame buffer, and neither the card nor the panel's bus carries what stays.
//
// A beat's payload is
//
//	number of tiles, 1…65535, two bytes, little-endian
//	each tile:
//	  x, y, width−1, height−1: the low eight bits of each, a byte each
//	  a byte of their bits 8 and 9: of x in bits 0 and 1, then of y, width−1, height−1
//	  operations, until the tile is full
//
// A tile keeps to whole bytes of the panel's format, or to the panel's edge: pairs of
// columns in rgb444 and grey4, eight columns in mono-rows, eight rows in mono-pages. Its
// bytes are those of a frame of its size (rows of rgb444 run on unpadded). They come in
// units: a byte, two in rgb565, three in rgb666 and, for a pair of pixels, in rgb444,
// where the last unit of a tile of an odd number of pixels ends with zeros.
//
// Operations fill a tile from its start. Numbers of several bytes have the high one first;
// counts are stored less one:
//
//	0000nnnn nnnnnnnn   n+1 units follow as they are
//	0001nnnn            n+1 colours (units) follow: each goes to the front of a list of 16,
//	                    whose last one is lost
//	01bbnnnn nnnnnnnn   n+1 indices of b+1 bits into the list follow, the high bit of a byte
//	                    first, zeros behind the last one
//	1jjjjnnn nnnnnnnn   colour j of the list, n+1 times
//
// The list is empty at the start of a beat and goes on from tile to tile. All tiles together
// bring the panel no more bytes than a frame has. In a key beat they cover the panel, row of
// tiles by row of tiles, each of which is of one height.
//
// The encoder chooses the rectangles by what a window, a byte on the panel's bus and a byte
// from the card cost (cover.go), and the operations by dynamic programming (code.go).
package tiles
