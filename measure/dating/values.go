// Package dating has the arithmetic of crossdating: statistics of one series,
// agreement of two, detrending, chronologies, the placement of a floating
// series, and the check of a dating.
//
// Series of numbers are Values: one number a year from the oldest to the
// youngest, NaN where a year has none. NaN never leaves the package in a result
// meant for people or files: results are plain numbers with a sign of whether
// they exist.
package dating

import (
	"math"

	"pithward/measure/archive"
)

// Values is one number a year; NaN where there is none.
type Values struct {
	FirstYear int // of V[0]
	V         []float64
}

// LastYear returns the year of the last value.
func (v Values) LastYear() int { return v.FirstYear + len(v.V) - 1 }

// At returns a year's value, NaN outside.
func (v Values) At(year int) float64 {
	if k := year - v.FirstYear; k >= 0 && k < len(v.V) {
		return v.V[k]
	}
	return math.NaN()
}

// Moved returns the values with every year moved by so many years (positive:
// to younger). The numbers are shared.
func (v Values) Moved(years int) Values { return Values{v.FirstYear + years, v.V} }

// Defined counts the years that have a number.
func (v Values) Defined() int {
	n := 0
	for _, x := range v.V {
		if !math.IsNaN(x) {
			n++
		}
	}
	return n
}

// Widths returns the widths of a series in mm: 0 for an absent ring, NaN for
// one not measured.
func Widths(s archive.Series) Values {
	v := Values{s.FirstYear, make([]float64, len(s.Widths))}
	for k, w := range s.Widths {
		v.V[k] = math.NaN()
		if w.Measured() {
			v.V[k] = float64(w)
		}
	}
	return v
}

// common returns the numbers of the years in which both have one.
func common(a, b Values) (x, y []float64) {
	from, to := max(a.FirstYear, b.FirstYear), min(a.LastYear(), b.LastYear())
	for year := from; year <= to; year++ {
		p, q := a.V[year-a.FirstYear], b.V[year-b.FirstYear]
		if !math.IsNaN(p) && !math.IsNaN(q) {
			x, y = append(x, p), append(y, q)
		}
	}
	return x, y
}

// defined returns the numbers that are there.
func defined(v []float64) []float64 {
	out := make([]float64, 0, len(v))
	for _, x := range v {
		if !math.IsNaN(x) {
			out = append(out, x)
		}
	}
	return out
}
