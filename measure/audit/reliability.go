package audit

import "math"

// Bin is what people said of the places to which the program gave a
// probability between two limits.
type Bin struct {
	From   float64  `json:"from"`
	To     float64  `json:"to"`
	Places int      `json:"places"` // that were judged or not
	Judged int      `json:"judged"` // judgements of people, one an observer and place
	Real   int      `json:"real"`   // of them, that a boundary is there
	Signed int      `json:"signed"` // of the judgements, those that rest on a core's signing off alone
	Mean   *float64 `json:"mean"`   // probability by the program of what was judged
	Low    *float64 `json:"low"`    // 95 % limits of the share that is real
	High   *float64 `json:"high"`
}

// edges part the probabilities: chosen, closer towards certainty, where most
// boundaries are.
func edges() []float64 { return []float64{0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.99, 1} }

// reliability sorts the places that the program gave a probability by it, and
// counts what people made of them. A judgement is an edit of the place, or the
// signing off of the core that it was left alone in.
func reliability(places []Place) []Bin {
	e := edges()
	bins := make([]Bin, len(e)-1)
	sums := make([]float64, len(bins))
	for i := range bins {
		bins[i].From, bins[i].To = e[i], e[i+1]
	}
	for _, p := range places {
		if p.Probability == nil {
			continue
		}
		i := 0
		for i+1 < len(bins) && *p.Probability >= e[i+1] {
			i++
		}
		bins[i].Places++
		for _, v := range p.Views {
			if !v.Decided && !v.Signed {
				continue
			}
			bins[i].Judged++
			sums[i] += *p.Probability
			if v.Boundary {
				bins[i].Real++
			}
			if !v.Decided {
				bins[i].Signed++
			}
		}
	}
	for i := range bins {
		if n := bins[i].Judged; n > 0 {
			mean := sums[i] / float64(n)
			low, high := wilson(bins[i].Real, n)
			bins[i].Mean, bins[i].Low, bins[i].High = &mean, &low, &high
		}
	}
	return bins
}

// z95 is the two-sided 95 % point of the normal distribution.
const z95 = 1.959963984540054

// wilson returns 95 % limits of a share of k in n > 0 (Wilson 1927, J. Am.
// Stat. Assoc. 22).
func wilson(k, n int) (low, high float64) {
	p, m := float64(k)/float64(n), float64(n)
	centre := p + z95*z95/(2*m)
	half := z95 * math.Sqrt(p*(1-p)/m+z95*z95/(4*m*m))
	scale := 1 + z95*z95/m
	return math.Max(0, (centre-half)/scale), math.Min(1, (centre+half)/scale)
}
