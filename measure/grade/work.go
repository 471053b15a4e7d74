package grade

import (
	"math"
	"slices"

	"pithward/measure"
	"pithward/measure/archive"
)

// FromSeries makes a work of a series of an archive file, which runs from the
// oldest ring to the youngest. Unmeasured rings at its ends are left out.
func FromSeries(s archive.Series) Work {
	s = s.Trim()
	w := Work{Name: s.ID, Rings: make([]Ring, len(s.Widths))}
	for i, width := range slices.Backward(s.Widths) {
		r := Ring{WidthMM: Unmeasured}
		if width.Measured() {
			r.WidthMM = float64(width)
		}
		if !s.Floating {
			year := s.FirstYear + i
			r.Year = &year
		}
		w.Rings[len(s.Widths)-1-i] = r
	}
	return w
}

// FromCore makes a work of a core of a measured scan, as it was read or as an
// observer has it.
func FromCore(scan measure.Scan, scale measure.Scale, c measure.Core) Work {
	w := Work{Name: c.ID}
	p := &Places{Scan: scan.SHA256, PathPx: c.PathPx, MMPerPx: scale.MMPerPx, Gaps: c.Gaps, BreadthPx: breadth(c)}
	absent := map[int][]measure.Absent{}
	for _, a := range c.Absent {
		absent[a.AfterIndex] = append(absent[a.AfterIndex], a)
	}
	for i, r := range c.Rings {
		if i+1 >= len(c.Boundaries) {
			break
		}
		if slices.Contains(r.Flags, measure.FlagPartial) {
			continue
		}
		if len(p.Bounds) == 0 {
			p.Bounds = append(p.Bounds, bound(c.Boundaries[i]))
		}
		p.Bounds = append(p.Bounds, bound(c.Boundaries[i+1]))
		width := Unmeasured
		if r.WidthMM != nil && *r.WidthMM > 0 {
			width = *r.WidthMM
		}
		w.Rings = append(w.Rings, Ring{width, r.Year})
		for _, a := range absent[r.Index] {
			w.Rings = append(w.Rings, Ring{0, a.Year})
		}
	}
	w.Places = p
	return w
}

func bound(b measure.Boundary) Bound { return Bound{b.PointPx, b.LinePx, b.TiltDeg} }

// FromPlaces makes a work of boundaries that a student set on the scan of a key,
// from bark to pith, along pathPx (nil: straight from one to the next). outer
// is the year of the outermost complete ring, nil if the student gave none; absent
// holds, for each absent ring, the number of rings outside it.
func FromPlaces(name string, key Work, pathPx []measure.Point, bounds []Bound, outer *int, absent []int) Work {
	w := Work{Name: name, Places: &Places{Bounds: bounds, PathPx: pathPx}}
	if key.Places != nil {
		w.Places.Scan, w.Places.MMPerPx = key.Places.Scan, key.Places.MMPerPx
	}
	if len(pathPx) < 2 {
		w.Places.PathPx = nil
		for _, b := range bounds {
			w.Places.PathPx = append(w.Places.PathPx, b.PointPx)
		}
	}
	radius := measure.NewRadius(w.Places.PathPx, w.Places.MMPerPx)
	add := func(width float64) {
		r := Ring{WidthMM: width}
		if outer != nil {
			year := *outer - len(w.Rings)
			r.Year = &year
		}
		w.Rings = append(w.Rings, r)
	}
	for i := 0; i+1 < len(bounds); i++ {
		tilt := (bounds[i].TiltDeg + bounds[i+1].TiltDeg) / 2
		add(math.Max(1e-6, math.Abs(radius.At(bounds[i+1].PointPx)-radius.At(bounds[i].PointPx))*math.Cos(tilt*math.Pi/180)))
		for _, a := range absent {
			if a == i+1 {
				add(0)
			}
		}
	}
	return w
}

// breadth is the core's breadth in px: twice the median distance of its outline
// from the path; 0 without an outline.
func breadth(c measure.Core) float64 {
	if len(c.OutlinePx) == 0 || len(c.PathPx) < 2 {
		return 0
	}
	r := measure.NewRadius(c.PathPx, nil)
	var d []float64
	for _, p := range c.OutlinePx {
		q := r.Nearest(p)
		d = append(d, math.Hypot(p[0]-q[0], p[1]-q[1]))
	}
	slices.Sort(d)
	return 2 * d[len(d)/2]
}

// Limits of what can be a width, mm, and a place on a scan, px: chosen, far
// beyond any wood and any scan that is read.
const (
	mostWidth = 1e5
	mostPx    = 1 << 21
)

// absurd tells whether a width or place cannot be one.
func (w Work) absurd() bool {
	beyond := func(p measure.Point) bool { return !(math.Abs(p[0]) <= mostPx && math.Abs(p[1]) <= mostPx) }
	for _, r := range w.Rings {
		if !(r.WidthMM <= mostWidth) {
			return true
		}
	}
	if w.Places == nil {
		return false
	}
	return slices.ContainsFunc(w.Places.Bounds, func(b Bound) bool { return beyond(b.PointPx) || slices.ContainsFunc(b.LinePx, beyond) }) ||
		slices.ContainsFunc(w.Places.PathPx, beyond)
}

// standing returns the indices of the rings that grew wood.
func (w Work) standing() []int {
	var out []int
	for i, r := range w.Rings {
		if !r.absent() {
			out = append(out, i)
		}
	}
	return out
}

// flipped returns the work with its rings the other way round.
func (w Work) flipped() Work {
	w.Rings = slices.Clone(w.Rings)
	years := make([]*int, len(w.Rings))
	for i, r := range w.Rings {
		years[i] = r.Year // the years stay where they are: they count from the bark
	}
	slices.Reverse(w.Rings)
	for i := range w.Rings {
		w.Rings[i].Year = years[i]
	}
	if w.Places != nil {
		p := *w.Places
		p.Bounds = slices.Clone(p.Bounds)
		slices.Reverse(p.Bounds)
		w.Places = &p
	}
	return w
}

// scaled returns the work with its widths divided by a factor.
func (w Work) scaled(factor float64) Work {
	w.Rings = slices.Clone(w.Rings)
	for i := range w.Rings {
		if w.Rings[i].WidthMM > 0 {
			w.Rings[i].WidthMM /= factor
		}
	}
	return w
}

// dated tells whether the work has years.
func (w Work) dated() bool {
	return len(w.Rings) > 0 && slices.ContainsFunc(w.Rings, func(r Ring) bool { return r.Year != nil })
}

// undate takes years away that only count from the innermost ring, 1, as files
// of undated series have them, unless the key's are so old themselves.
func (w Work) undate(key Work) Work {
	first, last := years(w)
	from, to := years(key)
	if first == nil || *first != 1 || from != nil && *last >= *from && *first <= *to {
		return w
	}
	return w.undated()
}

// undated returns the work without years.
func (w Work) undated() Work {
	w.Rings = slices.Clone(w.Rings)
	for i := range w.Rings {
		w.Rings[i].Year = nil
	}
	return w
}

// years returns the oldest and youngest year of a work, nil without years.
func years(w Work) (first, last *int) {
	for _, r := range w.Rings {
		if r.Year == nil {
			continue
		}
		if first == nil || *r.Year < *first {
			first = r.Year
		}
		if last == nil || *r.Year > *last {
			last = r.Year
		}
	}
	return first, last
}
