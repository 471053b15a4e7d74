package dating

import (
	"fmt"
	"math"

	"pithward/measure/archive"
)

// view.go: what a page shows of one core of a stand, and the trial of a change.

// Curve is an index year by year: a width over what is usual round it, 1 where
// it is just that; nil where there is none.
type Curve struct {
	Name      string     `json:"name"`
	FirstYear int        `json:"first_year"` // of Index[0]
	Index     []*float64 `json:"index"`
	Trees     []int      `json:"trees,omitempty"` // behind each year of a mean
}

// View is a series on the year axis beside the others, and what is suspected of
// it. The years are its present ones.
type View struct {
	ID        string          `json:"id"`
	Core      string          `json:"core"` // uid
	Tree      string          `json:"tree"`
	Floating  bool            `json:"floating"`
	FirstYear int             `json:"first_year"`
	LastYear  int             `json:"last_year"`
	Own       Curve           `json:"own"`
	Master    Curve           `json:"master"`  // the mean of all other trees; no year where there are none
	Sisters   []Curve         `json:"sisters"` // the other series in doubt, at their present years
	R         *float64        `json:"r"`       // of the series with the master; nil without enough years
	Years     int             `json:"years"`   // that they have in common
	Suspects  []SuspectReport `json:"suspects"`
}

// Find returns the number of a doubtful series by its id or its core's uid. A
// core parted by lost wood has several series; the first is returned.
func (st *Stand) Find(name string) (i int, ok bool) {
	for i, s := range st.doubtful {
		if name != "" && (s.Core == name || s.ID == name) {
			return i, true
		}
	}
	return 0, false
}

// View returns what there is to see of doubtful series i (see Find). A series
// that is too short or does not vary has no suspects.
func (st *Stand) View(i int) View {
	s := st.doubtful[i].Trim()
	v := View{ID: s.ID, Core: s.Core, Tree: st.trees[st.of[i]].treeName(), Floating: s.Floating, FirstYear: s.FirstYear, LastYear: s.LastYear(),
		Sisters: []Curve{}, Suspects: []SuspectReport{}}
	q := st.sequence(i)
	if q == nil {
		return v
	}
	v.Own = q.curve(q.present())
	for k := range st.doubtful {
		if o := st.sequence(k); k != i && o != nil && !o.floating {
			v.Sisters = append(v.Sisters, o.curve(o.present()))
		}
	}
	c := st.others(st.of[i])
	if c == nil {
		return v
	}
	v.Master = q.curve(c.values())
	v.Master.Name, v.Master.Trees = "other trees", c.depth
	if r := Correlate(q.present(), c.values()); r.OK && r.N >= minWindow/2 {
		v.R, v.Years = &r.R, r.N
	}
	for _, x := range st.Suspects(i) {
		v.Suspects = append(v.Suspects, suspectReport(x, s.Core))
	}
	return v
}

// curve turns anomalies into an index, as wide in its swings as the series.
func (q *sequence) curve(v Values) Curve {
	c := Curve{Name: q.id, FirstYear: v.FirstYear, Index: make([]*float64, len(v.V))}
	for k, x := range v.V {
		if x == x {
			index := math.Exp(x * q.sd)
			c.Index[k] = &index
		}
	}
	return c
}

// Change is a change of a reading to be tried: as a Suspect names it.
type Change struct {
	Kind FaultKind `json:"kind"`
	// Place is the candidate to accept, the boundary to take away, or the
	// boundary at whose inner side a ring is absent. Where it is "", AtMM (for
	// Missed, any place of the path) or Year (as Suspect's) tells.
	Place string   `json:"place"`
	AtMM  *float64 `json:"at_mm"`
	Year  *int     `json:"year"`
}

// Trial is what changes would make of a series. The youngest ring keeps its
// year.
type Trial struct {
	RBefore *float64 `json:"r_before"` // of the whole series with the other trees
	RAfter  *float64 `json:"r_after"`
	Years   int      `json:"years"` // in common, after
	// The rings inward of the outermost change alone.
	InwardFrom    int      `json:"inward_from_year"`
	InwardTo      int      `json:"inward_to_year"` // years after the change
	InwardRBefore *float64 `json:"inward_r_before"`
	InwardRAfter  *float64 `json:"inward_r_after"`
	Own           Curve    `json:"own"` // the series as it would be
}

// Try tells what changes would do to doubtful series i, and changes nothing. The
// error says which change finds nothing to act on.
func (st *Stand) Try(i int, changes []Change) (Trial, error) {
	q := st.sequence(i)
	if q == nil {
		return Trial{}, fmt.Errorf("%s: it is too short, or does not vary", st.doubtful[i].ID)
	}
	tried, outermost, err := q.with(changes)
	if err != nil {
		return Trial{}, fmt.Errorf("%s: %w", q.id, err)
	}
	after := tried.present()
	t := Trial{Own: q.curve(after), InwardFrom: after.FirstYear, InwardTo: min(after.LastYear(), outermost)}
	c := st.others(st.of[i])
	if c == nil {
		return t, nil
	}
	clue, before := c.values(), q.present()
	t.RBefore = optional(correlation(before, clue))
	t.RAfter = optional(correlation(after, clue))
	t.Years = Correlate(after, clue).N
	t.InwardRBefore = optional(correlation(upTo(before, outermost), clue))
	t.InwardRAfter = optional(correlation(upTo(after, outermost), clue))
	return t, nil
}

func correlation(a, b Values) (float64, bool) {
	c := Correlate(a, b)
	return c.R, c.OK && c.N >= minWindow/2
}

// upTo leaves out what is younger than a year.
func upTo(v Values, year int) Values {
	n := max(0, min(len(v.V), year-v.FirstYear+1))
	return Values{v.FirstYear, v.V[:n]}
}

// with returns the sequence with changes made, and the year of the outermost.
func (q *sequence) with(changes []Change) (*sequence, int, error) {
	on, skip := make([]bool, len(q.places)), make([]int, len(q.places))
	for k, p := range q.places {
		on[k], skip[k] = p.on, p.skip
	}
	outermost := math.MinInt
	for _, c := range changes {
		k, ok := q.find(c)
		if !ok {
			return nil, 0, fmt.Errorf("there is no place for the change (%s, place %q)", c.Kind, c.Place)
		}
		switch c.Kind {
		case Missed:
			on[k] = true
		case Invented:
			on[k] = false
		case Absent:
			skip[k]++
		}
		outermost = max(outermost, q.yearInward(k))
	}
	return q.read(on, skip), outermost, nil
}

// find returns the place that a change is about.
func (q *sequence) find(c Change) (int, bool) {
	best, far := -1, math.Inf(1)
	for k, p := range q.places {
		d := math.Inf(1)
		switch {
		case p.fixed || p.on != (c.Kind != Missed):
		case c.Place != "":
			if p.seen != nil && p.seen.ID == c.Place {
				d = 0
			}
		case c.AtMM != nil && q.series.Pictures != nil:
			if at, ok := q.path(k); ok {
				d = math.Abs(at - *c.AtMM)
			}
		case c.Year != nil && q.years[p.ring] == *c.Year:
			d = math.Abs(p.share - 0.5)
		}
		if d < far {
			best, far = k, d
		}
	}
	return best, best >= 0
}

// path is a place's length along the path, mm, if the picture shows where it is.
func (q *sequence) path(k int) (float64, bool) {
	if p := q.places[k]; p.seen != nil {
		return p.seen.AtMM, true
	}
	s := suspicion{q: q}
	outer, inner, ok := s.around(k)
	return outer.AtMM + q.places[k].share*(inner.AtMM-outer.AtMM), ok
}

// read returns the sequence with other boundaries accepted. What is usual stays
// as it was.
func (q *sequence) read(on []bool, skip []int) *sequence {
	r := &sequence{id: q.id, core: q.core, series: q.series, floating: q.floating, sd: q.sd}
	year, last := q.years[0], 0
	for k := 1; k < len(q.places); k++ {
		if !on[k] {
			continue
		}
		middle := (q.inward(last) + q.places[k].ring) / 2
		width := q.places[k].at - q.places[last].at
		if q.unknown[q.places[k].ring+1] > q.unknown[q.inward(last)] {
			width = math.NaN()
		}
		r.years, r.width, r.level = append(r.years, year), append(r.width, width), append(r.level, q.level[middle])
		year -= 1 + skip[k]
		last = k
	}
	return r
}

// Series returns a doubtful series as it was given.
func (st *Stand) Series(i int) archive.Series { return st.doubtful[i] }

// Len is the number of doubtful series.
func (st *Stand) Len() int { return len(st.doubtful) }
