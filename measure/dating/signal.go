package dating

import "math"

// Signal says how much series of one site have in common. Figures that do not
// exist (no pair of that kind) are nil.
type Signal struct {
	FirstYear int `json:"first_year"` // of the window; both 0 for each pair's own overlap
	LastYear  int `json:"last_year"`

	Series         int     `json:"series"`
	Trees          int     `json:"trees"`
	Within         int     `json:"pairs_within_trees"`
	Between        int     `json:"pairs_between_trees"`
	EffectiveCores float64 `json:"effective_cores_a_tree"`

	RbarAll     *float64 `json:"rbar_all"`
	RbarWithin  *float64 `json:"rbar_within_trees"`
	RbarBetween *float64 `json:"rbar_between_trees"`
	// RbarEffective is the mean correlation between trees set against the
	// whole variance of a tree's mean (Briffa & Jones 1990).
	RbarEffective *float64 `json:"rbar_effective"`
	EPSAll        *float64 `json:"eps_of_series"` // of RbarAll and the number of series
	EPS           *float64 `json:"eps"`           // of RbarEffective and the number of trees
	SNR           *float64 `json:"snr"`           // of the same
}

// EPS returns the expressed population signal n r / (1 + (n-1) r) of n series
// with mean correlation r; ok is false where r is not above 0, when it means
// nothing.
//
// Source: Wigley, Briffa & Jones 1984, J. Climate Appl. Meteorol. 23:201-213.
func EPS(n int, r float64) (eps float64, ok bool) {
	if n < 1 || !(r > 0) {
		return 0, false
	}
	return float64(n) * r / (1 + float64(n-1)*r), true
}

// SubsampleSignal returns EPS(n) / EPS(all): the signal strength of n of the
// series (Wigley, Briffa & Jones 1984).
func SubsampleSignal(n, all int, r float64) (sss float64, ok bool) {
	a, okA := EPS(n, r)
	b, okB := EPS(all, r)
	if !okA || !okB {
		return 0, false
	}
	return a / b, true
}

// SeriesNeeded returns the smallest number of series with mean correlation r
// whose EPS reaches a limit; ok is false where none does.
func SeriesNeeded(limit, r float64) (n int, ok bool) {
	if !(r > 0) || limit >= 1 {
		return 0, false
	}
	n = max(1, int(limit*(1-r)/((1-limit)*r))-1)
	for ; ; n++ {
		if e, _ := EPS(n, r); e >= limit {
			return n, true
		}
	}
}

// Member is a series in a site: its values and the tree it is of.
type Member struct {
	Tree string
	Values
}

// SignalAll takes each pair over its own overlap, where that has at least
// minOverlap years.
func SignalAll(members []Member, minOverlap int) Signal {
	return signalOf(members, func(a, b Member) Correlation {
		if c := Correlate(a.Values, b.Values); c.N >= minOverlap {
			return c
		}
		return Correlation{}
	})
}

// SignalWindow takes the series that have a value in every year of a window.
func SignalWindow(members []Member, first, last int) Signal {
	var inside []Member
	for _, m := range members {
		w, whole := m.cut(first, last)
		if whole {
			inside = append(inside, Member{m.Tree, w})
		}
	}
	s := signalOf(inside, func(a, b Member) Correlation { return Correlate(a.Values, b.Values) })
	s.FirstYear, s.LastYear = first, last
	return s
}

// cut returns the years first..last, and whether all have a value.
func (v Values) cut(first, last int) (part Values, whole bool) {
	if first < v.FirstYear || last > v.LastYear() || last < first {
		return Values{}, false
	}
	part = Values{first, v.V[first-v.FirstYear : last-v.FirstYear+1]}
	return part, part.Defined() == len(part.V)
}

// CommonInterval returns the years that all members have; ok is false if there
// is none.
func CommonInterval(members []Member) (first, last int, ok bool) {
	first, last = math.MinInt, math.MaxInt
	for _, m := range members {
		first, last = max(first, m.FirstYear), min(last, m.LastYear())
	}
	return first, last, len(members) > 0 && first <= last
}

// RunningSignal takes windows of so many years, from the first year that is a
// multiple of step on, and keeps those in which at least minTrees have series.
func RunningSignal(members []Member, years, step, minTrees int) []Signal {
	first, last := extent(members)
	var out []Signal
	start := first + (step-floorMod(first, step))%step
	for ; start+years-1 <= last; start += step {
		if s := SignalWindow(members, start, start+years-1); s.Trees >= minTrees {
			out = append(out, s)
		}
	}
	return out
}

// extent is the first and last year of any member; 0, -1 for none.
func extent(members []Member) (first, last int) {
	first, last = 0, -1
	for i, m := range members {
		if i == 0 {
			first, last = m.FirstYear, m.LastYear()
		}
		first, last = min(first, m.FirstYear), max(last, m.LastYear())
	}
	return first, last
}

func floorMod(a, b int) int { return ((a % b) + b) % b }

func signalOf(members []Member, correlate func(a, b Member) Correlation) Signal {
	cores := map[string]int{}
	for _, m := range members {
		cores[m.Tree]++
	}
	s := Signal{Series: len(members), Trees: len(cores)}
	within, between := 0.0, 0.0
	for i, a := range members {
		for _, b := range members[i+1:] {
			c := correlate(a, b)
			switch {
			case !c.OK:
			case a.Tree == b.Tree:
				within += c.R
				s.Within++
			default:
				between += c.R
				s.Between++
			}
		}
	}
	s.RbarAll = optional(quotient(within+between, float64(s.Within+s.Between)))
	s.RbarWithin = optional(quotient(within, float64(s.Within)))
	s.RbarBetween = optional(quotient(between, float64(s.Between)))
	s.effective(cores, members)
	return s
}

// effective fills the figures that allow for several cores of one tree. The sum
// over trees runs in the order of the members, so that it has one result.
func (s *Signal) effective(cores map[string]int, members []Member) {
	inverse, seen := 0.0, map[string]bool{}
	for _, m := range members {
		if !seen[m.Tree] {
			seen[m.Tree] = true
			inverse += 1 / float64(cores[m.Tree])
		}
	}
	if s.Trees > 0 {
		s.EffectiveCores = float64(s.Trees) / inverse
	}
	if s.RbarAll != nil {
		s.EPSAll = optional(EPS(s.Series, *s.RbarAll))
	}
	if s.RbarBetween == nil {
		return
	}
	r := *s.RbarBetween
	if s.RbarWithin != nil {
		r /= *s.RbarWithin + (1-*s.RbarWithin)/s.EffectiveCores
	}
	s.RbarEffective = optional(r, true)
	s.EPS = optional(EPS(s.Trees, r))
	if r > 0 && r < 1 {
		s.SNR = optional(float64(s.Trees)*r/(1-r), true)
	}
}
