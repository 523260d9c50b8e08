//go:build !purego

#include "textflag.h"

// Offsets in lanes, see squares_amd64.go.
#define MIDDLE 0(BX)
#define RED 32(BX)
#define GREENCB 64(BX)
#define GREENCR 96(BX)
#define BLUE 128(BX)
#define UNIT 160(BX)
#define BASE 192(BX)
#define LUMA 224(BX)
#define C4 256(BX)
#define C3 288(BX)
#define C2 320(BX)
#define C1 352(BX)
#define C0 384(BX)
#define LINE 416(BX)
#define EVEN 448(BX)
#define KNEE 480(BX)

// LIGHT turns 16 places into light: lightCurve.at behind its clamping. Y14 is the
// knee, Y15 c3. It needs Y2 and Y3.
#define LIGHT(t) \
	VPMAXSW  Y14, t, Y2  \ // upper
	VPSUBW   t, Y2, t    \ // upper - place
	VPSLLW   $2, Y2, Y2  \ // x
	VPMULHUW C4, Y2, Y3  \
	VPSUBW   Y3, Y15, Y3 \
	VPMULHUW Y3, Y2, Y3  \
	VPADDW   C2, Y3, Y3  \ // q
	VPMULHUW Y3, Y2, Y3  \
	VPADDW   Y3, Y3, Y3  \
	VPADDW   C1, Y3, Y3  \
	VPMULHUW Y3, Y2, Y3  \
	VPADDW   C0, Y3, Y3  \
	VPMULHUW LINE, t, t  \ // below
	VPSUBUSW t, Y3, t

// PRIMARY takes the moves of eight chroma samples in X0, and the places of 16
// luma samples of two rows in Y6 and Y7. It adds the light of both rows, of even
// columns to e and of odd ones to o, 32 bits each.
#define PRIMARY(e, o) \
	VPMULLW   UNIT, X0, X0 \
	VPADDW    BASE, X0, X0 \
	VPMOVZXWD X0, Y0       \
	VPSLLD    $16, Y0, Y1  \
	VPOR      Y1, Y0, Y1   \ // one for each of two columns
	VPADDSW   Y6, Y1, Y0   \
	VPADDSW   Y7, Y1, Y1   \
	LIGHT(Y0)              \
	LIGHT(Y1)              \
	VPAND     EVEN, Y0, Y2 \
	VPSRLD    $16, Y0, Y0  \
	VPAND     EVEN, Y1, Y3 \
	VPSRLD    $16, Y1, Y1  \
	VPADDD    Y2, e, e     \
	VPADDD    Y3, e, e     \
	VPADDD    Y0, o, o     \
	VPADDD    Y1, o, o

// func addSquares16(row *uint64, luma, cb, cr *uint8, lumaStride, chromaStride, pairs, n int, k *lanes)
TEXT ·addSquares16(SB), NOSPLIT, $0-72
	MOVQ row+0(FP), DI
	MOVQ luma+8(FP), SI
	MOVQ cb+16(FP), R8
	MOVQ cr+24(FP), R9
	MOVQ lumaStride+32(FP), R10
	MOVQ chromaStride+40(FP), R11
	LEAQ (R10)(R10*8), DX
	MOVQ n+56(FP), CX
	MOVQ k+64(FP), BX
	VMOVDQU KNEE, Y14
	VMOVDQU C3, Y15

columns:
	MOVQ  pairs+48(FP), R12
	MOVQ  SI, R13
	MOVQ  R8, R14
	MOVQ  R9, R15
	VPXOR Y8, Y8, Y8    // red of even columns, of odd ones; green; blue
	VPXOR Y9, Y9, Y9
	VPXOR Y10, Y10, Y10
	VPXOR Y11, Y11, Y11
	VPXOR Y12, Y12, Y12
	VPXOR Y13, Y13, Y13

rows:
	VPMOVZXBW (R13), Y6
	VPMULLW   LUMA, Y6, Y6
	VPMOVZXBW (R13)(R10*1), Y7
	VPMULLW   LUMA, Y7, Y7
	VPMOVZXBW (R14), X4
	VPSLLW    $4, X4, X4
	VPSUBW    MIDDLE, X4, X4
	VPMOVZXBW (R15), X5
	VPSLLW    $4, X5, X5
	VPSUBW    MIDDLE, X5, X5
	VPMULHRSW RED, X5, X0
	PRIMARY(Y8, Y9)
	VPMULHRSW GREENCB, X4, X0
	VPMULHRSW GREENCR, X5, X1
	VPADDW    X1, X0, X0
	PRIMARY(Y10, Y11)
	VPMULHRSW BLUE, X4, X0
	PRIMARY(Y12, Y13)
	PREFETCHT0 (R13)(R10*8) // the rows that come after these, of pictures that are in no cache
	PREFETCHT0 (R13)(DX*1)
	PREFETCHT0 (R14)(R11*4)
	PREFETCHT0 (R15)(R11*4)
	LEAQ      (R13)(R10*2), R13
	ADDQ      R11, R14
	ADDQ      R11, R15
	DECQ      R12
	JNZ       rows

	// A column has red from bit 0, green from 21, blue from 42. Y8 and Y9 become
	// the lower halves of even and odd columns, Y12 and Y13 the upper ones.
	VPSLLD $21, Y10, Y0
	VPOR   Y0, Y8, Y8
	VPSRLD $11, Y10, Y10
	VPSLLD $10, Y12, Y12
	VPOR   Y10, Y12, Y12
	VPSLLD $21, Y11, Y0
	VPOR   Y0, Y9, Y9
	VPSRLD $11, Y11, Y11
	VPSLLD $10, Y13, Y13
	VPOR   Y11, Y13, Y13

	VPUNPCKLDQ  Y12, Y8, Y0  // columns 0 2, 8 10
	VPUNPCKHDQ  Y12, Y8, Y1  // 4 6, 12 14
	VPUNPCKLDQ  Y13, Y9, Y2  // 1 3, 9 11
	VPUNPCKHDQ  Y13, Y9, Y3  // 5 7, 13 15
	VPUNPCKLQDQ Y2, Y0, Y4   // 0 1, 8 9
	VPUNPCKHQDQ Y2, Y0, Y5   // 2 3, 10 11
	VPUNPCKLQDQ Y3, Y1, Y6   // 4 5, 12 13
	VPUNPCKHQDQ Y3, Y1, Y7   // 6 7, 14 15
	VPERM2I128  $0x20, Y5, Y4, Y0
	VPERM2I128  $0x20, Y7, Y6, Y1
	VPERM2I128  $0x31, Y5, Y4, Y2
	VPERM2I128  $0x31, Y7, Y6, Y3
	VPADDQ      (DI), Y0, Y0
	VMOVDQU     Y0, (DI)
	VPADDQ      32(DI), Y1, Y1
	VMOVDQU     Y1, 32(DI)
	VPADDQ      64(DI), Y2, Y2
	VMOVDQU     Y2, 64(DI)
	VPADDQ      96(DI), Y3, Y3
	VMOVDQU     Y3, 96(DI)

	ADDQ $16, SI
	ADDQ $8, R8
	ADDQ $8, R9
	ADDQ $128, DI
	SUBQ $16, CX
	JGT  columns
	VZEROUPPER
	RET

// The same with 32 lanes and AVX-512BW. Z16 is the knee, Z17 to Z22 are c4, c3, c2,
// c1, c0 and the line, Z23 to Z30 middle, red, greenCb, greenCr, blue, unit, base and
// luma, Z31 has the even lanes set.
#define LIGHT32(t) \
	VPMAXSW  Z16, t, Z2  \
	VPSUBW   t, Z2, t    \
	VPSLLW   $2, Z2, Z2  \
	VPMULHUW Z17, Z2, Z3 \
	VPSUBW   Z3, Z18, Z3 \
	VPMULHUW Z3, Z2, Z3  \
	VPADDW   Z19, Z3, Z3 \
	VPMULHUW Z3, Z2, Z3  \
	VPADDW   Z3, Z3, Z3  \
	VPADDW   Z20, Z3, Z3 \
	VPMULHUW Z3, Z2, Z3  \
	VPADDW   Z21, Z3, Z3 \
	VPMULHUW Z22, t, t   \
	VPSUBUSW t, Z3, t

#define PRIMARY32(e, o) \
	VPMULLW   Y28, Y0, Y0  \
	VPADDW    Y29, Y0, Y0  \
	VPMOVZXWD Y0, Z0       \
	VPSLLD    $16, Z0, Z1  \
	VPORD     Z1, Z0, Z1   \
	VPADDSW   Z6, Z1, Z0   \
	VPADDSW   Z7, Z1, Z1   \
	LIGHT32(Z0)            \
	LIGHT32(Z1)            \
	VPANDD    Z31, Z0, Z2  \
	VPSRLD    $16, Z0, Z0  \
	VPANDD    Z31, Z1, Z3  \
	VPSRLD    $16, Z1, Z1  \
	VPADDD    Z2, e, e     \
	VPADDD    Z3, e, e     \
	VPADDD    Z0, o, o     \
	VPADDD    Z1, o, o

// func addSquares32(row *uint64, luma, cb, cr *uint8, lumaStride, chromaStride, pairs, n int, k *lanes)
TEXT ·addSquares32(SB), NOSPLIT, $0-72
	MOVQ row+0(FP), DI
	MOVQ luma+8(FP), SI
	MOVQ cb+16(FP), R8
	MOVQ cr+24(FP), R9
	MOVQ lumaStride+32(FP), R10
	MOVQ chromaStride+40(FP), R11
	LEAQ (R10)(R10*8), DX
	MOVQ n+56(FP), CX
	MOVQ k+64(FP), BX
	VPBROADCASTW KNEE, Z16
	VPBROADCASTW C4, Z17
	VPBROADCASTW C3, Z18
	VPBROADCASTW C2, Z19
	VPBROADCASTW C1, Z20
	VPBROADCASTW C0, Z21
	VPBROADCASTW LINE, Z22
	VPBROADCASTW MIDDLE, Z23
	VPBROADCASTW RED, Z24
	VPBROADCASTW GREENCB, Z25
	VPBROADCASTW GREENCR, Z26
	VPBROADCASTW BLUE, Z27
	VPBROADCASTW UNIT, Z28
	VPBROADCASTW BASE, Z29
	VPBROADCASTW LUMA, Z30
	VPBROADCASTD EVEN, Z31

columns:
	MOVQ   pairs+48(FP), R12
	MOVQ   SI, R13
	MOVQ   R8, R14
	MOVQ   R9, R15
	VPXORD Z8, Z8, Z8
	VPXORD Z9, Z9, Z9
	VPXORD Z10, Z10, Z10
	VPXORD Z11, Z11, Z11
	VPXORD Z12, Z12, Z12
	VPXORD Z13, Z13, Z13

rows:
	VPMOVZXBW (R13), Z6
	VPMULLW   Z30, Z6, Z6
	VPMOVZXBW (R13)(R10*1), Z7
	VPMULLW   Z30, Z7, Z7
	VPMOVZXBW (R14), Y4
	VPSLLW    $4, Y4, Y4
	VPSUBW    Y23, Y4, Y4
	VPMOVZXBW (R15), Y5
	VPSLLW    $4, Y5, Y5
	VPSUBW    Y23, Y5, Y5
	VPMULHRSW Y24, Y5, Y0
	PRIMARY32(Z8, Z9)
	VPMULHRSW Y25, Y4, Y0
	VPMULHRSW Y26, Y5, Y1
	VPADDW    Y1, Y0, Y0
	PRIMARY32(Z10, Z11)
	VPMULHRSW Y27, Y4, Y0
	PRIMARY32(Z12, Z13)
	PREFETCHT0 (R13)(R10*8) // the rows that come after these, of pictures that are in no cache
	PREFETCHT0 (R13)(DX*1)
	PREFETCHT0 (R14)(R11*4)
	PREFETCHT0 (R15)(R11*4)
	LEAQ      (R13)(R10*2), R13
	ADDQ      R11, R14
	ADDQ      R11, R15
	DECQ      R12
	JNZ       rows

	VPSLLD $21, Z10, Z0
	VPORD  Z0, Z8, Z8
	VPSRLD $11, Z10, Z10
	VPSLLD $10, Z12, Z12
	VPORD  Z10, Z12, Z12
	VPSLLD $21, Z11, Z0
	VPORD  Z0, Z9, Z9
	VPSRLD $11, Z11, Z11
	VPSLLD $10, Z13, Z13
	VPORD  Z11, Z13, Z13

	VPUNPCKLDQ  Z12, Z8, Z0 // columns 0 2, 8 10 and so on
	VPUNPCKHDQ  Z12, Z8, Z1
	VPUNPCKLDQ  Z13, Z9, Z2
	VPUNPCKHDQ  Z13, Z9, Z3
	VPUNPCKLQDQ Z2, Z0, Z4  // 0 1, 8 9, 16 17, 24 25
	VPUNPCKHQDQ Z2, Z0, Z5  // 2 3, 10 11
	VPUNPCKLQDQ Z3, Z1, Z6  // 4 5, 12 13
	VPUNPCKHQDQ Z3, Z1, Z7  // 6 7, 14 15
	VSHUFI64X2  $0x44, Z5, Z4, Z0
	VSHUFI64X2  $0x44, Z7, Z6, Z1
	VSHUFI64X2  $0xEE, Z5, Z4, Z2
	VSHUFI64X2  $0xEE, Z7, Z6, Z3
	VSHUFI64X2  $0x88, Z1, Z0, Z4
	VSHUFI64X2  $0xDD, Z1, Z0, Z5
	VSHUFI64X2  $0x88, Z3, Z2, Z6
	VSHUFI64X2  $0xDD, Z3, Z2, Z7
	VPADDQ      (DI), Z4, Z4
	VMOVDQU64   Z4, (DI)
	VPADDQ      64(DI), Z5, Z5
	VMOVDQU64   Z5, 64(DI)
	VPADDQ      128(DI), Z6, Z6
	VMOVDQU64   Z6, 128(DI)
	VPADDQ      192(DI), Z7, Z7
	VMOVDQU64   Z7, 192(DI)

	ADDQ $32, SI
	ADDQ $16, R8
	ADDQ $16, R9
	ADDQ $256, DI
	SUBQ $32, CX
	JGT  columns
	VZEROUPPER
	RET
