// Package draw makes the pictures of an audit, as SVG. It knows nothing of wood
// or statistics: what to draw comes in as numbers, what it looks like as a Look.
// Everything is named beside its mark, so that no legend is needed.
package draw

import (
	"bytes"
	"errors"
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	vgdraw "gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"pithward/measure/dating/draw"
)

// Look is the colours, as of all other plots.
type Look = draw.Look

// Sizes: chosen, for two plots side by side on a page.
const (
	width  = 11 * vg.Centimeter
	height = 8 * vg.Centimeter
	words  = 9 // pt
	thin   = vg.Length(0.7)
)

// Bar is one bar of a chart: a count under a word.
type Bar struct {
	Word  string
	Count float64
}

// Bars draws counts side by side; under is what the words are about.
func Bars(look Look, under string, bars []Bar) ([]byte, error) {
	p := ground(look, under, "")
	var names []string
	var values plotter.Values
	for _, b := range bars {
		names, values = append(names, b.Word), append(values, b.Count)
	}
	if len(bars) == 0 {
		return nil, errors.New("nothing to draw: there are no counts")
	}
	chart, err := plotter.NewBarChart(values, 0.72*(width-1.6*vg.Centimeter)/vg.Length(len(bars)))
	if err != nil {
		return nil, err
	}
	chart.Color, chart.LineStyle.Width = look.Ink, 0
	p.Add(chart)
	at := plotter.XYLabels{}
	for i, b := range bars {
		at.XYs, at.Labels = append(at.XYs, plotter.XY{X: float64(i), Y: b.Count}), append(at.Labels, fmt.Sprint(b.Count))
	}
	if err := label(p, look, at, -0.5, 0.2, 0, 2); err != nil {
		return nil, err
	}
	p.NominalX(names...)
	p.X.Tick.Label.Color = look.Quiet
	p.HideY()
	p.Y.Min, p.Y.Max = 0, 1.12*math.Max(1, p.Y.Max)
	return svg(p, height*3/4)
}

// Share is what came out of places that were given a probability.
type Share struct{ Given, Real, Low, High float64 }

// Shares draws, against the probability given, the share that is real with its
// limits, and the line on which both agree.
func Shares(look Look, across, up string, shares []Share) ([]byte, error) {
	if len(shares) == 0 {
		return nil, errors.New("nothing to draw: nothing was judged")
	}
	p := ground(look, across, up)
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = -0.02, 1.02, -0.02, 1.02
	p.X.Tick.Marker, p.Y.Tick.Marker = fifths{}, fifths{}
	diagonal, err := plotter.NewLine(plotter.XYs{{X: 0, Y: 0}, {X: 1, Y: 1}})
	if err != nil {
		return nil, err
	}
	diagonal.Color, diagonal.Width, diagonal.Dashes = look.Quiet, thin, []vg.Length{4, 3}
	p.Add(diagonal)
	points := plotter.XYs{}
	for _, s := range shares {
		bar, err := plotter.NewLine(plotter.XYs{{X: s.Given, Y: s.Low}, {X: s.Given, Y: s.High}})
		if err != nil {
			return nil, err
		}
		bar.Color, bar.Width = look.Ink, thin
		p.Add(bar)
		points = append(points, plotter.XY{X: s.Given, Y: s.Real})
	}
	if err := scatter(p, points, look.Ink, vgdraw.CircleGlyph{}); err != nil {
		return nil, err
	}
	return svg(p, height)
}

// Pair is one thing measured in two ways.
type Pair struct {
	First, Second float64
	Shared        bool // both ways rest on the same
}

// Lines are heights to mark on a plot of differences.
type Lines struct{ Mean, Lower, Upper float64 }

// Differences draws second less first against the mean of both, those that
// rest on the same as rings, with the mean and limits of the others.
func Differences(look Look, across, up string, pairs []Pair, lines *Lines) ([]byte, error) {
	if len(pairs) == 0 {
		return nil, errors.New("nothing to draw: no widths in common")
	}
	p := ground(look, across, up)
	own, shared := plotter.XYs{}, plotter.XYs{}
	for _, d := range pairs {
		at := plotter.XY{X: (d.First + d.Second) / 2, Y: d.Second - d.First}
		if d.Shared {
			shared = append(shared, at)
		} else {
			own = append(own, at)
		}
	}
	if err := errors.Join(scatter(p, shared, look.Quiet, vgdraw.RingGlyph{}), scatter(p, own, look.Ink, vgdraw.CircleGlyph{})); err != nil {
		return nil, err
	}
	if lines != nil {
		p.Y.Min, p.Y.Max = math.Min(p.Y.Min, lines.Lower), math.Max(p.Y.Max, lines.Upper)
	}
	room(p)
	if lines != nil {
		for _, l := range []struct {
			y      float64
			word   string
			dashes []vg.Length
		}{{lines.Upper, "upper limit", []vg.Length{4, 3}}, {lines.Mean, "mean", nil}, {lines.Lower, "lower limit", []vg.Length{4, 3}}} {
			if err := level(p, look, l.y, fmt.Sprintf("%s %+.3f", l.word, l.y), l.dashes); err != nil {
				return nil, err
			}
		}
	}
	return svg(p, height)
}

// Against draws second against first, with the line on which both agree.
func Against(look Look, across, up string, pairs []Pair) ([]byte, error) {
	if len(pairs) == 0 {
		return nil, errors.New("nothing to draw: no widths in common")
	}
	p := ground(look, across, up)
	own, shared := plotter.XYs{}, plotter.XYs{}
	most := 0.0
	for _, d := range pairs {
		most = math.Max(most, math.Max(d.First, d.Second))
		if at := (plotter.XY{X: d.First, Y: d.Second}); d.Shared {
			shared = append(shared, at)
		} else {
			own = append(own, at)
		}
	}
	diagonal, err := plotter.NewLine(plotter.XYs{{X: 0, Y: 0}, {X: most, Y: most}})
	if err != nil {
		return nil, err
	}
	diagonal.Color, diagonal.Width, diagonal.Dashes = look.Quiet, thin, []vg.Length{4, 3}
	p.Add(diagonal)
	if err := errors.Join(scatter(p, shared, look.Quiet, vgdraw.RingGlyph{}), scatter(p, own, look.Ink, vgdraw.CircleGlyph{})); err != nil {
		return nil, err
	}
	p.X.Min, p.Y.Min, p.X.Max, p.Y.Max = 0, 0, 1.03*most, 1.03*most
	return svg(p, height)
}

// ground is an empty plot in the look.
func ground(look Look, across, up string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil // the page shows through
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Color, a.Width, a.Tick.Color, a.Tick.Width = look.Quiet, thin/2, look.Quiet, thin/2
		a.Tick.Length = 3
		a.Label.TextStyle = style(look.Quiet)
		a.Tick.Label = align(style(look.Quiet), a == &p.X)
		a.Label.Padding = 3
	}
	p.X.Label.Text, p.Y.Label.Text = across, up
	return p
}

func style(c color.Color) text.Style {
	return text.Style{Color: c, Font: font.Font{Typeface: "Liberation", Variant: "Sans", Size: words}, Handler: plot.DefaultTextHandler, XAlign: text.XCenter, YAlign: text.YCenter}
}

// align sets the numbers of an axis beside it.
func align(s text.Style, across bool) text.Style {
	if across {
		s.YAlign = text.YTop
	} else {
		s.XAlign = text.XRight
	}
	return s
}

func scatter(p *plot.Plot, at plotter.XYs, c color.Color, glyph vgdraw.GlyphDrawer) error {
	if len(at) == 0 {
		return nil
	}
	s, err := plotter.NewScatter(at)
	if err != nil {
		return err
	}
	s.GlyphStyle = vgdraw.GlyphStyle{Color: c, Radius: 2, Shape: glyph}
	p.Add(s)
	return nil
}

func label(p *plot.Plot, look Look, at plotter.XYLabels, xAlign, yAlign float64, dx, dy vg.Length) error {
	l, err := plotter.NewLabels(at)
	if err != nil {
		return err
	}
	for i := range l.TextStyle {
		s := style(look.Ink)
		s.XAlign, s.YAlign = text.XAlignment(xAlign), text.YAlignment(yAlign)
		l.TextStyle[i] = s
	}
	l.Offset = vg.Point{X: dx, Y: dy}
	p.Add(l)
	return nil
}

// room leaves some beside what is drawn.
func room(p *plot.Plot) {
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		by := 0.06 * (a.Max - a.Min)
		if by == 0 {
			by = 0.01
		}
		a.Min, a.Max = a.Min-by, a.Max+by
	}
	p.X.Max += 0.3 * (p.X.Max - p.X.Min) // for the words of the levels
}

// level draws a line across at a height, with words at its end.
func level(p *plot.Plot, look Look, y float64, word string, dashes []vg.Length) error {
	l, err := plotter.NewLine(plotter.XYs{{X: p.X.Min, Y: y}, {X: p.X.Max, Y: y}})
	if err != nil {
		return err
	}
	l.Color, l.Width, l.Dashes = look.Ink, thin, dashes
	p.Add(l)
	return label(p, look, plotter.XYLabels{XYs: plotter.XYs{{X: p.X.Max, Y: y}}, Labels: []string{word}}, -1, 0, -12, 2)
}

// fifths marks an axis of probabilities.
type fifths struct{}

// Ticks returns the ticks of the axis.
func (fifths) Ticks(_, _ float64) []plot.Tick {
	var out []plot.Tick
	for i := range 6 {
		out = append(out, plot.Tick{Value: float64(i) / 5, Label: fmt.Sprintf("%.1f", float64(i)/5)})
	}
	return out
}

// svg draws a plot.
func svg(p *plot.Plot, height vg.Length) ([]byte, error) {
	canvas := vgsvg.New(width, height)
	inner := vgdraw.Crop(vgdraw.New(canvas), 2, -10, 5, -6)
	p.Draw(inner)
	var b bytes.Buffer
	_, err := canvas.WriteTo(&b)
	return b.Bytes(), err
}
