package dating

import "math"

// common.go: the common signal of several trees, when none of their readings is
// certain. Each tree's anomaly of a year is b c + sqrt(1-b^2) e, c being the signal
// that the trees share and e the tree's own, both normal with deviation 1; b is
// the tree's slope.

// sight is what is known of a tree's anomalies: year by year the expected value
// over all readings, and how sure it is which ring is that year's (0 to 1).
type sight struct {
	first       int
	sum, weight []float64
}

func newSight(first, last int) sight {
	n := max(0, last-first+1)
	return sight{first, make([]float64, n), make([]float64, n)}
}

func (s sight) last() int { return s.first + len(s.sum) - 1 }

// sightOf takes dated anomalies as certain.
func sightOf(v Values) sight {
	s := newSight(v.FirstYear, v.LastYear())
	for k, x := range v.V {
		if !math.IsNaN(x) {
			s.sum[k], s.weight[k] = x, 1
		}
	}
	return s
}

// together is the sight of a tree by its radii.
func together(radii []sight) sight {
	if len(radii) == 1 {
		return radii[0]
	}
	first, last := radii[0].first, radii[0].last()
	for _, s := range radii {
		first, last = min(first, s.first), max(last, s.last())
	}
	out := newSight(first, last)
	for k := range out.sum {
		var sum, weight, most float64
		for _, s := range radii {
			if i := first + k - s.first; i >= 0 && i < len(s.sum) {
				sum, weight, most = sum+s.sum[i], weight+s.weight[i], math.Max(most, s.weight[i])
			}
		}
		if weight > 0 {
			out.sum[k], out.weight[k] = sum/weight*most, most
		}
	}
	return out
}

// clue is the common signal as some trees tell it: normal, with mean and
// variance year by year. Years that no tree has are left out.
type clue struct {
	first          int
	mean, variance []float64
	depth          []int
	absent         float64 // share of years in which a tree grew no ring; 0: what is usual
	faults         rates   // of the trees behind it
	trust          float64 // how far its years can be believed, see company.trust
	certain        bool    // no tree behind it is in doubt
}

func (c *clue) at(year int) (mean, variance float64, ok bool) {
	if c == nil {
		return 0, 0, false
	}
	k := year - c.first
	if k < 0 || k >= len(c.mean) || c.depth[k] == 0 {
		return 0, 0, false
	}
	return c.mean[k], c.variance[k], true
}

// values are the means; NaN where there is none.
func (c *clue) values() Values {
	v := Values{FirstYear: c.first, V: make([]float64, len(c.mean))}
	for k := range v.V {
		if v.V[k] = c.mean[k]; c.depth[k] == 0 {
			v.V[k] = math.NaN()
		}
	}
	return v
}

// fewestSure is the sureness of a tree's ring from which it counts for a year.
const fewestSure = 0.02

// signal adds trees up to a clue. A ring that is that year's with probability w
// only is taken as seen with noise (1-w)/w beside.
type signal struct {
	first          int
	precision, sum []float64 // beside the signal's own
	depth          []int
}

func newSum(trees []sight, slopes []float64) *signal {
	first, last := math.MaxInt, math.MinInt
	for _, s := range trees {
		first, last = min(first, s.first), max(last, s.last())
	}
	n := 0
	if len(trees) > 0 {
		n = max(0, last-first+1)
	}
	g := &signal{first, make([]float64, n), make([]float64, n), make([]int, n)}
	for t, s := range trees {
		g.add(s, slopes[t], 1)
	}
	return g
}

// add adds a tree, or with sign -1 takes it off. Years beyond those of the first
// trees are left out.
func (g *signal) add(s sight, b float64, sign int) {
	for i, w := range s.weight {
		k := s.first + i - g.first
		if w < fewestSure || k < 0 || k >= len(g.sum) {
			continue
		}
		noise := 1 - b*b + (1-w)/w
		g.precision[k] += float64(sign) * b * b / noise
		g.sum[k] += float64(sign) * b / noise * s.sum[i] / w
		g.depth[k] += sign
	}
}

func (g *signal) replace(old sight, was float64, s sight, b float64) {
	g.add(old, was, -1)
	g.add(s, b, 1)
}

// but is what all but one tree tell.
func (g *signal) but(s sight, b float64) *clue {
	g.add(s, b, -1)
	c := g.clue()
	g.add(s, b, 1)
	return c
}

func (g *signal) clue() *clue {
	n := len(g.sum)
	c := &clue{first: g.first, mean: make([]float64, n), variance: make([]float64, n), depth: append([]int(nil), g.depth...), faults: asUsual(), trust: 1}
	for k := range n {
		p := 1 + math.Max(0, g.precision[k])
		c.mean[k], c.variance[k] = g.sum[k]/p, 1/p
	}
	c.even()
	return c
}

// even scales the means so that they vary as much as is known of the signal: with
// variance 1 less their own.
func (c *clue) even() {
	var have, want float64
	for k, m := range c.mean {
		if c.depth[k] > 0 {
			have, want = have+m*m, want+1-c.variance[k]
		}
	}
	if have > 0 {
		f := math.Max(0.5, math.Min(2, math.Sqrt(want/have)))
		for k := range c.mean {
			c.mean[k] *= f
		}
	}
}

// Slopes: what is usual, for so many years of looking (chosen, near the mean of
// the reference sites), and the limits.
const (
	usualSlope = 0.65
	slopeYears = 15
	leastSlope = 0.1
	mostSlope  = 0.93
)

// slopeOf measures how a tree goes with the signal that others tell. Of a ring
// that is that year's with probability w it takes w times the evidence.
func slopeOf(s sight, c *clue) float64 {
	above, below := usualSlope*slopeYears*0.5, slopeYears*0.5
	for k, w := range s.weight {
		if m, _, ok := c.at(s.first + k); ok && w > 0.3 {
			above += s.sum[k] * m
			below += math.Sqrt(w) * m * m
		}
	}
	return math.Max(leastSlope, math.Min(mostSlope, above/below))
}
