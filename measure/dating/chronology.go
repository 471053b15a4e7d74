package dating

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
)

// ErrFlat is returned for a series that does not vary.
var ErrFlat = errors.New("the series does not vary")

// Detrending says which growth curve a series is set against.
type Detrending struct {
	// SplinePeriod is the period in years of which the spline passes half;
	// 0 means a negative exponential instead.
	SplinePeriod float64
}

// Detrend returns widths over their growth curve, and which curve it was: a
// smoothing spline; or a negative exponential, or where that does not fit a
// straight line that does not rise, or the mean. A ratio has no value where the
// curve is not above 0, which is said.
func Detrend(w Values, d Detrending) (index Values, curve []float64, kind string, err error) {
	x := defined(w.V)
	if len(x) < 3 || constant(x) {
		return Values{}, nil, "", ErrFlat
	}
	if d.SplinePeriod > 0 {
		curve, kind = Spline(w.V, SplineLambda(d.SplinePeriod)), fmt.Sprintf("spline of %g years", d.SplinePeriod)
	} else {
		curve, kind = growthCurve(w.V)
	}
	index = Values{w.FirstYear, make([]float64, len(w.V))}
	for t, v := range w.V {
		index.V[t] = math.NaN()
		if curve[t] > 0 {
			index.V[t] = v / curve[t]
		}
	}
	return index, curve, kind, nil
}

// growthCurve is the negative exponential or what has to serve in its place
// (Fritts 1976).
func growthCurve(y []float64) (curve []float64, kind string) {
	curve = make([]float64, len(y))
	if c, err := FitNegativeExponential(y); err == nil {
		for t := range curve {
			curve[t] = c.At(t + 1)
		}
		return curve, "negative exponential"
	}
	var u, v []float64
	for t, x := range y {
		if !math.IsNaN(x) {
			u, v = append(u, float64(t)), append(v, x)
		}
	}
	base, slope := stat.LinearRegression(u, v, nil, false)
	kind = "falling straight line"
	if slope >= 0 || base+slope*float64(len(y)-1) <= 0 {
		base, slope, kind = stat.Mean(v, nil), 0, "mean"
	}
	for t := range curve {
		curve[t] = base + slope*float64(t)
	}
	return curve, kind
}

// Chronology is a mean over series, year by year, with the number of series
// behind each year.
type Chronology struct {
	Values
	Depth []int
	Half  []float64 // half the 95 % confidence band; NaN where there is none
}

// MeanOf takes the mean of the series in every year, by Mean, Median, Biweight
// or the like. Years in which none has a value are NaN.
func MeanOf(series []Values, mean func([]float64) (float64, bool)) Chronology {
	members := make([]Member, len(series))
	for i, s := range series {
		members[i] = Member{Values: s}
	}
	first, last := extent(members)
	c := Chronology{Values: Values{FirstYear: first}}
	x := make([]float64, 0, len(series))
	for year := first; year <= last; year++ {
		x = x[:0]
		for _, s := range series {
			if v := s.At(year); !math.IsNaN(v) {
				x = append(x, v)
			}
		}
		m, ok := mean(x)
		if !ok {
			m = math.NaN()
		}
		c.V, c.Depth = append(c.V, m), append(c.Depth, len(x))
	}
	return c
}

// Standard returns the standard chronology: the biweight robust mean of indices,
// with its 95 % confidence band.
func Standard(indices []Values) Chronology {
	c := MeanOf(indices, Biweight)
	band := MeanOf(indices, func(x []float64) (float64, bool) { return BiweightBand(x, 0.95) })
	c.Half = band.V
	return c
}

// Residual returns the residual chronology: that of the indices freed of their
// autocorrelation, each by its own model.
func Residual(indices []Values) Chronology {
	white := make([]Values, len(indices))
	for i, v := range indices {
		white[i] = Whitened(v)
	}
	return Standard(white)
}
