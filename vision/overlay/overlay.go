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

	"github.com/disintegration/imaging"

	"pithward/measure"
	"pithward/vision/overlay/look"
	"pithward/vision/raster"
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
	down := look.FullPx - 2*margin(look.FullEm) - footSpace(look.FullEm, footRows)
	return min(1, min(float64(across)/float64(w), float64(down)/float64(h)))
}

func margin(em float64) int { return int(math.Round(1.1 * em)) }

func footSpace(em float64, rows int) int { return int(1.35*em) * rows }

// emFor is the size of text, px, for a picture with this longest side.
func emFor(longest int) float64 {
	em := math.Round(look.FullEm * float64(longest) / look.FullPx)
	return max(look.MinEm, min(look.FullEm, em))
}

// Draw returns the overlay of a measurement: base, the scan reduced by scale
// (px of base per px of the scan; 0: taken from their sizes), on paper with
// the marks drawn on it and a foot below. It is at most look.FullPx px wide
// and high; base is reduced further where it must be. base is not written to
// and taken as opaque; nil is an empty scan. Whatever the measurement lacks is
// left out.
func Draw(base *image.NRGBA, scale float64, m measure.Measurement) *image.NRGBA {
	if base == nil || base.Rect.Empty() {
		base = blank()
	}
	both := [2]float64{scale, scale}
	if !(scale > 0) || math.IsInf(scale, 0) {
		both = [2]float64{1, 1}
		if m.Scan.WidthPx > 0 && m.Scan.HeightPx > 0 {
			both[0] = float64(base.Rect.Dx()) / float64(m.Scan.WidthPx)
			both[1] = float64(base.Rect.Dy()) / float64(m.Scan.HeightPx)
		}
	}
	s := sheet{base: base, scale: both, m: m, em: emFor(max(base.Rect.Dx(), base.Rect.Dy()))}
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

func (a sides) within(most int) sides {
	return sides{min(a.left, most), min(a.top, most), min(a.right, most), min(a.bottom, most)}
}

// sheet is a picture in the making.
type sheet struct {
	base   *image.NRGBA
	scale  [2]float64 // px of base per px of the scan, x and y
	m      measure.Measurement
	extra  sides // margin for names that have no room on the scan
	em     float64
	strip  bool            // one core, straightened: no limit of size, every year
	axis   []measure.Point // whole mm along the strip, in px of base
	listed []string        // names without room

	to       func(measure.Point) measure.Point // from px of the scan to px of the picture
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
		s.extra = s.extra.plus(short).within(look.FullPx / 4)
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
	pad := margin(s.em)
	left, top := pad+s.extra.left, pad+s.extra.top
	w, h := s.frame(face, left, top)
	total := s.width(w)
	s.footAt = image.Pt(pad, top+h+s.extra.bottom+pad/2)
	base := s.base
	if w != base.Rect.Dx() || h != base.Rect.Dy() {
		base = imaging.Resize(base, w, h, imaging.Box)
	}
	img := onPaper(total, s.footAt.Y+s.foot.height+pad/2, base, left, top)
	var wood []woodArea
	for _, f := range s.figures {
		wood = append(wood, f.area())
	}
	s.canvas = newCanvas(img, s.em, face)
	s.canvas.to, s.canvas.room, s.canvas.everyYear = s.to, newRoom(img, wood), s.strip
	s.axisAt = float64(top+h) + 0.3*s.em
	if len(s.axis) > 0 {
		s.canvas.room.take(image.Rect(0, top+h, total, s.footAt.Y))
	}
	s.canvas.room.take(image.Rect(0, s.footAt.Y, total, img.Rect.Dy()))
	return s.placeNames()
}

// frame finds the size at which the base and its foot keep to the limit, and
// sets the figures, the foot and the map that go with it.
func (s *sheet) frame(face *typeface, left, top int) (w, h int) {
	for rows := footRows; ; rows = len(s.foot.rows) {
		w, h = s.fitted(footSpace(s.em, rows))
		scale := [2]float64{
			s.scale[0] * float64(w) / float64(s.base.Rect.Dx()),
			s.scale[1] * float64(h) / float64(s.base.Rect.Dy()),
		}
		s.to = func(p measure.Point) measure.Point {
			return measure.Point{(p[0]+0.5)*scale[0] - 0.5 + float64(left), (p[1]+0.5)*scale[1] - 0.5 + float64(top)}
		}
		s.figures = make([]*figure, len(s.m.Cores))
		raster.InParallel(len(s.figures), func(i int) { s.figures[i] = newFigure(s.m.Cores[i], s.to) })
		s.foot = s.newFoot(face, scale[0], s.width(w))
		if s.strip || len(s.foot.rows) <= rows {
			return w, h
		}
	}
}

// fitted returns the size of the base, reduced so that the sheet keeps to its
// limit with so many px of foot.
func (s *sheet) fitted(foot int) (w, h int) {
	w, h = s.base.Rect.Dx(), s.base.Rect.Dy()
	pad := 2 * margin(s.em)
	spareW := look.FullPx - pad - s.extra.left - s.extra.right
	spareH := look.FullPx - pad - s.extra.top - s.extra.bottom - foot
	k := min(float64(spareW)/float64(w), float64(spareH)/float64(h))
	if s.strip || k >= 1 {
		return w, h
	}
	return max(1, int(math.Round(float64(w)*k))), max(1, int(math.Round(float64(h)*k)))
}

// width of the whole picture with a base of w px: the foot needs some, however
// slender the scan.
func (s *sheet) width(w int) int {
	return max(w+2*margin(s.em)+s.extra.left+s.extra.right, int(42*s.em))
}

// newFoot sets the text under the picture.
func (s *sheet) newFoot(face *typeface, scale float64, width int) foot {
	groups := [][]item{facts(face, s.m), key(face, s.em, s.figures)}
	if mm := s.m.Scale.MMPerPx; mm != nil && !s.strip {
		groups[0] = append(scaleBar(face, scale/mm[0], s.em, float64(width)), groups[0]...)
	}
	if len(s.listed) > 0 {
		list := []item{textItem(write([]word{{face.plain, "no room beside the wood for"}}), look.Ink)}
		for _, name := range s.listed {
			list = append(list, textItem(write([]word{{face.strong, name}}), look.Ink))
		}
		groups = append(groups, list)
	}
	return newFoot(groups, width-2*margin(s.em), s.em)
}

// placeNames finds room for the marks beside the wood and for the names, and
// returns the margin that more room would need.
func (s *sheet) placeNames() (short sides) {
	c := s.canvas
	s.names, s.brackets, s.notches = nil, nil, nil
	for _, f := range s.figures {
		b, n := c.brackets(f), c.notches(f)
		for _, mark := range b {
			for _, r := range c.bounds(mark) {
				c.room.take(r)
			}
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
