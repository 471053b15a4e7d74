package dating

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// MeanSensitivity returns the mean over the steps from year to year of
// 2|x(t) - x(t-1)| / (x(t) + x(t-1)), between 0 and 2. A step between two absent
// rings counts as 0; steps that touch a missing value are left out. ok is false
// where there is no step.
//
// Source: Douglass 1928; Fritts 1976, Tree Rings and Climate, p. 258.
func MeanSensitivity(x []float64) (value float64, ok bool) {
	sum, n := 0.0, 0
	for t := 1; t < len(x); t++ {
		a, b := x[t-1], x[t]
		if math.IsNaN(a) || math.IsNaN(b) {
			continue
		}
		n++
		if a+b > 0 {
			sum += 2 * math.Abs(b-a) / (a + b)
		}
	}
	return quotient(sum, float64(n))
}

// StandardDeviation returns the sample deviation, with n-1; ok is false for
// fewer than two values.
func StandardDeviation(x []float64) (value float64, ok bool) {
	d := defined(x)
	if len(d) < 2 {
		return 0, false
	}
	return stat.StdDev(d, nil), true
}

// Autocorrelation returns the first-order autocorrelation
// sum z(t) z(t+1) / sum z(t)^2 with z the deviations from the mean of all
// values. Steps that touch a missing value are left out of the upper sum. ok is
// false where all values are equal.
//
// Source: Box & Jenkins 1970; NIST Statistical Reference Datasets, r(1).
func Autocorrelation(x []float64) (value float64, ok bool) {
	mean := stat.Mean(defined(x), nil)
	above, below := 0.0, 0.0
	for t, v := range x {
		if math.IsNaN(v) {
			continue
		}
		below += (v - mean) * (v - mean)
		if t+1 < len(x) && !math.IsNaN(x[t+1]) {
			above += (v - mean) * (x[t+1] - mean)
		}
	}
	return quotient(above, below)
}

// AutocorrelationPearson returns the Pearson correlation of x(1..n-1) with
// x(2..n), each with its own mean: the definition behind the site figures that
// NOAA publishes, which differs from Autocorrelation in the third decimal.
func AutocorrelationPearson(x []float64) (value float64, ok bool) {
	if len(x) < 2 {
		return 0, false
	}
	c := Correlate(Values{0, x[:len(x)-1]}, Values{0, x[1:]})
	return c.R, c.OK
}

// Gini returns the Gini coefficient of all values, between 0 and 1: the mean
// difference of all pairs over twice the mean, with n^2 as divisor.
//
// Source: Biondi & Qeadan 2008, Ecology 89(4):1056-1067.
func Gini(x []float64) (value float64, ok bool) {
	d := defined(x)
	slices.Sort(d)
	n, above, sum := len(d), 0.0, 0.0
	for i, v := range d {
		above += float64(2*(i+1)-n-1) * v
		sum += v
	}
	return quotient(above, float64(n)*sum)
}

// quotient is a/b, and whether b is not 0.
func quotient(a, b float64) (float64, bool) {
	if b == 0 || math.IsNaN(b) {
		return 0, false
	}
	return a / b, true
}

// Summary is what is reported of one series of widths. Pointers are nil where a
// figure does not exist.
type Summary struct {
	N               int      `json:"n"` // years with a width, absent rings among them
	Absent          int      `json:"absent"`
	Missing         int      `json:"missing"`
	MeanMM          *float64 `json:"mean_mm"`
	SDMM            *float64 `json:"sd_mm"`
	MeanSensitivity *float64 `json:"mean_sensitivity"`
	Autocorrelation *float64 `json:"autocorrelation"`
	Gini            *float64 `json:"gini"`
}

// Summarise gives the figures of a series of widths.
func Summarise(w Values) Summary {
	d := defined(w.V)
	s := Summary{N: len(d), Missing: len(w.V) - len(d)}
	for _, x := range d {
		if x == 0 {
			s.Absent++
		}
	}
	if len(d) > 0 {
		m := stat.Mean(d, nil)
		s.MeanMM = &m
	}
	s.SDMM = optional(StandardDeviation(w.V))
	s.MeanSensitivity = optional(MeanSensitivity(w.V))
	s.Autocorrelation = optional(Autocorrelation(w.V))
	s.Gini = optional(Gini(w.V))
	return s
}

func optional(v float64, ok bool) *float64 {
	if !ok || math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
