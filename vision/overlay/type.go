package overlay

import (
	"image"
	"image/color"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"pithward/vision/overlay/look"
)

// typeface is the Go fonts at the picture's sizes. A face keeps buffers, so
// each picture has its own.
type typeface struct {
	name, plain, strong, tiny font.Face
}

func newTypeface(em float64) *typeface {
	return &typeface{
		name:   sized(gobold.TTF, em),
		plain:  sized(goregular.TTF, em*look.SmallT),
		strong: sized(gobold.TTF, em*look.SmallT),
		tiny:   sized(goregular.TTF, em*look.TinyT),
	}
}

// sized returns a face of a built-in font. These always parse; the coarse face
// stands in so that no caller has to hold an error that cannot come.
func sized(ttf []byte, px float64) font.Face {
	f, err := opentype.Parse(ttf)
	if err != nil {
		return basicfont.Face7x13
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: px, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return basicfont.Face7x13
	}
	return face
}

// word is a run of text in one face.
type word struct {
	face font.Face
	text string
}

// note is a small block of text as coverage, ready to be placed.
type note struct{ mask *image.Alpha }

func (n note) size() (w, h int) { return n.mask.Rect.Dx(), n.mask.Rect.Dy() }

// write sets lines of words, one below the other, left-aligned.
func write(lines ...[]word) note {
	var width, height int
	base := make([]int, len(lines))
	for i, line := range lines {
		var w fixed.Int26_6
		var up, down int
		for _, t := range line {
			m := t.face.Metrics()
			up, down = max(up, m.Ascent.Ceil()), max(down, m.Descent.Ceil())
			w += font.MeasureString(t.face, t.text)
		}
		base[i] = height + up
		width, height = max(width, w.Ceil()+1), height+up+down
	}
	mask := image.NewAlpha(image.Rect(0, 0, max(1, width), max(1, height)))
	for i, line := range lines {
		d := font.Drawer{Dst: mask, Src: image.NewUniform(color.Alpha{A: 255}), Dot: fixed.P(0, base[i])}
		for _, t := range line {
			d.Face = t.face
			d.DrawString(t.text)
		}
	}
	return note{mask}
}

// turned returns the note turned a quarter anticlockwise: it reads upward.
func (n note) turned() note {
	w, h := n.size()
	out := image.NewAlpha(image.Rect(0, 0, h, w))
	for y := 0; y < h; y++ {
		for x := 0; x < w; x++ {
			out.Pix[(w-1-x)*out.Stride+y] = n.mask.Pix[y*n.mask.Stride+x]
		}
	}
	return note{out}
}

// text draws a note with its upper left corner at (x, y), in ink or, on a dark
// ground, in paper, with a soft halo of the other.
func (c *canvas) text(n note, x, y int) {
	w, h := n.size()
	ink, halo := look.Ink, look.Halo
	if c.room.dark(float64(x), float64(y), float64(x+w), float64(y+h)) {
		ink, halo = look.Paper, look.Night
	}
	soft, pad := glow(n.mask, max(1, int(c.em*0.09+0.5)))
	c.stamp(soft, x-pad, y-pad, halo.NRGBA())
	c.stamp(n.mask, x, y, ink.NRGBA())
}

// plain draws a note on paper, without halo.
func (c *canvas) plain(n note, x, y int, colour look.Colour) {
	c.stamp(n.mask, x, y, colour.NRGBA())
}

func (c *canvas) stamp(mask *image.Alpha, x, y int, colour color.NRGBA) {
	r := mask.Rect.Add(image.Pt(x, y)).Intersect(c.img.Rect)
	for py := r.Min.Y; py < r.Max.Y; py++ {
		from := mask.Pix[(py-y)*mask.Stride:]
		row := c.img.Pix[py*c.img.Stride:]
		for px := r.Min.X; px < r.Max.X; px++ {
			if a := from[px-x]; a > 0 {
				blend(row[4*px:4*px+4], colour, a)
			}
		}
	}
}

// glow returns the mask widened by two passes of a box blur of the given
// radius, strengthened, and the number of px it stands out on each side.
func glow(mask *image.Alpha, radius int) (*image.Alpha, int) {
	pad := 2 * radius
	w, h := mask.Rect.Dx()+2*pad, mask.Rect.Dy()+2*pad
	a := image.NewAlpha(image.Rect(0, 0, w, h))
	for y := 0; y < mask.Rect.Dy(); y++ {
		copy(a.Pix[(y+pad)*a.Stride+pad:], mask.Pix[y*mask.Stride:y*mask.Stride+mask.Rect.Dx()])
	}
	line := make([]uint8, max(w, h))
	for range 2 {
		for y := 0; y < h; y++ {
			boxBlur(a.Pix[y*a.Stride:], 1, w, radius, line)
		}
		for x := 0; x < w; x++ {
			boxBlur(a.Pix[x:], a.Stride, h, radius, line)
		}
	}
	for i, v := range a.Pix {
		a.Pix[i] = uint8(min(230, 3*int(v)))
	}
	return a, pad
}

// boxBlur averages n values, a step apart, over 2*radius+1 neighbours.
func boxBlur(v []uint8, step, n, radius int, line []uint8) {
	for i := range n {
		line[i] = v[i*step]
	}
	var sum int
	for i := -radius; i < n; i++ {
		if i+radius < n {
			sum += int(line[i+radius])
		}
		if i-radius-1 >= 0 {
			sum -= int(line[i-radius-1])
		}
		if i >= 0 {
			v[i*step] = uint8(sum / (2*radius + 1))
		}
	}
}
