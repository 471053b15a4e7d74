package measure

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// Scanner is what a check of a scanner against a ruler gave: how large its
// pixels are along x and y. Its axes are those of the file as stored, before an
// orientation tag turns it. The zero value means none.
type Scanner struct {
	Name    string `json:"name"`
	Make    string `json:"make,omitempty"` // as its files say; empty: they do not
	Model   string `json:"model,omitempty"`
	Checked string `json:"checked"` // ISO date
	Detail  string `json:"detail"`  // the rulers it was checked by
	// DPI is what the checked scan declares; zero: nothing.
	DPI     [2]float64 `json:"dpi,omitzero"`
	MMPerPx [2]float64 `json:"mm_per_px"` // measured
	// Uncertainty holds relative standard uncertainties of MMPerPx, and
	// RatioUncertainty that of one axis given the other.
	Uncertainty      [2]float64 `json:"relative_standard_uncertainty_xy"`
	RatioUncertainty float64    `json:"ratio_relative_standard_uncertainty"`
}

// RulerScan is what the rulers on one scan say, in axes of the file as stored.
type RulerScan struct {
	File   string         `json:"file"`
	Make   string         `json:"make,omitempty"`
	Model  string         `json:"model,omitempty"`
	DPI    *[2]float64    `json:"dpi"`    // nil: none declared, or only a program's default
	Rulers []RulerReading `json:"rulers"` // best first
	Why    string         `json:"why,omitempty"`
}

// RulerReading is one row of ticks that was read.
type RulerReading struct {
	Axis           int     `json:"axis"` // 0: x, 1: y
	Graduation     string  `json:"graduation"`
	Ticks          int     `json:"ticks"`
	LengthMM       float64 `json:"length_mm"`
	MMPerPx        float64 `json:"mm_per_px"`
	FitUncertainty float64 `json:"fit_uncertainty"` // relative, of the line through the ticks alone
	Uncertainty    float64 `json:"uncertainty"`     // and with the ruler's own
}

// scannerDrift is by how much a scanner's axes may differ from one scan to the
// next, as a relative standard uncertainty: chosen, a third of what an axis
// that was never measured is given.
const scannerDrift = 0.0005

// agreement is how close two scales must be to count as the same (the
// contract's 0.5 %).
const agreement = 0.005

// shortRulerMM is the length of ruler below which the ruler's own permissible
// error keeps a check worse than 0.3 % (class II, directive 2014/32/EU annex X:
// 0.5 mm as a uniform distribution, over 100 mm).
const shortRulerMM = 100

// NewScanner makes a scanner's check of scans of rulers: one with a ruler along
// each axis, or one scan for each. Where one ruler was scanned twice its own
// error is in both axes alike and so not in their ratio; rulers of one
// graduation on scans of their own are taken for one. The error says which axis
// has no ruler. Warnings are about what was found.
func NewScanner(name, date string, scans []RulerScan) (s Scanner, warnings []string, err error) {
	if strings.TrimSpace(name) == "" {
		return s, nil, errors.New("the scanner has no name")
	}
	s = Scanner{Name: name, Checked: date, Make: scans[0].Make, Model: scans[0].Model}
	if d := scans[0].DPI; d != nil {
		s.DPI = *d
	}
	var best [2]*RulerReading
	var from [2]int
	for i, scan := range scans {
		if (scan.DPI == nil) != (scans[0].DPI == nil) {
			return s, nil, fmt.Errorf("%s and %s: only one of them declares its resolution: scan both alike", scans[0].File, scan.File)
		}
		if scan.Make != s.Make || scan.Model != s.Model {
			return s, nil, fmt.Errorf("%s and %s say that they come from different scanners (%s and %s)", scans[0].File, scan.File, device(s.Make, s.Model), device(scan.Make, scan.Model))
		}
		for k := range scan.Rulers {
			r := &scan.Rulers[k]
			if b := best[r.Axis]; b == nil || r.Uncertainty < b.Uncertainty {
				best[r.Axis], from[r.Axis] = r, i
			}
		}
	}
	var details []string
	for a, r := range best {
		if r == nil {
			return s, nil, fmt.Errorf("no ruler along %s was found%s: scan the ruler once along each side of the glass, and give both scans", axisName(a), whyNone(scans))
		}
		s.MMPerPx[a] = round7(r.MMPerPx * declaredAs(scans[from[a]].DPI, scans[0].DPI, a))
		s.Uncertainty[a] = round7(math.Hypot(r.Uncertainty, scannerDrift))
		details = append(details, fmt.Sprintf("%s: %s, %d ticks over %.0f mm in %s", axisName(a), r.Graduation, r.Ticks, r.LengthMM, scans[from[a]].File))
		if r.LengthMM < shortRulerMM {
			warnings = append(warnings, fmt.Sprintf("only %.0f mm of ruler along %s are seen, so that this axis is known to %.2f %%: use a longer ruler", r.LengthMM, axisName(a), 100*r.Uncertainty))
		}
	}
	s.Detail = strings.Join(details, "; ")
	x, y := best[0], best[1]
	if from[0] != from[1] && x.Graduation == y.Graduation {
		s.RatioUncertainty = math.Hypot(math.Hypot(x.FitUncertainty, y.FitUncertainty), scannerDrift)
	} else {
		s.RatioUncertainty = math.Hypot(math.Hypot(x.Uncertainty, y.Uncertainty), scannerDrift)
	}
	s.RatioUncertainty = round7(s.RatioUncertainty)
	return s, append(warnings, s.oddities()...), nil
}

// declaredAs turns a size measured on a scan of one resolution into that on a
// scan of another.
func declaredAs(of, want *[2]float64, axis int) float64 {
	if of == nil || want == nil {
		return 1
	}
	return of[axis] / want[axis]
}

// round7 rounds to seven digits, fewer than a measurement is written with, so
// that what was written and read again is still the same.
func round7(v float64) float64 {
	if v == 0 {
		return 0
	}
	unit := math.Pow(10, math.Ceil(math.Log10(math.Abs(v)))-7)
	return math.Round(v/unit) * unit
}

// oddities says what a person should look at before relying on a check.
func (s Scanner) oddities() (warnings []string) {
	if ratio := s.Ratio(nil); math.Abs(ratio-1) > 2*agreement {
		warnings = append(warnings, fmt.Sprintf("a pixel is %.2f %% longer along y than along x, more than flatbeds differ: were both scans made alike, and do the rulers lie flat?", 100*(ratio-1)))
	}
	if s.DPI == ([2]float64{}) {
		return append(warnings, "the scan declares no resolution, so that only the ratio of its axes can be used later")
	}
	for a := range 2 {
		if off := s.Deviation(a); math.Abs(off) > agreement {
			warnings = append(warnings, fmt.Sprintf("along %s a pixel is %+.2f %% off what the resolution tag says (%.0f dpi): does the ruler lie at the height of the wood?", axisName(a), 100*off, s.DPI[a]))
		}
	}
	return warnings
}

// Deviation is how far a pixel along an axis is off its declared size, as a
// share of that; 0 where none was declared.
func (s Scanner) Deviation(axis int) float64 {
	if s.DPI[axis] == 0 {
		return 0
	}
	return s.MMPerPx[axis]*s.DPI[axis]/25.4 - 1
}

// Known tells that there is a check.
func (s Scanner) Known() bool { return s.MMPerPx[0] > 0 && s.MMPerPx[1] > 0 }

// At returns the size of a pixel along x and y on a scan that declares this
// resolution; ok is false where either that or the check declares none.
func (s Scanner) At(dpi *[2]float64) (mm [2]float64, ok bool) {
	if dpi == nil || s.DPI[0] == 0 || !s.Known() {
		return mm, false
	}
	for a := range mm {
		mm[a] = s.MMPerPx[a] * s.DPI[a] / dpi[a]
	}
	return mm, true
}

// Ratio returns the size of a pixel along y over that along x on a scan that
// declares this resolution; where nothing is declared, the same along both
// axes is meant.
func (s Scanner) Ratio(dpi *[2]float64) float64 {
	ratio := s.MMPerPx[1] / s.MMPerPx[0]
	if s.DPI[0] > 0 {
		ratio *= s.DPI[1] / s.DPI[0]
	}
	if dpi != nil {
		ratio *= dpi[0] / dpi[1]
	}
	return ratio
}

// Turned returns the check for scans that are displayed on their side.
func (s Scanner) Turned() Scanner {
	for _, pair := range []*[2]float64{&s.DPI, &s.MMPerPx, &s.Uncertainty} {
		pair[0], pair[1] = pair[1], pair[0]
	}
	return s
}

// ScannerOf picks the scanner that a file comes from by what it says of its
// make and model; the zero value where it says nothing, or none is known. Where
// several fit there is no telling, and the warning says so.
func ScannerOf(all []Scanner, maker, model string) (s Scanner, warning string) {
	if maker == "" && model == "" {
		return s, ""
	}
	var fit []Scanner
	var names []string
	for _, x := range all {
		if x.Make == maker && x.Model == model {
			fit, names = append(fit, x), append(names, x.Name)
		}
	}
	switch len(fit) {
	case 0:
		return s, ""
	case 1:
		return fit[0], ""
	}
	return s, fmt.Sprintf("the scan comes from a %s, and %s are checks of one: name the right one with --scanner", device(maker, model), strings.Join(names, " and "))
}

// device words a make and model.
func device(maker, model string) string {
	switch {
	case maker == "" && model == "":
		return "scanner that is not named"
	case strings.HasPrefix(model, maker): // makers often repeat themselves
		return model
	}
	return strings.TrimSpace(maker + " " + model)
}

func axisName(a int) string { return [2]string{"x", "y"}[a] }

// whyNone gives the reasons why rulers were not found.
func whyNone(scans []RulerScan) string {
	var why []string
	for _, s := range scans {
		if s.Why != "" {
			why = append(why, s.File+": "+s.Why)
		}
	}
	if len(why) == 0 {
		return ""
	}
	return " (" + strings.Join(why, "; ") + ")"
}
