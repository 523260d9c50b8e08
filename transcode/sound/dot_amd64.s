#include "textflag.h"

// func dot(row, in []float32) float32
//
// X0 to X3 hold the sixteen lanes.
TEXT ·dot(SB), NOSPLIT, $0-52
	MOVQ row_base+0(FP), SI
	MOVQ in_base+24(FP), DI
	MOVQ in_len+32(FP), CX
	XORPS X0, X0
	XORPS X1, X1
	XORPS X2, X2
	XORPS X3, X3
	SHRQ $4, CX
	JZ   sum

loop:
	MOVUPS 0(SI), X4
	MOVUPS 16(SI), X5
	MOVUPS 32(SI), X6
	MOVUPS 48(SI), X7
	MOVUPS 0(DI), X8
	MOVUPS 16(DI), X9
	MOVUPS 32(DI), X10
	MOVUPS 48(DI), X11
	MULPS X8, X4
	MULPS X9, X5
	MULPS X10, X6
	MULPS X11, X7
	ADDPS X4, X0
	ADDPS X5, X1
	ADDPS X6, X2
	ADDPS X7, X3
	ADDQ $64, SI
	ADDQ $64, DI
	DECQ CX
	JNZ  loop

sum:
	ADDPS X2, X0 // lane i += lane i+8
	ADDPS X3, X1
	ADDPS X1, X0 // lane i += lane i+4
	MOVHLPS X0, X1
	ADDPS X1, X0 // lane i += lane i+2
	MOVAPS X0, X1
	SHUFPS $1, X1, X1
	ADDSS X1, X0
	MOVSS X0, ret+48(FP)
	RET
