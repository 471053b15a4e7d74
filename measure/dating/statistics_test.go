package dating

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// A smoothing spline leaves a straight line as it is, gap or no gap, and follows
// the data as lambda goes to 0 (Green & Silverman 1994, chapter 2).
func TestSplineProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 80).Draw(t, "n")
		a, b := rapid.Float64Range(-5, 5).Draw(t, "a"), rapid.Float64Range(-1, 1).Draw(t, "b")
		lambda := SplineLambda(rapid.Float64Range(2, 500).Draw(t, "period"))
		line, wild := make([]float64, n), make([]float64, n)
		there := 0
		for k := range line {
			line[k], wild[k] = a+b*float64(k), rapid.Float64Range(-1, 1).Draw(t, "y")
			if rapid.Float64Range(0, 1).Draw(t, "gap") < 0.2 {
				line[k], wild[k] = math.NaN(), math.NaN()
			} else {
				there++
			}
		}
		if there < 2 {
			return
		}
		for k, g := range Spline(line, lambda) {
			if math.Abs(g-(a+b*float64(k))) > 1e-9*(1+math.Abs(a)+float64(n)) {
				t.Fatalf("line at %d: %g, want %g", k, g, a+b*float64(k))
			}
		}
		for k, g := range Spline(wild, 0) {
			if !math.IsNaN(wild[k]) && math.Abs(g-wild[k]) > 1e-12 {
				t.Fatalf("lambda 0 at %d: %g, want %g", k, g, wild[k])
			}
			if math.IsNaN(g) {
				t.Fatalf("no value at %d", k)
			}
		}
	})
}

// Years without a width must come out as if the spline had been fitted to the
// others alone: the fit satisfies the normal equations
// y - g = lambda Q gamma with zero residual force at gaps, so that moving a gap's
// value in the input changes nothing.
func TestSplineIgnoresGaps(t *testing.T) {
	y := []float64{1, 2, math.NaN(), 1.5, 1, math.NaN(), math.NaN(), 2, 3, 2.5}
	g := Spline(y, 10)
	var force, moment float64
	for k := range y {
		if !math.IsNaN(y[k]) {
			force += y[k] - g[k]
			moment += (y[k] - g[k]) * float64(k)
		}
	}
	if math.Abs(force) > 1e-12 || math.Abs(moment) > 1e-11 {
		t.Errorf("residuals do not balance: sum %g, moment %g", force, moment)
	}
}

func TestMissingYears(t *testing.T) {
	nan := math.NaN()
	if v, ok := MeanSensitivity([]float64{1, nan, 1, 3}); !ok || v != 1 { // one step, 2*2/4
		t.Errorf("mean sensitivity %v %v, want 1", v, ok)
	}
	if _, ok := MeanSensitivity([]float64{1}); ok {
		t.Error("mean sensitivity of one ring")
	}
	if _, ok := Autocorrelation([]float64{2, 2, 2}); ok {
		t.Error("autocorrelation of a constant series")
	}
	if c := Correlate(Values{0, []float64{1, 1, 1}}, Values{0, []float64{1, 2, 3}}); c.OK || c.N != 3 {
		t.Errorf("correlation with a constant series: %+v", c)
	}
	if _, ok := (Correlation{N: 5, R: 1, OK: true}).T(); ok {
		t.Error("t of a correlation of 1")
	}
	if _, _, _, err := Detrend(Values{0, []float64{1, 1, 1, 1}}, Detrending{SplinePeriod: 32}); !errors.Is(err, ErrFlat) {
		t.Errorf("a flat series: %v", err)
	}
	if g := Gleichlaufig(Values{0, []float64{1, 2, nan, 4}}, Values{0, []float64{1, 2, 3, 4}}); g.Intervals != 1 || g.Same != 1 {
		t.Errorf("Gleichläufigkeit: %+v", g)
	}
	if _, ok := EPS(10, -0.1); ok {
		t.Error("EPS of a negative correlation")
	}
}

// The growth curve falls back from negative exponential to a falling line to the
// mean (Fritts 1976).
func TestGrowthCurve(t *testing.T) {
	make := func(f func(t float64) float64) Values {
		v := Values{FirstYear: 1900}
		random := rand.New(rand.NewPCG(1, 2))
		for k := range 100 {
			v.V = append(v.V, f(float64(k))+0.02*random.NormFloat64())
		}
		return v
	}
	tests := []struct {
		name string
		v    Values
		kind string
	}{
		{"falls and levels out", make(func(t float64) float64 { return 2*math.Exp(-t/20) + 0.5 }), "negative exponential"},
		{"bends down", make(func(t float64) float64 { return 2 - t*t/8000 }), "falling straight line"},
		{"rises", make(func(t float64) float64 { return 1 + t/100 }), "mean"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			index, _, kind, err := Detrend(tt.v, Detrending{})
			if err != nil || kind != tt.kind {
				t.Fatalf("%s, %v, want %s", kind, err, tt.kind)
			}
			if m, _ := Mean(index.V); math.Abs(m-1) > 0.05 {
				t.Errorf("indices have mean %g", m)
			}
		})
	}
}

// A known autoregressive series is whitened: nothing of its autocorrelation is
// left but chance (about 2/sqrt(n), Box & Jenkins 1970).
func TestWhitened(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	v := Values{FirstYear: 0, V: make([]float64, 1000)}
	for k := 1; k < len(v.V); k++ {
		v.V[k] = 0.7*v.V[k-1] + random.NormFloat64()
	}
	w := Whitened(v)
	if r, _ := Autocorrelation(w.V); math.Abs(r) > 2/math.Sqrt(1000) {
		t.Errorf("autocorrelation %g left", r)
	}
}

// The biweight band of normal data is near that of the mean, 1.96 sd / sqrt(n):
// its efficiency at the normal is about 0.98 for c = 9 raw spreads (Mosteller &
// Tukey 1977).
func TestBiweightBand(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	inside, rounds := 0, 2000
	for range rounds {
		x := make([]float64, 20)
		for k := range x {
			x[k] = random.NormFloat64()
		}
		m, _ := Biweight(x)
		half, ok := BiweightBand(x, 0.95)
		if !ok {
			t.Fatal("no band")
		}
		if math.Abs(m) <= half {
			inside++
		}
	}
	if share := float64(inside) / float64(rounds); share < 0.93 || share > 0.97 {
		t.Errorf("the band holds the mean in %g of cases, want 0.95", share)
	}
}

func BenchmarkSpline(b *testing.B) {
	for _, n := range []int{1000, 10000, 100000} {
		y := make([]float64, n)
		random := rand.New(rand.NewPCG(1, 1))
		for k := range y {
			y[k] = random.Float64()
		}
		b.Run(map[int]string{1000: "1000", 10000: "10000", 100000: "100000"}[n], func(b *testing.B) {
			for range b.N {
				Spline(y, 672)
			}
		})
	}
}
