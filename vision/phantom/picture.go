package phantom

import (
	"image"
	"image/color"

	"pithward/vision/raster"
)

// Picture is a rendered scan: rows top to bottom, samples interleaved, one
// channel (gray) or three (red, green, blue). U16 is set for 16 bits, else U8.
type Picture struct {
	Width, Height, Channels int
	U8                      []uint8
	U16                     []uint16
	TagDPI                  [2]float64 // to be written; zero: no tag
}

func newPicture(t *Tray) *Picture {
	p := &Picture{Width: t.WidthPx, Height: t.HeightPx, Channels: 3, TagDPI: t.TagDPI}
	if t.Gray {
		p.Channels = 1
	}
	n := p.Width * p.Height * p.Channels
	if t.Bits == 16 {
		p.U16 = make([]uint16, n)
	} else {
		p.U8 = make([]uint8, n)
	}
	return p
}

// Bits returns the bits per sample, 8 or 16.
func (p *Picture) Bits() int {
	if p.U16 != nil {
		return 16
	}
	return 8
}

// set stores a sample given as 0..255.
func (p *Picture) set(i int, v float32) {
	v = max(0, min(255, v))
	if p.U16 != nil {
		p.U16[i] = uint16(v*257 + 0.5)
		return
	}
	p.U8[i] = uint8(v + 0.5)
}

// at returns a sample as 0..255.
func (p *Picture) at(i int) float64 {
	if p.U16 != nil {
		return float64(p.U16[i]) / 257
	}
	return float64(p.U8[i])
}

// luma returns the brightness of a pixel, 0..255.
func (p *Picture) luma(x, y int) float64 {
	i := (y*p.Width + x) * p.Channels
	if p.Channels == 1 {
		return p.at(i)
	}
	return 0.299*p.at(i) + 0.587*p.at(i+1) + 0.114*p.at(i+2)
}

// Pixels returns a copy in the order in which scans are decoded: blue, green,
// red.
func (p *Picture) Pixels() raster.Pixels {
	out := raster.Pixels{Width: p.Width, Height: p.Height, Channels: p.Channels,
		U8: append([]uint8(nil), p.U8...), U16: append([]uint16(nil), p.U16...)}
	if p.Channels == 3 {
		for i := 0; i+2 < len(out.U8); i += 3 {
			out.U8[i], out.U8[i+2] = out.U8[i+2], out.U8[i]
		}
		for i := 0; i+2 < len(out.U16); i += 3 {
			out.U16[i], out.U16[i+2] = out.U16[i+2], out.U16[i]
		}
	}
	return out
}

// The picture is an image.Image.

// ColorModel implements image.Image.
func (p *Picture) ColorModel() color.Model {
	switch {
	case p.Channels == 1 && p.U16 != nil:
		return color.Gray16Model
	case p.Channels == 1:
		return color.GrayModel
	case p.U16 != nil:
		return color.RGBA64Model
	}
	return color.RGBAModel
}

// Bounds implements image.Image.
func (p *Picture) Bounds() image.Rectangle { return image.Rect(0, 0, p.Width, p.Height) }

// At implements image.Image.
func (p *Picture) At(x, y int) color.Color {
	i := (y*p.Width + x) * p.Channels
	switch {
	case p.Channels == 1 && p.U16 != nil:
		return color.Gray16{Y: p.U16[i]}
	case p.Channels == 1:
		return color.Gray{Y: p.U8[i]}
	case p.U16 != nil:
		return color.RGBA64{R: p.U16[i], G: p.U16[i+1], B: p.U16[i+2], A: 0xffff}
	}
	return color.RGBA{R: p.U8[i], G: p.U8[i+1], B: p.U8[i+2], A: 0xff}
}
