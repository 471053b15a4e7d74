// Package overlay draws what was read from a scan on the scan itself: a
// picture to check a measurement by. It is plain Go and knows pixels only as
// image.NRGBA.
//
// Text stays off the wood. On the wood lie the radius, thin, and the
// boundaries along their courses: unbroken where sure, long-dashed where
// doubtful, dotted where a candidate of notable probability was rejected.
// Where rings are so narrow that lines would hide them, lines shrink to ticks
// at the core's edges. All values of the look are in package look.
package overlay

import (
	"image"
	"math"
	"strings"

	"github.com/disintegration/imaging"

	"pithward/measure"
	"pithward/vision/overlay/look"
)

// footRows is how many rows of text under the picture Size keeps room for.
const footRows = 5

// Size returns the factor, at most 1, by which a scan of w by h px is to be
// reduced so that its overlay, margins included, is at most look.FullPx px
// wide and high. It returns 1 for a scan without pixels.
func Size(w, h int) float64 {
	if w <= 0 || h <= 0 {
		return 1
	}
	across := look.FullPx - 2*margin(look.FullEm)
	down := look.FullPx - 2*margin(look.FullEm) - footSpace(look.FullEm)
	return math.Min(1, math.Min(float64(across)/float64(w), float64(down)/float64(h)))
}

func margin(em float64) int { return int(math.Round(1.1 * em)) }

func footSpace(em float64) int { return int(footRows * 1.35 * em) }

// emFor is the size of text, px, for a picture with this longest side.
func emFor(longest int) float64 {
	em := math.Round(look.FullEm * float64(longest) / look.FullPx)
	return math.Max(look.MinEm, math.Min(look.FullEm, em))
}

// Draw returns the overlay of a measurement: base, the scan reduced by scale
// (px of base per px of the scan; 0: taken from the widths), on paper with
// the marks drawn on it and a foot below. It is at most look.FullPx px wide
// and high; base is reduced further where it must be. base is not written to
// and taken as opaque; nil is an empty scan. Whatever the measurement lacks is
// left out.
func Draw(base *image.NRGBA, scale float64, m measure.Measurement) *image.NRGBA {
	if base == nil || base.Rect.Empty() {
		base = blank()
	}
	if !(scale > 0) || math.IsInf(scale, 0) {
		scale = 1
		if m.Scan.WidthPx > 0 {
			scale = float64(base.Rect.Dx()) / float64(m.Scan.WidthPx)
		}
	}
	s := sheet{base: base, scale: scale, m: m, em: emFor(max(base.Rect.Dx(), base.Rect.Dy()))}
	s.compose()
	return s.canvas.img
}

// blank is what stands in for a picture without pixels.
func blank() *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, 600, 60))
	fill(img, img.Rect, look.Paper.NRGBA())
	return img
}

// sides are px at the four sides of a picture.
type sides struct{ left, top, right, bottom int }

func (a sides) plus(b sides) sides {
	return sides{max(a.left, b.left), max(a.top, b.top), max(a.right, b.right), max(a.bottom, b.bottom)}
}

// sheet is a picture in the making.
type sheet struct {
	base   *image.NRGBA
	scale  float64
	m      measure.Measurement
	extra  sides // margin for names that have no room on the scan
	em     float64
	strip  bool            // one core, straightened: no limit of size, every year
	axis   []measure.Point // whole mm along the strip, in px of base
	listed []string        // names without room

	canvas   *canvas
	figures  []*figure
	names    []placed // of the figure of the same number; without mask: no room
	brackets [][]bracket
	notches  [][][]measure.Point
	foot     foot
	footAt   image.Point
	axisAt   float64 // y
}

// compose lays out and draws the sheet, with more margin where names find no
// room, and with a list of names that even then have none.
func (s *sheet) compose() {
	face := newTypeface(s.em)
	for range 3 {
		short := s.layOut(face)
		if short == (sides{}) {
			break
		}
		s.extra = s.extra.plus(short)
	}
	for i, n := range s.names {
		if n.note.mask == nil {
			s.listed = append(s.listed, nameOf(s.figures[i].core))
		}
	}
	if len(s.listed) > 0 {
		s.layOut(face)
	}
	s.draw()
}

// layOut places all but what lies on the wood and returns what margin it
// lacks.
func (s *sheet) layOut(face *typeface) sides {
	em := s.em
	pad := margin(em)
	base, scale := s.fitted(pad)
	w, h := base.Rect.Dx(), base.Rect.Dy()
	left, top := pad+s.extra.left, pad+s.extra.top
	to := func(p measure.Point) measure.Point {
		return measure.Point{(p[0]+0.5)*scale - 0.5 + float64(left), (p[1]+0.5)*scale - 0.5 + float64(top)}
	}
	s.figures = s.figures[:0]
	var wood []woodArea
	for _, core := range s.m.Cores {
		f := newFigure(core, to)
		s.figures, wood = append(s.figures, f), append(wood, f.area())
	}
	total := w + left + pad + s.extra.right
	groups := [][]item{facts(face, s.m), key(face, em, s.figures)}
	if mm := s.m.Scale.MMPerPx; mm != nil && !s.strip {
		groups[0] = append(scaleBar(face, scale/mm[0], em, float64(total)), groups[0]...)
	}
	if len(s.listed) > 0 {
		list := "no room beside the wood for " + strings.Join(s.listed, ", ")
		groups = append(groups, []item{textItem(write([]word{{face.plain, list}}), look.Ink)})
	}
	s.foot = newFoot(groups, total-2*pad, em)
	s.footAt = image.Pt(pad, top+h+s.extra.bottom+pad/2)
	img := image.NewNRGBA(image.Rect(0, 0, total, s.footAt.Y+s.foot.height+pad/2))
	fill(img, img.Rect, look.Paper.NRGBA())
	paste(img, base, left, top)
	s.canvas = newCanvas(img, em, face)
	s.canvas.to, s.canvas.room, s.canvas.everyYear = to, newRoom(img, wood), s.strip
	s.axisAt = float64(top+h) + 0.3*em
	if len(s.axis) > 0 {
		s.canvas.room.take(image.Rect(0, top+h, total, s.footAt.Y))
	}
	s.canvas.room.take(image.Rect(0, s.footAt.Y, total, img.Rect.Dy()))
	return s.placeNames()
}

// fitted returns the base and its scale, reduced so that the sheet keeps to its
// limit of size.
func (s *sheet) fitted(pad int) (*image.NRGBA, float64) {
	w, h := s.base.Rect.Dx(), s.base.Rect.Dy()
	spareW := look.FullPx - 2*pad - s.extra.left - s.extra.right
	spareH := look.FullPx - 2*pad - s.extra.top - s.extra.bottom - footSpace(s.em)
	k := math.Min(float64(spareW)/float64(w), float64(spareH)/float64(h))
	if s.strip || k >= 1 {
		return s.base, s.scale
	}
	narrow := max(1, int(float64(w)*k))
	base := imaging.Resize(s.base, narrow, max(1, int(float64(h)*k)), imaging.Box)
	return base, s.scale * float64(narrow) / float64(w)
}

// placeNames finds room for the marks beside the wood and for the names, and
// returns the margin that more room would need.
func (s *sheet) placeNames() (short sides) {
	c := s.canvas
	s.names, s.brackets, s.notches = nil, nil, nil
	for _, f := range s.figures {
		b, n := c.brackets(f), c.notches(f)
		for _, mark := range b {
			c.room.take(around(mark.sides[0], 1))
			c.room.take(around(mark.sides[1], 1))
		}
		for _, mark := range n {
			c.room.take(around(mark, 1))
		}
		s.brackets, s.notches = append(s.brackets, b), append(s.notches, n)
	}
	for _, f := range s.figures {
		name, ok := c.placeName(f)
		if ok {
			c.room.take(name.rect())
		} else {
			short = short.plus(c.marginFor(f))
		}
		s.names = append(s.names, name)
	}
	return short
}

// marginFor returns the margin that would hold a core's name at its bark end.
func (c *canvas) marginFor(f *figure) sides {
	notes, _ := c.nameNotes(f)
	w, h := notes[0].size()
	switch {
	case f.upright && f.flip:
		return sides{bottom: w + int(c.em)}
	case f.upright:
		return sides{top: w + int(c.em)}
	case f.flip:
		return sides{right: w + int(c.em), bottom: h}
	}
	return sides{left: w + int(c.em), top: h}
}

// draw fills the composed sheet.
func (s *sheet) draw() {
	c := s.canvas
	var words []placed
	for i, f := range s.figures {
		words = append(words, c.sideWords(f, s.brackets[i])...)
	}
	c.drawRuler(s.m.Scale.Ruler)
	for i, f := range s.figures {
		c.drawWood(f)
		for _, b := range s.brackets[i] {
			c.drawBracket(b)
		}
		for _, n := range s.notches[i] {
			c.beside(between(n[1], n[2], 0.5)).wedge(n, c.markPen())
		}
		if s.names[i].note.mask != nil {
			c.leader(f, s.names[i])
			words = append(words, s.names[i])
		}
	}
	c.drawAxis(s.axis, s.axisAt)
	s.foot.draw(c, s.footAt.X, s.footAt.Y)
	c.finish()
	for _, w := range words {
		c.text(w.note, w.at.X, w.at.Y)
	}
}
