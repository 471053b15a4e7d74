package calib

import (
	"fmt"

	"pithward/measure"
)

// Readings lists what the rulers of a scan say, for the check of a scanner.
// turned tells that the scan is displayed on its side, so that its axes are
// those of the stored file the other way round.
func Readings(found []RulerFit, turned bool) (out []measure.RulerReading) {
	for _, r := range found {
		a := axisOf(r)
		if turned {
			a = 1 - a
		}
		out = append(out, measure.RulerReading{Axis: a, Graduation: r.Graduation, Ticks: r.Ticks, LengthMM: r.LengthMM(),
			MMPerPx: r.MMPerPx, FitUncertainty: r.FitRelative, Uncertainty: r.Uncertainty()})
	}
	return out
}

// Declared returns a resolution that somebody meant: nil for none, and for what
// programs write when they know nothing.
func Declared(tag *[2]float64) *[2]float64 {
	if tag == nil || isDefault(*tag) {
		return nil
	}
	return tag
}

// scanned is the scale that the scanner's check gives for the declared
// resolution.
func (e Evidence) scanned() (mm [2]float64, ok bool) { return e.Scanner.At(Declared(e.Tag)) }

// scannerChecks compares the scanner's check with what else there is, and says
// what was taken from it.
func (e Evidence) scannerChecks(source measure.ScaleSource) (out []measure.Check) {
	if !e.Scanner.Known() {
		return nil
	}
	name := fmt.Sprintf("the check of scanner %s on %s", e.Scanner.Name, e.Scanner.Checked)
	if use := e.takenFromScanner(source); use != "" {
		out = append(out, measure.Check{Name: "scanner", OK: true, Detail: use + " by " + name + " (" + e.Scanner.Detail + ")"})
	}
	mm, ok := e.scanned()
	if !ok {
		return out
	}
	for a, r := range e.byAxis() {
		if r != nil {
			out = append(out, flatness(compare("ruler and scanner", "ruler along "+axisName(a), r.MMPerPx, name, mm[a])))
		}
	}
	for a, tag := range tagScale(*e.Tag) {
		out = append(out, compare("resolution tag and scanner", "the resolution tag along "+axisName(a), tag, name, mm[a]))
	}
	if e.GivenMMPerPx > 0 {
		out = append(out, compare("given scale and scanner", "the given scale", e.GivenMMPerPx, name, mm[0]))
	}
	return out
}

// takenFromScanner says what of the scale comes from the scanner's check, "" if
// nothing does.
func (e Evidence) takenFromScanner(source measure.ScaleSource) string {
	switch source {
	case measure.ScaleRuler:
		for a, r := range e.byAxis() {
			if r == nil {
				return fmt.Sprintf("%s from the ruler along %s", axisName(a), axisName(1-a))
			}
		}
	case measure.ScaleTag:
		if _, ok := e.scanned(); ok {
			return "the resolution tag corrected"
		}
	}
	return ""
}
