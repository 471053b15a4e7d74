package measure

import (
	"fmt"
	"math"
	"slices"
)

// Edited is a scan as an observer has it: the automatic reading plus the
// observer's events.
type Edited struct {
	Measurement Measurement
	States      map[string]State // by the core's uid
	Void        []Void           // events that found nothing to act on
}

// State is what an observer has made of a core, beside its boundaries.
type State struct {
	Stage    Stage   `json:"stage"`
	Why      string  `json:"why"`      // of a rejected core
	Notes    []Place `json:"notes"`    // what the observer wrote
	Removed  []Place `json:"removed"`  // where the observer says there is no boundary
	Open     []Open  `json:"open"`     // doubts to settle, the costliest first
	Settled  int     `json:"settled"`  // doubts of the reading that are settled
	Doubtful int     `json:"doubtful"` // doubts of the reading, open and settled
	Gaps     []Part  `json:"gaps"`     // as in the core, with names for events to aim at
	Obscured []Part  `json:"obscured"`
	Absent   []Part  `json:"absent"`
	Blank    bool    `json:"blank"` // measured by hand from nothing
	// Pieces are the outlines of the pieces of a core that was joined, from bark to
	// pith; nil for any other. They may lie far apart.
	Pieces [][]Point `json:"pieces,omitempty"`
}

// Stage says how far an observer is with a core.
type Stage string

// The stages of a core.
const (
	Untouched Stage = "untouched"
	Begun     Stage = "begun"
	SignedOff Stage = "signed off"
	Rejected  Stage = "rejected"
)

// Place is something said of a place on the scan.
type Place struct {
	Event   string `json:"event"` // uuid
	PointPx *Point `json:"point_px"`
	Text    string `json:"text"`
}

// Part names a gap, obscured stretch or absent ring: "g1", "o1", "a1" from the
// reading, else the uuid of the event that set it.
type Part struct {
	Target string `json:"target"`
	Kind   string `json:"kind"`
	FromPx Point  `json:"from_px"`
	ToPx   Point  `json:"to_px"`
	Year   *int   `json:"year"` // of an absent ring
	after  string // the boundary an absent ring lies at
}

// Void is an event that had no effect, and why.
type Void struct {
	Event string `json:"event"` // uuid
	Why   string `json:"why"`
}

// personPx is the standard uncertainty of a boundary that a person has set, in
// px: chosen, as people point to within a pixel or two.
const personPx = 1.5

// givenScaleUncertainty is the relative standard uncertainty of a scale that a
// person gives without one: chosen, as for a scale given when measuring.
const givenScaleUncertainty = 0.001

// Replay returns the scan as the events make it, in their order; those that
// were undone do not count. All must be of one observer. The reading is not
// changed, and cores without events come back as they were read.
func Replay(m Measurement, events []Event) Edited {
	b := &bench{m: m, states: map[string]State{}}
	for i := range m.Cores {
		b.cores = append(b.cores, newEditing(m.Cores[i]))
	}
	for _, e := range Effective(events) {
		if why := b.apply(e); why != "" {
			b.void = append(b.void, Void{e.UUID, why})
		}
	}
	return b.finish()
}

// bench holds the cores of a scan while they are edited.
type bench struct {
	m      Measurement
	cores  []*editing
	states map[string]State
	void   []Void
	scaled bool // the scale was changed
}

// editing is a core while it is edited.
type editing struct {
	Core
	read     Core // as it was read
	state    State
	gaps     []Part // with the core's, in order of appearance
	obscured []Part
	absent   []Part
	touched  bool      // something but its state has changed
	moved    bool      // the path or the scale has changed: all lengths are stale
	only     *[2]Point // the part to measure
	shift    float64   // of the expected count
	variance float64   // change of the count's variance
}

func newEditing(c Core) *editing {
	e := &editing{Core: clone(c), read: c, state: State{Stage: Untouched}}
	for i, g := range c.Gaps {
		e.gaps = append(e.gaps, Part{Target: fmt.Sprintf("g%d", i+1), Kind: g.Kind, FromPx: g.FromPx, ToPx: g.ToPx})
	}
	for i, o := range c.Obscured {
		e.obscured = append(e.obscured, Part{Target: fmt.Sprintf("o%d", i+1), Kind: o.Kind, FromPx: o.FromPx, ToPx: o.ToPx})
	}
	for i, a := range c.Absent {
		if r := slices.IndexFunc(c.Rings, func(r Ring) bool { return r.Index == a.AfterIndex }); r >= 0 {
			b := c.Boundaries[r+1]
			e.absent = append(e.absent, Part{Target: fmt.Sprintf("a%d", i+1), FromPx: b.PointPx, ToPx: b.PointPx, after: b.ID})
		}
	}
	return e
}

// clone copies a core so far that editing it leaves the original alone.
func clone(c Core) Core {
	c.PathPx = slices.Clone(c.PathPx)
	c.Boundaries, c.Candidates = slices.Clone(c.Boundaries), slices.Clone(c.Candidates)
	c.Gaps, c.Obscured, c.Absent = slices.Clone(c.Gaps), slices.Clone(c.Obscured), slices.Clone(c.Absent)
	c.Rings, c.Doubts, c.Warnings = slices.Clone(c.Rings), slices.Clone(c.Doubts), slices.Clone(c.Warnings)
	return c
}

func (b *bench) find(uid string) *editing {
	i := slices.IndexFunc(b.cores, func(c *editing) bool { return c.UID == uid })
	if i < 0 {
		return nil
	}
	return b.cores[i]
}

// finish makes the edited scan.
func (b *bench) finish() Edited {
	out := b.m
	out.Cores = nil
	for i, c := range b.cores {
		c.Position = i + 1
		if c.touched || b.scaled {
			c.finish(b.m.Scale, b.m.Program.Settings.Season, b.scaled)
		}
		c.state.Open = c.open()
		c.count()
		c.list()
		out.Cores = append(out.Cores, c.Core)
		b.states[c.UID] = c.state
	}
	out.Warnings = slices.Clone(b.m.Warnings)
	out.FillLists()
	return Edited{out, b.states, b.void}
}

// list gives the state the names of all parts.
func (c *editing) list() {
	s := &c.state
	s.Gaps, s.Obscured, s.Absent = c.gaps, c.obscured, c.absent
	fill(&s.Gaps)
	fill(&s.Obscured)
	fill(&s.Absent)
	fill(&s.Notes)
	fill(&s.Removed)
	fill(&s.Open)
}

// finish measures a core anew from its path, boundaries and stretches.
func (c *editing) finish(scale Scale, season Season, scaled bool) {
	radius := NewRadius(c.PathPx, scale.MMPerPx)
	c.place(radius, c.moved || scaled)
	c.stretches(radius)
	c.MakeRings(scale, false)
	c.placeAbsent()
	c.years(season)
	if c.only != nil {
		c.limit(radius)
	}
	c.expect()
	if scaled {
		c.SecondRadius = c.SecondRadius.remeasured(scale)
	}
}

// place gives boundaries and candidates their lengths along the path and puts
// them in order; where two come to lie in one place, the later is left out.
func (c *editing) place(radius *Radius, all bool) {
	if all {
		c.PathLengthMM = mm(radius, radius.Length())
	}
	unit := math.Sqrt(radius.MMPerPx[0] * radius.MMPerPx[1])
	for i := range c.Boundaries {
		b := &c.Boundaries[i]
		if all || b.AtMM == nil {
			b.AtMM = mm(radius, radius.At(b.PointPx))
		}
		switch {
		case !radius.Known:
			b.StandardUncertaintyMM, b.SharedUncertaintyMM = nil, 0
		case b.StandardUncertaintyMM == nil:
			b.StandardUncertaintyMM = mm(radius, personPx*unit)
		}
	}
	for i := range c.Candidates {
		if x := &c.Candidates[i]; all || x.AtMM == nil {
			x.AtMM = mm(radius, radius.At(x.PointPx))
		}
	}
	at := c.places()
	slices.SortStableFunc(c.Boundaries, func(a, b Boundary) int {
		return compareFloats(at(a.AtMM, a.PointPx), at(b.AtMM, b.PointPx))
	})
	last := math.Inf(-1)
	c.Boundaries = slices.DeleteFunc(c.Boundaries, func(b Boundary) bool {
		here := at(b.AtMM, b.PointPx)
		same := here <= last
		last = math.Max(last, here)
		return same
	})
	c.ends()
}

// ends makes sure that only the first and last boundary claim the ends of the
// wood.
func (c *editing) ends() {
	for i := range c.Boundaries {
		b := &c.Boundaries[i]
		if b.Kind == Outer && (i > 0 || !c.BarkPresent) || b.Kind == Inner && (i < len(c.Boundaries)-1 || !c.PithPresent) {
			b.Kind = RingBoundary
		}
	}
}

func compareFloats(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// mm returns a length as the format has it: nil without scale.
func mm(r *Radius, length float64) *float64 {
	if !r.Known {
		return nil
	}
	return &length
}

// stretches writes gaps and obscured stretches from their places on the scan.
func (c *editing) stretches(radius *Radius) {
	write := func(parts []Part) []Stretch {
		list := []Stretch{}
		for _, p := range parts {
			from, to := radius.At(p.FromPx), radius.At(p.ToPx)
			s := Stretch{FromPx: p.FromPx, ToPx: p.ToPx, Kind: p.Kind}
			if from > to {
				s.FromPx, s.ToPx, from, to = s.ToPx, s.FromPx, to, from
			}
			s.FromMM, s.ToMM = mm(radius, from), mm(radius, to)
			list = append(list, s)
		}
		slices.SortStableFunc(list, func(a, b Stretch) int { return compareFloats(radius.At(a.FromPx), radius.At(b.FromPx)) })
		return list
	}
	c.Gaps, c.Obscured = write(c.gaps), write(c.obscured)
}

// placeAbsent writes the absent rings by the boundaries they lie at. One whose
// boundary has gone goes with it.
func (c *editing) placeAbsent() {
	c.Absent = []Absent{}
	c.absent = slices.DeleteFunc(c.absent, func(p Part) bool { return c.boundary(p.after) < 0 })
	slices.SortStableFunc(c.absent, func(a, b Part) int { return c.boundary(a.after) - c.boundary(b.after) })
	for _, p := range c.absent {
		c.Absent = append(c.Absent, Absent{AfterIndex: c.boundary(p.after)})
	}
}

func (c *editing) boundary(id string) int {
	return slices.IndexFunc(c.Boundaries, func(b Boundary) bool { return b.ID == id })
}

// years dates the rings by the core's field data, as when it was read.
func (c *editing) years(season Season) {
	c.forget()
	applyField(&c.Core, season)
	for i := range c.absent {
		c.absent[i].Year = c.Absent[i].Year
	}
}

// forget takes off what was said of bark, pith and years when the core was
// read: it is said anew.
func (c *editing) forget() {
	c.Doubts = slices.DeleteFunc(c.Doubts, func(d Doubt) bool { return d.Kind == DoubtYears || d.Kind == DoubtOuterRing })
	if c.read.Field == nil {
		return
	}
	said := Core{}
	compare(&said, "bark", c.read.Field.Bark, c.read.BarkPresent)
	compare(&said, "pith", c.read.Field.Pith, c.read.PithPresent)
	c.Warnings = slices.DeleteFunc(c.Warnings, func(w string) bool { return slices.Contains(said.Warnings, w) })
}

// limit leaves out what lies outside the part to be measured. Rings keep the
// years they have in the whole core.
func (c *editing) limit(radius *Radius) {
	from, to := radius.At(c.only[0]), radius.At(c.only[1])
	if from > to {
		from, to = to, from
	}
	inside := func(b Boundary) bool { at := radius.At(b.PointPx); return at >= from && at <= to }
	first := slices.IndexFunc(c.Boundaries, inside)
	if first < 0 {
		c.Boundaries, c.Rings, c.Absent, c.absent = nil, nil, nil, nil
		return
	}
	last := first
	for last+1 < len(c.Boundaries) && inside(c.Boundaries[last+1]) {
		last++
	}
	c.Boundaries, c.Rings = c.Boundaries[first:last+1], c.Rings[first:last]
	c.BarkPresent = c.BarkPresent && first == 0 && c.Boundaries[0].Kind == Outer
	c.PithPresent = c.PithPresent && c.Boundaries[last-first].Kind == Inner
	c.renumber()
}

// renumber makes index 1 the outermost complete ring again.
func (c *editing) renumber() {
	if len(c.Rings) == 0 {
		c.Absent, c.absent = nil, nil
		return
	}
	off := c.Rings[0].Index - 1
	if slices.Contains(c.Rings[0].Flags, FlagPartial) {
		off = c.Rings[0].Index
	}
	for i := range c.Rings {
		c.Rings[i].Index -= off
	}
	var absent []Absent
	var parts []Part
	for i, a := range c.Absent {
		if a.AfterIndex -= off; a.AfterIndex >= 1 && a.AfterIndex < c.Rings[len(c.Rings)-1].Index {
			absent, parts = append(absent, a), append(parts, c.absent[i])
		}
	}
	c.Absent, c.absent = absent, parts
}

// expect corrects the expected count by what the observer has settled.
func (c *editing) expect() {
	if c.state.Blank {
		n := float64(max(0, len(c.Boundaries)-1))
		c.ExpectedCount, c.CountSD = &n, nil
		return
	}
	if c.ExpectedCount == nil {
		return
	}
	n := math.Max(0, *c.ExpectedCount+c.shift)
	c.ExpectedCount = &n
	if c.CountSD != nil {
		sd := math.Sqrt(math.Max(0, *c.CountSD**c.CountSD+c.variance))
		c.CountSD = &sd
	}
}
