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
	Offset      float64 // mm, and
	Stretch     float64 // at_mm of the new reading = Offset + Stretch x at_mm of the old; below 0: bark and pith end are exchanged
	Share       float64 // of the old boundaries that the new reading has too, 0 to 1
	Certainty   float64 // that both are of one core and lie so, 0 to 1
	old, now    Core
	oldMM       func(Point) float64
	nowAt       func(float64) Point
}

// Tolerances of carrying: how far apart two places may be and still be the
// same boundary. Chosen: between readings of one picture a candidate moves by a
// pixel or two; a new sanding shows the same ring a little further in or out.
const (
	samePlacePx = 4.0
	sameRingMM  = 0.12
	fewestRings = 15   // boundaries that a pattern needs
	mostStretch = 0.04 // by which the scales of two pictures may differ
	stillThere  = 0.9  // of the boundaries of a core are read again, on average
	localRings  = 8    // to either side of a boundary, by which an alignment is sought
	anchorStep  = 6    // boundaries from one such boundary to the next
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
// hundredths, either end first. A few rings read differently do no harm. Both
// need a scale and at least 15 boundaries. The certainty is that of Bayes' rule:
// under the right alignment a boundary is read again with probability 0.9, under
// a wrong one it falls on a boundary by chance; every alignment tried stands
// against, and so does any other that fits, as where all rings are of one width.
// It is sure from SureFit on.
func FitRings(old, now Core) (Fit, bool) {
	a, b := ringPlaces(old), ringPlaces(now)
	best := Fit{old: old, now: now}
	if len(a) < fewestRings || len(b) < fewestRings {
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
	middle, ring := (a[0]+a[len(a)-1])/2, (a[len(a)-1]-a[0])/float64(len(a)-1)
	rivals := map[int]float64{} // by where the core's middle comes to lie, in rings
	for _, f := range fits {
		away := math.Abs(f.offset + f.stretch*middle - top.offset - top.stretch*middle)
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
	best.Offset, best.Stretch, best.Share = top.offset, top.stretch, top.share
	best.Certainty = 1 / (1 + math.Exp(against.top+math.Log(against.sum)-top.odds))
	oldRadius, nowRadius := radiusOf(old), radiusOf(now)
	best.oldMM, best.nowAt = oldRadius.At, nowRadius.Point
	return best, best.Certainty >= SureFit
}

// alignment is one way in which two patterns of rings may lie on each other.
type alignment struct {
	offset, stretch float64
	share           float64 // of the boundaries that agree
	odds            float64 // log likelihood ratio against chance
}

// alignments finds the ways that are worth weighing, and how many were tried:
// a boundary and its neighbours of the one must lie on those of the other; from
// there the line through the boundaries that agree is followed outward.
func alignments(a, b []float64) (fits []alignment, tried int) {
	for _, way := range []float64{1, -1} {
		for i := anchorStep / 2; i < len(a); i += anchorStep {
			for j := range b {
				tried++
				f := alignment{offset: b[j] - way*a[i], stretch: way}
				lo, hi := max(0, i-localRings), min(len(a), i+localRings+1)
				if n := f.agreeing(a[lo:hi], b); 2*n < hi-lo {
					continue
				}
				if f.follow(a, b, i) {
					f.weigh(a, b)
					fits = append(fits, f)
				}
			}
		}
	}
	return fits, tried
}

// agreeing counts the boundaries of a that lie within a quarter of a ring of
// one of b.
func (f alignment) agreeing(a, b []float64) (n int) {
	for _, x := range a {
		to := f.offset + f.stretch*x
		if i := nearestTo(b, to); math.Abs(b[i]-to) < 2*tolerance(b, i) {
			n++
		}
	}
	return n
}

// follow fits offset and stretch to the boundaries that agree, first near the
// one at i, then further and further out. It is false if that leads beyond any
// difference of scale.
func (f *alignment) follow(a, b []float64, i int) bool {
	way := math.Copysign(1, f.stretch)
	for reach := localRings; ; reach *= 2 {
		lo, hi := max(0, i-reach), min(len(a), i+reach+1)
		for range 2 {
			var x, y []float64
			for _, at := range a[lo:hi] {
				to := f.offset + f.stretch*at
				if k := nearestTo(b, to); math.Abs(b[k]-to) < 2*tolerance(b, k) {
					x, y = append(x, at), append(y, b[k])
				}
			}
			if len(x) < fewestRings/2 {
				return false
			}
			f.offset, f.stretch = stat.LinearRegression(x, y, nil, false)
			if !(math.Abs(f.stretch-way) <= mostStretch) {
				return false
			}
		}
		if lo == 0 && hi == len(a) {
			return true
		}
	}
}

// weigh works out share and odds: of the two ways of looking, from the one
// pattern to the other and back, the worse, so that dense boundaries fit
// nothing by chance.
func (f *alignment) weigh(a, b []float64) {
	moved := make([]float64, len(a))
	for i, x := range a {
		moved[i] = f.offset + f.stretch*x
	}
	slices.Sort(moved)
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

func ringPlaces(c Core) []float64 {
	var at []float64
	for _, b := range c.Boundaries {
		if b.AtMM != nil {
			at = append(at, *b.AtMM)
		}
	}
	return at
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
// b shows, that lie on one of b, and the log odds of that many against chance.
// The stretch must hold at least half of a.
func oneWay(a, b []float64) (share, odds float64) {
	lo, hi := b[0]-sameRingMM, b[len(b)-1]+sameRingMM
	covered := 0.0
	for i := range b {
		covered += 2 * tolerance(b, i)
	}
	chance := math.Min(0.5, covered/(hi-lo))
	n, on := 0, 0
	for _, x := range a {
		if x < lo || x > hi {
			continue
		}
		n++
		if i := nearestTo(b, x); math.Abs(b[i]-x) <= tolerance(b, i) {
			on++
		}
	}
	if 2*n < len(a) || n == 0 {
		return 0, math.Inf(-1)
	}
	odds = float64(on)*math.Log(stillThere/chance) + float64(n-on)*math.Log((1-stillThere)/(1-chance))
	return float64(on) / float64(n), odds
}

// tolerance is how far from a boundary another reading of it may lie: an
// eighth of the narrower ring beside it, so that chance fits a quarter of all
// places at most, and never more than sameRingMM.
func tolerance(b []float64, i int) float64 {
	t := sameRingMM
	if i > 0 {
		t = min(t, (b[i]-b[i-1])/8)
	}
	if i+1 < len(b) {
		t = min(t, (b[i+1]-b[i])/8)
	}
	return t
}

// place returns where a place of the old picture is on the new one.
func (f Fit) place(p Point) Point {
	if f.SamePicture {
		return p
	}
	return f.nowAt(f.Offset + f.Stretch*f.oldMM(p))
}

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
	if e.PointPx != nil {
		p := f.place(*e.PointPx)
		e.PointPx = &p
	}
	if e.Detail != nil && e.Detail.ToPx != nil {
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
