package dating

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Correlation is the Pearson correlation of two series over the years both
// have.
type Correlation struct {
	N  int     // years
	R  float64 // 0 where it does not exist
	OK bool    // false for fewer than three years, or a series that does not vary
}

// Correlate returns the Pearson correlation over the years in which both
// series have a number.
func Correlate(a, b Values) Correlation {
	x, y := common(a, b)
	c := Correlation{N: len(x)}
	if len(x) < 3 || constant(x) || constant(y) {
		return c
	}
	c.R = math.Max(-1, math.Min(1, stat.Correlation(x, y, nil)))
	c.OK = !math.IsNaN(c.R)
	if !c.OK {
		c.R = 0
	}
	return c
}

func constant(x []float64) bool {
	for _, v := range x {
		if v != x[0] {
			return false
		}
	}
	return true
}

// T returns Student's t of the correlation, r sqrt(n-2) / sqrt(1-r^2). ok is
// false where there is none, or where |r| is 1.
func (c Correlation) T() (t float64, ok bool) {
	if !c.OK || c.R*c.R >= 1 {
		return 0, false
	}
	return c.R * math.Sqrt(float64(c.N-2)) / math.Sqrt(1-c.R*c.R), true
}

// CriticalR returns the correlation that n independent years reach by chance
// with probability alpha in one direction.
func CriticalR(n int, alpha float64) float64 {
	nu := float64(n - 2)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(1 - alpha)
	return t / math.Sqrt(t*t+nu)
}

// BailliePilcher transforms widths to ln(100 x(t) / m(t)), m(t) being the mean
// of the five widths centred on t. The first and last two years have none, nor
// has a year whose own width or one of the five is missing, or whose width is 0;
// a 0 stays in its neighbours' means.
//
// Source: Baillie & Pilcher 1973, Tree-Ring Bulletin 33:7-14.
func BailliePilcher(w Values) Values {
	out := Values{w.FirstYear, make([]float64, len(w.V))}
	for t := range w.V {
		out.V[t] = math.NaN()
		if t < 2 || t+2 >= len(w.V) || w.V[t] == 0 {
			continue
		}
		mean := (w.V[t-2] + w.V[t-1] + w.V[t] + w.V[t+1] + w.V[t+2]) / 5
		out.V[t] = math.Log(100 * w.V[t] / mean)
	}
	return out
}

// Hollstein transforms widths to 100 ln(x(t) / x(t-1)); the first year has none,
// nor has a year where either width is 0 or missing.
//
// Source: Hollstein 1980, Mitteleuropaeische Eichenchronologie, Mainz.
func Hollstein(w Values) Values {
	out := Values{w.FirstYear, make([]float64, len(w.V))}
	for t := range w.V {
		out.V[t] = math.NaN()
		if t > 0 && w.V[t] > 0 && w.V[t-1] > 0 {
			out.V[t] = 100 * math.Log(w.V[t]/w.V[t-1])
		}
	}
	return out
}

// Gleichlaeufigkeit counts in how many intervals between successive years two
// series of widths change in the same direction.
type Gleichlaeufigkeit struct {
	Intervals int // N: intervals that both series have
	Same      int // both up or both down
	Opposite  int
	OneFlat   int // one of them unchanged
	BothFlat  int
}

// Gleichlaufig compares the signs of change over the intervals in which both
// series have both widths. Unchanged means exactly equal.
//
// Source: Huber 1943; Eckstein & Bauch 1969, Forstwiss. Centralblatt
// 88:230-250.
func Gleichlaufig(a, b Values) Gleichlaeufigkeit {
	var g Gleichlaeufigkeit
	from, to := max(a.FirstYear, b.FirstYear), min(a.LastYear(), b.LastYear())
	for year := from + 1; year <= to; year++ {
		i, j := year-a.FirstYear, year-b.FirstYear
		da, db := a.V[i]-a.V[i-1], b.V[j]-b.V[j-1]
		if math.IsNaN(da) || math.IsNaN(db) {
			continue
		}
		g.Intervals++
		switch {
		case da == 0 && db == 0:
			g.BothFlat++
		case da == 0 || db == 0:
			g.OneFlat++
		case (da > 0) == (db > 0):
			g.Same++
		default:
			g.Opposite++
		}
	}
	return g
}

// Classic returns the share of agreeing intervals, one flat counting a half and
// both flat nothing. ok is false without intervals.
func (g Gleichlaeufigkeit) Classic() (share float64, ok bool) {
	return quotient(float64(g.Same)+float64(g.OneFlat)/2, float64(g.Intervals))
}

// Corrected returns the share with both flat counted as agreement (Buras &
// Wilmking 2015, Dendrochronologia 34:29-30).
func (g Gleichlaeufigkeit) Corrected() (share float64, ok bool) {
	return quotient(float64(g.Same+g.BothFlat)+float64(g.OneFlat)/2, float64(g.Intervals))
}

// GleichlaeufigkeitBound returns the share that N intervals reach by chance with
// probability alpha, by the normal approximation to the binomial with p = 1/2
// (Eckstein & Bauch 1969). Successive intervals are not quite independent, so
// chance does better than that.
func GleichlaeufigkeitBound(intervals int, alpha float64) float64 {
	return 0.5 + distuv.UnitNormal.Quantile(1-alpha)/(2*math.Sqrt(float64(intervals)))
}

// Chance returns the probability that as many agreeing intervals, or more, arise
// from independent signs (exact binomial; halves are rounded down).
func (g Gleichlaeufigkeit) Chance() float64 {
	n := float64(g.Intervals)
	k := math.Floor(float64(g.Same) + float64(g.OneFlat)/2)
	if n == 0 || k <= 0 {
		return 1
	}
	return 1 - distuv.Binomial{N: n, P: 0.5}.CDF(k-1)
}
