package vision

import (
	"math"
	"sort"

	"pithward/measure"
)

// bar is a long object on the overview: a core, several, or a mount. Lengths
// are overview px.
type bar struct {
	centre  measure.Point
	dir     measure.Point // unit vector along it, to the right or (standing) down
	length  float64
	breadth float64
	mid     []measure.Point // its midline, from left (top) to right (bottom)
	area    int
	touches bool // the picture's rim
}

func (b bar) upright() bool { return math.Abs(b.dir[1]) > math.Abs(b.dir[0]) }

// along returns a place's coordinates in the bar's frame: along it from the
// centre, and across (to the right of dir as displayed).
func (b bar) along(p measure.Point) (u, v float64) {
	x, y := p[0]-b.centre[0], p[1]-b.centre[1]
	return x*b.dir[0] + y*b.dir[1], -x*b.dir[1] + y*b.dir[0]
}

// place is the inverse of along.
func (b bar) place(u, v float64) measure.Point {
	return measure.Point{b.centre[0] + u*b.dir[0] - v*b.dir[1], b.centre[1] + u*b.dir[1] + v*b.dir[0]}
}

// barOf measures the pixels of one blob: principal axis from second moments,
// breadth as the median across it, midline as the median of both rims.
func barOf(labels []int32, w int, b blob) bar {
	var n, sx, sy, sxx, sxy, syy float64
	each := func(do func(x, y int)) {
		for y := b.box.Min.Y; y < b.box.Max.Y; y++ {
			for x := b.box.Min.X; x < b.box.Max.X; x++ {
				if labels[y*w+x] == b.label {
					do(x, y)
				}
			}
		}
	}
	each(func(x, y int) {
		fx, fy := float64(x-b.box.Min.X), float64(y-b.box.Min.Y)
		n++
		sx, sy = sx+fx, sy+fy
		sxx, sxy, syy = sxx+fx*fx, sxy+fx*fy, syy+fy*fy
	})
	mx, my := sx/n, sy/n
	cxx, cxy, cyy := sxx/n-mx*mx, sxy/n-mx*my, syy/n-my*my
	theta := 0.5 * math.Atan2(2*cxy, cxx-cyy)
	dir := measure.Point{math.Cos(theta), math.Sin(theta)}
	if math.Abs(dir[0]) >= math.Abs(dir[1]) && dir[0] < 0 || math.Abs(dir[0]) < math.Abs(dir[1]) && dir[1] < 0 {
		dir = measure.Point{-dir[0], -dir[1]}
	}
	out := bar{centre: measure.Point{mx + float64(b.box.Min.X), my + float64(b.box.Min.Y)}, dir: dir, area: b.area}

	const none = math.MaxFloat64
	reach := int(math.Hypot(float64(b.box.Dx()), float64(b.box.Dy()))) + 2
	lo, hi := make([]float64, 2*reach), make([]float64, 2*reach)
	for i := range lo {
		lo[i], hi[i] = none, -none
	}
	each(func(x, y int) {
		u, v := out.along(measure.Point{float64(x), float64(y)})
		i := int(math.Round(u)) + reach
		lo[i], hi[i] = math.Min(lo[i], v), math.Max(hi[i], v)
	})
	out.trace(lo, hi, float64(reach), none)
	return out
}

// trace sets length, breadth and midline from the rims at each step along.
func (b *bar) trace(lo, hi []float64, reach, none float64) {
	var us, breadths []float64
	for i := range lo {
		if lo[i] != none {
			us = append(us, float64(i)-reach)
			breadths = append(breadths, hi[i]-lo[i]+1)
		}
	}
	first, last := us[0], us[len(us)-1]
	b.length = last - first + 1
	b.breadth = median(append([]float64(nil), breadths...))
	// Re-centre along, so that the frame's zero lies halfway.
	knot := math.Max(6, b.breadth)
	n := max(2, int(math.Round(b.length/knot))+1)
	for k := range n {
		at := first + (last-first)*float64(k)/float64(n-1)
		var mids []float64
		for u := at - knot; u <= at+knot; u++ {
			i := int(math.Round(u + reach))
			if i >= 0 && i < len(lo) && lo[i] != none && hi[i]-lo[i]+1 > 0.5*b.breadth && hi[i]-lo[i]+1 < 1.6*b.breadth {
				mids = append(mids, (lo[i]+hi[i])/2)
			}
		}
		if len(mids) > 0 {
			b.mid = append(b.mid, b.place(at, median(mids)))
		}
	}
	if len(b.mid) < 2 {
		b.mid = []measure.Point{b.place(first, 0), b.place(last, 0)}
	}
}

// findBars returns the long objects that stand out from the ground, with the
// pieces of a broken core joined. Thin marks are removed first.
func findBars(t tint, g ground, avoid mask) ([]bar, error) {
	stands := newMask(t.w, t.h)
	for y := range t.h {
		for x := range t.w {
			if i := y*t.w + x; avoid.on[i] == 0 && g.distance(t, x, y) > standsOut {
				stands.on[i] = 255
			}
		}
	}
	stroke := max(3, max(t.w, t.h)/300)
	stands, err := stands.closed(3, 3)
	if err != nil {
		return nil, err
	}
	if stands, err = stands.opened(stroke, stroke); err != nil {
		return nil, err
	}
	labels, found, err := stands.blobs(4 * stroke * stroke)
	if err != nil {
		return nil, err
	}
	bars := make([]bar, 0, len(found))
	for _, b := range found {
		bars = append(bars, barOf(labels, t.w, b))
	}
	bars = joinPieces(bars)
	out := bars[:0]
	for _, b := range bars {
		if b.length > 3*b.breadth {
			out = append(out, b)
		}
	}
	return out, nil
}

// standsOut is the number of spreads off the ground from which a pixel is
// part of an object (chosen; the spread has a floor).
const standsOut = 5

// joinPieces joins bars that lie in one line end to end.
func joinPieces(bars []bar) []bar {
	sort.SliceStable(bars, func(i, j int) bool { return bars[i].length > bars[j].length })
	for joined := true; joined; {
		joined = false
		for i := 0; i < len(bars) && !joined; i++ {
			for j := i + 1; j < len(bars); j++ {
				if bars[i].continues(bars[j]) {
					bars[i] = bars[i].with(bars[j])
					bars = append(bars[:j], bars[j+1:]...)
					joined = true
					break
				}
			}
		}
	}
	return bars
}

// continues tells whether c, the shorter, is a piece of the same core: about
// as broad, in b's line, and not far.
func (b bar) continues(c bar) bool {
	if b.length < 2*b.breadth {
		return false
	}
	// The shorter side of a stub says nothing; its extent across b does.
	lo, hi, near, far := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, p := range append([]measure.Point{c.place(-c.length/2, 0), c.place(c.length/2, 0), c.place(0, -c.breadth/2), c.place(0, c.breadth/2)}, c.mid...) {
		u, v := b.along(p)
		near, far = math.Min(near, u), math.Max(far, u)
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	thick := c.breadth
	if c.length < 1.5*c.breadth {
		thick = hi - lo
	}
	if thick < 0.7*b.breadth || thick > 1.4*b.breadth {
		return false
	}
	bn, _ := b.along(b.mid[0])
	bf, _ := b.along(b.mid[len(b.mid)-1])
	gap, end, prev := 0.0, 0, 1
	switch {
	case near > bf-b.breadth:
		gap, end, prev = near-bf, len(b.mid)-1, len(b.mid)-2
	case far < bn+b.breadth:
		gap = bn - far
	default:
		return false
	}
	if gap > 2.5*b.breadth {
		return false
	}
	// b's own end direction carried on to c's centre.
	u0, v0 := b.along(b.mid[end])
	u1, v1 := b.along(b.mid[prev])
	uc, vc := b.along(c.centre)
	slope := 0.0
	if u0 != u1 {
		slope = (v0 - v1) / (u0 - u1)
	}
	slope = math.Max(-0.05, math.Min(0.05, slope))
	return math.Abs(vc-(v0+slope*(uc-u0))) < 0.6*b.breadth
}

// with returns b lengthened by c.
func (b bar) with(c bar) bar {
	mid := append([]measure.Point{}, b.mid...)
	if c.length < 1.5*c.breadth { // a stub has no direction of its own
		u, _ := b.along(c.centre)
		_, v := b.along(c.centre)
		mid = append(mid, b.place(u-c.area2()/2, v), b.place(u+c.area2()/2, v))
	} else {
		mid = append(mid, c.mid...)
	}
	sort.SliceStable(mid, func(i, j int) bool {
		ui, _ := b.along(mid[i])
		uj, _ := b.along(mid[j])
		return ui < uj
	})
	out := b
	out.mid, out.area = mid, b.area+c.area
	first, _ := b.along(mid[0])
	last, _ := b.along(mid[len(mid)-1])
	out.length = last - first
	return out
}

// area2 is a stub's extent along the bar it continues, from its area.
func (b bar) area2() float64 { return float64(b.area) / b.breadth }
