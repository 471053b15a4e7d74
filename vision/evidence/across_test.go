package evidence

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// What is written for the processor gives the same to the last bit as what is
// written for reading.
func TestAcrossAsWritten(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 3))
	for n := range 46 {
		in := make([][]float32, 4)
		for i := range in {
			for range n {
				in[i] = append(in[i], float32(rng.NormFloat64()*3000))
			}
		}
		k := [3]float32{-0.25, float32(rng.Float64()), 0.5}
		got, want := make([]float32, n), make([]float32, n)
		f, s, q := differences(got, in[0], in[1], in[2], in[3], &k)
		f0, s0, q0 := differencesPlainly(want, in[0], in[1], in[2], in[3], &k)
		if f != f0 || s != s0 || q != q0 {
			t.Errorf("%d rows: %g, %g and %g, want %g, %g and %g", n, f, s, q, f0, s0, q0)
		}
		for i := range got {
			if got[i] != want[i] {
				t.Errorf("%d rows, row %d: %g, want %g", n, i, got[i], want[i])
			}
		}
		if a, b := pulledIn(got, -700, 400), pulledInPlainly(got, -700, 400); a != b {
			t.Errorf("%d rows pulled in: %g, want %g", n, a, b)
		}
	}
}

// Rows without outliers have the mean and the variance that statistics gives
// them (gonum/stat), and one far off hardly moves the mean.
func TestMeanAndSpread(t *testing.T) {
	const n = 36
	none := make([]float32, n)
	at := make([]float32, n)
	x := make([]float64, n)
	for i := range at {
		at[i] = 1000 + float32(i%2) // one standard deviation from the mean each
		x[i] = float64(at[i])
	}
	vals, k := make([]float32, n), &[3]float32{0, 1, 0}
	mean, spread := meanAndSpread(vals, none, none, at, at, k)
	if want, v := stat.PopMeanVariance(x, nil); math.Abs(float64(mean)-want) > 1e-3 || math.Abs(float64(spread)-v) > 1e-3 {
		t.Errorf("mean %g, spread %g, want %g and %g", mean, spread, want, v)
	}
	at[7] += 500
	if mean, _ = meanAndSpread(vals, none, none, at, at, k); mean < 1000 || mean > 1005 {
		t.Errorf("mean %g with one row of 36 off by 500, want about 1003: as much as 1.3 standard deviations", mean)
	}
}
