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
	Stretch     float64 // at_mm of the new reading = Offset + Stretch x at_mm of the old
	Share       float64 // of the old boundaries that the new reading has too, 0 to 1
	old, now    Core
	oldMM       func(Point) float64
	nowAt       func(float64) Point
}

// Tolerances of carrying: how far apart two places may be and still be the
// same boundary. Chosen: between readings of one picture a candidate moves by a
// pixel or two; a new sanding shows the same ring a little further in or out.
const (
	samePlacePx   = 4.0
	sameRingMM    = 0.12
	sameRingShare = 0.8 // of the old boundaries, for two readings to be of one core
	fewestRings   = 15  // boundaries that a pattern needs
)

// SameSpot tells whether two readings of one picture are of the same core: the
// middle of the new path lies on the old core.
func SameSpot(old, now Core) bool {
	if len(old.PathPx) < 2 || len(now.PathPx) < 2 {
		return false
	}
	r := NewRadius(now.PathPx, nil)
	mid := r.Point(r.Length() / 2)
	near := NewRadius(old.PathPx, nil).Nearest(mid)
	return math.Hypot(mid[0]-near[0], mid[1]-near[1]) < old.breadth()/2
}

// FitSpot returns the fit of two readings of one picture.
func FitSpot(old, now Core) Fit { return Fit{SamePicture: true, Share: 1, old: old, now: now} }

// FitRings finds whether two readings of different pictures are of one core,
// by the pattern of its rings: with which offset, and a stretch within a
// hundredth, most boundaries of the old reading lie on one of the new. Both
// need a scale and at least 15 boundaries.
func FitRings(old, now Core) (Fit, bool) {
	a, b := ringPlaces(old), ringPlaces(now)
	best := Fit{old: old, now: now}
	if len(a) < fewestRings || len(b) < fewestRings {
		return best, false
	}
	for _, stretch := range []float64{1, 0.9975, 1.0025, 0.995, 1.005, 0.9925, 1.0075, 0.99, 1.01} {
		for _, from := range a[:min(len(a), 8)] {
			for _, to := range b[:min(len(b), 16)] {
				offset := to - stretch*from
				if share := shareOf(a, b, offset, stretch); share > best.Share {
					best.Offset, best.Stretch, best.Share = offset, stretch, share
				}
			}
		}
	}
	best.refine(a, b)
	if best.Share < sameRingShare {
		return best, false
	}
	oldRadius, nowRadius := radiusOf(old), radiusOf(now)
	best.oldMM, best.nowAt = oldRadius.At, nowRadius.Point
	return best, true
}

// refine moves offset and stretch, between the steps of the search, to the
// straight line through the boundaries that lie within a quarter of a ring of
// each other, as long as that brings more of them together.
func (f *Fit) refine(a, b []float64) {
	for range 5 {
		var x, y []float64
		for _, at := range a {
			i := nearestTo(b, f.Offset+f.Stretch*at)
			if math.Abs(b[i]-f.Offset-f.Stretch*at) < 2*tolerance(b, i) {
				x, y = append(x, at), append(y, b[i])
			}
		}
		if len(x) < fewestRings/2 {
			return
		}
		offset, stretch := stat.LinearRegression(x, y, nil, false)
		share := shareOf(a, b, offset, stretch)
		if math.Abs(stretch-1) > 0.0125 || share < f.Share {
			return
		}
		f.Offset, f.Stretch, f.Share = offset, stretch, share
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

// shareOf returns the share of boundaries, of those in the stretch that both
// readings show, that lie on one of the other reading: the smaller of both
// ways, so that dense boundaries fit nothing by chance. The stretch must hold
// at least half of each.
func shareOf(a, b []float64, offset, stretch float64) float64 {
	moved := make([]float64, len(a))
	for i, x := range a {
		moved[i] = offset + stretch*x
	}
	return min(oneWay(moved, b), oneWay(b, moved))
}

func oneWay(a, b []float64) float64 {
	lo, hi := b[0]-sameRingMM, b[len(b)-1]+sameRingMM
	n, on := 0, 0
	for _, x := range a {
		if x < lo || x > hi {
			continue
		}
		n++
		i, _ := slices.BinarySearch(b, x)
		if i < len(b) && b[i]-x <= tolerance(b, i) || i > 0 && x-b[i-1] <= tolerance(b, i-1) {
			on++
		}
	}
	if 2*n < len(a) || n == 0 {
		return 0
	}
	return float64(on) / float64(n)
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
