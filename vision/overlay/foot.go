package overlay

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"pithward/measure"
	"pithward/vision/overlay/look"
)

// item is one thing in the foot of a picture: it knows its size and draws
// itself on paper with its upper left corner at a place.
type item struct {
	w, h int
	draw func(c *canvas, x, y int)
}

// foot is the text under a picture: facts first, then the key to the lines.
type foot struct {
	rows   [][]item
	gap    int // between items
	line   int // height of a row
	height int
}

// newFoot breaks the groups of items into rows no wider than width.
func newFoot(groups [][]item, width int, em float64) foot {
	f := foot{gap: int(1.1 * em), line: footSpace(em, 1)}
	for _, group := range groups {
		var row []item
		used := 0
		for _, it := range group {
			if len(row) > 0 && used+f.gap+it.w > width {
				f.rows, row, used = append(f.rows, row), nil, 0
			}
			if len(row) > 0 {
				used += f.gap
			}
			row, used = append(row, it), used+it.w
		}
		if len(row) > 0 {
			f.rows = append(f.rows, row)
		}
	}
	f.height = f.line * len(f.rows)
	return f
}

func (f foot) draw(c *canvas, x, y int) {
	for i, row := range f.rows {
		at := x
		for _, it := range row {
			it.draw(c, at, y+i*f.line+(f.line-it.h)/2)
			at += it.w + f.gap
		}
	}
}

func textItem(n note, colour look.Colour) item {
	w, h := n.size()
	return item{w, h, func(c *canvas, x, y int) { c.plain(n, x, y, colour) }}
}

// facts are the scan's name, what was found on it, and the scale.
func facts(t *typeface, m measure.Measurement) []item {
	var rings, doubts int
	for _, core := range m.Cores {
		for _, r := range core.Rings {
			if !has(r.Flags, measure.FlagPartial) {
				rings++
			}
		}
		doubts += len(core.Doubts)
	}
	counts := plural(len(m.Cores), "core", "cores") + ", " + plural(rings, "ring", "rings")
	if len(m.Cores) == 0 {
		counts = "no cores"
	}
	items := []item{}
	if m.Scan.File != "" {
		items = append(items, textItem(write([]word{{t.strong, filepath.Base(m.Scan.File)}}), look.Ink))
	}
	open := plural(doubts, "doubt", "doubts") + " to settle"
	if doubts == 0 {
		open = "no doubts"
	}
	items = append(items,
		textItem(write([]word{{t.plain, counts}}), look.Ink),
		textItem(write([]word{{t.strong, open}}), look.Ink))
	for _, s := range scaleWords(m.Scale) {
		items = append(items, textItem(write([]word{{t.plain, s}}), look.Ink))
	}
	return items
}

func has(flags []string, flag string) bool {
	for _, f := range flags {
		if f == flag {
			return true
		}
	}
	return false
}

// scaleWords says what the scale is, where it came from, how sure it is, and
// what speaks against it.
func scaleWords(s measure.Scale) []string {
	ruler := ""
	if s.Ruler != nil {
		ruler = fmt.Sprintf("ruler: %s, %s", s.Ruler.Unit, plural(s.Ruler.Ticks, "tick", "ticks"))
	}
	if s.MMPerPx == nil {
		if ruler != "" {
			return []string{"no scale: widths in px", ruler}
		}
		return []string{"no scale: widths in px"}
	}
	from := map[measure.ScaleSource]string{
		measure.ScaleGiven: " as given", measure.ScaleRuler: " from the ruler", measure.ScaleTag: " from the resolution tag",
	}[s.Source]
	x, y := fmt.Sprintf("%.5g", s.MMPerPx[0]), fmt.Sprintf("%.5g", s.MMPerPx[1])
	size := x + " mm/px"
	if x != y {
		size = "x " + x + ", y " + y + " mm/px"
	}
	if u := s.RelativeStandardUncertainty; u != nil {
		size += fmt.Sprintf(" \u00b1 %.2g %%", 100**u)
	}
	words := []string{size + from}
	if ruler != "" {
		words = append(words, ruler)
	}
	var against []string
	for _, c := range s.Checks {
		if !c.OK {
			against = append(against, c.Name)
		}
	}
	if len(against) > 0 {
		words = append(words, "scale disagrees with: "+strings.Join(against, ", "))
	}
	return words
}

// scaleBar is a bar of 10 mm, or the nearest decade that fits; nil without a
// scale. pxPerMM is of the picture.
func scaleBar(t *typeface, pxPerMM, em, width float64) []item {
	if !(pxPerMM > 0) || math.IsInf(pxPerMM, 0) {
		return nil
	}
	mm := 10.0
	for mm*pxPerMM > width/2 && mm > 0.01 {
		mm /= 10
	}
	for mm*pxPerMM < em && mm < 1e6 {
		mm *= 10
	}
	long := mm * pxPerMM
	text := write([]word{{t.plain, fmt.Sprintf("%g mm", mm)}})
	tw, th := text.size()
	lead := int(em * 0.5)
	draw := func(c *canvas, x, y int) {
		p := pen{width: max(1.2, c.px(look.LineWidth)), strength: 1}
		mid := float64(y) + float64(th)/2
		a, b := measure.Point{float64(x), mid}, measure.Point{float64(x) + long, mid}
		c.onLit.stroke([]measure.Point{a, b}, p)
		for _, e := range []measure.Point{a, b} {
			c.onLit.stroke([]measure.Point{{e[0], mid - 0.22*em}, {e[0], mid + 0.22*em}}, p)
		}
		c.plain(text, x+int(long)+lead, y, look.Ink)
	}
	return []item{{int(long) + lead + tw, th, draw}}
}

// key explains the line styles that a picture always has, and the marks that
// this one has.
func key(t *typeface, em float64, figures []*figure) []item {
	uses := usesOf(figures)
	line := func(style func(c *canvas, p pen) pen) func(c *canvas, x, y, w float64) {
		return func(c *canvas, x, y, w float64) {
			p := style(c, pen{width: max(1.2, c.px(look.LineWidth)), strength: 1})
			c.onLit.stroke([]measure.Point{{x, y}, {x + w, y}}, p)
		}
	}
	wide := 2.3 * em
	items := []item{
		keyItem(t, em, wide, fmt.Sprintf("boundary, sure (%g and over)", look.Sure), line(func(_ *canvas, p pen) pen { return p })),
		keyItem(t, em, wide, "doubtful", line(func(c *canvas, p pen) pen {
			return p.dashed(max(5, c.px(look.DashOn)), max(3.5, c.px(look.DashOff)))
		})),
		keyItem(t, em, wide, fmt.Sprintf("rejected (%g and over)", look.Notable), line(func(c *canvas, p pen) pen {
			p.width *= 1.25
			return p.dashed(look.DotOn, max(2.6, c.px(look.DotOff)))
		})),
		keyItem(t, em, wide, "radius", line(func(c *canvas, p pen) pen {
			return pen{width: max(0.8, c.px(look.PathWidth)), strength: look.PathStrength}
		})),
	}
	if uses.person {
		items = append(items, keyItem(t, em, 0.6*em, "settled by a person", drawKeyNotch))
	}
	if uses.gap {
		items = append(items, keyItem(t, em, 1.2*em, "gap", func(c *canvas, x, y, w float64) { drawKeyBracket(c, x, y, w, true) }))
	}
	if uses.lost {
		items = append(items, keyItem(t, em, 0.7*em, "wood lost", func(c *canvas, x, y, w float64) {
			p, r := pen{width: max(1, c.px(look.MarkWidth)), strength: 1}, max(3, c.px(5))
			c.onLit.stroke([]measure.Point{{x + w/2 - r, y - r}, {x + w/2 + r, y + r}}, p)
			c.onLit.stroke([]measure.Point{{x + w/2 - r, y + r}, {x + w/2 + r, y - r}}, p)
		}))
	}
	if uses.obscured {
		items = append(items, keyItem(t, em, 1.2*em, "obscured", func(c *canvas, x, y, w float64) { drawKeyBracket(c, x, y, w, false) }))
	}
	if uses.dots {
		items = append(items, keyItem(t, em, 1.6*em, "decade, fiftieth, hundredth year", drawKeyDots))
	}
	if uses.ticks {
		items = append(items, keyItem(t, em, 0.9*em, "narrow rings: ticks at the edges", drawKeyTicks))
	}
	return items
}

// keyItem is a sample and what it means.
func keyItem(t *typeface, em, wide float64, text string, sample func(c *canvas, x, y, w float64)) item {
	n := write([]word{{t.plain, text}})
	w, h := n.size()
	lead := wide + 0.4*em
	return item{int(lead) + w, h, func(c *canvas, x, y int) {
		sample(c, float64(x), float64(y)+float64(h)/2, wide)
		c.plain(n, x+int(lead), y, look.Quiet)
	}}
}

func drawKeyNotch(c *canvas, x, y, w float64) {
	mid, r := x+w/2, w/2
	p := pen{width: max(1.2, c.px(look.LineWidth)), strength: 1}
	c.onLit.stroke([]measure.Point{{mid, y}, {mid, y + 1.2*r}}, p)
	c.onLit.wedge([]measure.Point{{mid, y - 0.1*r}, {mid - 0.55*r, y - 1.2*r}, {mid + 0.55*r, y - 1.2*r}}, p)
}

func drawKeyBracket(c *canvas, x, y, w float64, gap bool) {
	p := pen{width: max(1, c.px(look.MarkWidth)), strength: 1}
	side := []measure.Point{{x, y + w/5}, {x, y - w/8}, {x + w, y - w/8}, {x + w, y + w/5}}
	if gap {
		c.onLit.stroke(side, p)
		return
	}
	c.onLit.stroke(side[1:3], c.doubtDash(p, side[1:3]))
	for k := 0.0; k < 4; k++ {
		c.onLit.stroke([]measure.Point{{x + k*w/4, y + w/4}, {x + (k+1)*w/4, y}}, p)
	}
}

func drawKeyDots(c *canvas, x, y, w float64) {
	r := max(1.3, 0.8*c.px(look.DotRadius))
	for n := 1; n <= 3; n++ {
		for k := range n {
			at := measure.Point{x + float64(n-1)*w*0.4 + r, y + (float64(k)-float64(n-1)/2)*2.9*r}
			c.onLit.stroke([]measure.Point{at}, pen{width: 2 * r, strength: 1})
		}
	}
}

func drawKeyTicks(c *canvas, x, y, w float64) {
	p := pen{width: max(0.9, c.px(look.ThinWidth)), strength: 1}
	for k := 0.0; k < 5; k++ {
		at := x + k*w/4
		c.onLit.stroke([]measure.Point{{at, y - w/2.4}, {at, y - w/6}}, p)
		c.onLit.stroke([]measure.Point{{at, y + w/6}, {at, y + w/2.4}}, p)
	}
}

// uses are the marks a picture has and its key must explain.
type uses struct{ person, gap, lost, obscured, dots, ticks bool }

func usesOf(figures []*figure) (u uses) {
	for _, f := range figures {
		u.obscured = u.obscured || len(f.core.Obscured) > 0
		for _, g := range f.core.Gaps {
			u.gap, u.lost = true, u.lost || g.Kind == measure.Lost
		}
		for _, b := range f.boundaries {
			u.person, u.ticks = u.person || b.person, u.ticks || b.crowd < look.CrowdedPx
		}
		for _, r := range f.core.Rings {
			u.dots = u.dots || r.Year != nil && dotsOf(*r.Year) > 0
		}
	}
	return u
}
