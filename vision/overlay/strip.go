package overlay

import (
	"fmt"
	"image"
	"math"

	"pithward/measure"
	"pithward/vision/overlay/look"
)

// Strip returns the picture of one straightened core at full resolution: the
// strip on paper, with its boundaries and marks drawn on it, every year that
// has room above it, and an axis of mm along the path below it. img is the
// strip, wholly of wood, taken as opaque and not written to. place maps px of
// the scan to px of img; Along makes one. Without mm per px there is no axis.
func Strip(img *image.NRGBA, core measure.Core, scale measure.Scale, place func(measure.Point) measure.Point) *image.NRGBA {
	if img == nil || img.Rect.Empty() {
		img = blank()
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	em := max(16, min(34, math.Round(float64(min(w, h))/7)))
	s := sheet{
		base: img, scale: [2]float64{1, 1}, em: em, strip: true,
		m:     measure.Measurement{Cores: []measure.Core{straightened(core, w, h, place)}},
		extra: sides{int(3.2 * em), int(2.4 * em), int(3.2 * em), int(0.6 * em)},
	}
	if mm := scale.MMPerPx; mm != nil {
		s.axis = axisOf(core.PathPx, *mm, place)
		s.extra.bottom = int(2.3 * em)
	}
	s.m.Scale = measure.Scale{Source: scale.Source, MMPerPx: scale.MMPerPx, RelativeStandardUncertainty: scale.RelativeStandardUncertainty}
	s.compose()
	return s.canvas.img
}

// Along returns a map from px of the scan to px of a strip that was sampled
// along an axis: x is the length along the axis from its first point, y the
// distance from it, to the right-hand side of the walk, with the axis itself
// at row mid. Points beyond an end keep their distance from it.
func Along(axis []measure.Point, mid float64) func(measure.Point) measure.Point {
	return func(p measure.Point) measure.Point {
		var best measure.Point
		nearest, s := math.Inf(1), 0.0
		for i := 1; i < len(axis); i++ {
			a, b := axis[i-1], axis[i]
			h := distance(a, b)
			if h == 0 {
				continue
			}
			u := toward(a, b)
			x, y := p[0]-a[0], p[1]-a[1]
			t := x*u[0] + y*u[1]
			lo, hi := 0.0, h
			if i == 1 {
				lo = math.Inf(-1)
			}
			if i == len(axis)-1 {
				hi = math.Inf(1)
			}
			t = max(lo, min(hi, t))
			if d := distance(p, move(a, u, t)); d < nearest {
				side := y*u[0] - x*u[1]
				nearest, best = d, measure.Point{s + t, mid + math.Copysign(d, side)}
			}
			s += h
		}
		return best
	}
}

// straightened returns a core with its places on the strip; the strip itself
// is its outline.
func straightened(core measure.Core, w, h int, place func(measure.Point) measure.Point) measure.Core {
	line := func(l []measure.Point) []measure.Point {
		out := make([]measure.Point, len(l))
		for i, p := range l {
			out[i] = place(p)
		}
		return out
	}
	x, y := float64(w)-0.5, float64(h)-0.5
	out := core
	out.OutlinePx = []measure.Point{{-0.5, -0.5}, {x, -0.5}, {x, y}, {-0.5, y}}
	out.PathPx = line(core.PathPx)
	out.Boundaries, out.Candidates, out.Gaps, out.Obscured = nil, nil, nil, nil
	for _, b := range core.Boundaries {
		b.PointPx, b.LinePx = place(b.PointPx), cut(line(b.LinePx), w, h)
		out.Boundaries = append(out.Boundaries, b)
	}
	for _, c := range core.Candidates {
		c.PointPx = place(c.PointPx)
		out.Candidates = append(out.Candidates, c)
	}
	for _, g := range core.Gaps {
		g.FromPx, g.ToPx = place(g.FromPx), place(g.ToPx)
		out.Gaps = append(out.Gaps, g)
	}
	for _, g := range core.Obscured {
		g.FromPx, g.ToPx = place(g.FromPx), place(g.ToPx)
		out.Obscured = append(out.Obscured, g)
	}
	return out
}

// cut returns the part of a line that lies on a strip of w by h px.
func cut(line []measure.Point, w, h int) []measure.Point {
	strip := layer{w: w, h: h}
	var out []measure.Point
	for i := 1; i < len(line); i++ {
		a, b, ok := strip.clip(line[i-1], line[i], 0)
		if !ok {
			continue
		}
		if len(out) == 0 {
			out = append(out, a)
		}
		out = append(out, b)
	}
	return out
}

// axisOf returns where on the strip each whole mm along the path lies, from 0.
func axisOf(path []measure.Point, mmPerPx [2]float64, place func(measure.Point) measure.Point) []measure.Point {
	if !(mmPerPx[0] > 0) || !(mmPerPx[1] > 0) {
		return nil
	}
	var out []measure.Point
	at := 0.0
	for i := 1; i < len(path); i++ {
		a, b := path[i-1], path[i]
		h := math.Hypot((b[0]-a[0])*mmPerPx[0], (b[1]-a[1])*mmPerPx[1])
		if !(h > 0) || h > 1e5 {
			continue
		}
		for ; float64(len(out)) <= at+h; out = append(out, place(between(a, b, (float64(len(out))-at)/h))) {
		}
		at += h
	}
	return out
}

// drawAxis draws the mm axis below the strip, with a number every 10 mm, or
// every 5 where there is room.
func (c *canvas) drawAxis(axis []measure.Point, y float64) {
	every := 10
	if len(axis) > 1 && distance(axis[0], axis[1]) > 0.6*c.em {
		every = 5
	}
	p := pen{width: max(1, c.px(look.MarkWidth)), strength: 1}
	for mm, at := range axis {
		x := c.to(at)[0]
		long := 0.25
		switch {
		case mm%10 == 0:
			long = 0.6
		case mm%5 == 0:
			long = 0.42
		}
		c.onLit.stroke([]measure.Point{{x, y}, {x, y + long*c.em}}, p)
		if mm%every == 0 {
			text := fmt.Sprint(mm)
			if mm == 0 {
				text = "0 mm"
			}
			n := write([]word{{c.face.tiny, text}})
			w, _ := n.size()
			c.plain(n, int(x)-w/2, int(y+0.7*c.em), look.Ink)
		}
	}
}
