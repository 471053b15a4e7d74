package evidence

import (
	"math/rand/v2"
	"testing"
)

func BenchmarkAnswer(b *testing.B) {
	const rows, cols = 36, 4000
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float32, rows*cols)
	for i := range x {
		x[i] = rng.Float32() * 200
	}
	p := newPlane(x, rows, cols, 200, 2)
	for _, sh := range []struct {
		name string
		shape
	}{{"step", step}, {"line", line}, {"level", level}} {
		b.Run(sh.name, func(b *testing.B) {
			for b.Loop() {
				p.answer(sh.shape, 12)
			}
		})
	}
}
