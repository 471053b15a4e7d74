// Package draw makes pictures of datings and chronologies, as PNG or SVG. It
// knows nothing of wood or statistics: what to draw comes in as numbers, what it
// looks like as a Look.
//
// All pictures share one year axis, even, oldest left. Series are named beside
// their lines, so that no legend is needed.
package draw

import (
	"bytes"
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	vgdraw "gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Look is the colours: of all marks, of the ground, and of text that explains.
type Look struct{ Ink, Paper, Quiet color.Color }

// Format is the kind of picture file.
type Format string

// The formats.
const (
	PNG Format = "png"
	SVG Format = "svg"
)

// Line is a series of numbers, one a year; NaN where there is none.
type Line struct {
	Name      string
	FirstYear int
	V         []float64
}

func (l Line) lastYear() int { return l.FirstYear + len(l.V) - 1 }

// Lengths of the pictures.
const (
	width      = 28 * vg.Centimeter
	tallest    = 70 * vg.Centimeter // rows are drawn closer beyond
	rowHeight  = 0.8 * vg.Centimeter
	leastRow   = 0.12 * vg.Centimeter
	nameColumn = 2.4 * vg.Centimeter
	margin     = 0.6 * vg.Centimeter
	axisHeight = 1.1 * vg.Centimeter
	thin       = 0.5 * vg.Millimeter / 2
	dpi        = 150
)

// canvas is a picture in the making.
type canvas struct {
	vgdraw.Canvas
	look        Look
	first, last int // years on the axis
	encode      func() ([]byte, error)
}

// newCanvas makes an empty picture with so much height and those years.
func newCanvas(f Format, height vg.Length, look Look, first, last int) (*canvas, error) {
	if last < first {
		return nil, fmt.Errorf("nothing to draw: no series has years")
	}
	c, err := newSheet(f, width, height, look)
	if err != nil {
		return nil, err
	}
	c.first, c.last = first, last
	return c, nil
}

// newSheet makes an empty picture without years.
func newSheet(f Format, width, height vg.Length, look Look) (*canvas, error) {
	c := &canvas{look: look}
	var out vg.CanvasWriterTo
	switch f {
	case PNG:
		out = vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(dpi))}
	case SVG:
		out = vgsvg.New(width, height)
	default:
		return nil, fmt.Errorf("a picture is %s or %s, not %q", PNG, SVG, f)
	}
	c.Canvas = vgdraw.New(out)
	c.encode = func() ([]byte, error) {
		var b bytes.Buffer
		_, err := out.WriteTo(&b)
		return b.Bytes(), err
	}
	c.SetColor(look.Paper)
	ground := c.Rectangle // a little beyond the edges, which rounding would leave white
	ground.Min.X, ground.Min.Y, ground.Max.X, ground.Max.Y = ground.Min.X-1, ground.Min.Y-1, ground.Max.X+1, ground.Max.Y+1
	c.Fill(rectangle(ground))
	return c, nil
}

func rectangle(r vg.Rectangle) vg.Path {
	var p vg.Path
	p.Move(r.Min)
	p.Line(vg.Point{X: r.Max.X, Y: r.Min.Y})
	p.Line(r.Max)
	p.Line(vg.Point{X: r.Min.X, Y: r.Max.Y})
	p.Close()
	return p
}

// x is where a year stands.
func (c *canvas) x(year float64) vg.Length {
	left, right := c.Min.X+margin+nameColumn, c.Max.X-margin
	span := math.Max(1, float64(c.last-c.first))
	return left + (right-left)*vg.Length((year-float64(c.first))/span)
}

// text writes with a font of the embedded sans.
func (c *canvas) text(s string, at vg.Point, size vg.Length, colour color.Color, xAlign, yAlign float64) {
	style := vgdraw.TextStyle{
		Color:   colour,
		Font:    font.Font{Typeface: "Liberation", Variant: "Sans", Size: size},
		XAlign:  text.XAlignment(xAlign),
		YAlign:  text.YAlignment(yAlign),
		Handler: plot.DefaultTextHandler,
	}
	c.FillText(style, at, s)
}

// line strokes a path through points, broken where one is missing.
func (c *canvas) line(points []vg.Point, there []bool, lineWidth vg.Length, colour color.Color, dashes []vg.Length) {
	var p vg.Path
	down := false
	for i, at := range points {
		switch {
		case !there[i]:
			down = false
		case down:
			p.Line(at)
		default:
			p.Move(at)
			down = true
		}
	}
	if len(p) == 0 {
		return
	}
	c.SetColor(colour)
	c.SetLineWidth(lineWidth)
	c.SetLineDash(dashes, 0)
	c.Stroke(p)
	c.SetLineDash(nil, 0)
}

// yearAxis draws the even axis at a height: a tick and number at round years.
func (c *canvas) yearAxis(y vg.Length) {
	left, right := c.x(float64(c.first)), c.x(float64(c.last))
	c.segment(vg.Point{X: left, Y: y}, vg.Point{X: right, Y: y}, thin, c.look.Quiet)
	step := roundStep(c.last - c.first)
	for year := c.first + floorMod(-c.first, step); year <= c.last; year += step {
		x := c.x(float64(year))
		c.segment(vg.Point{X: x, Y: y}, vg.Point{X: x, Y: y - vg.Millimeter}, thin, c.look.Quiet)
		c.text(yearName(year), vg.Point{X: x, Y: y - 1.6*vg.Millimeter}, 9, c.look.Quiet, -0.5, -1)
	}
}

func (c *canvas) segment(a, b vg.Point, lineWidth vg.Length, colour color.Color) {
	c.line([]vg.Point{a, b}, []bool{true, true}, lineWidth, colour, nil)
}

// roundStep is 1, 2 or 5 times a power of ten, the least that makes no more than
// twelve ticks.
func roundStep(span int) int {
	for step := 1; ; step *= 10 {
		for _, f := range []int{1, 2, 5} {
			if span <= 12*step*f {
				return step * f
			}
		}
	}
}

func yearName(year int) string {
	if year <= 0 {
		return fmt.Sprintf("%d BC", 1-year)
	}
	return fmt.Sprint(year)
}

func floorMod(a, b int) int { return ((a % b) + b) % b }
