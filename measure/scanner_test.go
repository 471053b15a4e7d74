package measure

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// scanned is a scan of 1200 dpi with a ruler of 250 mm along some axes; a class
// II ruler's own error over that is 0.5 mm / sqrt(3) / 250 mm = 0.115 % (directive
// 2014/32/EU annex X; JCGM 100:2008, 4.3.7).
func scanned(file string, mm map[int]float64) RulerScan {
	s := RulerScan{File: file, DPI: &[2]float64{1200, 1200}}
	for a, v := range mm {
		s.Rulers = append(s.Rulers, RulerReading{Axis: a, Graduation: "mm", Ticks: 251, LengthMM: 250, MMPerPx: v, FitUncertainty: 1e-5, Uncertainty: 0.00115})
	}
	return s
}

const nominal = 25.4 / 1200

func TestNewScanner(t *testing.T) {
	x, y := 1.001*nominal, 1.003*nominal
	one := math.Hypot(math.Hypot(1e-5, 1e-5), scannerDrift)
	two := math.Hypot(math.Hypot(0.00115, 0.00115), scannerDrift)
	short := scanned("b.tif", map[int]float64{1: y})
	short.Rulers[0].LengthMM, short.Rulers[0].Uncertainty = 60, 0.0048
	finer := scanned("b.tif", map[int]float64{1: y / 2})
	finer.DPI = &[2]float64{2400, 2400}
	untold := scanned("a.tif", map[int]float64{0: x, 1: y})
	untold.DPI = nil
	other := scanned("b.tif", map[int]float64{1: y})
	other.Make = "Otherworks"
	blind := RulerScan{File: "b.tif", DPI: &[2]float64{1200, 1200}, Why: "nothing repeats"}
	for _, tt := range []struct {
		name  string
		scans []RulerScan
		ratio float64 // uncertainty
		says  string  // in the warnings; "": none
		err   string
	}{
		{"one scan, two rulers", []RulerScan{scanned("a.tif", map[int]float64{0: x, 1: y})}, two, "", ""},
		{"one ruler on two scans", []RulerScan{scanned("a.tif", map[int]float64{0: x}), scanned("b.tif", map[int]float64{1: y})}, one, "", ""},
		{"the second at twice the resolution", []RulerScan{scanned("a.tif", map[int]float64{0: x}), finer}, one, "", ""},
		{"a short ruler", []RulerScan{scanned("a.tif", map[int]float64{0: x}), short}, one, "only 60 mm of ruler along y are seen, so that this axis is known to 0.48 %", ""},
		{"no resolution declared", []RulerScan{untold}, two, "only the ratio of its axes", ""},
		{"far off its resolution", []RulerScan{scanned("a.tif", map[int]float64{0: 1.02 * x, 1: 1.02 * y})}, two, "along x a pixel is +2.10 % off what the resolution tag says (1200 dpi)", ""},
		{"axes too far apart", []RulerScan{scanned("a.tif", map[int]float64{0: x, 1: 1.03 * y})}, two, "a pixel is 3.21 % longer along y", ""},
		{"no ruler along y", []RulerScan{scanned("a.tif", map[int]float64{0: x}), blind}, 0, "", "no ruler along y was found (b.tif: nothing repeats): scan the ruler once along each side"},
		{"resolution on one scan only", []RulerScan{untold, scanned("b.tif", map[int]float64{1: y})}, 0, "", "only one of them declares its resolution"},
		{"of two scanners", []RulerScan{scanned("a.tif", map[int]float64{0: x}), other}, 0, "", "different scanners (scanner that is not named and Otherworks)"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, warnings, err := NewScanner("flatbed", "2026-11-27", tt.scans)
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Errorf("error %v, want %q", err, tt.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if got := strings.Join(warnings, "\n"); !strings.Contains(got, tt.says) || tt.says == "" && got != "" {
				t.Errorf("warnings %q, want %q", got, tt.says)
			}
			if d := s.RatioUncertainty/tt.ratio - 1; math.Abs(d) > 1e-5 {
				t.Errorf("the ratio is known to %v, want %v", s.RatioUncertainty, tt.ratio)
			}
			want := tt.scans[0].Rulers[0].MMPerPx
			if tt.scans[0].Rulers[0].Axis == 0 && math.Abs(s.MMPerPx[0]/want-1) > 1e-6 {
				t.Errorf("x %v, want %v", s.MMPerPx[0], want)
			}
			if tt.name == "the second at twice the resolution" && math.Abs(s.MMPerPx[1]/y-1) > 1e-6 {
				t.Errorf("y %v, want %v", s.MMPerPx[1], y)
			}
		})
	}
}

// Whatever the resolution of a later scan, the check gives the axes' ratio as
// it was measured, and turning a scan twice changes nothing.
func TestScannerProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.Float64Range(0.002, 0.2)
		s := Scanner{MMPerPx: [2]float64{size.Draw(t, "x"), size.Draw(t, "y")}, DPI: [2]float64{1200, 1200}}
		dpi := rapid.Float64Range(100, 5000)
		tag := [2]float64{dpi.Draw(t, "dpi x"), dpi.Draw(t, "dpi y")}
		mm, ok := s.At(&tag)
		if !ok || math.Abs(mm[1]/mm[0]/s.Ratio(&tag)-1) > 1e-12 {
			t.Fatalf("%v, ratio %v", mm, s.Ratio(&tag))
		}
		if s.Turned().Turned() != s {
			t.Fatal("turned twice it is another")
		}
		turned, _ := s.Turned().At(&[2]float64{tag[1], tag[0]})
		if turned != [2]float64{mm[1], mm[0]} {
			t.Fatalf("turned %v, as it was %v", turned, mm)
		}
	})
}

func TestScannerOf(t *testing.T) {
	all := []Scanner{{Name: "left", Make: "Mill", Model: "Mill 4"}, {Name: "right", Make: "Mill", Model: "Mill 4"}, {Name: "old", Model: "P2"}}
	for _, tt := range []struct{ maker, model, want, says string }{
		{"", "", "", ""},
		{"", "P2", "old", ""},
		{"Mill", "Mill 5", "", ""},
		{"Mill", "Mill 4", "", "the scan comes from a Mill 4, and left and right are checks of one: name the right one with --scanner"},
	} {
		s, warning := ScannerOf(all, tt.maker, tt.model)
		if s.Name != tt.want || warning != tt.says {
			t.Errorf("%q %q: %q, %q", tt.maker, tt.model, s.Name, warning)
		}
	}
}

// A check comes out of a measurement as it went in, so that a run that is gone
// on with finds the same settings.
func TestScannerThroughMeasurement(t *testing.T) {
	s, _, err := NewScanner("flatbed", "2026-11-27", []RulerScan{scanned("a.tif", map[int]float64{0: 1.0010203 * nominal, 1: 1.0030709 * nominal})})
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	if err := Encode(&text, Measurement{Schema: Schema, Program: Program{Settings: Settings{Scanner: s}}}); err != nil {
		t.Fatal(err)
	}
	m, err := Decode(strings.NewReader(text.String()))
	if err != nil || m.Program.Settings.Scanner != s {
		t.Errorf("%v: %+v, want %+v", err, m.Program.Settings.Scanner, s)
	}
	b, _ := json.Marshal(Settings{})
	if strings.Contains(string(b), "scanner") {
		t.Errorf("no scanner is written: %s", b)
	}
}
