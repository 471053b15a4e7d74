#include "textflag.h"

// The instructions are those every amd64 processor has (SSE), four rows at a
// time. across.go tells what is worked out, in the same order.

// func differences(dst, a, b, c, d []float32, k *[3]float32) (first, sum, square float32)
TEXT ·differences(SB), NOSPLIT, $0-140
	MOVQ   dst_base+0(FP), DI
	MOVQ   dst_len+8(FP), CX
	MOVQ   a_base+24(FP), R8
	MOVQ   b_base+48(FP), R9
	MOVQ   c_base+72(FP), R10
	MOVQ   d_base+96(FP), R11
	MOVQ   k+120(FP), BX
	MOVSS  0(BX), X10
	SHUFPS $0, X10, X10
	MOVSS  4(BX), X11
	SHUFPS $0, X11, X11
	MOVSS  8(BX), X12
	SHUFPS $0, X12, X12
	XORPS  X13, X13            // the first answer, in all four
	XORPS  X14, X14            // sums
	XORPS  X15, X15            // squares
	XORQ   SI, SI
	CMPQ   CX, $4
	JL     rest

four:
	MOVUPS (R8)(SI*4), X0
	MOVUPS (R9)(SI*4), X1
	MOVUPS (R10)(SI*4), X2
	MOVUPS (R11)(SI*4), X3
	SUBPS  X2, X3              // d - c
	SUBPS  X1, X2              // c - b
	SUBPS  X0, X1              // b - a
	MULPS  X10, X1
	MULPS  X11, X2
	MULPS  X12, X3
	ADDPS  X2, X1
	ADDPS  X3, X1
	TESTQ  SI, SI
	JNE    known
	MOVAPS X1, X13
	SHUFPS $0, X13, X13

known:
	SUBPS  X13, X1
	MOVUPS X1, (DI)(SI*4)
	ADDPS  X1, X14
	MULPS  X1, X1
	ADDPS  X1, X15
	ADDQ   $4, SI
	LEAQ   4(SI), DX
	CMPQ   DX, CX
	JLE    four

rest:
	CMPQ   SI, CX
	JGE    done
	MOVSS  (R8)(SI*4), X0
	MOVSS  (R9)(SI*4), X1
	MOVSS  (R10)(SI*4), X2
	MOVSS  (R11)(SI*4), X3
	SUBSS  X2, X3
	SUBSS  X1, X2
	SUBSS  X0, X1
	MULSS  X10, X1
	MULSS  X11, X2
	MULSS  X12, X3
	ADDSS  X2, X1
	ADDSS  X3, X1
	TESTQ  SI, SI
	JNE    one
	MOVSS  X1, X13

one:
	SUBSS  X13, X1
	MOVSS  X1, (DI)(SI*4)
	ADDSS  X1, X14
	MULSS  X1, X1
	ADDSS  X1, X15
	INCQ   SI
	JMP    rest

done:
	MOVSS  X13, first+128(FP)
	MOVAPS X14, X0
	SHUFPS $0xB1, X0, X0       // 1 0 3 2
	ADDPS  X0, X14
	MOVHLPS X14, X0
	ADDSS  X0, X14
	MOVSS  X14, sum+132(FP)
	MOVAPS X15, X0
	SHUFPS $0xB1, X0, X0
	ADDPS  X0, X15
	MOVHLPS X15, X0
	ADDSS  X0, X15
	MOVSS  X15, square+136(FP)
	RET

// func pulledIn(vals []float32, lo, hi float32) (sum float32)
TEXT ·pulledIn(SB), NOSPLIT, $0-36
	MOVQ   vals_base+0(FP), DI
	MOVQ   vals_len+8(FP), CX
	MOVSS  lo+24(FP), X10
	SHUFPS $0, X10, X10
	MOVSS  hi+28(FP), X11
	SHUFPS $0, X11, X11
	XORPS  X14, X14
	XORQ   SI, SI
	CMPQ   CX, $4
	JL     rest

four:
	MOVUPS (DI)(SI*4), X0
	MAXPS  X10, X0
	MINPS  X11, X0
	ADDPS  X0, X14
	ADDQ   $4, SI
	LEAQ   4(SI), DX
	CMPQ   DX, CX
	JLE    four

rest:
	CMPQ   SI, CX
	JGE    done
	MOVSS  (DI)(SI*4), X0
	MAXSS  X10, X0
	MINSS  X11, X0
	ADDSS  X0, X14
	INCQ   SI
	JMP    rest

done:
	MOVAPS X14, X0
	SHUFPS $0xB1, X0, X0
	ADDPS  X0, X14
	MOVHLPS X14, X0
	ADDSS  X0, X14
	MOVSS  X14, sum+32(FP)
	RET
