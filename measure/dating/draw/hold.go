package draw

import (
	"fmt"

	"gonum.org/v1/plot/vg"
)

// HoldRow is a series with the check of its dating.
type HoldRow struct {
	Name                string
	FirstYear, LastYear int
	Windows             []HoldWindow
	Marks               []HoldMark
}

// HoldWindow is one window of the check.
type HoldWindow struct {
	FromYear, ToYear int
	Probability      float64 // that the dating holds
	BestOffset       int
	BestProbability  float64
}

// HoldMark is a suspected fault in a year.
type HoldMark struct {
	Year int
	Sign string // "-" for a ring missed or absent, "+" for one invented
}

// The probabilities at which a line changes its style.
const (
	sure = 0.9
	even = 0.5
)

// Hold draws the check of many datings as washing on lines: each series is a
// line over its years, straight and unbroken where its dating holds. Where it
// does not the line breaks up, first dashed, then dotted, and a cloth hangs down
// from it, as deep as the dating is improbable, with the better offset written
// on it. Suspected rings are marked on the line.
func Hold(f Format, look Look, rows []HoldRow) ([]byte, error) {
	if len(rows) == 0 {
		return nil, fmt.Errorf("nothing to draw: no series")
	}
	first, last := rows[0].FirstYear, rows[0].LastYear
	for _, r := range rows {
		first, last = min(first, r.FirstYear), max(last, r.LastYear)
	}
	row := rowOf(len(rows))
	c, err := newCanvas(f, margin+axisHeight+row*vg.Length(len(rows))+row, look, first, last)
	if err != nil {
		return nil, err
	}
	for i, r := range rows {
		c.holdRow(r, c.Max.Y-margin-row*(vg.Length(i)+0.3), row)
	}
	c.yearAxis(c.Min.Y + axisHeight)
	return c.encode()
}

// rowOf is the height of one of n rows.
func rowOf(n int) vg.Length {
	return max(leastRow, min(rowHeight, tallest/vg.Length(n)))
}

// nameSize is a text size that fits a row.
func nameSize(row vg.Length) vg.Length { return min(9, row*0.75) }

func (c *canvas) holdRow(r HoldRow, y, row vg.Length) {
	c.text(r.Name, vg.Point{X: c.Min.X + margin + nameColumn - 3*vg.Millimeter, Y: y}, nameSize(row), c.look.Ink, -1, -0.5)
	years := r.LastYear - r.FirstYear + 1
	p, offset := make([]float64, years), make([]int, years)
	for k := range p {
		p[k], offset[k] = at(r.Windows, r.FirstYear+k)
	}
	for from := 0; from < years; {
		to := from + 1
		for to < years && style(p[to]) == style(p[from]) {
			to++
		}
		c.stretch(r.FirstYear, p, offset, from, to, y, row)
		from = to
	}
	for _, m := range r.Marks {
		x := c.x(float64(m.Year))
		c.segment(vg.Point{X: x, Y: y - row*0.16}, vg.Point{X: x, Y: y + row*0.16}, thin, c.look.Ink)
		c.text(m.Sign, vg.Point{X: x, Y: y + row*0.18}, nameSize(row), c.look.Ink, -0.5, 0)
	}
}

// at is the probability in a year, that of the window whose middle is nearest,
// and the better offset, 0 if there is none; -1 where no window was checked.
func at(windows []HoldWindow, year int) (p float64, offset int) {
	p, nearest := -1.0, 0
	for i, w := range windows {
		d := 2*year - w.FromYear - w.ToYear
		if d = max(d, -d); i > 0 && d >= nearest {
			continue
		}
		p, offset, nearest = w.Probability, 0, d
		if w.BestProbability > w.Probability {
			offset = w.BestOffset
		}
	}
	return p, offset
}

// style is 0 where the line is unbroken, 1 dashed, 2 dotted, 3 where nothing was
// checked.
func style(p float64) int {
	switch {
	case p < 0:
		return 3
	case p >= sure:
		return 0
	case p >= even:
		return 1
	}
	return 2
}

// stretch draws the years from..to-1 of a row: the line and the cloth below it.
func (c *canvas) stretch(firstYear int, p []float64, offset []int, from, to int, y, row vg.Length) {
	left, right := c.x(float64(firstYear+from)-0.5), c.x(float64(firstYear+to)-0.5)
	ends := []vg.Point{{X: left, Y: y}, {X: right, Y: y}}
	there := []bool{true, true}
	switch style(p[from]) {
	case 3:
		c.line(ends, there, thin, c.look.Quiet, []vg.Length{0.3, 2.5})
		return
	case 0:
		c.line(ends, there, 1.5*thin, c.look.Ink, nil)
	case 1:
		c.line(ends, there, 1.5*thin, c.look.Ink, []vg.Length{4, 2})
	case 2:
		c.line(ends, there, 1.5*thin, c.look.Ink, []vg.Length{0.6, 1.8})
	}
	var cloth vg.Path
	cloth.Move(vg.Point{X: left, Y: y})
	for k := from; k < to; k++ {
		depth := y - row*0.55*vg.Length(1-p[k])
		cloth.Line(vg.Point{X: c.x(float64(firstYear+k) - 0.5), Y: depth})
		cloth.Line(vg.Point{X: c.x(float64(firstYear+k) + 0.5), Y: depth})
	}
	cloth.Line(vg.Point{X: right, Y: y})
	cloth.Close()
	c.SetColor(over(c.look.Ink, c.look.Paper, 0.3))
	c.Fill(cloth)
	if style(p[from]) == 2 {
		c.offsets(firstYear, offset, from, to, y, row)
	}
}

// offsets writes the better offset on the middle of each run of equal ones.
func (c *canvas) offsets(firstYear int, offset []int, from, to int, y, row vg.Length) {
	for a := from; a < to; {
		b := a + 1
		for b < to && offset[b] == offset[a] {
			b++
		}
		at := vg.Point{X: c.x(float64(firstYear) + float64(a+b-1)/2), Y: y - row*0.28}
		if offset[a] != 0 && c.x(float64(b))-c.x(float64(a)) > nameSize(row)*1.4 {
			c.text(fmt.Sprintf("%+d", offset[a]), at, nameSize(row), c.look.Ink, -0.5, -0.5)
		}
		a = b
	}
}
