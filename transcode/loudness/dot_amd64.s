#include "textflag.h"

// func dot(row, window *[64]float64) float64
//
// X0 holds the sums of elements 0 and 1 of each four, X1 those of 2 and 3.
TEXT ·dot(SB), NOSPLIT, $0-24
	MOVQ  row+0(FP), SI
	MOVQ  window+8(FP), DI
	XORPS X0, X0
	XORPS X1, X1
	MOVQ  $8, CX

loop:
	MOVUPD 0(SI), X2
	MOVUPD 16(SI), X3
	MOVUPD 32(SI), X4
	MOVUPD 48(SI), X5
	MOVUPD 0(DI), X6
	MOVUPD 16(DI), X7
	MOVUPD 32(DI), X8
	MOVUPD 48(DI), X9
	MULPD  X6, X2
	MULPD  X7, X3
	MULPD  X8, X4
	MULPD  X9, X5
	ADDPD  X2, X0
	ADDPD  X3, X1
	ADDPD  X4, X0
	ADDPD  X5, X1
	ADDQ   $64, SI
	ADDQ   $64, DI
	DECQ   CX
	JNZ    loop

	MOVHLPS X0, X2 // (0 + 1) + (2 + 3)
	ADDSD   X2, X0
	MOVHLPS X1, X3
	ADDSD   X3, X1
	ADDSD   X1, X0
	MOVSD   X0, ret+16(FP)
	RET
