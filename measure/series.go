package measure

import "math"

// Radius gives the lengths along a core's path in mm: what widths are taken
// from. Without scale its numbers are px and Known is false.
type Radius struct {
	Path    []Point    // from bark to pith, px
	MMPerPx [2]float64 // x, y; 1, 1 without scale
	Known   bool
	along   []float64 // mm at each vertex
}

// NewRadius measures a path. mmPerPx is nil where there is no scale.
func NewRadius(path []Point, mmPerPx *[2]float64) *Radius {
	r := &Radius{Path: path, MMPerPx: [2]float64{1, 1}}
	if mmPerPx != nil {
		r.MMPerPx, r.Known = *mmPerPx, true
	}
	r.along = make([]float64, len(path))
	for i := 1; i < len(path); i++ {
		r.along[i] = r.along[i-1] + r.distance(path[i-1], path[i])
	}
	return r
}

func (r *Radius) distance(a, b Point) float64 {
	return math.Hypot((b[0]-a[0])*r.MMPerPx[0], (b[1]-a[1])*r.MMPerPx[1])
}

// Length returns the length of the whole path.
func (r *Radius) Length() float64 {
	if len(r.along) == 0 {
		return 0
	}
	return r.along[len(r.along)-1]
}

// At returns the length along the path up to the point of the path nearest
// to p.
func (r *Radius) At(p Point) float64 {
	best, at := math.Inf(1), 0.0
	for i := 1; i < len(r.Path); i++ {
		a, b := r.Path[i-1], r.Path[i]
		dx, dy := (b[0]-a[0])*r.MMPerPx[0], (b[1]-a[1])*r.MMPerPx[1]
		px, py := (p[0]-a[0])*r.MMPerPx[0], (p[1]-a[1])*r.MMPerPx[1]
		l2 := dx*dx + dy*dy
		if l2 == 0 {
			continue
		}
		f := math.Max(0, math.Min(1, (px*dx+py*dy)/l2))
		if d := math.Hypot(px-f*dx, py-f*dy); d < best {
			best, at = d, r.along[i-1]+f*math.Sqrt(l2)
		}
	}
	return at
}

// MakeRings fills the rings of a core from its boundaries, gaps and obscured
// stretches: one ring for each successive pair. The index counts from the
// outermost complete ring, 1; a partial outermost ring has index 0.
//
// A width is the length along the path, less the openings of cracks and
// breaks, times the cosine of the mean tilt of the two boundaries. Its
// standard uncertainty follows the law of propagation (JCGM 100:2008, eq. 13)
// from both boundaries' positions, the scale and the tilt.
func (c *Core) MakeRings(scale Scale, partial bool) {
	c.Rings = []Ring{}
	for i := 0; i+1 < len(c.Boundaries); i++ {
		ring := Ring{Index: i + 1, Flags: []string{}}
		if partial {
			ring.Index = i
			if i == 0 {
				ring.Flags = append(ring.Flags, FlagPartial)
			}
		}
		c.measureRing(&ring, c.Boundaries[i], c.Boundaries[i+1], scale)
		c.Rings = append(c.Rings, ring)
	}
}

// tiltUncertainty is the standard uncertainty of a boundary's tilt, degrees:
// chosen; the course is followed to about two px across the breadth.
const tiltUncertainty = 1.0

func (c *Core) measureRing(ring *Ring, a, b Boundary, scale Scale) {
	for _, g := range c.Gaps {
		if c.overlaps(g, a, b) {
			ring.Flags = appendOnce(ring.Flags, FlagBroken)
		}
	}
	for _, o := range c.Obscured {
		if c.overlaps(o, a, b) {
			ring.Flags = appendOnce(ring.Flags, FlagObscured)
		}
	}
	if a.AtMM == nil || b.AtMM == nil || scale.MMPerPx == nil {
		return
	}
	length := *b.AtMM - *a.AtMM
	for _, g := range c.Gaps {
		if g.Kind != Lost {
			length -= math.Max(0, math.Min(*b.AtMM, *g.ToMM)-math.Max(*a.AtMM, *g.FromMM))
		} else if c.overlaps(g, a, b) {
			return // wood is missing: no width
		}
	}
	var ua, ub, us, correlation float64
	if a.StandardUncertaintyMM != nil && b.StandardUncertaintyMM != nil {
		ua, ub = *a.StandardUncertaintyMM, *b.StandardUncertaintyMM
		if ua > 0 && ub > 0 {
			correlation = math.Min(1, a.SharedUncertaintyMM*b.SharedUncertaintyMM/(ua*ub))
		}
	}
	if scale.RelativeStandardUncertainty != nil {
		us = *scale.RelativeStandardUncertainty
	}
	width, u := Width(math.Max(0, length), (a.TiltDeg+b.TiltDeg)/2, ua, ub, correlation, us, tiltUncertainty/math.Sqrt2)
	ring.WidthMM, ring.StandardUncertaintyMM = &width, &u
}

// Width returns a ring's width in mm and its standard uncertainty, from its
// length along the path (mm, openings taken off), the mean tilt of its
// boundaries (degrees), the standard uncertainties of both boundaries' places
// (mm) and their correlation, of the scale (relative) and of the mean tilt
// (degrees): the law of propagation for w = length x cos(tilt) (JCGM 100:2008,
// eq. 13).
func Width(lengthMM, tiltDeg, uOuterMM, uInnerMM, correlation, uScale, uTiltDeg float64) (width, u float64) {
	const rad = math.Pi / 180
	sin, cos := math.Sincos(tiltDeg * rad)
	width = lengthMM * cos
	u = math.Sqrt(cos*cos*(uOuterMM*uOuterMM+uInnerMM*uInnerMM-2*correlation*uOuterMM*uInnerMM) + width*width*uScale*uScale +
		lengthMM*lengthMM*sin*sin*uTiltDeg*uTiltDeg*rad*rad)
	return width, u
}

// overlaps tells whether a stretch and the ring between two boundaries share
// wood: by mm, or along the path in px where there is no scale.
func (c *Core) overlaps(s Stretch, a, b Boundary) bool {
	if s.FromMM != nil && s.ToMM != nil && a.AtMM != nil && b.AtMM != nil {
		return *s.ToMM >= *a.AtMM && *s.FromMM <= *b.AtMM
	}
	if len(c.PathPx) < 2 {
		return false
	}
	px := NewRadius(c.PathPx, nil)
	return px.At(s.ToPx) >= px.At(a.PointPx) && px.At(s.FromPx) <= px.At(b.PointPx)
}

func appendOnce(list []string, s string) []string {
	for _, have := range list {
		if have == s {
			return list
		}
	}
	return append(list, s)
}
