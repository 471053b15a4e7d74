// Package look is the one table of the values that pictures and pages share:
// colours, line widths, dashes and what they mean. The overlay draws from it
// and a style sheet is made of it, so that both are visibly one thing.
//
// Wood is warm and mid-toned; what is drawn on it is its cool complement,
// thin, with a soft light halo that makes it read on dark latewood too.
package look

import (
	"fmt"
	"image/color"
	"math"
	"strings"
)

// Colour is an opaque sRGB colour, 0xRRGGBB.
type Colour uint32

// The colours.
const (
	Ink   Colour = 0x093f60 // all marks and text: hue 203, across from wood (20 to 40)
	Paper Colour = 0xf6f3ec // the ground of pages and margins: off-white, a little warm
	Halo  Colour = 0xfbfaf6 // round marks on wood
	Night Colour = 0x10161b // round paper-coloured text on a dark tray
	Quiet Colour = 0x4b6270 // text that explains, on paper
)

// Lengths in px of a picture FullPx wide or high; smaller pictures shrink them
// with the text, down to MinEm/FullEm.
const (
	FullPx = 4000 // the longest side of an overlay
	FullEm = 30   // text of core names
	MinEm  = 13
	SmallT = 0.76 // size of all other text, in em
	TinyT  = 0.62 // size of years and words along a core, in em

	LineWidth  = 1.7  // a boundary with room round it
	ThinWidth  = 1.05 // a boundary among narrow rings
	PathWidth  = 1.1  // the radius
	MarkWidth  = 1.5  // brackets, ruler, leaders
	HaloReach  = 3.4  // how far the halo fades beyond a line's edge
	DotRadius  = 3.2  // pencil dots
	NotchSize  = 11   // a person's notch: its side
	DashOn     = 15   // long dashes of doubt, and between them
	DashOff    = 8    //
	DotOn      = 0.4  // dots of a rejected candidate (round caps make them dots)
	DotOff     = 5.2  //
	StopLength = 7    // the turned ends of brackets
)

// Strengths, 0 to 1.
const (
	HaloStrength  = 0.76 // of the halo beside a line
	CloseStrength = 0.78 // of the ink of lines that stand close
	PathStrength  = 0.62 // the radius is context, not a claim
	HatchStrength = 0.42 // hatching over obscured wood
)

// When lines stand close together they get out of the wood's way. Px of the
// picture, not shrunk: what matters is how many pixels are left for the wood.
const (
	RoomyPx   = 20.0 // from here up a line has its full width and halo
	CrowdedPx = 4.0  // below, sure boundaries shrink to ticks at the core's edges
	DensePx   = 2.2  // below, ticks take turns at the two edges
	TickPart  = 0.13 // length of such a tick, as part of the core's breadth
	TickMost  = 24   // and at most
)

// DarkBelow is the brightness of the ground, 0 to 255, below which marks beside
// the wood are paper-coloured with a dark halo. Ink and Paper contrast equally
// a little above it; the halo does the rest.
const DarkBelow = 124

// Probabilities at which the line style changes.
const (
	Sure    = 0.9 // unbroken from here up, long-dashed below
	Notable = 0.2 // a rejected candidate is dotted from here up
)

// NRGBA returns the colour as an opaque color.NRGBA.
func (c Colour) NRGBA() color.NRGBA {
	return color.NRGBA{R: uint8(c >> 16), G: uint8(c >> 8), B: uint8(c), A: 255}
}

// CSS returns the colour as #rrggbb.
func (c Colour) CSS() string { return fmt.Sprintf("#%06x", uint32(c)) }

// Over returns c laid over ground with the given strength, 0 to 1.
func (c Colour) Over(ground Colour, strength float64) Colour {
	mix := func(shift uint) Colour {
		a, b := float64(ground>>shift&255), float64(c>>shift&255)
		return Colour(math.Round(a+strength*(b-a))) << shift
	}
	return mix(16) | mix(8) | mix(0)
}

// Luminance returns the relative luminance, 0 (black) to 1 (white), as WCAG 2.2
// (W3C 2023) defines it.
func (c Colour) Luminance() float64 {
	lin := func(v Colour) float64 {
		s := float64(v&255) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(c>>16) + 0.7152*lin(c>>8) + 0.0722*lin(c)
}

// Contrast returns the contrast ratio of two colours, 1 to 21 (WCAG 2.2).
func Contrast(a, b Colour) float64 {
	la, lb := a.Luminance(), b.Luminance()
	return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05)
}

// Entry is one value of the look under the name a style sheet gives it.
type Entry struct{ Name, Value string }

// Entries lists every value that a page needs too, in fixed order.
func Entries() []Entry {
	px := func(v float64) string { return fmt.Sprintf("%gpx", v) }
	num := func(v float64) string { return fmt.Sprintf("%g", v) }
	return []Entry{
		{"ink", Ink.CSS()},
		{"paper", Paper.CSS()},
		{"halo", Halo.CSS()},
		{"night", Night.CSS()},
		{"quiet", Quiet.CSS()},
		{"line-width", px(LineWidth)},
		{"thin-width", px(ThinWidth)},
		{"path-width", px(PathWidth)},
		{"mark-width", px(MarkWidth)},
		{"halo-reach", px(HaloReach)},
		{"halo-strength", num(HaloStrength)},
		{"path-strength", num(PathStrength)},
		{"hatch-strength", num(HatchStrength)},
		{"dot-radius", px(DotRadius)},
		{"notch-size", px(NotchSize)},
		{"dash", fmt.Sprintf("%g %g", float64(DashOn), float64(DashOff))},
		{"dots", fmt.Sprintf("%g %g", DotOn, DotOff)},
		{"sure", num(Sure)},
		{"notable", num(Notable)},
	}
}

// CSS returns the entries as custom properties of :root.
func CSS() string {
	var b strings.Builder
	b.WriteString(":root {\n")
	for _, e := range Entries() {
		fmt.Fprintf(&b, "  --%s: %s;\n", e.Name, e.Value)
	}
	b.WriteString("}\n")
	return b.String()
}
