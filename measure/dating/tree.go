package dating

import (
	"cmp"
	"math"
	"slices"
)

// tree.go: the radii of one tree set against each other, before any other tree is
// asked. They grew in the same years, so that where two of them part one has a fault
// that the other has not.

// TreeView is what the radii of a tree say of each other, and their mean of the
// site.
type TreeView struct {
	Tree     string    `json:"tree"`
	Radii    []string  `json:"radii"`     // ids of those that can be used
	RBetween *float64  `json:"r_between"` // mean of all pairs at their present years; nil without enough years
	R        *float64  `json:"r"`         // of the mean of its radii with all other trees
	Trees    int       `json:"other_trees"`
	Partings []Parting `json:"partings"` // the youngest first
}

// Parting is where the radii of a tree part from each other, and the ways in which
// that can have come about.
type Parting struct {
	FromYear  int     `json:"from_year"`
	ToYear    int     `json:"to_year"`
	Posterior float64 `json:"posterior"` // that one of the ways is right
	Ways      []Way   `json:"ways"`      // the likeliest first
}

// Way is a fault of one radius that would explain a parting.
type Way struct {
	Series string `json:"series"`
	SuspectReport
}

// Trees returns the trees of the doubtful series, in the order of their first ones.
func (st *Stand) Trees() []TreeView {
	var all []TreeView
	seen := map[int]bool{}
	for _, t := range st.of {
		if !seen[t] {
			seen[t] = true
			all = append(all, st.treeView(t))
		}
	}
	return all
}

func (st *Stand) treeView(t int) TreeView {
	v := TreeView{Tree: st.trees[t].treeName(), Radii: []string{}, Partings: []Parting{}}
	var own []Values
	for _, q := range st.trees[t].radii {
		v.Radii = append(v.Radii, q.id)
		if !q.floating {
			own = append(own, q.present())
		}
	}
	v.RBetween = betweenAll(own)
	if c := st.others(t); c != nil && len(own) > 0 {
		v.Trees = st.telling(t)
		v.R = optional(correlation(MeanOf(own, Mean).Values, c.values()))
	}
	if len(own) > 1 {
		in, _ := st.inside(t)
		v.Partings = append(v.Partings, in.partings()...)
	}
	return v
}

// betweenAll is the mean correlation of all pairs.
func betweenAll(all []Values) *float64 {
	sum, n := 0.0, 0.0
	for i, a := range all {
		for _, b := range all[i+1:] {
			if r, ok := correlation(a, b); ok {
				sum, n = sum+r, n+1
			}
		}
	}
	return optional(quotient(sum, n))
}

// inside is a stand in which every radius of a tree is a tree of its own. at says
// which of its series is which of st.
func (st *Stand) inside(t int) (in *Stand, at map[int]int) {
	in, at = &Stand{clues: map[int]*clue{}}, map[int]int{}
	for i, tree := range st.of {
		if q := st.sequence(i); tree == t && q != nil {
			at[i] = len(in.doubtful)
			in.of, in.at, in.doubtful = append(in.of, len(in.trees)), append(in.at, 0), append(in.doubtful, st.doubtful[i])
			in.trees = append(in.trees, stem{name: q.id, radii: []*sequence{q}})
		}
	}
	for _, d := range st.trees[t].dated {
		in.trees = append(in.trees, stem{dated: []witness{d}})
	}
	return in, at
}

// StandingInTree says where doubtful series i stands by the other radii of its tree
// that have years; ok is false where there are none.
func (st *Stand) StandingInTree(i int, sure float64) (s Standing, ok bool) {
	if st.sequence(i) == nil {
		return s, false
	}
	in, at := st.inside(st.of[i])
	if in.telling(at[i]) == 0 {
		return s, false
	}
	return in.Standing(at[i], sure), true
}

// sameFault is how many years apart faults of two radii may lie to explain the same
// parting (chosen: time alone seldom tells the very year).
const sameFault = 3

// partings gathers what each series of a stand is suspected of by the others. A ring
// missed in one is a ring invented in another as seen from there: of such a pair only
// one is true, so that each one's odds are set against the sum of both.
func (st *Stand) partings() []Parting {
	var all []lead
	for i := range st.doubtful {
		for _, x := range st.Suspects(i) {
			all = append(all, lead{i, x})
		}
	}
	slices.SortStableFunc(all, func(a, b lead) int { return cmp.Compare(b.Posterior, a.Posterior) })
	var out []Parting
	taken := make([]bool, len(all))
	for k := range all {
		if taken[k] {
			continue
		}
		taken[k] = true
		group := []lead{all[k]}
		for j := k + 1; j < len(all); j++ {
			if !taken[j] && all[j].rivals(all[k]) {
				taken[j], group = true, append(group, all[j])
			}
		}
		out = append(out, st.parting(group))
	}
	slices.SortStableFunc(out, func(a, b Parting) int { return cmp.Compare(b.ToYear, a.ToYear) })
	return out
}

// lead is a suspect of one series.
type lead struct {
	series int
	Suspect
}

// rivals tells whether a fault explains the same parting as another.
func (a lead) rivals(b lead) bool {
	near := a.FromYear-sameFault <= b.ToYear && b.FromYear-sameFault <= a.ToYear
	if a.series == b.series { // the same fault elsewhere, unless both are sure
		return near && a.Kind.shift() == b.Kind.shift() && a.Posterior+b.Posterior <= 1
	}
	return near && a.Kind.shift() != b.Kind.shift()
}

// WorthAThought is the posterior from which people are told of a fault (chosen).
const WorthAThought = 0.1

// parting sets the ways of a parting against each other. Its years are those of the
// likeliest way and of all that are worth a thought.
func (st *Stand) parting(group []lead) Parting {
	p := Parting{}
	odds := func(q float64) float64 { return q / math.Max(1e-6, 1-q) }
	sum := 0.0
	for _, x := range group {
		sum += odds(x.Posterior)
	}
	for _, x := range group {
		share := odds(x.Posterior) / (1 + sum)
		x.Here *= share / x.Posterior
		x.Posterior = share
		p.Posterior += share
		p.Ways = append(p.Ways, Way{st.doubtful[x.series].ID, suspectReport(x.Suspect, st.doubtful[x.series].Core)})
	}
	slices.SortStableFunc(p.Ways, func(a, b Way) int { return cmp.Compare(b.Posterior, a.Posterior) })
	p.FromYear, p.ToYear = p.Ways[0].FromYear, p.Ways[0].ToYear
	for _, w := range p.Ways {
		if w.Posterior >= WorthAThought {
			p.FromYear, p.ToYear = min(p.FromYear, w.FromYear), max(p.ToYear, w.ToYear)
		}
	}
	return p
}
