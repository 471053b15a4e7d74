package draw

import (
	"fmt"

	"gonum.org/v1/plot/vg"
)

// Stroke is a year of a skeleton plot.
type Stroke struct {
	Year   int
	Height int  // 1 to 10: how much narrower than its neighbours; 0: no stroke
	Wide   bool // much wider than its neighbours
	Absent bool // no wood was grown
}

// Skeleton draws two skeleton plots against each other, on a page to print: one
// upwards, the other downwards from the same line of years, so that strokes meet
// where both agree. The page is wrapped after so many years as fit.
func Skeleton(f Format, look Look, title string, names [2]string, upper, lower []Stroke) ([]byte, error) {
	if len(upper)+len(lower) == 0 {
		return nil, fmt.Errorf("nothing to draw: no years")
	}
	first, last := years(upper, lower)
	const perRow = 100
	rows := (last-first)/perRow + 1
	height := vg.Length(rows)*skeletonRow + 2*margin + 1.2*vg.Centimeter
	c, err := newSheet(f, width, height, look)
	if err != nil {
		return nil, err
	}
	c.text(title, vg.Point{X: c.Min.X + margin, Y: c.Max.Y - margin}, 12, look.Ink, 0, -1)
	for k := range rows {
		c.first, c.last = first+k*perRow, first+k*perRow+perRow-1
		c.skeletonRow(names, last, upper, lower, c.Max.Y-margin-1.2*vg.Centimeter-skeletonRow*vg.Length(k))
	}
	return c.encode()
}

const (
	skeletonRow  = 5.4 * vg.Centimeter
	skeletonHalf = 2.2 * vg.Centimeter // ten steps of height
)

func years(lists ...[]Stroke) (first, last int) {
	begun := false
	for _, l := range lists {
		for _, s := range l {
			if !begun {
				first, last, begun = s.Year, s.Year, true
			}
			first, last = min(first, s.Year), max(last, s.Year)
		}
	}
	return floorTo(first, 10), last
}

func floorTo(year, step int) int { return year - floorMod(year, step) }

// skeletonRow draws the years of one row below a height; last is the last of all.
func (c *canvas) skeletonRow(names [2]string, last int, upper, lower []Stroke, top vg.Length) {
	line := top - skeletonHalf - 2*vg.Millimeter
	c.graph(line, min(last, c.last))
	for i, half := range []struct {
		strokes []Stroke
		up      vg.Length
	}{{upper, 1}, {lower, -1}} {
		c.text(names[i], vg.Point{X: c.Min.X + margin + nameColumn - 3*vg.Millimeter, Y: line + half.up*skeletonHalf/2}, 9, c.look.Ink, -1, -0.5)
		for _, s := range half.strokes {
			if s.Year >= c.first && s.Year <= c.last {
				c.stroke(s, line, half.up)
			}
		}
	}
}

// graph is the paper up to a year: a faint line a year, a number each decade.
func (c *canvas) graph(line vg.Length, last int) {
	faint := over(c.look.Quiet, c.look.Paper, 0.22)
	for year := c.first; year <= last; year++ {
		w := vg.Length(thin) / 2
		if year%10 == 0 {
			w = thin
			c.text(yearName(year), vg.Point{X: c.x(float64(year)), Y: line - skeletonHalf - vg.Millimeter}, 8, c.look.Quiet, -0.5, -1)
		}
		c.segment(vg.Point{X: c.x(float64(year)), Y: line - skeletonHalf}, vg.Point{X: c.x(float64(year)), Y: line + skeletonHalf}, w, faint)
	}
	c.segment(vg.Point{X: c.x(float64(c.first)), Y: line}, vg.Point{X: c.x(float64(last)), Y: line}, thin, c.look.Quiet)
}

func (c *canvas) stroke(s Stroke, line, up vg.Length) {
	x := c.x(float64(s.Year))
	tip := vg.Point{X: x, Y: line + up*skeletonHalf*vg.Length(s.Height)/10}
	switch {
	case s.Absent:
		c.line([]vg.Point{{X: x, Y: line}, {X: x, Y: line + up*skeletonHalf}}, []bool{true, true}, 3*thin, c.look.Ink, []vg.Length{2, 2})
	case s.Height > 0:
		c.segment(vg.Point{X: x, Y: line}, tip, 4*thin, c.look.Ink)
	case s.Wide:
		c.text("b", vg.Point{X: x, Y: line + up*1.5*vg.Millimeter}, 8, c.look.Ink, -0.5, -0.5)
	}
}
