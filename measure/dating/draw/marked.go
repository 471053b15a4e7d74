package draw

import (
	"image"
	"image/color"
	"math"
	"strconv"

	"gonum.org/v1/plot/vg"
)

// Marked is a stretch of a core with two readings on it: one's boundaries in
// the upper half, the other's in the lower, so that both can be compared and
// the wood between stays visible.
type Marked struct {
	Wood         image.Image // nil: paper
	From, To     float64     // the ends of the stretch, mm along the core
	Upper, Lower []Bound
	Names        [2]string // of the upper and the lower reading
	Unit         string    // of the axis
	Point        float64   // where to look
}

// Bound is a boundary: its course, x as From to To, y as 0 (upper edge) to 1.
// Faulty ones stand out.
type Bound struct {
	Course [][2]float64
	Faulty bool
}

// Straight is a boundary square to the core.
func Straight(at float64, faulty bool) Bound {
	return Bound{[][2]float64{{at, 0}, {at, 1}}, faulty}
}

// Sizes of a stretch as a picture of its own.
const (
	markedWidth  = 12 * vg.Centimeter
	markedHeight = 3.4 * vg.Centimeter
	boundWidth   = 0.35 * vg.Millimeter
	haloWidth    = 1.1 * vg.Millimeter
	notch        = 1.5 * vg.Millimeter
)

// DrawMarked draws a stretch by itself.
func DrawMarked(f Format, look Look, m Marked) ([]byte, error) {
	c, err := newSheet(f, markedWidth, markedHeight, look)
	if err != nil {
		return nil, err
	}
	c.marked(m, c.Rectangle)
	return c.encode()
}

// marked draws a stretch into a rectangle.
func (c *canvas) marked(m Marked, r vg.Rectangle) {
	const words = 8
	wood := vg.Rectangle{Min: vg.Point{X: r.Min.X + 1.5*vg.Millimeter, Y: r.Min.Y + 5*vg.Millimeter}, Max: vg.Point{X: r.Max.X - 1.5*vg.Millimeter, Y: r.Max.Y - 4.5*vg.Millimeter}}
	if m.Wood != nil {
		c.DrawImage(wood, m.Wood)
	} else {
		c.SetColor(over(c.look.Quiet, c.look.Paper, 0.12))
		c.Fill(rectangle(wood))
	}
	place := func(p [2]float64) vg.Point {
		return vg.Point{X: wood.Min.X + (wood.Max.X-wood.Min.X)*vg.Length((p[0]-m.From)/(m.To-m.From)),
			Y: wood.Max.Y - (wood.Max.Y-wood.Min.Y)*vg.Length(p[1])}
	}
	for _, half := range []struct {
		bounds []Bound
		lo, hi float64
	}{{m.Upper, 0, 0.46}, {m.Lower, 0.54, 1}} {
		for _, b := range half.bounds {
			c.bound(b, half.lo, half.hi, m, place)
		}
	}
	c.text(m.Names[0], vg.Point{X: wood.Min.X + 2*vg.Millimeter, Y: wood.Max.Y + vg.Millimeter}, words, c.look.Ink, 0, 0)
	c.text(m.Names[1], vg.Point{X: wood.Min.X + 2*vg.Millimeter, Y: wood.Min.Y - vg.Millimeter}, words, c.look.Ink, 0, -1)
	c.lengthBar(m, wood, words)
	// A small wedge above and below points at the place.
	if m.Point >= m.From && m.Point <= m.To {
		x := place([2]float64{m.Point, 0}).X
		c.wedge(x, wood.Max.Y+0.3*vg.Millimeter, notch)
		c.wedge(x, wood.Min.Y-0.3*vg.Millimeter, -notch)
	}
}

// wedge is a filled triangle that points at y.
func (c *canvas) wedge(x, y, size vg.Length) {
	half := max(size, -size) * 0.6
	var p vg.Path
	p.Move(vg.Point{X: x, Y: y})
	p.Line(vg.Point{X: x - half, Y: y + size})
	p.Line(vg.Point{X: x + half, Y: y + size})
	p.Close()
	c.SetColor(c.look.Ink)
	c.Fill(p)
}

// bound draws the part of a boundary between two heights; nothing of one that
// lies beyond the stretch.
func (c *canvas) bound(b Bound, lo, hi float64, m Marked, place func([2]float64) vg.Point) {
	var at []vg.Point
	for _, p := range clipCourse(b.Course, lo, hi) {
		if p[0] >= m.From && p[0] <= m.To {
			at = append(at, place(p))
		}
	}
	if len(at) < 2 {
		return
	}
	there := make([]bool, len(at))
	for i := range there {
		there[i] = true
	}
	width := vg.Length(boundWidth)
	if b.Faulty {
		width *= 2
	}
	if m.Wood != nil {
		c.line(at, there, width+haloWidth, fade(c.look.Paper, 0.55), nil)
	}
	c.line(at, there, width, c.look.Ink, nil)
}

// clipCourse cuts a course to the heights from lo to hi; one that does not reach so
// far is carried on.
func clipCourse(course [][2]float64, lo, hi float64) (out [][2]float64) {
	if len(course) < 2 {
		return nil
	}
	at := func(y float64) [2]float64 {
		k := 1
		for k < len(course)-1 && course[k][1] < y {
			k++
		}
		a, b := course[k-1], course[k]
		if a[1] == b[1] {
			return [2]float64{b[0], y}
		}
		return [2]float64{a[0] + (b[0]-a[0])*(y-a[1])/(b[1]-a[1]), y}
	}
	out = append(out, at(lo))
	for _, p := range course {
		if p[1] > lo && p[1] < hi {
			out = append(out, p)
		}
	}
	return append(out, at(hi))
}

// lengthBar draws a bar of a round length under the stretch, at its right.
func (c *canvas) lengthBar(m Marked, wood vg.Rectangle, size vg.Length) {
	length := roundLength((m.To - m.From) / 4)
	long := (wood.Max.X - wood.Min.X) * vg.Length(length/(m.To-m.From))
	y := wood.Min.Y - 2.6*vg.Millimeter
	c.segment(vg.Point{X: wood.Max.X - long, Y: y}, vg.Point{X: wood.Max.X, Y: y}, 2*thin, c.look.Quiet)
	c.text(lengthName(length, m.Unit), vg.Point{X: wood.Max.X - long - 2.5*vg.Millimeter, Y: y}, size, c.look.Quiet, -1, -0.5)
}

// roundLength is 1, 2 or 5 times a power of ten, the greatest that is at most
// x.
func roundLength(x float64) float64 {
	if !(x > 0) {
		return 1
	}
	step := math.Pow(10, math.Floor(math.Log10(x)))
	for _, f := range []float64{5, 2} {
		if f*step <= x*1.0001 {
			return f * step
		}
	}
	return step
}

func lengthName(v float64, unit string) string {
	return strconv.FormatFloat(v, 'g', 3, 64) + " " + unit
}

// fade makes a colour see-through.
func fade(c color.Color, strength float64) color.Color {
	r, g, b, _ := c.RGBA()
	return color.NRGBA{R: uint8(r >> 8), G: uint8(g >> 8), B: uint8(b >> 8), A: uint8(255 * strength)}
}
