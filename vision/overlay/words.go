package overlay

import (
	"fmt"
	"image"
	"math"

	"pithward/measure"
	"pithward/vision/overlay/look"
)

// placed is a note with its place; turned notes are placed ready turned.
type placed struct {
	note note
	at   image.Point
}

func (p placed) rect() image.Rectangle {
	w, h := p.note.size()
	return image.Rectangle{Min: p.at, Max: p.at.Add(image.Pt(w, h))}
}

// summary says of a core, in few words, how many rings and which years.
func summary(core measure.Core) (rings, years string) {
	n := 0
	first, last := math.MaxInt, math.MinInt
	for _, r := range core.Rings {
		partial := false
		for _, f := range r.Flags {
			partial = partial || f == measure.FlagPartial
		}
		if !partial {
			n++
		}
		if r.Year != nil {
			first, last = min(first, *r.Year), max(last, *r.Year)
		}
	}
	if len(core.Boundaries) == 0 {
		return "not measured", ""
	}
	rings = plural(n, "ring", "rings")
	if first > last {
		return rings, "undated"
	}
	return rings, fmt.Sprintf("%d\u2013%d", first, last)
}

// nameOf returns a core's id, or its position while it has none.
func nameOf(core measure.Core) string {
	if core.ID == "" {
		return fmt.Sprintf("core %d", core.Position)
	}
	return core.ID
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// nameNotes returns the ways to write a core's name and summary, best first,
// with what each costs in ems of distance.
func (c *canvas) nameNotes(f *figure) ([]note, []float64) {
	rings, years := summary(f.core)
	if n := len(f.core.Doubts); n > 0 {
		rings += ", " + plural(n, "doubt", "doubts")
	}
	all := rings
	if years != "" {
		all += ", " + years
	}
	id := word{c.face.name, nameOf(f.core)}
	text := func(s string) word { return word{c.face.plain, s} }
	one := write([]word{id, text("  " + all)})
	notes := []note{one, write([]word{id}, []word{text(all)})}
	costs := []float64{0, 0.6}
	if f.upright {
		notes, costs = append(notes, write([]word{id}, []word{text(rings)}, []word{text(years)}), one.turned()), append(costs, 0.5, 0.8)
	}
	return append(notes, write([]word{id})), append(costs, 5)
}

// placeName finds the place of a core's name near its bark end.
func (c *canvas) placeName(f *figure) (placed, bool) {
	tip, _, ok := f.tips()
	if !ok {
		return placed{}, false
	}
	notes, costs := c.nameNotes(f)
	var best placed
	cost, found := math.Inf(1), false
	for i, n := range notes {
		w, h := n.size()
		want := wish{near: tip, flush: tip[0], reach: f.breadth/2 + 9*c.em, bare: c.em * 0.14, em: c.em}
		if f.upright {
			want.flush = tip[0] - f.breadth/2
		}
		if at, k, ok := c.room.place(w, h, want); ok && k+costs[i] < cost {
			best, cost, found = placed{n, at}, k+costs[i], true
		}
	}
	return best, found
}

// leader draws a thin line from a name to its core, where they stand apart.
func (c *canvas) leader(f *figure, p placed) {
	tip, _, _ := f.tips()
	r := p.rect()
	from := measure.Point{
		max(float64(r.Min.X), min(float64(r.Max.X), tip[0])),
		max(float64(r.Min.Y), min(float64(r.Max.Y), tip[1])),
	}
	to := tip
	for i, a := range closed(f.outline) {
		if i == 0 {
			continue
		}
		b := f.outline[i-1]
		h := max(distance(b, a), 1e-9)
		u := toward(b, a)
		t := max(0, min(h, (from[0]-b[0])*u[0]+(from[1]-b[1])*u[1]))
		if q := move(b, u, t); distance(from, q) < distance(from, to) {
			to = q
		}
	}
	if d := distance(from, to); d > 1.3*c.em {
		u := toward(from, to)
		c.beside(from).stroke([]measure.Point{move(from, u, 0.2*c.em), move(to, u, -0.2*c.em)}, c.markPen())
	}
}

// sideWords places the small words round a core: its ends, its gaps, its
// years. Words without room are left out; the marks they name stay.
func (c *canvas) sideWords(f *figure, brackets []bracket) []placed {
	var out []placed
	add := func(text string, near measure.Point, reach float64, middle bool) bool {
		n := write([]word{{c.face.tiny, text}})
		w, h := n.size()
		want := wish{near: near, flush: math.NaN(), reach: reach, bare: 2, em: c.em}
		if middle {
			want.flush = near[0] - float64(w)/2
		}
		at, _, ok := c.room.place(w, h, want)
		if ok {
			p := placed{n, at}
			c.room.take(p.rect())
			out = append(out, p)
		}
		return ok
	}
	if bark, pith, ok := f.tips(); ok && f.core.BarkEnd != nil {
		reach := f.breadth/2 + 2*c.em
		add(endName("bark", f.core.BarkPresent), bark, reach, false)
		add(endName("pith", f.core.PithPresent), pith, reach, false)
	}
	for _, b := range brackets {
		if b.kind != "" {
			for _, side := range b.sides {
				if add(b.kind, between(side[1], side[2], 0.5), 1.6*c.em, !f.upright) {
					break
				}
			}
		}
	}
	for _, y := range c.yearPlaces(f) {
		_ = add(fmt.Sprint(y.year), y.upper, 0.9*c.em, !f.upright) || add(fmt.Sprint(y.year), y.lower, 0.9*c.em, !f.upright)
	}
	return out
}

func endName(name string, there bool) string {
	if there {
		return name
	}
	return name + " end"
}

type yearPlace struct {
	year         int
	upper, lower measure.Point // just outside the core's edges
}

// yearPlaces lists the years to be written and the edge of the core beside
// each: every tenth, fiftieth or hundredth year, as close as text allows.
func (c *canvas) yearPlaces(f *figure) []yearPlace {
	if len(f.boundaries) != len(f.core.Boundaries) {
		return nil
	}
	first := 1
	if c.everyYear {
		first = 0
	}
	for dots := first; dots <= 3; dots++ {
		var out []yearPlace
		for i, r := range f.core.Rings {
			if r.Year == nil || dotsOf(*r.Year) < dots || i+1 >= len(f.boundaries) {
				continue
			}
			a, b := f.boundaries[i], f.boundaries[i+1]
			out = append(out, yearPlace{*r.Year, c.outside(f, a, b), c.outside(f, a.reversed(), b.reversed())})
		}
		if dots == 3 || roomy(out, c.yearPitch(f)) {
			return out
		}
	}
	return nil
}

// outside returns the place beside the core between two boundaries, where
// their courses start.
func (c *canvas) outside(f *figure, a, b course) measure.Point {
	p, u := f.edge(a)
	q, _ := f.edge(b)
	return move(between(p, q, 0.5), u, 0.25*c.em)
}

// yearPitch is the distance at which years can be read apart.
func (c *canvas) yearPitch(f *figure) float64 {
	if f.upright {
		return 1.1 * c.em
	}
	return 2.2 * c.em
}

// roomy tells whether most neighbours are at least so far apart.
func roomy(years []yearPlace, pitch float64) bool {
	tight := 0
	for i := 1; i < len(years); i++ {
		if distance(years[i-1].upper, years[i].upper) < pitch {
			tight++
		}
	}
	return tight*4 <= len(years)
}

// drawRuler shows where the ruler was read.
func (c *canvas) drawRuler(r *measure.Ruler) {
	if r == nil {
		return
	}
	a, b := c.to(r.LinePx[0]), c.to(r.LinePx[1])
	if !sanePoint(a) || !sanePoint(b) || a == b {
		return
	}
	u := toward(a, b)
	v := measure.Point{-u[1], u[0]}
	l, p := c.beside(between(a, b, 0.5)), c.markPen()
	l.stroke([]measure.Point{a, b}, p)
	for _, end := range []measure.Point{a, b} {
		stop := max(4, c.px(look.StopLength))
		l.stroke([]measure.Point{move(end, v, -stop), move(end, v, stop)}, p)
	}
}
