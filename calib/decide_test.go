package calib

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"pithward/measure"
)

// ruler100 is a ruler of 100 mm at the given scale, with no error of fit.
func ruler100(mmPerPx float64, upright bool) RulerFit {
	return RulerFit{Unit: "mm", TickMM: 1, Graduation: "mm", Ticks: 101, Span: 100, MMPerPx: mmPerPx, PitchPx: 1 / mmPerPx, Upright: upright}
}

func TestDecide(t *testing.T) {
	// Class II, directive 2014/32/EU annex X: 0.5 mm over any length up to
	// 1 m, as a uniform distribution 0.29 mm (JCGM 100 4.3.7), over 100 mm.
	const own = 0.00288675
	cross := math.Hypot(own, 0.0015)
	lying := []Core{{BreadthPx: 243}} // 5.15 mm at 1200 dpi
	type testCase struct {
		name   string
		in     Evidence
		source measure.ScaleSource
		mm, u  [2]float64
		along  float64
	}
	tests := []testCase{
		{"given wins", Evidence{GivenMMPerPx: 0.02, Rulers: []RulerFit{ruler100(0.021, false)}, Tag: &[2]float64{1200, 1200}, Cores: lying},
			measure.ScaleGiven, [2]float64{0.02, 0.02}, [2]float64{0.0015, 0.0015}, 0.0015},
		{"ruler alone serves both axes", Evidence{Rulers: []RulerFit{ruler100(0.021, false)}, Cores: lying},
			measure.ScaleRuler, [2]float64{0.021, 0.021}, [2]float64{own, cross}, own},
		{"upright cores across the ruler", Evidence{Rulers: []RulerFit{ruler100(0.021, false)}, Cores: []Core{{BreadthPx: 243, Upright: true}}},
			measure.ScaleRuler, [2]float64{0.021, 0.021}, [2]float64{own, cross}, cross},
		{"the other axis takes an agreeing tag", Evidence{Rulers: []RulerFit{ruler100(0.0212, false)}, Tag: &[2]float64{1200, 1200}, Cores: lying},
			measure.ScaleRuler, [2]float64{0.0212, 25.4 / 1200}, [2]float64{own, cross}, own},
		{"the other axis takes only the ratio of a tag that disagrees", Evidence{Rulers: []RulerFit{ruler100(0.02, true)}, Tag: &[2]float64{300, 600}, Cores: lying},
			measure.ScaleRuler, [2]float64{0.04, 0.02}, [2]float64{cross, own}, cross},
		{"two rulers", Evidence{Rulers: []RulerFit{ruler100(0.02, true), ruler100(0.021, false)}, Cores: lying},
			measure.ScaleRuler, [2]float64{0.021, 0.02}, [2]float64{own, own}, own},
		{"tag with cores of 5.15 mm", Evidence{Tag: &[2]float64{1200, 1200}, Cores: lying},
			measure.ScaleTag, [2]float64{25.4 / 1200, 25.4 / 1200}, [2]float64{0.003, 0.003}, 0.003},
		{"tag of 72 dpi", Evidence{Tag: &[2]float64{72, 72}, Cores: lying}, measure.ScaleNone, [2]float64{}, [2]float64{}, 0},
		{"tag without cores", Evidence{Tag: &[2]float64{1200, 1200}}, measure.ScaleNone, [2]float64{}, [2]float64{}, 0},
		{"nothing", Evidence{}, measure.ScaleNone, [2]float64{}, [2]float64{}, 0},
	}
	// A check at 1200 dpi: 0.1 % larger along x, 0.3 % along y, the ratio known
	// to 0.06 %.
	flatbed := measure.Scanner{Name: "flatbed", DPI: [2]float64{1200, 1200}, MMPerPx: [2]float64{1.001 * 25.4 / 1200, 1.003 * 25.4 / 1200},
		Uncertainty: [2]float64{0.0013, 0.0014}, RatioUncertainty: 0.0006}
	known := math.Hypot(own, 0.0006)
	tests = append(tests, []testCase{
		{"the other axis by the scanner's check", Evidence{Rulers: []RulerFit{ruler100(0.0212, false)}, Scanner: flatbed, Tag: &[2]float64{1200, 1200}, Cores: lying},
			measure.ScaleRuler, [2]float64{0.0212, 0.0212 * 1.003 / 1.001}, [2]float64{own, known}, own},
		{"and along x", Evidence{Rulers: []RulerFit{ruler100(0.0212, true)}, Scanner: flatbed, Cores: lying},
			measure.ScaleRuler, [2]float64{0.0212 * 1.001 / 1.003, 0.0212}, [2]float64{known, own}, known},
		{"at another resolution, unlike along x and y", Evidence{Rulers: []RulerFit{ruler100(0.02, false)}, Scanner: flatbed, Tag: &[2]float64{1270, 635}, Cores: lying},
			measure.ScaleRuler, [2]float64{0.02, 0.04 * 1.003 / 1.001}, [2]float64{own, known}, own},
		{"both rulers win over the check", Evidence{Rulers: []RulerFit{ruler100(0.02, true), ruler100(0.021, false)}, Scanner: flatbed, Cores: lying},
			measure.ScaleRuler, [2]float64{0.021, 0.02}, [2]float64{own, own}, own},
		{"a tag alone is corrected", Evidence{Scanner: flatbed, Tag: &[2]float64{600, 600}, Cores: []Core{{BreadthPx: 120}}},
			measure.ScaleTag, [2]float64{1.001 * 25.4 / 600, 1.003 * 25.4 / 600}, [2]float64{0.0013, 0.0014}, 0.0013},
		{"a tag that programs write by default is not", Evidence{Scanner: flatbed, Tag: &[2]float64{96, 96}, Cores: lying}, measure.ScaleNone, [2]float64{}, [2]float64{}, 0},
		{"a check without ruler or tag gives nothing", Evidence{Scanner: flatbed, Cores: lying}, measure.ScaleNone, [2]float64{}, [2]float64{}, 0},
		{"given wins over the check", Evidence{GivenMMPerPx: 0.02, Scanner: flatbed, Tag: &[2]float64{1200, 1200}, Cores: lying},
			measure.ScaleGiven, [2]float64{0.02, 0.02}, [2]float64{0.0015, 0.0015}, 0.0015},
	}...)
	near := cmpopts.EquateApprox(0, 1e-8)
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			got := Decide(tc.in)
			if got.Source != tc.source {
				t.Fatalf("source %q, want %q", got.Source, tc.source)
			}
			if tc.source == measure.ScaleNone {
				if got.MMPerPx != nil || got.RelativeStandardUncertainty != nil || got.RelativeStandardUncertaintyXY != nil {
					t.Errorf("numbers without a scale: %+v", got)
				}
				return
			}
			if d := cmp.Diff(tc.mm, *got.MMPerPx, near); d != "" {
				t.Errorf("mm per px (-want +got):\n%s", d)
			}
			if d := cmp.Diff(tc.u, *got.RelativeStandardUncertaintyXY, near); d != "" {
				t.Errorf("uncertainty (-want +got):\n%s", d)
			}
			if d := cmp.Diff(tc.along, *got.RelativeStandardUncertainty, near); d != "" {
				t.Errorf("uncertainty along the cores (-want +got):\n%s", d)
			}
		})
	}
}

func TestChecks(t *testing.T) {
	lying := func(px float64) []Core { return []Core{{BreadthPx: px}} }
	flatbed := measure.Scanner{Name: "flatbed", Checked: "2026-11-27", DPI: [2]float64{1200, 1200}, MMPerPx: [2]float64{25.4 / 1200, 1.003 * 25.4 / 1200}}
	tests := []struct {
		name  string
		in    Evidence
		check string
		ok    bool
		says  string
	}{
		{"given and ruler agree", Evidence{GivenMMPerPx: 0.0211, Rulers: []RulerFit{ruler100(0.0212, false)}}, "given scale and ruler", true, "0.47 % apart"},
		{"given and ruler do not", Evidence{GivenMMPerPx: 0.0210, Rulers: []RulerFit{ruler100(0.0212, false)}}, "given scale and ruler", false, "0.94 % apart"},
		{"ruler and tag", Evidence{Rulers: []RulerFit{ruler100(25.4/1200, false)}, Tag: &[2]float64{600, 600}}, "ruler and resolution tag", false, "600.0 dpi"},
		{"given and tag", Evidence{GivenMMPerPx: 25.4 / 600, Tag: &[2]float64{600, 600}}, "given scale and resolution tag", true, "0.00 %"},
		{"given and a tag that differs along y", Evidence{GivenMMPerPx: 25.4 / 600, Tag: &[2]float64{600, 300}}, "given scale and resolution tag along y", false, "50.00 % apart"},
		{"a ruler each way", Evidence{Rulers: []RulerFit{ruler100(0.02, true), ruler100(0.021, false)}}, "second ruler", true, "x by a ruler of its own: mm, 101 ticks over 100 mm, standard uncertainty 0.29 %"},
		{"two scales on one axis", Evidence{Rulers: []RulerFit{ruler100(0.02, false), {Graduation: "1/16 inch", MMPerPx: 0.0202, TickMM: 25.4 / 16, Span: 60}}}, "two scales along x", false, "1/16 inch"},
		{"no ruler", Evidence{NoRuler: "nothing repeats"}, "ruler", false, "--mm-per-px"},
		{"no ruler, but given", Evidence{GivenMMPerPx: 0.02, NoRuler: "nothing repeats"}, "ruler", true, "no ruler found (nothing repeats)"},
		{"default tag", Evidence{Tag: &[2]float64{96, 96}, Cores: lying(243)}, "resolution tag", false, "64.3 mm wide"},
		{"tag without core", Evidence{Tag: &[2]float64{1200, 1200}}, "resolution tag", false, "no core"},
		// Borers of 4.3, 5.15, 10 and 12 mm, above nominal +5 % or below 60 %
		// (common practice): 5.15 mm is 243 px at 1200 dpi.
		{"5.15 mm core", Evidence{GivenMMPerPx: 25.4 / 1200, Cores: lying(243)}, "core breadth", true, "5.14 to 5.14"},
		{"5.15 mm core at half the scale", Evidence{GivenMMPerPx: 25.4 / 2400, Cores: lying(235)}, "core breadth", false, "1 of 1 fit no borer"},
		{"5.7 mm is between two borers", Evidence{GivenMMPerPx: 0.01, Cores: lying(570)}, "core breadth", false, "no borer"},
		{"borer by the sheet", Evidence{GivenMMPerPx: 0.01, Cores: []Core{{BreadthPx: 420, BorerMM: 12}}}, "core breadth", false, "no borer"},
		{"what was taken from a scanner's check", Evidence{Rulers: []RulerFit{ruler100(0.0212, false)}, Scanner: flatbed}, "scanner", true, "y from the ruler along x by the check of scanner flatbed on 2026-11-27"},
		{"a ruler and a check that agree", Evidence{Rulers: []RulerFit{ruler100(0.0212, false)}, Scanner: flatbed, Tag: &[2]float64{1200, 1200}}, "ruler and scanner", true, "0.16 % apart"},
		{"a ruler above the wood", Evidence{Rulers: []RulerFit{ruler100(0.0216, false)}, Scanner: flatbed, Tag: &[2]float64{1200, 1200}}, "ruler and scanner", false, "at the height of the wood?"},
		{"a tag and a check that agree", Evidence{Scanner: flatbed, Tag: &[2]float64{600, 1200}, Cores: lying(120)}, "resolution tag and scanner", true, "0.00 % apart"},
		{"a scanner far off its resolution", Evidence{Scanner: measure.Scanner{Name: "b", DPI: [2]float64{1200, 1200}, MMPerPx: [2]float64{0.0215, 0.0215}}, Tag: &[2]float64{1200, 1200}, Cores: lying(243)}, "resolution tag and scanner", false, "the check of scanner b"},
		{"a given scale and a check", Evidence{GivenMMPerPx: 0.0216, Scanner: flatbed, Tag: &[2]float64{1200, 1200}}, "given scale and scanner", false, "2.05 % apart"},
		{"one odd core of three", Evidence{GivenMMPerPx: 0.01, Cores: []Core{{BreadthPx: 420}, {BreadthPx: 430}, {BreadthPx: 570}}}, "core breadth", true, "1 of 3"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			for _, c := range Decide(tc.in).Checks {
				if c.Name != tc.check {
					continue
				}
				if c.OK != tc.ok || !strings.Contains(c.Detail, tc.says) {
					t.Errorf("ok %v, %q; want ok %v saying %q", c.OK, c.Detail, tc.ok, tc.says)
				}
				return
			}
			t.Errorf("no check %q", tc.check)
		})
	}
}
