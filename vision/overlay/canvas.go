package overlay

import (
	"image"
	"image/color"

	"pithward/measure"
	"pithward/vision/overlay/look"
	"pithward/vision/raster"
)

// canvas is a picture being drawn on. Strokes are gathered in two layers and
// laid on at the end, all halos before all inks, so that no halo dims a
// neighbour's line.
type canvas struct {
	img       *image.NRGBA
	onLit     layer                             // ink with a light halo: on wood, paper and light trays
	onDim     layer                             // paper with a dark halo: beside the wood on dark trays
	to        func(measure.Point) measure.Point // from px of the scan to px of the picture
	room      *room
	face      *typeface
	em        float64 // px
	everyYear bool    // write every year that has room, not only decades
	unit      float64 // the look's px in px of this picture
}

// layer holds the coverage of ink and halo, 0..255, one byte a pixel, and the
// strokes that are still to be drawn. Coverage is made on first use: many
// pictures need only one layer.
type layer struct {
	w, h        int
	inks, halos []uint8
	strokes     []segment
}

func newCanvas(img *image.NRGBA, em float64, face *typeface) *canvas {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	return &canvas{
		img: img, onLit: layer{w: w, h: h}, onDim: layer{w: w, h: h},
		face: face, em: em, unit: em / look.FullEm,
	}
}

func (l *layer) open() {
	if l.inks == nil {
		l.inks, l.halos = make([]uint8, l.w*l.h), make([]uint8, l.w*l.h)
	}
}

// beside returns the layer for marks at a place outside the wood.
func (c *canvas) beside(p measure.Point) *layer {
	if c.room.dark(p[0]-c.em/2, p[1]-c.em/2, p[0]+c.em/2, p[1]+c.em/2) {
		return &c.onDim
	}
	return &c.onLit
}

// finish lays the layers on the picture.
func (c *canvas) finish() {
	c.onLit.lay(c.img, look.Ink.NRGBA(), look.Halo.NRGBA())
	c.onDim.lay(c.img, look.Paper.NRGBA(), look.Night.NRGBA())
}

// lay draws the strokes and blends the layer into the picture, some rows at a
// time on all processors.
func (l *layer) lay(img *image.NRGBA, ink, halo color.NRGBA) {
	if len(l.strokes) > 0 {
		l.open()
	}
	if l.inks == nil {
		return
	}
	const rows = 64
	raster.InParallel((l.h+rows-1)/rows, func(i int) {
		from, to := i*rows, min((i+1)*rows, l.h)
		for _, s := range l.strokes {
			s.ink(l, from, to)
		}
		for y := from; y < to; y++ {
			l.layRow(img, y, ink, halo)
		}
	})
}

func (l *layer) layRow(img *image.NRGBA, y int, ink, halo color.NRGBA) {
	inks, halos := l.inks[y*l.w:(y+1)*l.w], l.halos[y*l.w:(y+1)*l.w]
	row := img.Pix[y*img.Stride:]
	for x := range inks {
		if inks[x] == 0 && halos[x] == 0 {
			continue
		}
		p := row[4*x : 4*x+4]
		blend(p, halo, halos[x])
		blend(p, ink, inks[x])
	}
}

// blend moves an opaque pixel towards a colour, by 0..255.
func blend(p []uint8, c color.NRGBA, by uint8) {
	a, rest := int(by), 255-int(by)
	p[0] = uint8((a*int(c.R) + rest*int(p[0]) + 127) / 255)
	p[1] = uint8((a*int(c.G) + rest*int(p[1]) + 127) / 255)
	p[2] = uint8((a*int(c.B) + rest*int(p[2]) + 127) / 255)
}

// fill paints a rectangle in one colour.
func fill(img *image.NRGBA, r image.Rectangle, c color.NRGBA) {
	r = r.Intersect(img.Rect)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := img.Pix[img.PixOffset(r.Min.X, y):img.PixOffset(r.Max.X, y)]
		for i := 0; i < len(row); i += 4 {
			row[i], row[i+1], row[i+2], row[i+3] = c.R, c.G, c.B, 255
		}
	}
}

// paste copies src, taken as opaque, to a place on dst that holds it.
func paste(dst, src *image.NRGBA, x, y int) {
	w := 4 * src.Rect.Dx()
	for r := 0; r < src.Rect.Dy(); r++ {
		row := dst.Pix[dst.PixOffset(x, y+r):][:w]
		copy(row, src.Pix[r*src.Stride:])
		for i := 3; i < w; i += 4 {
			row[i] = 255
		}
	}
}
