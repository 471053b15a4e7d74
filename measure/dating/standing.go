package dating

import (
	"fmt"
	"math"
)

// The standings of a series in a stand.
const (
	Stands      = "dated"     // its years agree with the others
	Unsure      = "unsure"    // it has years from the field, which the others neither confirm nor deny
	Contrary    = "contrary"  // the others put it at other years than the field does
	StaysAfloat = "floating"  // it has no years, and the others do not place it surely
	Undatable   = "undatable" // it is too short, does not vary, or there is nobody to ask
)

// Standing says where a doubtful series stands by all other trees, faults in it
// and in them allowed for.
type Standing struct {
	Standing  string   `json:"standing"`
	LastYear  *int     `json:"last_year"` // the most probable year of its outermost ring; nil where nothing is known
	Posterior float64  `json:"posterior"` // of that year
	NoneOf    float64  `json:"none_of_these"`
	R         *float64 `json:"r"` // with the others at its present years
	Trees     int      `json:"trees"`
	Reason    string   `json:"reason"`
}

// fieldPrior is the probability that years from the field are right, before the
// others are asked (chosen; as outerRight).
const fieldPrior = outerRight

// Standing sums over all datings and readings of doubtful series i: dated is what
// has a posterior of at least sure. A series with years from the field is taken
// to be nearly right; a floating one may lie anywhere, or nowhere, with even odds
// (as in Place).
func (st *Stand) Standing(i int, sure float64) Standing {
	q := st.sequence(i)
	if q == nil {
		return Standing{Standing: Undatable, NoneOf: 1, Reason: "it has fewer than ten rings with a width, or they do not vary"}
	}
	read, ok := st.read(i)
	if !ok {
		return Standing{Standing: Undatable, NoneOf: 1, Reason: "no other tree has years: there is nothing to set it against"}
	}
	a, c := read.alignment, read.clue
	s := Standing{Trees: st.telling(st.of[i])}
	if !q.floating {
		s.R = optional(correlation(q.present(), c.values()))
	}
	shift, most := 0, -1.0
	for k, p := range a.start {
		if p > most || p == most && k < shift {
			shift, most = k, p
		}
	}
	if most < 0 {
		return Standing{Standing: Undatable, NoneOf: 1, Reason: "its rings cannot be laid on the others' years"}
	}
	prior := 0.5
	if !q.floating {
		prior = fieldPrior
	}
	blind := newChain(q, c, 0, allGuesses)
	blind.faults = read.faults
	gain := math.Min(500, a.log-blind.run().log)
	s.NoneOf = (1 - prior) / (1 - prior + prior*math.Exp(gain))
	last := q.years[0] + shift
	s.LastYear, s.Posterior = &last, most*(1-s.NoneOf)
	switch {
	case q.floating && s.Posterior >= sure, !q.floating && shift == 0 && s.Posterior >= sure:
		s.Standing = Stands
	case q.floating:
		s.Standing, s.Reason = StaysAfloat, fmt.Sprintf("its best place has probability %.3f where %g is asked for", s.Posterior, sure)
	case shift != 0 && s.Posterior >= 0.5:
		s.Standing, s.Reason = Contrary, fmt.Sprintf("the others put its outermost ring at %d (probability %.3f), the field at %d", last, s.Posterior, q.years[0])
	default:
		s.Standing, s.Reason = Unsure, fmt.Sprintf("its years from the field have probability %.3f by the others where %g is asked for", a.start[0]*(1-s.NoneOf), sure)
	}
	return s
}

// telling counts the trees that have years, but one.
func (st *Stand) telling(tree int) (n int) {
	for t, s := range st.trees {
		if t != tree && s.tells() && st.heeds(s) {
			n++
		}
	}
	return n
}

// Heeding returns the stand with only those trees asked that keep names; each
// series is set against them as before. Series that come with --against are
// trees, too.
func (st *Stand) Heeding(keep func(tree string) bool) *Stand {
	return &Stand{trees: st.trees, of: st.of, at: st.at, doubtful: st.doubtful, Warnings: st.Warnings, clues: map[int]*clue{}, keep: keep}
}

func (st *Stand) heeds(s stem) bool { return st.keep == nil || st.keep(s.treeName()) }

// Tree names the tree of doubtful series i.
func (st *Stand) Tree(i int) string { return st.trees[st.of[i]].treeName() }

// WithinTree is the correlation of doubtful series i with the mean of the other
// radii of its tree at their present years, and of how many; nil without enough
// years.
func (st *Stand) WithinTree(i int) (r *float64, radii int) {
	q := st.sequence(i)
	if q == nil || q.floating {
		return nil, 0
	}
	var rest []Values
	for k, o := range st.trees[st.of[i]].radii {
		if k != st.at[i] && !o.floating {
			rest = append(rest, o.present())
		}
	}
	if len(rest) == 0 {
		return nil, 0
	}
	return optional(correlation(q.present(), MeanOf(rest, Mean).Values)), len(rest)
}

// Telling is the number of trees that doubtful series i is set against.
func (st *Stand) Telling(i int) int { return st.telling(st.of[i]) }
