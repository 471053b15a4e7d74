// Package calib turns ruler pixels, a resolution tag or a given number into
// mm per pixel, with uncertainty and checks.
//
// A ruler is known by its ticks alone: a straight row of narrow lines, evenly
// spaced, whose lengths repeat as a graduation does (every fifth and tenth on
// a millimetre ruler, every second, fourth, eighth and sixteenth on an inch
// one). [FindRulers] finds such rows, [Decide] weighs them against the tag and
// a scale given by hand.
//
// Pixel coordinates are as in package measure. Within this package u runs
// along a ruler and v across it, turned clockwise by 90 degrees as displayed.
package calib

import (
	"math"
	"sort"

	"pithward/measure"
)

// MMPerInch is exact: international yard and pound agreement of 1959.
const MMPerInch = 25.4

// RulerFit is a ruler found in a scan and the scale its ticks give.
type RulerFit struct {
	Unit       string  // "mm" or "inch"
	TickMM     float64 // from one tick to the next, mm
	Graduation string  // in words: "mm, longer at 5 and 10"
	Ticks      int     // used in the fit
	Span       int     // tick steps from the first used to the last
	Upright    bool    // it measures the y axis
	AngleDeg   float64 // of the ruler's direction to its axis, clockwise as displayed, within (-10, 10)
	PitchPx    float64 // px along the ruler from one tick to the next
	MMPerPx    float64 // along the ruler: TickMM / PitchPx
	// FitRelative is the relative standard error of PitchPx from the line fit
	// alone; the ruler's own error is in Uncertainty.
	FitRelative   float64
	RMSResidualPx float64
	LinePx        [2]measure.Point // from the first to the last tick used, through the middle of the short ticks
	QuadPx        []measure.Point  // four corners round the ruler's body, as far as it shows against the ground
	ticksPx       []measure.Point  // and round its ticks
}

// LengthMM is the length of ruler used, from the first to the last tick.
func (r RulerFit) LengthMM() float64 { return float64(r.Span) * r.TickMM }

// classII is the largest permissible error in mm between any two marks of a
// class II ruler up to 1 m long: a + b L, a = 0.3 mm, b = 0.2 mm a metre, L
// rounded up to the next whole metre. Directive 2014/32/EU, annex X (MI-008),
// chapter I.
const classII = 0.3 + 0.2*1

// Uncertainty is the relative standard uncertainty of the scale: the line
// fit's and, in quadrature, the ruler's own. The latter takes a class II
// ruler's permissible error as the half-width of a uniform distribution
// (JCGM 100:2008, 4.3.7) over the length used: 0.5 mm / sqrt(3) / length.
func (r RulerFit) Uncertainty() float64 {
	own := classII / math.Sqrt(3) / r.LengthMM()
	return math.Hypot(r.FitRelative, own)
}

// Measure returns the ruler as the measurement format has it.
func (r RulerFit) Measure() *measure.Ruler {
	return &measure.Ruler{Unit: r.Unit, Ticks: r.Ticks, LinePx: r.LinePx, RMSResidualPx: r.RMSResidualPx}
}

// sortRulers puts the ruler first that gives the scale best.
func sortRulers(r []RulerFit) {
	sort.SliceStable(r, func(i, j int) bool { return r[i].Uncertainty() < r[j].Uncertainty() })
}

// isDefault tells that a declared resolution is one that programs write when
// they know nothing.
func isDefault(tag [2]float64) bool { return tag[0] == tag[1] && (tag[0] == 72 || tag[0] == 96) }
