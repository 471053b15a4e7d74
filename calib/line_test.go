package calib

import (
	"math"
	"math/rand/v2"
	"testing"
)

// NIST/ITL Statistical Reference Datasets, linear regression, Norris (y, x):
// 36 observations of ozone monitors, certified to 15 digits.
var norris = [][2]float64{
	{0.1, 0.2}, {338.8, 337.4}, {118.1, 118.2}, {888.0, 884.6}, {9.2, 10.1}, {228.1, 226.5},
	{668.5, 666.3}, {998.5, 996.3}, {449.1, 448.6}, {778.9, 777.0}, {559.2, 558.2}, {0.3, 0.4},
	{0.1, 0.6}, {778.1, 775.5}, {668.8, 666.9}, {339.3, 338.0}, {448.9, 447.5}, {10.8, 11.6},
	{557.7, 556.0}, {228.3, 228.1}, {998.0, 995.8}, {888.8, 887.6}, {119.6, 120.2}, {0.3, 0.3},
	{0.6, 0.3}, {557.6, 556.8}, {339.3, 339.1}, {888.0, 887.2}, {998.5, 999.0}, {778.9, 779.0},
	{10.2, 11.1}, {117.6, 118.3}, {228.9, 229.2}, {668.4, 669.1}, {449.2, 448.9}, {0.2, 0.5},
}

func TestFitLineNorris(t *testing.T) {
	var x, y []float64
	for _, p := range norris {
		y, x = append(y, p[0]), append(x, p[1])
	}
	f, ok := fitLine(x, y, nil)
	if !ok {
		t.Fatal("no fit")
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"B0", f.a, -0.262323073774029},
		{"B1", f.b, 1.00211681802045},
		{"standard deviation of B1", f.seB, 0.429796848199937e-03},
		{"residual standard deviation", f.residual, 0.884796396144373},
	} {
		if math.Abs(c.got/c.want-1) > 1e-11 {
			t.Errorf("%s: %.15g, certified %.15g", c.name, c.got, c.want)
		}
	}
}

func TestFitLineRefuses(t *testing.T) {
	for _, tc := range []struct {
		name string
		x, y []float64
	}{
		{"two points", []float64{0, 1}, []float64{0, 1}},
		{"one place", []float64{2, 2, 2}, []float64{0, 1, 2}},
		{"nothing", nil, nil},
	} {
		if _, ok := fitLine(tc.x, tc.y, nil); ok {
			t.Errorf("%s: fitted", tc.name)
		}
	}
}

// Evenly spaced ticks with independent errors sigma: u(d) = sigma / sqrt(sum
// (k - mean k)^2), which for N of them is sigma sqrt(12 / (N (N^2 - 1))); the
// standard error a fit states must be that on the mean, and the slopes of many
// fits must scatter by it.
func TestStandardErrorOfStep(t *testing.T) {
	const n, sigma, step, fits = 101, 0.1, 47.244, 2000
	rng := rand.New(rand.NewPCG(5, 6))
	want := sigma * math.Sqrt(12/float64(n*(n*n-1)))
	var stated, scatter float64
	x, y := make([]float64, n), make([]float64, n)
	for range fits {
		for k := range n {
			x[k], y[k] = float64(k), 300+step*float64(k)+sigma*rng.NormFloat64()
		}
		f, _ := fitLine(x, y, nil)
		stated += f.seB / fits
		scatter += (f.b - step) * (f.b - step) / fits
	}
	// 2000 fits know a standard deviation to 1/sqrt(4000) = 1.6 %; 5 % is three of these.
	if r := stated / want; math.Abs(r-1) > 0.05 {
		t.Errorf("stated standard error %.3g of the formula's", r)
	}
	if r := math.Sqrt(scatter) / want; math.Abs(r-1) > 0.05 {
		t.Errorf("scatter of slopes %.3g of the formula's", r)
	}
}

func TestFitRobust(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var x, y []float64
	for k := range 90 {
		if k > 30 && k < 50 {
			continue // covered
		}
		v := 12 + 23.6*float64(k) + 0.05*rng.NormFloat64()
		if k%6 == 0 {
			v += 3 + rng.Float64() // a sixth are displaced, all to one side
		}
		x, y = append(x, float64(k)), append(y, v)
	}
	f, keep, ok := fitRobust(x, y, 0.25)
	if !ok || math.Abs(f.b/23.6-1) > 1e-4 || math.Abs(f.a-12) > 0.05 {
		t.Fatalf("step %.5f from %.3f", f.b, f.a)
	}
	for i := range x {
		if out := int(x[i])%6 == 0; out == (keep[i] > 0) {
			t.Errorf("tick %v kept: %v", x[i], keep[i] > 0)
		}
	}
}

func TestQuantile(t *testing.T) {
	v := []float64{3, 1, 2, 5, 4}
	for _, tc := range [][2]float64{{0, 1}, {0.5, 3}, {1, 5}, {0.125, 1.5}} {
		if got := quantileOf(v, tc[0]); got != tc[1] {
			t.Errorf("quantile %v: %v, want %v", tc[0], got, tc[1])
		}
	}
	if v[0] != 3 || median(nil) != 0 {
		t.Error("quantileOf must leave its argument alone; the median of nothing is 0")
	}
}
