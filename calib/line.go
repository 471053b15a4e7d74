package calib

import (
	"math"
	"slices"
)

// line is y = A + B x fitted by least squares.
type line struct {
	a, b     float64
	seB      float64 // standard error of b
	residual float64 // residual standard deviation, n-2 degrees of freedom
	n        int
}

// fitLine fits y = a + b x to the points with positive weight w (nil: all 1).
// With S = sum w (x-mean x)^2: b = sum w (x-mean x) y / S, se(b) = s/sqrt(S), s^2 the
// sum of weighted squared residuals over n-2 (Draper & Smith 1998, chapter 1).
// Fewer than three points, or all at one x, give ok false.
func fitLine(x, y, w []float64) (f line, ok bool) {
	var sw, mx, my float64
	for i := range x {
		wi := weight(w, i)
		if wi > 0 {
			f.n++
		}
		sw += wi
		mx += wi * x[i]
		my += wi * y[i]
	}
	if f.n < 3 || sw <= 0 {
		return f, false
	}
	mx /= sw
	my /= sw
	var sxx, sxy float64
	for i := range x {
		d := x[i] - mx
		sxx += weight(w, i) * d * d
		sxy += weight(w, i) * d * (y[i] - my)
	}
	if sxx <= 0 {
		return f, false
	}
	f.b = sxy / sxx
	f.a = my - f.b*mx
	var ss float64
	for i := range x {
		r := y[i] - f.at(x[i])
		ss += weight(w, i) * r * r
	}
	f.residual = math.Sqrt(ss / float64(f.n-2))
	f.seB = f.residual / math.Sqrt(sxx)
	return f, true
}

func weight(w []float64, i int) float64 {
	if w == nil {
		return 1
	}
	return w[i]
}

func (f line) at(x float64) float64 { return f.a + f.b*x }

// fitRobust fits a line and leaves out what lies further than four robust
// standard deviations (but never closer than floor) from it, until nothing
// changes. It returns which points were kept.
func fitRobust(x, y []float64, floor float64) (f line, keep []float64, ok bool) {
	keep = make([]float64, len(x))
	for i := range keep {
		keep[i] = 1
	}
	if f, ok = theilSen(x, y); !ok {
		return f, keep, false
	}
	for range 20 {
		limit := max(floor, 4*spread(x, y, f, keep))
		changed := false
		for i := range x {
			k := 0.0
			if math.Abs(y[i]-f.at(x[i])) <= limit {
				k = 1
			}
			changed = changed || k != keep[i]
			keep[i] = k
		}
		if f, ok = fitLine(x, y, keep); !ok || !changed {
			break
		}
	}
	return f, keep, ok
}

// theilSen gives a first line that outliers cannot move: the median slope of
// point pairs half the points apart (after Theil 1950, Sen 1968), and the
// median intercept. x must rise.
func theilSen(x, y []float64) (line, bool) {
	n := len(x)
	if n < 3 {
		return line{}, false
	}
	half := max(1, n/2)
	slopes := make([]float64, 0, n-half)
	for i := 0; i+half < n; i++ {
		if dx := x[i+half] - x[i]; dx > 0 {
			slopes = append(slopes, (y[i+half]-y[i])/dx)
		}
	}
	if len(slopes) == 0 {
		return line{}, false
	}
	f := line{b: median(slopes), n: n}
	offsets := make([]float64, n)
	for i := range x {
		offsets[i] = y[i] - f.b*x[i]
	}
	f.a = median(offsets)
	return f, true
}

// spread is 1.4826 times the median absolute residual of the points kept: the
// standard deviation, were they normal.
func spread(x, y []float64, f line, keep []float64) float64 {
	r := make([]float64, 0, len(x))
	for i := range x {
		if weight(keep, i) > 0 {
			r = append(r, math.Abs(y[i]-f.at(x[i])))
		}
	}
	return 1.4826 * median(r)
}

// median returns the median of v, or 0 of nothing; v is put in order.
func median(v []float64) float64 { return quantile(v, 0.5) }

// quantile returns the q-quantile of v by linear interpolation; v is put in order.
func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	at := q * float64(len(v)-1)
	i := int(at)
	if i+1 >= len(v) {
		return v[len(v)-1]
	}
	return v[i] + (at-float64(i))*(v[i+1]-v[i])
}
