package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"pithward/measure"
	"pithward/measure/audit"
	"pithward/measure/audit/draw"
	"pithward/vision/overlay/look"
)

// plot is a drawn plot with what it shows in words.
type plot struct {
	SVG  template.HTML
	Says string
}

func plotLook() draw.Look {
	return draw.Look{Ink: look.Ink.NRGBA(), Paper: look.Paper.NRGBA(), Quiet: look.Quiet.NRGBA()}
}

// plots are how doubtful the program was, and how far it was right to be.
func plots(a audit.Audit) []plot {
	var out []plot
	var bars []draw.Bar
	var shares []draw.Share
	for _, b := range a.Reliability {
		bars = append(bars, draw.Bar{Word: fmt.Sprintf("%g", b.From), Count: float64(b.Places)})
		if b.Mean != nil {
			shares = append(shares, draw.Share{Given: *b.Mean, Real: float64(b.Real) / float64(b.Judged), Low: *b.Low, High: *b.High})
		}
	}
	add := func(svg []byte, err error, says string) {
		if err == nil { // there is nothing to draw, and the words beside say so
			out = append(out, plot{bare(svg, says), says})
		}
	}
	svg, err := draw.Bars(plotLook(), "probability by the program, from", bars)
	add(svg, err, "Places listed, by the probability that the program gives a boundary there.")
	svg, err = draw.Shares(plotLook(), "probability by the program", "share that people call a boundary", shares)
	add(svg, err, "Share of the judged places that people call a boundary, with 95 % limits (Wilson 1927), against the probability that the program gave. On the dashed line both agree.")
	return out
}

// agreementPlots are the widths of two readings against each other, and their
// differences.
func agreementPlots(g audit.Agreement) []plot {
	_, firstAgain := audit.Again(g.First)
	_, again := audit.Again(g.Second)
	if g.Own == nil || g.Own.N < 2 || !g.Blind && (again || firstAgain) { // those are in the table
		return nil
	}
	var pairs []draw.Pair
	for _, w := range g.Widths {
		pairs = append(pairs, draw.Pair{First: w.FirstMM, Second: w.SecondMM, Shared: w.Shared})
	}
	lines := &draw.Lines{Mean: g.Own.Mean, Lower: *g.Own.Lower, Upper: *g.Own.Upper}
	first, second := person(g.First), person(g.Second)
	var out []plot
	svg, err := draw.Differences(plotLook(), "mean of both, mm", fmt.Sprintf("%s less %s, mm", second, first), pairs, lines)
	if err == nil {
		says := "Differences of ring widths against their mean, with 95 % limits of agreement (Bland & Altman 1986) of the filled points. Rings: widths that both took from the program as it read them, left out of the limits."
		out = append(out, plot{bare(svg, says), says})
	}
	svg, err = draw.Against(plotLook(), first+", mm", second+", mm", pairs)
	if err == nil {
		says := "Ring widths of both, with the line on which they agree."
		out = append(out, plot{bare(svg, says), says})
	}
	return out
}

// bare makes a drawn SVG part of the page: no head, no name spaces, as wide as
// there is room for.
func bare(svg []byte, says string) template.HTML {
	text := string(svg)
	if i := strings.Index(text, "viewBox="); i >= 0 {
		box, rest, _ := strings.Cut(text[i:], "\n")
		if j := strings.Index(rest, "<g"); j >= 0 {
			text = fmt.Sprintf(`<svg role="img" aria-label="%s" %s>`, template.HTMLEscapeString(says), box) + rest[j:]
		}
	}
	text = strings.ReplaceAll(text, "font-family:Liberation Sans", "font-family:inherit")
	return template.HTML(text) //nolint:gosec // drawn by this program, its words escaped
}

// pane is one reading drawn over the wood.
type pane struct {
	who   string
	marks []audit.Mark
}

// figure draws a place as the program and then as each observer has it who
// decided about it, side by side.
func figure(w Wood) template.HTML {
	panes := []pane{{"the program", w.Around.Program}}
	for _, o := range w.Around.Observers {
		for _, v := range w.Place.Views {
			if v.Observer == o.Observer && v.Decided {
				panes = append(panes, pane{person(o.Observer), o.Marks})
			}
		}
	}
	var b strings.Builder
	for _, p := range panes {
		fmt.Fprintf(&b, `<figure class="pane"><svg role="img" aria-label="%s" viewBox="0 0 %d %d">`, template.HTMLEscapeString("The wood as "+p.who+" has it"), w.W, w.H)
		if w.JPEG != nil {
			fmt.Fprintf(&b, `<image href="%s" width="%d" height="%d"/>`, inline(w.JPEG), w.W, w.H)
		}
		b.WriteString(paint(w, p.marks))
		fmt.Fprintf(&b, `</svg><figcaption>%s</figcaption></figure>`, template.HTMLEscapeString(p.who))
	}
	return template.HTML(b.String()) //nolint:gosec // made here of numbers and escaped words
}

// paint draws marks in the picture's own px: a soft halo, and on it the line;
// lines of one width on paper whatever the magnification.
func paint(w Wood, marks []audit.Mark) string {
	turn := 180 - w.Around.InwardDeg
	sin, cos := math.Sincos(turn * math.Pi / 180)
	unit := float64(w.W) / 300 // px of the picture for one of the page
	place := func(p measure.Point) (x, y float64) {
		dx, dy := p[0]-w.Place.PointPx[0], p[1]-w.Place.PointPx[1]
		return float64(w.W)/2 + dx*cos - dy*sin, float64(w.H)/2 + dx*sin + dy*cos
	}
	var b strings.Builder
	for _, m := range marks {
		var d strings.Builder
		for i, p := range m.LinePx {
			x, y := place(p)
			fmt.Fprintf(&d, "%s%.1f %.1f", map[bool]string{true: "M", false: "L"}[i == 0], x, y)
		}
		class := "sure"
		switch {
		case m.Candidate:
			class = "rejected"
		case !m.Person && m.Probability < look.Sure:
			class = "doubtful"
		}
		fmt.Fprintf(&b, `<path class="halo" d="%s"/><path class="%s" d="%s"/>`, d.String(), class, d.String())
		if m.Person && len(m.LinePx) > 0 {
			x, _ := place(m.LinePx[len(m.LinePx)/2])
			s := 5 * unit
			fmt.Fprintf(&b, `<path class="notch" d="M%.1f %dL%.1f %.1fL%.1f %dZ"/>`, x-s, w.H, x, float64(w.H)-1.4*s, x+s, w.H)
		}
	}
	x, s := float64(w.W)/2, 9*unit
	fmt.Fprintf(&b, `<path class="halo" d="M%.1f 0V%.1fM%.1f %dV%.1f"/><path class="here" d="M%.1f 0V%.1fM%.1f %dV%.1f"/>`,
		x, s, x, w.H, float64(w.H)-s, x, s, x, w.H, float64(w.H)-s)
	if w.MM > 0 {
		right, y := float64(w.W)-6*unit, 8*unit
		fmt.Fprintf(&b, `<path class="halo" d="M%.1f %.1fH%.1f"/><path class="sure" d="M%.1f %.1fH%.1f"/>`, right-1/w.MM, y, right, right-1/w.MM, y, right)
	}
	return b.String()
}
