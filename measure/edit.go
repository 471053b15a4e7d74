package measure

import (
	"fmt"
	"math"
	"slices"
)

// apply has one event act on the scan. It returns why if it found nothing to
// act on.
func (b *bench) apply(e Event) (why string) {
	switch e.Kind {
	case Rescale:
		return b.setScale(e)
	case AddCore:
		return b.addCore(e)
	}
	c := b.find(e.Core)
	if c == nil {
		return "the core is not there any more"
	}
	switch e.Kind {
	case DeleteCore:
		b.cores = slices.DeleteFunc(b.cores, func(x *editing) bool { return x == c })
	case Split:
		why = b.split(c, e)
	case JoinCore:
		why = b.join(c, e)
	default:
		why = c.apply(e)
	}
	if why == "" {
		c.advance(e.Kind)
	}
	return why
}

// advance moves a core's stage on: a change after signing off opens it again.
func (c *editing) advance(kind EventKind) {
	switch kind {
	case SignOff:
		c.state.Stage = SignedOff
	case Reject:
		c.state.Stage = Rejected
	case Note:
		if c.state.Stage == Untouched {
			c.state.Stage = Begun
		}
	default:
		c.state.Stage, c.touched = Begun, true
	}
}

// apply has an event act on one core.
func (c *editing) apply(e Event) (why string) {
	d := e.Detail
	if d == nil {
		d = &Detail{}
	}
	switch e.Kind {
	case Add:
		return c.add(e)
	case Remove:
		return c.remove(e)
	case Move:
		return c.move(e)
	case Accept:
		return c.accept(e)
	case Gap, Obscure:
		return c.stretch(e, *d)
	case AbsentRing:
		return c.addAbsent(e, *d)
	case Redraw:
		return c.redraw(d.PathPx)
	case Blank:
		c.blank()
	case Reverse:
		c.reverse()
	case Name:
		if d.Word == "" {
			return "no id is given"
		}
		c.ID = d.Word
	case WoodKind:
		wood, given := Wood(d.Word), "given"
		if !slices.Contains([]Wood{Conifer, RingPorous, DiffusePorous}, wood) {
			return fmt.Sprintf("%q is no kind of wood: want conifer, ring-porous or diffuse-porous", d.Word)
		}
		c.Wood, c.WoodSource, c.WoodProbability = &wood, &given, floatPtr(1)
		c.settle("wood")
	case OuterYear:
		c.field().OuterYear = d.Year
	case Bark:
		return c.end(e, Outer, d.Yes)
	case Pith:
		return c.end(e, Inner, d.Yes)
	case Only:
		if e.PointPx == nil || d.ToPx == nil {
			return "from and to are not both given"
		}
		c.only = &[2]Point{*e.PointPx, *d.ToPx}
	case Note:
		c.state.Notes = append(c.state.Notes, Place{e.UUID, e.PointPx, e.Why})
	case SignOff:
	case Reject:
		c.state.Why = e.Why
	default:
		return fmt.Sprintf("a newer version made it: this one knows no %q", e.Kind)
	}
	return ""
}

func floatPtr(f float64) *float64 { return &f }

// field returns the core's field data as its own copy, to be changed.
func (c *editing) field() *Field {
	f := Field{}
	if c.Field != nil {
		f = *c.Field
	}
	c.Field = &f
	return c.Field
}

// settle takes a doubt about the whole core off.
func (c *editing) settle(kind string) {
	c.Doubts = slices.DeleteFunc(c.Doubts, func(d Doubt) bool { return d.Kind == kind })
}

// expectMore corrects the expected count: a place of probability was, in the
// count's mean and variance, is now sure to be a boundary, or to be none.
func (c *editing) expectMore(probability, now float64) {
	c.shift += now - probability
	c.variance -= probability * (1 - probability)
}

// add sets a boundary where the observer points, leaning as its neighbours do.
func (c *editing) add(e Event) string {
	if e.PointPx == nil {
		return "no place is given"
	}
	if len(c.PathPx) < 2 {
		return "the core has no radius yet: draw one"
	}
	p := NewRadius(c.PathPx, nil).Nearest(*e.PointPx)
	tilt := c.tiltAt(p)
	c.Boundaries = append(c.Boundaries, Boundary{ID: e.UUID, Kind: RingBoundary, PointPx: p, TiltDeg: tilt,
		LinePx: c.Course(p, tilt), Probability: 1, Source: "person"})
	c.shift++
	return ""
}

// remove takes away a boundary, a candidate, a gap, an obscured stretch or an
// absent ring.
func (c *editing) remove(e Event) string {
	if i := c.boundary(e.Target); i >= 0 {
		b := c.Boundaries[i]
		c.Boundaries = slices.Delete(c.Boundaries, i, i+1)
		c.gone(e, b.PointPx, b.Probability)
		switch b.Kind {
		case Outer:
			c.BarkPresent = false
		case Inner:
			c.PithPresent = false
		}
		return ""
	}
	if i := c.candidate(e.Target); i >= 0 {
		x := c.Candidates[i]
		c.Candidates = slices.Delete(c.Candidates, i, i+1)
		c.gone(e, x.PointPx, x.Probability)
		return ""
	}
	for _, parts := range []*[]Part{&c.gaps, &c.obscured, &c.absent} {
		if i := slices.IndexFunc(*parts, func(p Part) bool { return p.Target == e.Target }); i >= 0 {
			*parts = slices.Delete(slices.Clone(*parts), i, i+1)
			return ""
		}
	}
	return fmt.Sprintf("there is no %q to remove", e.Target)
}

func (c *editing) gone(e Event, p Point, probability float64) {
	c.state.Removed = append(c.state.Removed, Place{e.UUID, &p, e.Why})
	c.expectMore(probability, 0)
}

func (c *editing) candidate(id string) int {
	return slices.IndexFunc(c.Candidates, func(x Candidate) bool { return x.ID == id })
}

// move shifts a boundary, with its course, to the place of the path nearest
// to where the observer points.
func (c *editing) move(e Event) string {
	i := c.boundary(e.Target)
	if i < 0 || e.PointPx == nil {
		return fmt.Sprintf("there is no boundary %q to move, or no place to move it to", e.Target)
	}
	b := &c.Boundaries[i]
	p := NewRadius(c.PathPx, nil).Nearest(*e.PointPx)
	line := slices.Clone(b.LinePx)
	for k := range line {
		line[k] = Point{line[k][0] + p[0] - b.PointPx[0], line[k][1] + p[1] - b.PointPx[1]}
	}
	b.PointPx, b.LinePx, b.AtMM, b.StandardUncertaintyMM, b.SharedUncertaintyMM = p, line, nil, nil, 0
	c.vouch(b)
	return ""
}

// vouch makes a boundary the observer's own.
func (c *editing) vouch(b *Boundary) {
	c.expectMore(b.Probability, 1)
	b.Probability, b.Source = 1, "person"
}

// accept vouches for a boundary, or makes a candidate one.
func (c *editing) accept(e Event) string {
	if i := c.boundary(e.Target); i >= 0 {
		c.vouch(&c.Boundaries[i])
		return ""
	}
	if e.Target == "bark-end" || e.Target == "wood" {
		if !slices.ContainsFunc(c.Doubts, func(d Doubt) bool { return d.Kind == e.Target }) {
			return "that is in no doubt"
		}
		c.settle(e.Target)
		return ""
	}
	i := c.candidate(e.Target)
	if i < 0 {
		return fmt.Sprintf("there is no %q to accept", e.Target)
	}
	x := c.Candidates[i]
	c.Candidates = slices.Delete(c.Candidates, i, i+1)
	b := Boundary{ID: x.ID, Kind: RingBoundary, AtMM: x.AtMM, PointPx: x.PointPx, TiltDeg: x.TiltDeg,
		LinePx: c.Course(x.PointPx, x.TiltDeg), Probability: x.Probability}
	c.vouch(&b)
	c.Boundaries = append(c.Boundaries, b)
	return ""
}

// StretchKinds lists the kinds of gap, or of obscured stretch, that an event
// of the given kind may name.
func StretchKinds(of EventKind) []string {
	if of == Gap {
		return []string{Crack, Break, Lost}
	}
	return []string{Smear, Rot, Knot, Stain, Glue}
}

func (c *editing) stretch(e Event, d Detail) string {
	if e.PointPx == nil || d.ToPx == nil {
		return "from and to are not both given"
	}
	if !slices.Contains(StretchKinds(e.Kind), d.Word) {
		return fmt.Sprintf("%q is no kind of %s: want one of %v", d.Word, e.Kind, StretchKinds(e.Kind))
	}
	parts := &c.gaps
	if e.Kind == Obscure {
		parts = &c.obscured
	}
	radius := NewRadius(c.PathPx, nil)
	*parts = append(*parts, Part{Target: e.UUID, Kind: d.Word, FromPx: radius.Nearest(*e.PointPx), ToPx: radius.Nearest(*d.ToPx)})
	return ""
}

func (c *editing) addAbsent(e Event, d Detail) string {
	i := c.boundary(e.Target)
	if i < 0 {
		return fmt.Sprintf("there is no boundary %q for the absent ring to lie at", e.Target)
	}
	p := c.Boundaries[i].PointPx
	for range max(1, d.Count) {
		c.absent = append(c.absent, Part{Target: e.UUID, FromPx: p, ToPx: p, after: e.Target})
	}
	return ""
}

// redraw lays the core's radius anew, from end to end of the wood as before:
// each boundary crosses it where its course does. What it does not meet is
// left out.
func (c *editing) redraw(path []Point) string {
	if len(path) < 2 || !(NewRadius(path, nil).Length() > 0) {
		return "a radius needs two places that differ"
	}
	path = c.spanning(path)
	radius := NewRadius(path, nil)
	c.Candidates = slices.DeleteFunc(c.Candidates, func(x Candidate) bool {
		off := !radius.crosses(c.Course(x.PointPx, x.TiltDeg))
		if off {
			c.expectMore(x.Probability, 0)
		}
		return off
	})
	for i := range c.Candidates {
		x := &c.Candidates[i]
		x.PointPx, x.TiltDeg = radius.meeting(c.Course(x.PointPx, x.TiltDeg))
	}
	c.Boundaries = slices.DeleteFunc(c.Boundaries, func(b Boundary) bool {
		off := b.Kind == RingBoundary && !radius.crosses(b.LinePx)
		if off {
			c.expectMore(b.Probability, 0)
		}
		return off
	})
	for i := range c.Boundaries {
		b := &c.Boundaries[i]
		if radius.crosses(b.LinePx) {
			b.PointPx, b.TiltDeg = radius.meeting(b.LinePx)
		}
		switch b.Kind {
		case Outer:
			b.PointPx = path[0]
		case Inner:
			b.PointPx = path[len(path)-1]
		}
	}
	c.PathPx, c.moved = path, true
	end := endOf(path)
	c.BarkEnd = &end
	return ""
}

// spanning draws a new radius on, straight, or cuts it off, so that it begins
// and ends where the wood does: at the lines across the core at the ends of the
// radius before. Otherwise a radius that somebody began a little further in
// would lose the outermost rings, and misdate all others.
func (c *editing) spanning(path []Point) []Point {
	if len(c.PathPx) < 2 {
		return slices.Clone(path)
	}
	r := NewRadius(path, nil)
	reach := 2 * (NewRadius(c.PathPx, nil).Length() + r.Length())
	on := func(p, h Point, by float64) Point { return Point{p[0] + by*h[0], p[1] + by*h[1]} }
	long := NewRadius(slices.Concat([]Point{on(path[0], r.heading(0), -reach)}, path, []Point{on(path[len(path)-1], r.heading(r.Length()), reach)}), nil)
	first, begins := c.acrossEnd(long, c.PathPx[0], reach)
	last, ends := c.acrossEnd(long, c.PathPx[len(c.PathPx)-1], reach)
	if !begins || !ends || long.At(first) >= long.At(last) {
		return slices.Clone(path)
	}
	from, to := long.At(first), long.At(last)
	out := []Point{first}
	for i, p := range long.Path {
		if at := long.along[i]; at > from && at < to {
			out = append(out, p)
		}
	}
	return append(out, last)
}

// acrossEnd returns where a path crosses the line across the core at an end of
// its radius, leaning as the boundaries there do.
func (c *editing) acrossEnd(path *Radius, end Point, reach float64) (Point, bool) {
	line := c.Course(end, c.tiltAt(end))
	dx, dy := line[2][0]-line[0][0], line[2][1]-line[0][1]
	l := math.Hypot(dx, dy)
	if l == 0 {
		return Point{}, false
	}
	long := []Point{{end[0] - dx/l*reach, end[1] - dy/l*reach}, {end[0] + dx/l*reach, end[1] + dy/l*reach}}
	p, _, ok := path.crossing(long)
	return p, ok
}

// endOf tells at which end of the displayed scan a path from the bark begins.
func endOf(path []Point) End {
	dx, dy := path[len(path)-1][0]-path[0][0], path[len(path)-1][1]-path[0][1]
	switch {
	case math.Abs(dx) >= math.Abs(dy) && dx >= 0:
		return Left
	case math.Abs(dx) >= math.Abs(dy):
		return Right
	case dy >= 0:
		return Top
	}
	return Bottom
}

// blank sets all automatic boundaries aside. They are forgotten as claims, but
// stay as evidence that a hand-set boundary can snap to.
func (c *editing) blank() {
	for _, b := range c.Boundaries {
		if b.Source != "person" {
			c.Candidates = append(c.Candidates, Candidate{ID: "was-" + b.ID, AtMM: b.AtMM, PointPx: b.PointPx, TiltDeg: b.TiltDeg, Probability: b.Probability})
		}
	}
	c.Boundaries = slices.DeleteFunc(c.Boundaries, func(b Boundary) bool { return b.Source != "person" })
	c.absent = nil
	c.BarkPresent, c.PithPresent, c.state.Blank = false, false, true
}

// reverse turns the core end for end. What was read as bark or pith was read
// at the wrong end, and is taken back.
func (c *editing) reverse() {
	slices.Reverse(c.PathPx)
	if n := len(c.PathPx); n >= 2 {
		end := endOf(c.PathPx)
		c.BarkEnd, c.BarkEndProbability = &end, floatPtr(1)
	}
	c.Boundaries = slices.DeleteFunc(c.Boundaries, func(b Boundary) bool { return b.Kind != RingBoundary })
	c.BarkPresent, c.PithPresent, c.moved = false, false, true
	c.absent = nil
	c.settle("bark-end")
}

// end says whether bark or pith is there; if it is, the wood ends at the end
// of the radius.
func (c *editing) end(e Event, kind BoundaryKind, yes *bool) string {
	if yes == nil || len(c.PathPx) < 2 {
		return "it is not said whether it is there, or the core has no radius"
	}
	p, present := c.PathPx[0], &c.BarkPresent
	if kind == Inner {
		p, present = c.PathPx[len(c.PathPx)-1], &c.PithPresent
	}
	f := c.field()
	if kind == Outer {
		f.Bark = yes
	} else {
		f.Pith = yes
	}
	i := slices.IndexFunc(c.Boundaries, func(b Boundary) bool { return b.Kind == kind })
	switch {
	case i >= 0 && *yes:
		c.vouch(&c.Boundaries[i])
	case i >= 0:
		c.expectMore(c.Boundaries[i].Probability, 0)
		c.Boundaries = slices.Delete(c.Boundaries, i, i+1)
	case *yes:
		tilt := c.tiltAt(p)
		c.Boundaries = append(c.Boundaries, Boundary{ID: e.UUID, Kind: kind, PointPx: p, TiltDeg: tilt, LinePx: c.Course(p, tilt), Probability: 1, Source: "person"})
		c.shift++
	}
	*present = *yes
	return ""
}

// setScale gives the whole scan a scale.
func (b *bench) setScale(e Event) string {
	if e.Detail == nil || e.Detail.MMPerPx == nil || !positive(e.Detail.MMPerPx[0]) || !positive(e.Detail.MMPerPx[1]) {
		return "the scale is not two positive numbers"
	}
	s := *e.Detail.MMPerPx
	b.m.Scale.Source, b.m.Scale.MMPerPx = ScaleGiven, &s
	b.m.Scale.RelativeStandardUncertainty = floatPtr(givenScaleUncertainty)
	b.m.Scale.RelativeStandardUncertaintyXY = &[2]float64{givenScaleUncertainty, givenScaleUncertainty}
	b.scaled = true
	for _, c := range b.cores {
		for i := range c.Boundaries {
			c.Boundaries[i].rescale(lengthRatio(NewRadius(c.PathPx, &s), c.read.PathLengthMM))
		}
	}
	return ""
}

// lengthRatio is by what a change of scale multiplies lengths in mm; 0 where one
// of the two is not known.
func lengthRatio(now *Radius, oldMM *float64) float64 {
	if !now.Known || oldMM == nil || *oldMM <= 0 {
		return 0
	}
	return now.Length() / *oldMM
}

// rescale multiplies the uncertainty of a boundary's place; 0 takes it away.
func (b *Boundary) rescale(ratio float64) {
	b.SharedUncertaintyMM *= ratio
	if old := b.StandardUncertaintyMM; old != nil && ratio > 0 {
		b.StandardUncertaintyMM = floatPtr(*old * ratio)
	} else {
		b.StandardUncertaintyMM = nil
	}
}
