package measure

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Fit says where the places of one reading of a core lie on another.
type Fit struct {
	SamePicture bool    // both were read from one picture: places stay
	Stretch     float64 // mm of the new reading for a mm of the old, on the whole; below 0: bark and pith end are exchanged
	Share       float64 // of the old boundaries that the new reading has too, 0 to 1
	Certainty   float64 // that both are of one core and lie so, 0 to 1
	old, now    Core
	lies        alignment
	oldMM       func(Point) float64
	nowAt       func(float64) Point
}

// Tolerances of carrying: how far apart two places may be and still be the
// same boundary. Chosen: between readings of one picture a candidate moves by a
// pixel or two; a new sanding shows the same ring a little further in or out.
const (
	samePlacePx   = 4.0
	sameRingMM    = 0.12
	fewestRings   = 15   // boundaries that a pattern needs
	mostStretch   = 0.04 // by which the scales of two pictures may differ,
	likelyStretch = 0.02 // and do
	stillThere    = 0.9  // of the boundaries of a core are read again, on average
	localRings    = 8    // to either side of a boundary, by which an alignment is sought
	anchorStep    = 6    // boundaries from one such boundary to the next
	mostAlike     = 3    // one in so many of them may lie elsewhere
	leastSpread   = 0.1  // of boundaries that are the same, in tolerances
)

// SureFit is the certainty from which on two readings of different pictures
// are taken to be of one core: chosen.
const SureFit = 0.99

// SameSpot tells whether two readings of one picture are of the same core: the
// middle of the new path lies on the old core.
func SameSpot(old, now Core) bool {
	if len(old.PathPx) < 2 || len(now.PathPx) < 2 {
		return false
	}
	r := NewRadius(now.PathPx, nil)
	mid := r.Point(r.Length() / 2)
	near := NewRadius(old.PathPx, nil).Nearest(mid)
	return math.Hypot(mid[0]-near[0], mid[1]-near[1]) < old.Breadth()/2
}

// FitSpot returns the fit of two readings of one picture.
func FitSpot(old, now Core) Fit {
	return Fit{SamePicture: true, Share: 1, Certainty: 1, old: old, now: now}
}

// FitRings finds how two readings of different pictures would be of one core,
// by the pattern of its rings: with which offset, a stretch within a few
// hundredths, either end first. The offset may drift along the core, as layers lean
// into the wood that was sanded off; a few rings read differently do no harm. Both
// need a scale and at least 15 boundaries. The certainty is that of Bayes' rule:
// under the right alignment a boundary is read again with probability 0.9, under
// a wrong one it falls on a boundary by chance; every alignment tried stands
// against, and so does any other that fits, as where all rings are of one width.
// It is sure from SureFit on.
func FitRings(old, now Core) (Fit, bool) {
	a, b := newPattern(old), newPattern(now)
	best := Fit{old: old, now: now}
	if len(a.at) < fewestRings || len(b.at) < fewestRings {
		return best, false
	}
	fits, tried := alignments(a, b)
	if len(fits) == 0 {
		return best, false
	}
	top := fits[0]
	for _, f := range fits {
		if f.odds > top.odds {
			top = f
		}
	}
	against := newLogSum(math.Log(float64(tried)), 0, 0)
	middle, ring := (a.at[0]+a.at[len(a.at)-1])/2, (a.at[len(a.at)-1]-a.at[0])/float64(len(a.at)-1)
	rivals := map[int]float64{} // by where the core's middle comes to lie, in rings
	for _, f := range fits {
		away := math.Abs(f.place(middle) - top.place(middle))
		if f.stretch*top.stretch > 0 && away < ring/2 {
			continue
		}
		k := 2 * int(math.Round(away/ring))
		if f.stretch < 0 {
			k++
		}
		if was, ok := rivals[k]; !ok || f.odds > was {
			rivals[k] = f.odds
		}
	}
	for _, odds := range rivals {
		against.add(odds, 0, 0)
	}
	best.Stretch, best.Share, best.lies = top.stretch, top.share, top
	best.Certainty = 1 / (1 + math.Exp(against.top+math.Log(against.sum)-top.odds))
	oldRadius, nowRadius := radiusOf(old), radiusOf(now)
	best.oldMM, best.nowAt = oldRadius.At, nowRadius.Point
	return best, best.Certainty >= SureFit
}

// pattern is where the boundaries of a core lie, rising, mm, and how far from
// each another reading of it may lie.
type pattern struct{ at, tolerance []float64 }

func newPattern(c Core) pattern {
	var p pattern
	for _, b := range c.Boundaries {
		if b.AtMM != nil {
			p.at = append(p.at, *b.AtMM)
		}
	}
	return p.tolerant()
}

// tolerant sets the tolerances: an eighth of the narrower ring beside a boundary,
// so that chance fits a quarter of all places at most, and never more than
// sameRingMM.
func (p pattern) tolerant() pattern {
	p.tolerance = make([]float64, len(p.at))
	for i := range p.at {
		t := sameRingMM
		if i > 0 {
			t = min(t, (p.at[i]-p.at[i-1])/8)
		}
		if i+1 < len(p.at) {
			t = min(t, (p.at[i+1]-p.at[i])/8)
		}
		p.tolerance[i] = t
	}
	return p
}

// alignment is one way in which two patterns of rings may lie on each other.
type alignment struct {
	stretch float64   // of the second for a mm of the first
	share   float64   // of the boundaries that agree
	odds    float64   // log likelihood ratio against chance
	from    []float64 // boundaries of the first, rising, that agree
	to      []float64 // with these of the second
	all     []float64 // boundaries of the first
	fits    []bool    // whether most boundaries round each of them agree
}

// fitsAt tells whether the rings round a place of the first pattern are on the
// second: where they are not, the two may lie a ring apart.
func (f alignment) fitsAt(x float64) bool { return f.fits[nearestTo(f.all, x)] }

// place returns where a place of the first pattern lies on the second: between the
// boundaries that agree in proportion, beyond them by the stretch.
func (f alignment) place(x float64) float64 {
	i, _ := slices.BinarySearch(f.from, x)
	switch {
	case i == 0:
		return f.to[0] + f.stretch*(x-f.from[0])
	case i == len(f.from):
		return f.to[i-1] + f.stretch*(x-f.from[i-1])
	}
	return f.to[i-1] + (x-f.from[i-1])*(f.to[i]-f.to[i-1])/(f.from[i]-f.from[i-1])
}

// alignments finds the ways that are worth weighing, and how many were tried:
// most neighbours of a boundary of the one must lie on boundaries of the other,
// when it does; from there the agreement is followed outward.
func alignments(a, b pattern) (fits []alignment, tried int) {
	for _, way := range []float64{1, -1} {
		for i := anchorStep / 2; i < len(a.at); i += anchorStep {
			for j := range b.at {
				tried++
				if !neighboursAgree(a, b, i, j, way) {
					continue
				}
				if f, ok := follow(a, b, i, j, way); ok {
					fits = append(fits, f)
				}
			}
		}
	}
	return fits, tried
}

// neighboursAgree tells whether enough of the neighbours of a's boundary i lie
// within a quarter of a ring of boundaries of b, if i lies on b's boundary j.
func neighboursAgree(a, b pattern, i, j int, way float64) bool {
	lo, hi := max(0, i-localRings), min(len(a.at), i+localRings+1)
	off := 0
	for _, out := range []int{1, -1} {
		offset := b.at[j] - way*a.at[i]
		for k := i + out; k >= lo && k < hi; k += out {
			to := offset + way*a.at[k]
			n := nearestTo(b.at, to)
			if r := b.at[n] - to; math.Abs(r) <= 2*b.tolerance[n]+likelyStretch*math.Abs(a.at[k]-a.at[k-out]) {
				offset += r / 2
			} else if off++; mostAlike*off > hi-lo {
				return false
			}
		}
	}
	return true
}

// follow walks outward from a's boundary i lying on b's j, with the scale of the
// boundaries near and then with that of all that agree. It is false if that leads
// beyond any difference of scale.
func follow(a, b pattern, i, j int, way float64) (f alignment, ok bool) {
	lo, hi := max(0, i-localRings), min(len(a.at), i+localRings+1)
	near := pattern{at: a.at[lo:hi]}
	f.stretch = way
	var expected []float64
	for _, part := range []struct {
		of    pattern
		start int
		slack float64
	}{{near, i - lo, likelyStretch}, {near, i - lo, 0}, {a, i, 0}, {a, i, 0}} {
		expected = f.walk(part.of, b, part.start, j, part.slack)
		if len(f.from) < fewestRings/2 {
			return f, false
		}
		_, stretch := stat.LinearRegression(f.from, f.to, nil, false)
		if !(math.Abs(stretch-way) <= mostStretch) {
			return f, false
		}
		f.stretch = stretch
	}
	f.weigh(expected, b)
	return f, true
}

// walk goes outward from a's boundary i lying on b's j, notes which boundaries
// agree, and returns where each of a was expected on b, by those before it. Half
// of what a boundary is off is taken to last, so that a drift is followed. slack is
// how far the scale may be off yet.
func (f *alignment) walk(a, b pattern, i, j int, slack float64) (expected []float64) {
	expected = make([]float64, len(a.at))
	on := make([]int, len(a.at)) // b's boundary, from 1; 0: none
	step := func(k, last int, offset float64) float64 {
		expected[k] = offset + f.stretch*a.at[k]
		n := nearestTo(b.at, expected[k])
		if r := b.at[n] - expected[k]; math.Abs(r) <= b.tolerance[n]+slack*math.Abs(a.at[k]-a.at[last]) {
			on[k] = n + 1
			offset += r / 2
		}
		return offset
	}
	start := b.at[j] - f.stretch*a.at[i]
	for k, offset := i, start; k < len(a.at); k++ {
		offset = step(k, max(i, k-1), offset)
	}
	for k, offset := i-1, start; k >= 0; k-- {
		offset = step(k, k+1, offset)
	}
	f.from, f.to, f.all, f.fits = nil, nil, a.at, make([]bool, len(on))
	for k, n := range on {
		f.fits[k] = mostAgree(on, k)
		if n > 0 && f.fits[k] && (len(f.to) == 0 || b.at[n-1] != f.to[len(f.to)-1]) {
			f.from, f.to = append(f.from, a.at[k]), append(f.to, b.at[n-1])
		}
	}
	return expected
}

// mostAgree tells whether two in three of the boundaries round one agree.
func mostAgree(on []int, k int) bool {
	const reach = 4
	round := on[max(0, k-reach):min(len(on), k+reach+1)]
	agree := 0
	for _, n := range round {
		if n > 0 {
			agree++
		}
	}
	return 3*agree >= 2*len(round)
}

// weigh works out share and odds, of where the boundaries of the first pattern are
// expected on b: of the two ways of looking, from the one to the other and back,
// the worse, so that dense boundaries fit nothing by chance.
func (f *alignment) weigh(expected []float64, b pattern) {
	slices.Sort(expected)
	moved := pattern{at: expected}.tolerant()
	f.share, f.odds = oneWay(moved, b)
	if share, odds := oneWay(b, moved); odds < f.odds {
		f.share, f.odds = share, odds
	}
}

// nearestTo returns the index of the value of a rising list nearest to x.
func nearestTo(list []float64, x float64) int {
	i, _ := slices.BinarySearch(list, x)
	if i == len(list) || i > 0 && x-list[i-1] < list[i]-x {
		i--
	}
	return i
}

// radiusOf measures a core's path by the length it is said to have.
func radiusOf(c Core) *Radius {
	r := NewRadius(c.PathPx, nil)
	if c.PathLengthMM == nil || r.Length() == 0 {
		return r
	}
	scale := *c.PathLengthMM / r.Length()
	return NewRadius(c.PathPx, &[2]float64{scale, scale})
}

// oneWay returns the share of the boundaries of a, of those in the stretch that
// b shows, that lie on one of b, and the log odds of that against chance: of so many
// on one, and of their lying so near to it, where chance would scatter them over
// the whole tolerance. The stretch must hold at least half of a.
func oneWay(a, b pattern) (share, odds float64) {
	lo, hi := b.at[0]-sameRingMM, b.at[len(b.at)-1]+sameRingMM
	covered := 0.0
	for _, t := range b.tolerance {
		covered += 2 * t
	}
	chance := math.Min(0.5, covered/(hi-lo))
	n, on, squares := 0, 0.0, 0.0 // squares: of how far off they are, in tolerances
	for _, x := range a.at {
		if x < lo || x > hi {
			continue
		}
		n++
		i := nearestTo(b.at, x)
		if u := (b.at[i] - x) / b.tolerance[i]; math.Abs(u) <= 1 {
			on, squares = on+1, squares+u*u
		}
	}
	if 2*n < len(a.at) || on == 0 {
		return 0, math.Inf(-1)
	}
	spread := math.Max(leastSpread, math.Sqrt(squares/on))
	near := on*math.Log(2/(spread*math.Sqrt(2*math.Pi))) - squares/(2*spread*spread) // over the density 1/2 of chance
	odds = on*math.Log(stillThere/chance) + (float64(n)-on)*math.Log((1-stillThere)/(1-chance)) + near
	return on / float64(n), odds
}

// place returns where a place of the old picture is on the new one.
func (f Fit) place(p Point) Point {
	if f.SamePicture {
		return p
	}
	return f.nowAt(f.lies.place(f.oldMM(p)))
}

// there tells whether the rings round a place of the old picture are on the new.
func (f Fit) there(p Point) bool {
	return f.SamePicture || f.lies.fitsAt(f.oldMM(p))
}

const notThere = "the rings round it are not read so on the new picture"

// Carry turns an event on the old reading into one on the new core, as it
// stands; its targets that are events of the observer have been renamed
// before. why says if it finds no place there.
func (f Fit) Carry(e Event, now Core) (out Event, why string) {
	switch e.Kind {
	case Redraw, Split, JoinCore, Reverse:
		if !f.SamePicture {
			return e, "it was drawn on another picture"
		}
	case Blank:
		if !f.SamePicture {
			return e, "the core was measured by hand on another picture"
		}
	case AbsentRing, Bark, Pith:
		if f.Stretch < 0 {
			return e, "bark and pith end are exchanged on the new reading: let them change places there, and decide again"
		}
	}
	if e.PointPx != nil && !f.there(*e.PointPx) {
		return e, notThere
	}
	if e.PointPx != nil {
		p := f.place(*e.PointPx)
		e.PointPx = &p
	}
	if e.Detail != nil && e.Detail.ToPx != nil {
		if !f.there(*e.Detail.ToPx) {
			return e, notThere
		}
		d, to := *e.Detail, f.place(*e.Detail.ToPx)
		d.ToPx, e.Detail = &to, &d
	}
	switch e.Kind {
	case Add:
		if b := f.near(*e.PointPx, now, false); b != "" { // read by itself now
			e.Kind, e.Target, e.PointPx = Accept, b, nil
		}
	case Remove, Move, Accept, AbsentRing:
		return f.aim(e, now)
	}
	return e, ""
}

// aim finds what an event is about on the new core.
func (f Fit) aim(e Event, now Core) (Event, string) {
	if e.Target == "wood" || e.Target == "bark-end" || slices.ContainsFunc(now.Boundaries, func(b Boundary) bool { return b.ID == e.Target && b.Source == "person" }) {
		return e, ""
	}
	p, found := f.old.pointOf(e.Target)
	if !found {
		return e, fmt.Sprintf("what it is about (%s) is not on the new reading", e.Target)
	}
	if !f.there(p) {
		return e, notThere
	}
	target := f.near(f.place(p), now, e.Kind == Remove || e.Kind == Accept)
	if target == "" {
		return e, fmt.Sprintf("the new reading has no boundary where %s was", e.Target)
	}
	e.Target = target
	return e, ""
}

// pointOf returns where a boundary or candidate lies.
func (c Core) pointOf(id string) (Point, bool) {
	for _, b := range c.Boundaries {
		if b.ID == id {
			return b.PointPx, true
		}
	}
	for _, x := range c.Candidates {
		if x.ID == id {
			return x.PointPx, true
		}
	}
	return Point{}, false
}

// near returns the id of the boundary, or candidate if those count too,
// nearest to a place, if it is near enough to be the same.
func (f Fit) near(p Point, now Core, candidates bool) string {
	r, reach := NewRadius(now.PathPx, nil), samePlacePx
	if !f.SamePicture {
		r, reach = radiusOf(now), sameRingMM
	}
	at, id := r.At(p), ""
	see := func(q Point, name string) {
		if d := math.Abs(r.At(q) - at); d <= reach {
			reach, id = d, name
		}
	}
	for _, b := range now.Boundaries {
		see(b.PointPx, b.ID)
	}
	if id == "" && candidates {
		for _, x := range now.Candidates {
			see(x.PointPx, x.ID)
		}
	}
	return id
}
