package draw

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"
)

// RingRow is one ring as a class has it.
type RingRow struct {
	Year           int     // or the number of the ring, counted backwards
	Missed, Split  float64 // share of the class, 0 to 1
	Key            float64 // width, mm; NaN: none
	Low, Mid, High float64 // quartiles of the class's widths, mm; NaN: none
}

// Rings draws a class ring by ring: above, the share that missed a boundary
// (upwards) or split the ring (downwards); below, the widths: the key's as a
// line, the class's middle half as bars.
func Rings(f Format, look Look, rows []RingRow, unit string) ([]byte, error) {
	if len(rows) == 0 {
		return nil, fmt.Errorf("nothing to draw: no rings")
	}
	first, last, widest, worst := rows[0].Year, rows[0].Year, 0.0, 0.1
	for _, r := range rows {
		first, last = min(first, r.Year), max(last, r.Year)
		for _, v := range []float64{r.Key, r.High} {
			if !math.IsNaN(v) {
				widest = max(widest, v)
			}
		}
		worst = max(worst, r.Missed, r.Split)
	}
	c, err := newSheet(f, width, 11*vg.Centimeter, look)
	if err != nil {
		return nil, err
	}
	c.first, c.last = first, last
	c.shares(rows, worst, c.Max.Y-margin-2.4*vg.Centimeter)
	c.spread(rows, widest, c.Min.Y+axisHeight+0.3*vg.Centimeter)
	c.yearAxisOf(c.Min.Y+axisHeight, unit)
	return c.encode()
}

// yearAxisOf draws the year axis, or one of ring numbers, which run backwards.
func (c *canvas) yearAxisOf(y vg.Length, unit string) {
	if unit == "" {
		c.yearAxis(y)
		return
	}
	step := roundStep(c.last - c.first)
	for n := c.first; n <= c.last; n++ {
		if n%step == 0 {
			c.text(fmt.Sprint(-n), vg.Point{X: c.x(float64(n)), Y: y - 1.6*vg.Millimeter}, 9, c.look.Quiet, -0.5, -1)
		}
	}
	c.text(unit, vg.Point{X: c.Min.X + margin + nameColumn - 3*vg.Millimeter, Y: y - 1.6*vg.Millimeter}, 9, c.look.Quiet, -1, -1)
}

func (c *canvas) shares(rows []RingRow, worst float64, line vg.Length) {
	const half = 2.0 * vg.Centimeter
	barWidth := min(1.6*vg.Millimeter, (c.x(1)-c.x(0))*0.7)
	c.segment(vg.Point{X: c.x(float64(c.first)), Y: line}, vg.Point{X: c.x(float64(c.last)), Y: line}, thin, c.look.Quiet)
	left := c.Min.X + margin + nameColumn - 3*vg.Millimeter
	c.text("missed", vg.Point{X: left, Y: line + half/2}, 9, c.look.Ink, -1, -0.5)
	c.text("split", vg.Point{X: left, Y: line - half/4}, 9, c.look.Ink, -1, -0.5)
	top := fmt.Sprintf("%.0f %%", 100*worst)
	c.text(top, vg.Point{X: left, Y: line + half}, 8, c.look.Quiet, -1, -0.5)
	c.segment(vg.Point{X: left + vg.Millimeter, Y: line + half}, vg.Point{X: left + 2*vg.Millimeter, Y: line + half}, thin, c.look.Quiet)
	for _, r := range rows {
		x := c.x(float64(r.Year))
		for _, bar := range []vg.Length{half * vg.Length(r.Missed/worst), -half * vg.Length(r.Split/worst)} {
			if bar != 0 {
				c.segment(vg.Point{X: x, Y: line}, vg.Point{X: x, Y: line + bar}, barWidth, c.look.Ink)
			}
		}
	}
}

func (c *canvas) spread(rows []RingRow, widest float64, base vg.Length) {
	const tall = 4.2 * vg.Centimeter
	if widest <= 0 {
		return
	}
	y := func(v float64) vg.Length { return base + tall*vg.Length(v/widest) }
	barWidth := min(2*vg.Millimeter, (c.x(1)-c.x(0))*0.8)
	pale := over(c.look.Ink, c.look.Paper, 0.3)
	var at []vg.Point
	var there []bool
	for _, r := range rows {
		x := c.x(float64(r.Year))
		at, there = append(at, vg.Point{X: x, Y: y(r.Key)}), append(there, !math.IsNaN(r.Key))
		if !math.IsNaN(r.Low) {
			c.segment(vg.Point{X: x, Y: y(r.Low) - 0.4*vg.Millimeter}, vg.Point{X: x, Y: y(r.High) + 0.4*vg.Millimeter}, barWidth, pale)
		}
	}
	c.line(at, there, 2*thin, c.look.Ink, nil)
	left := c.Min.X + margin + nameColumn - 3*vg.Millimeter
	step := roundLength(widest / 2)
	c.text("width, key", vg.Point{X: left, Y: y(step / 2)}, 9, c.look.Ink, -1, 0)
	c.text("and class", vg.Point{X: left, Y: y(step / 2)}, 9, c.look.Ink, -1, -1)
	for v := 0.0; v <= widest; v += step {
		c.text(lengthName(v, "mm"), vg.Point{X: left, Y: y(v)}, 8, c.look.Quiet, -1, -0.5)
		c.segment(vg.Point{X: left + vg.Millimeter, Y: y(v)}, vg.Point{X: left + 2*vg.Millimeter, Y: y(v)}, thin, c.look.Quiet)
	}
}
