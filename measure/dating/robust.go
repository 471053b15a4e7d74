package dating

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// biweightC is the constant c of the robust mean: values beyond c times the
// spread have no weight (Mosteller & Tukey 1977).
const biweightC = 9

// Mean returns the arithmetic mean of the numbers that are there; ok is false
// for none.
func Mean(x []float64) (m float64, ok bool) {
	d := defined(x)
	if len(d) == 0 {
		return 0, false
	}
	return stat.Mean(d, nil), true
}

// Median returns the middle value, the mean of the middle two for an even
// number; ok is false for none.
func Median(x []float64) (m float64, ok bool) {
	s := defined(x)
	if len(s) == 0 {
		return 0, false
	}
	slices.Sort(s)
	n := len(s)
	if n%2 == 1 {
		return s[n/2], true
	}
	return (s[n/2-1] + s[n/2]) / 2, true
}

// Biweight returns Tukey's biweight robust mean: T = sum w x / sum w with
// w = (1 - u^2)^2, u = (x - T) / (9 S), starting from the median and iterated to
// rest, S being the median distance from the first median throughout. One or two
// values, or more than half of them equal, give the median.
//
// Source: Mosteller & Tukey 1977, Data Analysis and Regression; that S stays
// fixed is one of the ways that Kafadar 1983 (J. Res. NBS 88:105-116) sets out.
// With a moving S the iteration may run in circles.
func Biweight(x []float64) (mean float64, ok bool) { return biweight(x, 200) }

// BiweightOneStep is Biweight after its first step.
func BiweightOneStep(x []float64) (mean float64, ok bool) { return biweight(x, 1) }

func biweight(x []float64, steps int) (float64, bool) {
	d := defined(x)
	centre, ok := Median(d)
	if !ok || len(d) <= 2 {
		return centre, ok
	}
	distances := make([]float64, len(d))
	for i, v := range d {
		distances[i] = math.Abs(v - centre)
	}
	spread, _ := Median(distances)
	if spread == 0 {
		return centre, true
	}
	for range steps {
		above, below := 0.0, 0.0
		for _, v := range d {
			u := (v - centre) / (biweightC * spread)
			if math.Abs(u) < 1 {
				w := (1 - u*u) * (1 - u*u)
				above += w * v
				below += w
			}
		}
		next := above / below // the median's neighbours always have weight
		still := math.Abs(next-centre) <= 1e-14
		centre = next
		if still {
			break
		}
	}
	return centre, true
}

// BiweightBand returns half the width of the confidence band of the biweight
// mean at a level (0.95 for 95 %), from its asymptotic variance and Student's t
// with 0.7 (n-1) degrees of freedom; ok is false for fewer than four values or
// where more than half are equal.
//
// Source: Mosteller & Tukey 1977, chapter 10 (from memory).
func BiweightBand(x []float64, level float64) (half float64, ok bool) {
	d := defined(x)
	n := float64(len(d))
	centre, _ := Biweight(d)
	if n < 4 {
		return 0, false
	}
	first, _ := Median(d)
	distances := make([]float64, len(d))
	for i, v := range d {
		distances[i] = math.Abs(v - first)
	}
	spread, _ := Median(distances)
	if spread == 0 {
		return 0, false
	}
	above, below := 0.0, 0.0
	for _, v := range d {
		u := (v - centre) / (biweightC * spread)
		if q := u * u; q < 1 {
			above += (v - centre) * (v - centre) * math.Pow(1-q, 4)
			below += (1 - q) * (1 - 5*q)
		}
	}
	if below <= 0 {
		return 0, false
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: 0.7 * (n - 1)}.Quantile(0.5 + level/2)
	return t * math.Sqrt(above) / below, true // sqrt(n * above) / below / sqrt(n)
}
