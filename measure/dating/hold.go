package dating

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// HoldOptions are the choices in checking a dating.
type HoldOptions struct {
	Power float64 // with which a window tells the right position from the wrong ones
	Reach int     // positions tried, years to either side
}

// DefaultHoldOptions: 0.95, and 20 years to either side (chosen).
func DefaultHoldOptions() HoldOptions { return HoldOptions{Power: 0.95, Reach: 20} }

// Window is a stretch of a dated series and how well its dating holds there.
type Window struct {
	FromYear, ToYear      int // years of the series as dated
	N                     int // years compared
	R                     float64
	Probability           float64 // that the present dating holds
	BestOffset            int     // the most probable other, in years to younger
	BestOffsetProbability float64
	likelyR               float64 // at the most probable position
}

// What is believed of a stretch of a dated series before looking: that it holds,
// that it agrees nowhere (the wood or the reference is disturbed), and, for the
// rest, that it is off, by k years in proportion to 1/k^2. Chosen: most datings
// are right, and most faults are of one or two rings.
const (
	priorHolds   = 0.90
	priorNowhere = 0.03
)

// Hold slides a window along a dated series and gives, for each, the
// probability that its present years are right, against all positions up to
// reach years to either side and against agreeing nowhere. The likelihoods are
// those of Place.
//
// The window is as long as it takes to tell the right position from so many
// wrong ones with the power wanted, at the agreement that the series shows:
// n = 3 + ((q(1 - 0.05/positions) + q(power)) / zeta)^2, q being quantiles of
// the normal distribution (sample size for a correlation; Fisher's z). It moves
// by a fifth of its length.
func Hold(w Values, master Master, o HoldOptions) []Window {
	pattern := Pattern(w).trimmed()
	if overlapOf(pattern, master.Pattern) < minWindow {
		return nil
	}
	first := windows(pattern, master, windowLength(master.Zeta.Mean, o), o)
	zeta := (seriesZeta(first) + master.Zeta.Mean) / 2
	return windows(pattern, master, windowLength(zeta, o), o)
}

// minWindow is the shortest window, years (chosen).
const minWindow = 20

func overlapOf(a, b Values) int {
	return min(a.LastYear(), b.LastYear()) - max(a.FirstYear, b.FirstYear) + 1
}

// windowLength is the number of years needed.
func windowLength(zeta float64, o HoldOptions) int {
	wrong := distuv.UnitNormal.Quantile(1 - 0.05/float64(2*o.Reach))
	right := distuv.UnitNormal.Quantile(o.Power)
	n := 3 + math.Pow((wrong+right)/math.Max(zeta, 0.2), 2)
	return max(minWindow, int(math.Ceil(n)))
}

// seriesZeta is the middle agreement of windows at their most probable
// position.
func seriesZeta(all []Window) float64 {
	var z []float64
	for _, w := range all {
		z = append(z, math.Atanh(math.Max(0, math.Min(0.99, w.likelyR))))
	}
	m, _ := Median(z)
	return m
}

// windows checks each window; the last one ends where the common years end.
func windows(pattern Values, master Master, length int, o HoldOptions) []Window {
	from := max(pattern.FirstYear, master.Pattern.FirstYear)
	to := min(pattern.LastYear(), master.Pattern.LastYear())
	length = min(length, to-from+1)
	step := max(1, length/5)
	var out []Window
	for start := from; ; start += step {
		last := start+length-1 >= to
		if last {
			start = to - length + 1
		}
		part := Values{start, pattern.V[start-pattern.FirstYear : start-pattern.FirstYear+length]}
		if w, ok := checkWindow(part, master, o); ok {
			out = append(out, w)
		}
		if last {
			return out
		}
	}
}

// checkWindow weighs the positions of one window.
func checkWindow(part Values, master Master, o HoldOptions) (Window, bool) {
	w := Window{FromYear: part.FirstYear, ToYear: part.LastYear()}
	norm := 0.0
	for k := 1; k <= o.Reach; k++ {
		norm += 2 / float64(k*k)
	}
	nowhere := priorNowhere
	sum, holds := nowhere, 0.0
	rest, rs := map[int]float64{}, map[int]float64{}
	for k := -o.Reach; k <= o.Reach; k++ {
		n, r, ok := fastCorrelation(part, master.Pattern, k)
		if k == 0 && (!ok || n < minWindow*3/4) {
			return w, false
		}
		prior := priorHolds
		if k != 0 {
			prior = (1 - priorHolds - priorNowhere) / norm / float64(k*k)
		}
		likelihood := 1.0 // a position that cannot be looked at is as it was
		if ok && n >= minWindow*3/4 {
			likelihood = math.Exp(math.Min(500, master.Zeta.logLikelihoodRatio(candidate{n: n, r: r}.z(), n)))
		}
		if k == 0 {
			w.N, w.R, holds = n, r, prior*likelihood
		} else {
			rest[k], rs[k] = prior*likelihood, r
		}
		sum += prior * likelihood
	}
	w.Probability = holds / sum
	for k := -o.Reach; k <= o.Reach; k++ {
		if p := rest[k] / sum; k != 0 && p > w.BestOffsetProbability {
			w.BestOffset, w.BestOffsetProbability = k, p
		}
	}
	if w.likelyR = w.R; w.BestOffsetProbability > w.Probability {
		w.likelyR = rs[w.BestOffset]
	}
	return w, true
}
