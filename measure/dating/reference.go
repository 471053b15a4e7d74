package dating

import (
	"math"

	"pithward/measure/archive"
)

// Dated is a series with its years and what is compared of it.
type Dated struct {
	ID, Tree string
	Widths   Values // mm, or an index
	Pattern  Values
	index    Values // widths over a spline; the widths of a chronology as they are
}

// noTree begins the tree of a series that names none, so that it is no other's.
const noTree = "\x00"

// NewDated prepares a series. Its tree is the one it names, else itself.
func NewDated(s archive.Series) Dated {
	d := Dated{ID: s.ID, Tree: s.Meta.Tree, Widths: Widths(s)}
	if d.Tree == "" {
		d.Tree = noTree + s.ID
	}
	d.Pattern = Pattern(d.Widths)
	d.index = d.Widths
	if s.Quantity == archive.RingWidth {
		if index, _, _, err := Detrend(d.Widths, Detrending{SplinePeriod: patternPeriod}); err == nil {
			d.index = index
		}
	}
	return d
}

// usable tells whether there is a pattern to compare.
func (d Dated) usable() bool { return d.Pattern.Defined() >= 10 }

// Master is what a series is set against: the means of dated series.
type Master struct {
	Pattern Values
	Curve   Values // for t-values and Gleichläufigkeit: a single series' widths, or the mean of indices
	Depth   []int  // series behind each year of Pattern
	Members int
	// Trees are the patterns of the trees behind the mean, and Names what to call
	// them, where there are at most mostVoting: where more stand behind a mean,
	// none of them carries it.
	Trees []Values
	Names []string
	// Zeta is what is known beforehand of Fisher's z of a true match.
	Zeta Zeta
}

// Zeta is the distribution of atanh(r) of a series at its true years against
// the mean of others: normal, cut off at 0.
type Zeta struct{ Mean, SD float64 }

// usualZeta is that of the 18 reference sites together (measured, by
// TestUsualZeta); it serves where the reference has too few series to tell.
func usualZeta() Zeta { return Zeta{Mean: 0.75, SD: 0.28} }

// NewMaster takes the mean of dated series.
func NewMaster(members []Dated) Master {
	var patterns, indices []Values
	for _, m := range members {
		if m.usable() {
			patterns, indices = append(patterns, m.Pattern), append(indices, m.index)
		}
	}
	mean := MeanOf(patterns, Mean)
	trees, names := treePatterns(members)
	master := Master{Trees: trees, Names: names, Pattern: mean.Values, Depth: mean.Depth, Members: len(patterns), Zeta: usualZeta()}
	if len(patterns) == 1 {
		for _, m := range members {
			if m.usable() {
				master.Curve = m.Widths
			}
		}
		return master
	}
	master.Curve = MeanOf(indices, Mean).Values
	return master
}

// mostVoting is the most trees that are looked at one by one.
const mostVoting = 24

// treePatterns returns the mean pattern of each tree and its series' ids.
func treePatterns(members []Dated) (patterns []Values, names []string) {
	of := map[string][]Values{}
	ids := map[string]string{}
	var order []string
	for _, m := range members {
		if !m.usable() {
			continue
		}
		if of[m.Tree] == nil {
			order = append(order, m.Tree)
			ids[m.Tree] = m.ID
		} else {
			ids[m.Tree] += " and " + m.ID
		}
		of[m.Tree] = append(of[m.Tree], m.Pattern)
	}
	if len(order) > mostVoting {
		return nil, nil
	}
	for _, t := range order {
		patterns = append(patterns, MeanOf(of[t], Mean).Values)
		names = append(names, ids[t])
	}
	return patterns, names
}

// ZetaOf learns from dated series how well one of them agrees with the mean of
// the others, those of its own tree left out. It returns what is usual where
// fewer than five have 50 years or more in common with the others.
func ZetaOf(members []Dated) Zeta {
	sum, depth := patternSums(members)
	var z []float64
	for _, m := range members {
		rest, _ := without(sum, depth, members, m)
		if c := Correlate(m.Pattern, rest); c.OK && c.N >= 50 {
			z = append(z, math.Atanh(math.Max(-0.99, math.Min(0.99, c.R))))
		}
	}
	if len(z) < 5 {
		return usualZeta()
	}
	mean, _ := Median(z)
	sd, _ := StandardDeviation(z)
	return Zeta{math.Max(mean, 0.2), math.Max(sd, minZetaSD)}
}

// minZetaSD keeps a handful of alike series from promising that the next will
// agree as well (chosen).
const minZetaSD = 0.2

// patternSums adds the patterns up, year by year.
func patternSums(members []Dated) (sum Values, depth []int) {
	var plain []Member
	for _, m := range members {
		plain = append(plain, Member{Values: m.Pattern})
	}
	first, last := extent(plain)
	sum = Values{first, make([]float64, max(0, last-first+1))}
	depth = make([]int, len(sum.V))
	for _, m := range members {
		for t, x := range m.Pattern.V {
			if k := m.Pattern.FirstYear + t - first; !math.IsNaN(x) {
				sum.V[k] += x
				depth[k]++
			}
		}
	}
	return sum, depth
}

// without is the mean pattern of the members that are of another tree than m.
func without(sum Values, depth []int, members []Dated, m Dated) (Values, []int) {
	mean := Values{sum.FirstYear, append([]float64(nil), sum.V...)}
	n := append([]int(nil), depth...)
	for _, o := range members {
		if o.Tree != m.Tree {
			continue
		}
		for t, x := range o.Pattern.V {
			if k := o.Pattern.FirstYear + t - sum.FirstYear; !math.IsNaN(x) {
				mean.V[k] -= x
				n[k]--
			}
		}
	}
	for k := range mean.V {
		if n[k] > 0 {
			mean.V[k] /= float64(n[k])
		} else {
			mean.V[k] = math.NaN()
		}
	}
	return mean, n
}
