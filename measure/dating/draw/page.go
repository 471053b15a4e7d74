package draw

import (
	"fmt"
	"image/color"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	vgdraw "gonum.org/v1/plot/vg/draw"
)

// Page is a sheet to hand back: a head, places with a sentence each, and what
// has no picture.
type Page struct {
	Title  string
	Figure string   // large, at the right: the mark
	Head   []string // lines below the title
	Places []Place
	More   []string // sentences below
	Foot   string
}

// Place is a stretch of the core with what is to be said of it.
type Place struct {
	Marked Marked
	Head   string
	Words  string
}

// A4 upright.
const (
	pageWidth  = 21 * vg.Centimeter
	pageHeight = 29.7 * vg.Centimeter
	pageMargin = 1.6 * vg.Centimeter
	placeRow   = 3.5 * vg.Centimeter
	textSize   = 9.5
	leading    = 13.5
)

// MostPlaces is how many places fit a page.
const MostPlaces = 6

// DrawPage draws a page of A4. Places beyond MostPlaces are left out; of sentences
// without room it says how many there are.
func DrawPage(f Format, look Look, p Page) ([]byte, error) {
	c, err := newSheet(f, pageWidth, pageHeight, look)
	if err != nil {
		return nil, err
	}
	y := c.Max.Y - pageMargin
	left, right := c.Min.X+pageMargin, c.Max.X-pageMargin
	c.text(p.Title, vg.Point{X: left, Y: y}, 20, look.Ink, 0, -1)
	c.text(p.Figure, vg.Point{X: right, Y: y}, 20, look.Ink, -1, -1)
	y -= 1.1 * vg.Centimeter
	for _, line := range p.Head {
		y = c.paragraph(line, left, y, right-left, look.Quiet)
	}
	y -= 3 * vg.Millimeter
	for _, place := range p.Places[:min(len(p.Places), MostPlaces)] {
		c.segment(vg.Point{X: left, Y: y}, vg.Point{X: right, Y: y}, thin, over(look.Quiet, look.Paper, 0.3))
		box := vg.Rectangle{Min: vg.Point{X: left - 1.5*vg.Millimeter, Y: y - placeRow + 1.5*vg.Millimeter}, Max: vg.Point{X: left + 10.4*vg.Centimeter, Y: y - vg.Millimeter}}
		c.marked(place.Marked, box)
		c.text(place.Head, vg.Point{X: box.Max.X + 4*vg.Millimeter, Y: y - 4*vg.Millimeter}, textSize+1, look.Ink, 0, -1)
		c.paragraph(place.Words, box.Max.X+4*vg.Millimeter, y-4*vg.Millimeter-16, right-box.Max.X-4*vg.Millimeter, look.Ink)
		y -= placeRow
	}
	y -= 3 * vg.Millimeter
	for i, line := range p.More {
		if y < c.Min.Y+pageMargin+3*leading && i+1 < len(p.More) || y < c.Min.Y+pageMargin+2*leading {
			c.paragraph(fmt.Sprintf("And %d more.", len(p.More)-i), left, y, right-left, look.Quiet)
			break
		}
		y = c.paragraph(line, left, y, right-left, look.Ink)
	}
	c.text(p.Foot, vg.Point{X: left, Y: c.Min.Y + pageMargin - leading}, 8, look.Quiet, 0, 0)
	return c.encode()
}

// paragraph writes words in lines of a width and returns the height below them.
func (c *canvas) paragraph(words string, x, y, wide vg.Length, colour color.Color) vg.Length {
	style := vgdraw.TextStyle{Font: font.Font{Typeface: "Liberation", Variant: "Sans", Size: textSize}, Handler: plot.DefaultTextHandler}
	line := ""
	flush := func() {
		c.text(line, vg.Point{X: x, Y: y}, textSize, colour, 0, -1)
		y -= leading
		line = ""
	}
	for _, word := range strings.Fields(words) {
		longer := strings.TrimSpace(line + " " + word)
		if line != "" && style.Width(longer) > wide {
			flush()
			longer = word
		}
		line = longer
	}
	if line != "" {
		flush()
	}
	return y
}
