package overlay

import (
	"bytes"
	"image"
	"image/color"
	"sync"

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

// layer holds what is still to be drawn.
type layer struct {
	w, h     int
	segments [][]segment // by the slices of the picture that they touch
	wedges   []wedge
}

// sliceRows is the height of the slices of a picture that are drawn side by
// side, each on its own small cover.
const sliceRows = 64

// cover is the coverage of ink and halo, 0..255, one byte a pixel, in the rows
// from..to of a picture w px wide.
type cover struct {
	w, from, to int
	inks, halos []uint8
}

func newCanvas(img *image.NRGBA, em float64, face *typeface) *canvas {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	return &canvas{
		img: img, onLit: layer{w: w, h: h}, onDim: layer{w: w, h: h},
		face: face, em: em, unit: em / look.FullEm,
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

// lay draws what the layer holds and blends it into the picture, some rows at a
// time on all processors.
func (l *layer) lay(img *image.NRGBA, ink, halo color.NRGBA) {
	covers := sync.Pool{New: func() any {
		return &cover{w: l.w, inks: make([]uint8, sliceRows*l.w), halos: make([]uint8, sliceRows*l.w)}
	}}
	raster.InParallel(len(l.segments), func(i int) {
		c := covers.Get().(*cover)
		c.from, c.to = i*sliceRows, min((i+1)*sliceRows, l.h)
		for _, s := range l.segments[i] {
			s.ink(c)
		}
		for _, w := range l.wedges {
			w.ink(c)
		}
		for y := c.from; y < c.to; y++ {
			c.layRow(img, y, ink, halo)
		}
		clear(c.inks)
		clear(c.halos)
		covers.Put(c)
	})
}

func (c *cover) layRow(img *image.NRGBA, y int, ink, halo color.NRGBA) {
	at := (y - c.from) * c.w
	inks, halos := c.inks[at:at+c.w], c.halos[at:at+c.w]
	row := img.Pix[y*img.Stride:]
	for x := range inks {
		if inks[x]|halos[x] == 0 {
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

// onPaper returns paper of w by h px with src, taken as opaque, at a place on it
// that holds it.
func onPaper(w, h int, src *image.NRGBA, left, top int) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	raster.InParallel((h+sliceRows-1)/sliceRows, func(i int) {
		from, to := i*sliceRows, min((i+1)*sliceRows, h)
		fill(img, image.Rect(0, from, w, to), look.Paper.NRGBA())
		for y := max(from, top); y < min(to, top+src.Rect.Dy()); y++ {
			row := img.Pix[img.PixOffset(left, y):][:4*src.Rect.Dx()]
			copy(row, src.Pix[(y-top)*src.Stride:])
			for i := 3; i < len(row); i += 4 {
				row[i] = 255
			}
		}
	})
	return img
}

// fill paints a rectangle in one colour.
func fill(img *image.NRGBA, r image.Rectangle, c color.NRGBA) {
	r = r.Intersect(img.Rect)
	row := bytes.Repeat([]byte{c.R, c.G, c.B, 255}, r.Dx())
	for y := r.Min.Y; y < r.Max.Y; y++ {
		copy(img.Pix[img.PixOffset(r.Min.X, y):], row)
	}
}
