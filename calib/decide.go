package calib

import (
	"fmt"
	"math"

	"pithward/measure"
)

// Evidence is all that speaks for a scale.
type Evidence struct {
	GivenMMPerPx float64     // by hand; 0: not given
	Rulers       []RulerFit  // of FindRulers, best first
	NoRuler      string      // why none was found
	Tag          *[2]float64 // declared dpi, x and y as displayed; nil: none
	Cores        []Core
	Scanner      measure.Scanner // its check, axes as displayed; zero: none
}

// Core is a core's breadth across its axis.
type Core struct {
	BreadthPx float64
	Upright   bool    // its axis runs from top to bottom, so that its breadth lies along x
	BorerMM   float64 // nominal diameter by the core sheet; 0: not known
}

const (
	// agreement is how close two scales must be to count as the same.
	agreement = 0.005
	// axisUncertainty is the least relative standard uncertainty of an axis
	// that no ruler lies along: a flatbed's axes differ by about 1e-3, sensor
	// pitch against motor step (common practice).
	axisUncertainty = 0.0015
	// givenUncertainty is that of a scale given by hand, which comes without
	// one: chosen, as of an axis never measured on this scan.
	givenUncertainty = axisUncertainty
	// tagUncertainty is that of a tag alone: chosen, twice an axis's, since
	// nothing on the scan confirms it but the breadth of the cores.
	tagUncertainty = 2 * axisUncertainty
)

// Decide settles the scale of a scan: a scale given by hand, else the ruler,
// else the resolution tag if the cores then come out 2 to 20 mm wide, else
// none. Whatever else speaks for a scale is compared with it in Checks.
//
// An axis without ruler takes the ruler times the y:x ratio that the scanner's
// check has measured, if there is one; else the tag if tag and ruler agree
// within 0.5 % on the ruler's axis, else the ruler times the tag's x:y ratio. A
// tag alone is corrected by the scanner's check. Uncertainties are standard
// ones: a ruler's contains the permissible error of its class (see
// RulerFit.Uncertainty), an axis without ruler has that of the check's ratio
// added in quadrature, 0.0015 without a check. RelativeStandardUncertainty is that of the axis along which
// most cores lie, the larger of both where they are none or even.
func Decide(e Evidence) measure.Scale {
	s := measure.Scale{Source: measure.ScaleNone, Checks: []measure.Check{}}
	if len(e.Rulers) > 0 {
		s.Ruler = e.Rulers[0].Measure()
	}
	mm, u := e.scale(&s)
	if s.Source != measure.ScaleNone {
		s.MMPerPx, s.RelativeStandardUncertaintyXY = &mm, &u
		along := e.alongCores(u)
		s.RelativeStandardUncertainty = &along
	}
	s.Checks = append(s.Checks, e.checks(s.Source, mm)...)
	return s
}

// scale picks the source and gives mm per px and its uncertainty along x and y.
func (e Evidence) scale(s *measure.Scale) (mm, u [2]float64) {
	switch {
	case e.GivenMMPerPx > 0:
		s.Source = measure.ScaleGiven
		return [2]float64{e.GivenMMPerPx, e.GivenMMPerPx}, [2]float64{givenUncertainty, givenUncertainty}
	case len(e.Rulers) > 0:
		s.Source = measure.ScaleRuler
		return e.rulerScale()
	case e.Tag != nil:
		if mm, u = e.tagAlone(); e.plausible(mm) {
			s.Source = measure.ScaleTag
			return mm, u
		}
	}
	return [2]float64{}, [2]float64{}
}

// tagAlone is the scale by the declared resolution, corrected where the scanner
// was checked.
func (e Evidence) tagAlone() (mm, u [2]float64) {
	if mm, ok := e.scanned(); ok {
		return mm, e.Scanner.Uncertainty
	}
	return tagScale(*e.Tag), [2]float64{tagUncertainty, tagUncertainty}
}

// axisOf is 0 for a ruler along x, 1 along y.
func axisOf(r RulerFit) int {
	if r.Upright {
		return 1
	}
	return 0
}

// byAxis returns the best ruler of each axis, nil where there is none.
func (e Evidence) byAxis() (r [2]*RulerFit) {
	for i := range e.Rulers {
		if a := axisOf(e.Rulers[i]); r[a] == nil {
			r[a] = &e.Rulers[i]
		}
	}
	return r
}

// rulerScale fills both axes from rulers and, where one has none, the scanner's
// check or the tag.
func (e Evidence) rulerScale() (mm, u [2]float64) {
	rulers := e.byAxis()
	for a, r := range rulers {
		if r != nil {
			mm[a], u[a] = r.MMPerPx, r.Uncertainty()
			continue
		}
		other := rulers[1-a]
		if e.Scanner.Known() {
			u[a] = math.Hypot(e.Scanner.RatioUncertainty, other.Uncertainty())
			mm[a] = other.MMPerPx * e.Scanner.Ratio(Declared(e.Tag))
			if a == 0 {
				mm[a] = other.MMPerPx / e.Scanner.Ratio(Declared(e.Tag))
			}
			continue
		}
		u[a] = math.Hypot(axisUncertainty, other.Uncertainty())
		mm[a] = other.MMPerPx
		if e.Tag == nil {
			continue
		}
		tag := tagScale(*e.Tag)
		if apart(tag[1-a], other.MMPerPx) <= agreement {
			mm[a] = tag[a]
		} else {
			mm[a] = other.MMPerPx * tag[a] / tag[1-a]
		}
	}
	return mm, u
}

// tagScale turns dpi into mm per px.
func tagScale(dpi [2]float64) [2]float64 {
	return [2]float64{MMPerInch / dpi[0], MMPerInch / dpi[1]}
}

// apart is the relative distance of two scales.
func apart(a, b float64) float64 { return math.Abs(a/b - 1) }

// breadths returns the cores' breadths in mm at a scale.
func (e Evidence) breadths(mm [2]float64) []float64 {
	var out []float64
	for _, c := range e.Cores {
		across := mm[1]
		if c.Upright {
			across = mm[0]
		}
		out = append(out, c.BreadthPx*across)
	}
	return out
}

// plausible tells that cores come out 2 to 20 mm wide at a scale; without
// cores there is nothing to tell it by.
func (e Evidence) plausible(mm [2]float64) bool {
	if len(e.Cores) == 0 {
		return false
	}
	m := median(e.breadths(mm))
	return m >= 2 && m <= 20
}

// alongCores picks the uncertainty of the axis along which the cores lie.
func (e Evidence) alongCores(u [2]float64) float64 {
	upright := 0
	for _, c := range e.Cores {
		if c.Upright {
			upright++
		}
	}
	switch lying := len(e.Cores) - upright; {
	case lying > upright:
		return u[0]
	case upright > lying:
		return u[1]
	}
	return max(u[0], u[1])
}

// checks compares what there is, two by two, and the cores with their borers.
func (e Evidence) checks(source measure.ScaleSource, mm [2]float64) []measure.Check {
	var out []measure.Check
	if len(e.Rulers) == 0 && e.NoRuler != "" {
		c := measure.Check{Name: "ruler", OK: source == measure.ScaleGiven, Detail: "no ruler found (" + e.NoRuler + ")"}
		if !c.OK {
			c.Detail += ": give --dpi or --mm-per-px, or rescan with the ruler flat and in full view"
		}
		out = append(out, c)
	}
	rulers := e.byAxis()
	for a, r := range rulers {
		if r == nil {
			continue
		}
		name := "ruler along " + axisName(a)
		if e.GivenMMPerPx > 0 {
			out = append(out, compare("given scale and ruler", "the given scale", e.GivenMMPerPx, name, r.MMPerPx))
		}
		if e.Tag != nil {
			out = append(out, flatness(compare("ruler and resolution tag", name, r.MMPerPx, "the resolution tag", tagScale(*e.Tag)[a])))
		}
	}
	if e.GivenMMPerPx > 0 && e.Tag != nil {
		out = append(out, compare("given scale and resolution tag", "the given scale", e.GivenMMPerPx, "the resolution tag", tagScale(*e.Tag)[0]))
		if e.Tag[0] != e.Tag[1] {
			out = append(out, compare("given scale and resolution tag along y", "the given scale", e.GivenMMPerPx, "the resolution tag along y", tagScale(*e.Tag)[1]))
		}
	}
	if rulers[0] != nil && rulers[1] != nil {
		second := rulers[1-axisOf(e.Rulers[0])]
		out = append(out, measure.Check{Name: "second ruler", OK: true, Detail: fmt.Sprintf("%s by a ruler of its own: %s, %d ticks over %.0f mm, standard uncertainty %.2f %%",
			axisName(axisOf(*second)), second.Graduation, second.Ticks, second.LengthMM(), 100*second.Uncertainty())})
	}
	for i := range e.Rulers {
		r := &e.Rulers[i]
		if best := rulers[axisOf(*r)]; best != r {
			out = append(out, compare("two scales along "+axisName(axisOf(*r)), best.Graduation, best.MMPerPx, r.Graduation, r.MMPerPx))
		}
	}
	out = append(out, e.scannerChecks(source)...)
	if source == measure.ScaleNone && e.Tag != nil {
		out = append(out, e.tagRefused())
	}
	if source != measure.ScaleNone && len(e.Cores) > 0 {
		out = append(out, e.borerCheck(mm))
	}
	return out
}

func axisName(a int) string { return [2]string{"x", "y"}[a] }

// compare states two scales and how far apart they are.
func compare(check, nameA string, a float64, nameB string, b float64) measure.Check {
	return measure.Check{Name: check, OK: apart(a, b) <= agreement, Detail: fmt.Sprintf(
		"%s: %.6f mm/px (%.1f dpi); %s: %.6f mm/px (%.1f dpi); %.2f %% apart, up to %.1f %% is taken as agreement",
		nameA, a, MMPerInch/a, nameB, b, MMPerInch/b, 100*apart(a, b), 100*agreement)}
}

// flatness adds to a check that a ruler has failed what is most often the
// matter: a lens shows what lies nearer or further off at another scale.
func flatness(c measure.Check) measure.Check {
	if !c.OK {
		c.Detail += "; does the ruler lie flat, at the height of the wood?"
	}
	return c
}

// tagRefused says why the tag was not taken for the scale.
func (e Evidence) tagRefused() measure.Check {
	c := measure.Check{Name: "resolution tag"}
	if len(e.Cores) == 0 {
		c.Detail = fmt.Sprintf("the tag says %.0f x %.0f dpi, but there is no core to test it by", e.Tag[0], e.Tag[1])
		return c
	}
	m := median(e.breadths(tagScale(*e.Tag)))
	c.Detail = fmt.Sprintf("the tag says %.0f x %.0f dpi, but cores would then be %.1f mm wide, not 2 to 20 mm", e.Tag[0], e.Tag[1], m)
	if isDefault(*e.Tag) {
		c.Detail += "; programs write this value when they know none"
	}
	return c
}

// borers are the nominal diameters of increment borers in mm (makers' and
// common practice).
var borers = [...]float64{4.3, 5.15, 10, 12}

// fits tells whether a core of this breadth can come from a borer: the sanded
// face is a chord, so narrower than the bore, but hardly below 60 % of it, and
// never above it by more than 5 %.
func fits(breadth, borer float64) bool { return breadth <= 1.05*borer && breadth >= 0.6*borer }

// borerCheck compares the cores' breadth with their borers.
func (e Evidence) borerCheck(mm [2]float64) measure.Check {
	c := measure.Check{Name: "core breadth", OK: true}
	breadths := e.breadths(mm)
	off := 0
	for i, b := range breadths {
		if !e.fitsBorer(e.Cores[i], b) {
			off++
		}
	}
	// One odd core is a matter of that core; most of them, of the scale.
	c.OK = 2*off <= len(breadths)
	lo, hi := quantileOf(breadths, 0), quantileOf(breadths, 1)
	c.Detail = fmt.Sprintf("the cores are %.2f to %.2f mm wide", lo, hi)
	if off == 0 {
		c.Detail += ", as from a borer of usual size"
	} else {
		c.Detail += fmt.Sprintf("; %d of %d fit no borer (4.3, 5.15, 10 or 12 mm, or the sheet's) to between 60 %% and 105 %% of its diameter", off, len(breadths))
		if len(e.Rulers) > 0 {
			c = flatness(c)
		}
	}
	return c
}

func (e Evidence) fitsBorer(c Core, breadth float64) bool {
	if c.BorerMM > 0 {
		return fits(breadth, c.BorerMM)
	}
	for _, b := range borers {
		if fits(breadth, b) {
			return true
		}
	}
	return false
}
