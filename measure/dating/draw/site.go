package draw

import (
	"fmt"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot/vg"
)

// Site is a chronology with the series behind it.
type Site struct {
	Series   []Line
	Mean     Line      // the chronology
	Half     []float64 // half its confidence band, as long as Mean.V; NaN where there is none
	Depth    []int     // series behind each year of Mean
	Trees    []int     // trees behind each year of Mean; nil: not known
	MeanName string    // words for the chronology, for example "standard chronology"
}

// Heights below the stack of series.
const (
	meanHeight  = 4.5 * vg.Centimeter
	depthHeight = 2.2 * vg.Centimeter
	between     = 0.5 * vg.Centimeter
	swing       = 0.3 // of a row, that a series moves for a standard deviation
	mostSwing   = 3   // standard deviations drawn
)

// Stack draws series one above the other, the one that reaches back farthest at
// the bottom, over their chronology with its confidence band, over the sample depth. Each series
// is drawn about its own mean.
func Stack(f Format, look Look, s Site) ([]byte, error) {
	row := rowOf(max(1, len(s.Series)))
	height := margin + axisHeight + meanHeight + depthHeight + 2*between + row*vg.Length(float64(len(s.Series))+1+swing*mostSwing)
	c, err := newCanvas(f, height, look, s.Mean.FirstYear, s.Mean.lastYear())
	if err != nil {
		return nil, err
	}
	y := c.Max.Y - margin
	byAge := slices.Clone(s.Series)
	slices.SortStableFunc(byAge, func(a, b Line) int { return b.FirstYear - a.FirstYear })
	for _, l := range byAge {
		c.stackRow(l, y-row, row)
		y -= row
	}
	y -= row*swing*mostSwing + between + meanHeight // clear of the lowest series
	c.mean(s, y)
	y -= between + depthHeight
	c.depth(s, y)
	c.yearAxis(y - 0.1*vg.Centimeter)
	return c.encode()
}

// stackRow draws one series; its line may reach into the neighbouring rows.
func (c *canvas) stackRow(l Line, y, row vg.Length) {
	size := nameSize(row)
	c.text(l.Name, vg.Point{X: c.Min.X + margin + nameColumn - 3*vg.Millimeter, Y: y}, size, c.look.Ink, -1, -0.5)
	mean, sd := moments(l.V)
	points, there := make([]vg.Point, len(l.V)), make([]bool, len(l.V))
	for k, v := range l.V {
		z := 0.0 // a flat series is a straight line
		if sd > 0 {
			z = math.Max(-mostSwing, math.Min(mostSwing, (v-mean)/sd))
		}
		there[k] = !math.IsNaN(v)
		points[k] = vg.Point{X: c.x(float64(l.FirstYear + k)), Y: y + row*swing*vg.Length(z)}
	}
	c.line(points, there, 0.8*thin, c.look.Ink, nil)
}

func moments(v []float64) (mean, sd float64) {
	n, sum, square := 0.0, 0.0, 0.0
	for _, x := range v {
		if !math.IsNaN(x) {
			n++
			sum += x
			square += x * x
		}
	}
	if n < 2 {
		return 0, 0
	}
	mean = sum / n
	return mean, math.Sqrt(math.Max(0, square/n-mean*mean))
}

// mean draws the chronology with its band, on an axis that starts where the data
// ask.
func (c *canvas) mean(s Site, y vg.Length) {
	low, high := math.Inf(1), math.Inf(-1)
	for k, v := range s.Mean.V {
		if math.IsNaN(v) {
			continue
		}
		low, high = math.Min(low, v), math.Max(high, v)
		if h := half(s, k); !math.IsNaN(h) {
			low, high = math.Min(low, v-h), math.Max(high, v+h)
		}
	}
	if high <= low {
		return
	}
	at := func(v float64) vg.Length { return y + meanHeight*vg.Length((v-low)/(high-low)) }
	c.band(s, at)
	points, there := make([]vg.Point, len(s.Mean.V)), make([]bool, len(s.Mean.V))
	for k, v := range s.Mean.V {
		there[k] = !math.IsNaN(v)
		points[k] = vg.Point{X: c.x(float64(s.Mean.FirstYear + k)), Y: at(v)}
	}
	left := c.x(float64(c.first))
	if low < 1 && high > 1 {
		c.line([]vg.Point{{X: left, Y: at(1)}, {X: c.x(float64(c.last)), Y: at(1)}}, []bool{true, true}, thin/2, c.look.Quiet, []vg.Length{4, 2})
	}
	c.line(points, there, thin, c.look.Ink, nil)
	c.scale(left, y, meanHeight, low, high, "%.1f")
	c.heading(s.MeanName, y+meanHeight)
}

func half(s Site, k int) float64 {
	if k < len(s.Half) {
		return s.Half[k]
	}
	return math.NaN()
}

// band fills the confidence band, run by run.
func (c *canvas) band(s Site, at func(float64) vg.Length) {
	c.SetColor(over(c.look.Ink, c.look.Paper, 0.22))
	for a := 0; a < len(s.Mean.V); a++ {
		if math.IsNaN(half(s, a)) || math.IsNaN(s.Mean.V[a]) {
			continue
		}
		b := a
		var p vg.Path
		for ; b < len(s.Mean.V) && !math.IsNaN(half(s, b)); b++ {
			q := vg.Point{X: c.x(float64(s.Mean.FirstYear + b)), Y: at(s.Mean.V[b] + half(s, b))}
			if b == a {
				p.Move(q)
			} else {
				p.Line(q)
			}
		}
		for k := b - 1; k >= a; k-- {
			p.Line(vg.Point{X: c.x(float64(s.Mean.FirstYear + k)), Y: at(s.Mean.V[k] - half(s, k))})
		}
		p.Close()
		c.Fill(p)
		a = b
	}
}

// depth draws the number of series, and of trees darker within it, as steps.
func (c *canvas) depth(s Site, y vg.Length) {
	most := 1
	for _, n := range s.Depth {
		most = max(most, n)
	}
	c.steps(s.Mean.FirstYear, s.Depth, most, y, over(c.look.Ink, c.look.Paper, 0.3))
	name := "series"
	if s.Trees != nil {
		c.steps(s.Mean.FirstYear, s.Trees, most, y, over(c.look.Ink, c.look.Paper, 0.6))
		name = "series, and trees (dark)"
	}
	c.scale(c.x(float64(c.first)), y, depthHeight, 0, float64(most), "%.0f")
	c.heading(name, y+depthHeight)
}

func (c *canvas) steps(firstYear int, n []int, most int, y vg.Length, colour color.Color) {
	var p vg.Path
	p.Move(vg.Point{X: c.x(float64(firstYear)), Y: y})
	for k, v := range n {
		top := y + depthHeight*vg.Length(v)/vg.Length(most)
		from, to := math.Max(float64(c.first), float64(firstYear+k)-0.5), math.Min(float64(c.last), float64(firstYear+k)+0.5)
		p.Line(vg.Point{X: c.x(from), Y: top})
		p.Line(vg.Point{X: c.x(to), Y: top})
	}
	p.Line(vg.Point{X: c.x(float64(firstYear + len(n) - 1)), Y: y})
	p.Close()
	c.SetColor(colour)
	c.Fill(p)
}

// scale writes the lowest and highest value beside an axis.
func (c *canvas) scale(x, y, height vg.Length, low, high float64, format string) {
	x -= 2 * vg.Millimeter
	c.segment(vg.Point{X: x, Y: y}, vg.Point{X: x, Y: y + height}, thin, c.look.Quiet)
	for _, t := range []struct {
		v  float64
		at vg.Length
	}{{low, y}, {high, y + height}} {
		c.segment(vg.Point{X: x - vg.Millimeter, Y: t.at}, vg.Point{X: x, Y: t.at}, thin, c.look.Quiet)
		c.text(fmt.Sprintf(format, math.Round(t.v*10)/10+0), vg.Point{X: x - 1.6*vg.Millimeter, Y: t.at}, 9, c.look.Quiet, -1, -0.5)
	}
}

// heading names a part of the picture at its upper left.
func (c *canvas) heading(s string, y vg.Length) {
	c.text(s, vg.Point{X: c.x(float64(c.first)) + vg.Millimeter, Y: y + 0.5*vg.Millimeter}, 9, c.look.Quiet, 0, 0)
}

// over is a colour laid on another with a strength from 0 to 1.
func over(c, ground color.Color, strength float64) color.Color {
	r, g, b, _ := c.RGBA()
	gr, gg, gb, _ := ground.RGBA()
	mix := func(a, b uint32) uint8 { return uint8((float64(a)*strength + float64(b)*(1-strength)) / 257) }
	return color.NRGBA{R: mix(r, gr), G: mix(g, gg), B: mix(b, gb), A: 255}
}
