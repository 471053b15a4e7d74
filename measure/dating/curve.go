package dating

import (
	"math"

	"gonum.org/v1/gonum/stat"
)

// NegativeExponential is the growth curve a exp(-b t) + k, t = 1 at the first
// year, and its sum of squared residuals.
type NegativeExponential struct{ A, B, K, RSS float64 }

// The range searched for b: curves flatter than this are straight over any
// series, steeper ones gone after some years (chosen; the golden values use the
// same).
const minDecay, maxDecay = 1e-4, 1.0

// FitNegativeExponential fits the curve by least squares. It returns ErrNoCurve
// where the best b lies at an end of 1e-4 to 1, or a or k is not above 0: then
// another curve has to serve. For a fixed b the rest is linear, so that b is
// searched in one dimension, as a root of the derivative of the sum of squares.
//
// Source: Fritts, Mosimann & Bottorff 1969; Fritts 1976.
func FitNegativeExponential(y []float64) (NegativeExponential, error) {
	if len(defined(y)) < 4 {
		return NegativeExponential{}, ErrNoCurve
	}
	const steps = 400
	low, high := math.Log(minDecay), math.Log(maxDecay)
	at := func(i int) float64 { return low + (high-low)*float64(i)/steps }
	best, bestRSS := 0, math.Inf(1)
	for i := 0; i <= steps; i++ {
		if c := linearPart(y, math.Exp(at(i))); c.RSS < bestRSS {
			best, bestRSS = i, c.RSS
		}
	}
	if best == 0 || best == steps {
		return NegativeExponential{}, ErrNoCurve
	}
	from, to := at(best-1), at(best+1)
	for range 200 { // bisection, to the last digit
		middle := (from + to) / 2
		if middle == from || middle == to {
			break
		}
		if slope(y, linearPart(y, math.Exp(middle))) > 0 {
			to = middle
		} else {
			from = middle
		}
	}
	c := linearPart(y, math.Exp((from+to)/2))
	if !(c.A > 0 && c.K > 0) {
		return NegativeExponential{}, ErrNoCurve
	}
	return c, nil
}

// linearPart fits a and k for a given b.
func linearPart(y []float64, b float64) NegativeExponential {
	var u, v []float64
	for t, x := range y {
		if !math.IsNaN(x) {
			u, v = append(u, math.Exp(-b*float64(t+1))), append(v, x)
		}
	}
	k, a := stat.LinearRegression(u, v, nil, false)
	c := NegativeExponential{A: a, B: b, K: k}
	for i := range u {
		r := v[i] - a*u[i] - k
		c.RSS += r * r
	}
	return c
}

// slope is half the derivative of the sum of squares by b; a and k being the
// best for this b, only the explicit part counts.
func slope(y []float64, c NegativeExponential) float64 {
	sum := 0.0
	for t, x := range y {
		if math.IsNaN(x) {
			continue
		}
		n := float64(t + 1)
		e := c.A * math.Exp(-c.B*n)
		sum += (x - e - c.K) * n * e
	}
	return sum
}

// At returns the curve's value t years into the series, t = 1 at its first.
func (c NegativeExponential) At(t int) float64 { return c.A*math.Exp(-c.B*float64(t)) + c.K }
