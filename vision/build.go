package vision

import (
	"fmt"
	"math"
	"slices"

	"pithward/measure"
	"pithward/vision/evidence"
	"pithward/vision/strip"
)

// builder writes a reading down as the core of a measurement.
type builder struct {
	*reader
	strip  *strip.Strip
	f      *evidence.Features
	course *strip.Course
	look   evidence.Look
	core   *measure.Core
	perMM  float64
	radius *measure.Radius
}

// vertexPx is the distance between vertices of the path written.
const vertexPx = 48

// listed is the least probability of a candidate that is written.
const listed = 0.02

func (b *builder) build(r evidence.Reading) {
	b.ends()
	b.path()
	b.gaps()
	b.obscured()
	b.boundaries(r)
	b.candidates(r)
	n := r.Count - 1
	if b.core.BarkPresent {
		n++
	}
	if b.core.PithPresent {
		n++
	}
	n = math.Max(0, n)
	b.core.ExpectedCount, b.core.CountSD = &n, &r.SD
	b.core.MakeRings(b.scale, false)
	b.doubts(r)
}

// ends writes the kind of wood and what is at the core's two ends.
func (b *builder) ends() {
	c, l := b.core, b.look
	wood, source := l.Wood, "auto"
	if l.WoodGiven {
		source = "given"
	}
	end := b.end(l.Span.Dir)
	c.Wood, c.WoodSource, c.WoodProbability = &wood, &source, &l.WoodProbability
	c.BarkEnd, c.BarkEndProbability = &end, &l.BarkProbability
	c.BarkPresent, c.PithPresent = l.BarkPresent, l.Pith != nil
}

func (b *builder) end(dir int) measure.End {
	first, last := b.strip.Place(0, 0), b.strip.Place(float64(b.strip.Cols-1), 0)
	upright := math.Abs(last[1]-first[1]) > math.Abs(last[0]-first[0])
	switch {
	case upright && dir > 0:
		return measure.Top
	case upright:
		return measure.Bottom
	case dir > 0:
		return measure.Left
	}
	return measure.Right
}

// path lays the radius along the axis, from bark to pith, with vertices at the
// edges of gaps too, where the axis may turn.
func (b *builder) path() {
	s := b.look.Span
	n := int(math.Max(1, math.Round((s.To-s.From)/vertexPx)))
	var at []float64
	for i := range n + 1 {
		at = append(at, s.From+(s.To-s.From)*float64(i)/float64(n))
	}
	for _, o := range s.Openings {
		for _, u := range o {
			if u > s.From && u < s.To {
				at = append(at, u)
			}
		}
	}
	slices.Sort(at)
	for _, u := range slices.Compact(at) {
		b.core.PathPx = append(b.core.PathPx, b.strip.Place(u, 0))
	}
	if s.Dir < 0 {
		slices.Reverse(b.core.PathPx)
	}
	b.radius = measure.NewRadius(b.core.PathPx, b.scale.MMPerPx)
	if b.radius.Known {
		length := b.radius.Length()
		b.core.PathLengthMM = &length
	}
}

// at returns the length along the path in mm at column u; nil without scale.
func (b *builder) at(u float64) *float64 {
	if !b.radius.Known {
		return nil
	}
	mm := b.radius.At(b.strip.Place(u, 0))
	return &mm
}

func (b *builder) gaps() {
	for i, o := range b.look.Span.Openings {
		if o[1] <= b.look.Span.From || o[0] >= b.look.Span.To {
			continue
		}
		from, to := o[0], o[1]
		if b.look.Span.Dir < 0 {
			from, to = to, from
		}
		kind := measure.Break
		if b.look.Span.Lost[i] {
			kind = measure.Lost
		} else if math.Abs(to-from) < 0.2*b.perMM {
			kind = measure.Crack
		}
		b.core.Gaps = append(b.core.Gaps, measure.Stretch{FromMM: b.at(from), ToMM: b.at(to),
			FromPx: b.strip.Place(from, 0), ToPx: b.strip.Place(to, 0), Kind: kind})
	}
	if b.look.Span.Dir < 0 {
		slices.Reverse(b.core.Gaps)
	}
}

// obscured writes the stretches in which no boundary can be seen.
func (b *builder) obscured() {
	for _, v := range b.look.Span.Veils {
		from, to := v.From, v.To
		if b.look.Span.Dir < 0 {
			from, to = to, from
		}
		b.core.Obscured = append(b.core.Obscured, measure.Stretch{FromMM: b.at(from), ToMM: b.at(to),
			FromPx: b.strip.Place(from, 0), ToPx: b.strip.Place(to, 0), Kind: v.Kind})
	}
	if b.look.Span.Dir < 0 {
		slices.Reverse(b.core.Obscured)
	}
}

// boundaries writes the accepted candidates and the ends of the wood.
func (b *builder) boundaries(r evidence.Reading) {
	s, c := b.look.Span, b.core
	outer, inner := s.From, s.To
	if s.Dir < 0 {
		outer, inner = inner, outer
	}
	const near = 1.5 // px
	if c.BarkPresent {
		p := 1 / (1 + math.Exp(-(b.look.BarkScore-6)/4))
		c.Boundaries = append(c.Boundaries, b.boundary(measure.Outer, outer, p, 3/b.perMM))
	}
	last := outer
	for _, k := range r.Accepted {
		place := b.model.Locate(b.f, r, k, b.look.Wood, s, b.course.SlopeAt(r.Candidates[k].U))
		at := place.U
		inward := (at - last) * float64(s.Dir)
		if (c.BarkPresent || last != outer) && inward < near || c.PithPresent && math.Abs(at-inner) < near {
			continue // the same edge as the one before, or as an end
		}
		last = at
		read := b.boundary(measure.RingBoundary, at, b.together(r, k), place.SDMM)
		if b.scale.MMPerPx != nil {
			read.SharedUncertaintyMM = place.SharedMM
		}
		c.Boundaries = append(c.Boundaries, read)
	}
	if c.PithPresent {
		c.Boundaries = append(c.Boundaries, b.boundary(measure.Inner, inner, b.look.Pith.Probability, 0.3))
	}
	for i := range c.Boundaries {
		c.Boundaries[i].ID = fmt.Sprintf("b%d", i+1)
	}
}

// samePx is how close two candidates are that mean the same boundary.
func (b *builder) samePx() float64 { return math.Max(2.5, 0.05*b.perMM) }

// together is the probability of a boundary at an accepted candidate: its own
// and that of the rejected ones that mean the same place.
func (b *builder) together(r evidence.Reading, k int) float64 {
	p := r.Probability[k]
	for j := range r.Candidates {
		if j != k && math.Abs(r.Candidates[j].U-r.Candidates[k].U) < b.samePx() && !slices.Contains(r.Accepted, j) {
			p += r.Probability[j]
		}
	}
	return math.Min(p, 0.9999)
}

// boundary writes one boundary that crosses the axis at column u; sdMM is the
// standard uncertainty of its place.
func (b *builder) boundary(kind measure.BoundaryKind, u, p, sdMM float64) measure.Boundary {
	out := measure.Boundary{Kind: kind, AtMM: b.at(u), PointPx: b.strip.Place(u, 0), TiltDeg: b.tilt(u), Probability: p, Source: "auto"}
	const points = 9
	half := b.strip.Across(b.strip.Rows-1) / keptBreadth
	for i := 0; i < points; i++ {
		v := half * (2*float64(i)/(points-1) - 1)
		out.LinePx = append(out.LinePx, b.strip.Place(u+b.course.Shift(u, v), v))
	}
	if b.scale.MMPerPx != nil {
		out.StandardUncertaintyMM = &sdMM
	}
	return out
}

// tilt is the angle between the layer at column u and the path's normal,
// positive anticlockwise as displayed. Walking along the axis, v grows to the
// right-hand side; a layer that comes later there leans anticlockwise: for a
// core lying left to right, v points down, and its lower end lies further
// right.
func (b *builder) tilt(u float64) float64 {
	return math.Atan(b.course.SlopeAt(u)) * 180 / math.Pi
}

// candidates writes the places that were considered and rejected.
func (b *builder) candidates(r evidence.Reading) {
	for j, cand := range r.Candidates {
		if r.Probability[j] < listed || slices.Contains(r.Accepted, j) || b.absorbed(r, j) {
			continue
		}
		b.core.Candidates = append(b.core.Candidates, measure.Candidate{ID: fmt.Sprintf("c%d", len(b.core.Candidates)+1),
			AtMM: b.at(cand.U), PointPx: b.strip.Place(cand.U, 0), TiltDeg: b.tilt(cand.U), Probability: r.Probability[j]})
	}
}

// absorbed tells whether a rejected candidate means an accepted boundary.
func (b *builder) absorbed(r evidence.Reading, j int) bool {
	for _, k := range r.Accepted {
		if math.Abs(r.Candidates[j].U-r.Candidates[k].U) < b.samePx() {
			return true
		}
	}
	return false
}

// veilAt is the place in the list of veils, low to high, of an obscured
// stretch of the core, bark to pith.
func (b *builder) veilAt(i int) int {
	if b.look.Span.Dir < 0 {
		return len(b.look.Span.Veils) - 1 - i
	}
	return i
}

// Limits of doubt: below sure a boundary, above likely a candidate is for a
// person to settle.
const (
	sure   = 0.9
	likely = 0.2
)

// doubts lists what a person should look at, what is most uncertain first.
func (b *builder) doubts(r evidence.Reading) {
	type doubt struct {
		measure.Doubt
		unsure float64
	}
	var list []doubt
	for _, x := range b.core.Boundaries {
		if x.Probability < sure {
			list = append(list, doubt{measure.Doubt{Kind: "boundary", AtMM: x.AtMM, Detail: fmt.Sprintf("%s boundary with probability %.2f", x.Kind, x.Probability)}, 1 - math.Abs(2*x.Probability-1)})
		}
	}
	for _, x := range b.core.Candidates {
		if x.Probability > likely {
			list = append(list, doubt{measure.Doubt{Kind: "candidate", AtMM: x.AtMM, Detail: fmt.Sprintf("perhaps another boundary, probability %.2f", x.Probability)}, 1 - math.Abs(2*x.Probability-1)})
		}
	}
	for i, o := range b.core.Obscured { // bark to pith, as the chain's veils
		u := r.Unseen[b.veilAt(i)]
		if chance := math.Min(1, u.Mean+u.SD); chance > 0.2 {
			list = append(list, doubt{measure.Doubt{Kind: "obscured", AtMM: o.FromMM,
				Detail: fmt.Sprintf("%s hides about %.1f boundaries (standard deviation %.1f)", o.Kind, u.Mean, u.SD)}, chance})
		}
	}
	if p := *b.core.BarkEndProbability; p < 0.95 {
		list = append(list, doubt{measure.Doubt{Kind: "bark-end", Detail: fmt.Sprintf("bark taken to be %s with probability %.2f", *b.core.BarkEnd, p)}, 2})
	}
	if p := *b.core.WoodProbability; p < 0.9 && !b.look.WoodGiven {
		list = append(list, doubt{measure.Doubt{Kind: "wood", Detail: fmt.Sprintf("wood taken to be %s with probability %.2f", *b.core.Wood, p)}, 1.5})
	}
	slices.SortStableFunc(list, func(x, y doubt) int {
		if x.unsure > y.unsure {
			return -1
		} else if x.unsure < y.unsure {
			return 1
		}
		return 0
	})
	for _, d := range list {
		b.core.Doubts = append(b.core.Doubts, d.Doubt)
	}
}
