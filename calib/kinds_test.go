package calib_test

import (
	"flag"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pithward/calib"
	"pithward/measure"
	"pithward/vision/phantom"
)

var kindPictures = flag.String("kinds", "", "write the scans of TestRulerKinds into this folder")

const inch = calib.MMPerInch

// metre is a plastic rule of 100 mm in millimetres.
func metre() *phantom.Ruler {
	return &phantom.Ruler{AtMM: [2]float64{10, 6}, LengthMM: 100, BreadthMM: 24, MarginMM: 4, TickMM: 0.15, Material: "plastic",
		Body: phantom.RGB{244, 243, 238}, Ink: phantom.RGB{24, 24, 26},
		Scales: []phantom.RulerScale{{Unit: "mm", Finest: 1, ShortMM: 3, Numbers: true}}}
}

// inches is the same in parts of an inch.
func inches(finest float64) *phantom.Ruler {
	r := metre()
	r.LengthMM = 4 * inch
	r.Scales = []phantom.RulerScale{{Unit: "inch", Finest: finest, ShortMM: 2.4, Numbers: true}}
	return r
}

// withRuler is a scan at 600 dpi of a ruler. Along y a pixel is 0.3 % longer
// than along x.
func withRuler(r *phantom.Ruler) phantom.Tray {
	mm := inch / 600
	t := phantom.Tray{DPI: 600, MMPerPx: [2]float64{mm, mm * 1.003}, WidthPx: int(120 / mm), HeightPx: int(36 / mm), Ruler: r,
		Ground:  phantom.Ground{Colour: phantom.RGB{52, 54, 60}, Blotch: 1.5, Grain: 2},
		Scanner: phantom.Scanner{BlurPx: 0.6, Noise: 2, PixelNoise: 1}}
	return t
}

// Every kind of ruler a lab lays beside its cores gives its own unit, and the
// scale along it within 0.1 %, the figure to reach.
func TestRulerKinds(t *testing.T) {
	if testing.Short() {
		t.Skip("renders scans")
	}
	of := func(r *phantom.Ruler, change func(*phantom.Ruler)) *phantom.Ruler { change(r); return r }
	both := func(r *phantom.Ruler, far phantom.RulerScale) *phantom.Ruler {
		far.FarEdge, far.Numbers = true, true
		r.Scales = append(r.Scales, far)
		return r
	}
	steel := func(r *phantom.Ruler) {
		r.Material, r.Body, r.Ink = "steel", phantom.RGB{176, 180, 184}, phantom.RGB{40, 40, 42}
	}
	tests := []struct {
		name  string
		ruler *phantom.Ruler
		also  func(*phantom.Tray)
		want  []float64 // tick steps found, in any order, mm
	}{
		{"white plastic", metre(), nil, []float64{1}},
		{"white plastic, half mm", of(metre(), func(r *phantom.Ruler) { r.Scales[0].Finest, r.TickMM = 0.5, 0.1 }), nil, []float64{0.5}},
		{"black plastic, light ticks", of(metre(), func(r *phantom.Ruler) { r.Body, r.Ink = phantom.RGB{30, 30, 34}, phantom.RGB{236, 236, 232} }), nil, []float64{1}},
		{"printed on paper", of(metre(), func(r *phantom.Ruler) { r.Material = "paper" }), nil, []float64{1}},
		{"steel", of(metre(), steel), nil, []float64{1}},
		{"steel, half mm", of(metre(), func(r *phantom.Ruler) { steel(r); r.Scales[0].Finest, r.TickMM = 0.5, 0.1 }), nil, []float64{0.5}},
		{"wooden", of(metre(), func(r *phantom.Ruler) {
			r.Material, r.Body, r.Ink = "wood", phantom.RGB{206, 168, 112}, phantom.RGB{46, 38, 32}
		}), nil, []float64{1}},
		{"wooden, worn", of(metre(), func(r *phantom.Ruler) {
			r.Material, r.Body, r.Ink, r.Wear, r.Lost = "wood", phantom.RGB{190, 150, 98}, phantom.RGB{60, 48, 38}, 0.9, 0.06
		}), nil, []float64{1}},
		{"transparent, dark ticks on a light ground", of(metre(), func(r *phantom.Ruler) { r.Clear, r.Body = 0.85, phantom.RGB{210, 214, 216} }),
			func(t *phantom.Tray) { t.Ground.Colour = phantom.RGB{214, 212, 206} }, []float64{1}},
		{"transparent, light ticks on a dark ground", of(metre(), func(r *phantom.Ruler) { r.Clear, r.Ink = 0.85, phantom.RGB{235, 235, 235} }), nil, []float64{1}},
		{"sixteenths", inches(1. / 16), nil, []float64{inch / 16}},
		{"thirty-seconds", of(inches(1./32), func(r *phantom.Ruler) { r.TickMM = 0.12 }), nil, []float64{inch / 32}},
		{"steel, thirty-seconds", of(inches(1./32), func(r *phantom.Ruler) { steel(r); r.TickMM = 0.12 }), nil, []float64{inch / 32}},
		{"mm and inches", both(metre(), phantom.RulerScale{Unit: "inch", Finest: 1. / 16, ShortMM: 2.4}), nil, []float64{1, inch / 16}},
		{"mm on both edges", both(metre(), phantom.RulerScale{Unit: "mm", Finest: 1, ShortMM: 3}), nil, []float64{1}},
		{"half mm and mm", both(of(metre(), func(r *phantom.Ruler) { r.TickMM = 0.1 }), phantom.RulerScale{Unit: "mm", Finest: 0.5, ShortMM: 2.6}), nil, []float64{1, 0.5}},
		{"worn steel", of(metre(), func(r *phantom.Ruler) { steel(r); r.Wear, r.Lost = 1, 0.1 }), nil, []float64{1}},
		{"steel that reflects", of(metre(), func(r *phantom.Ruler) { steel(r); r.Glare = 0.9 }), nil, []float64{1}},
		{"steel that blinds", of(metre(), func(r *phantom.Ruler) { steel(r); r.Glare = 1 }), nil, []float64{1}},
		{"turned by 3 degrees", of(metre(), func(r *phantom.Ruler) { r.AngleDeg = -3 }), nil, []float64{1}},
		{"a core across it", metre(), func(t *phantom.Tray) {
			c := phantom.RandomTray(5, phantom.Options{Cores: 1, DPI: 600, Plain: true}).Cores[0]
			c.BoreMM, c.FlatMM, c.LengthMM, c.BowMM, c.Breaks = 5.15, 4.8, 40, 0, nil
			c.CentreMM, c.AngleDeg = [2]float64{55, 14}, 70
			t.Cores = []phantom.Core{c}
		}, []float64{1}},
		{"a label on it", metre(), func(t *phantom.Tray) {
			t.Labels = []phantom.Label{{AtMM: [2]float64{40, 2}, AngleDeg: 2, LengthMM: 26, BreadthMM: 14, Paper: phantom.RGB{246, 246, 242}, Ink: phantom.RGB{40, 40, 48}, Lines: []string{"TRAY 12", "PLOT C4"}}}
		}, []float64{1}},
		{"a label on each end", metre(), func(t *phantom.Tray) {
			for _, x := range []float64{2, 88} {
				t.Labels = append(t.Labels, phantom.Label{AtMM: [2]float64{x, 2}, LengthMM: 28, BreadthMM: 14, Paper: phantom.RGB{246, 246, 242}, Ink: phantom.RGB{40, 40, 48}, Lines: []string{"TRAY 12"}})
			}
		}, []float64{1}},
		{"lying beyond the scan's edges", of(metre(), func(r *phantom.Ruler) { r.AtMM[0], r.LengthMM = -30, 200 }), nil, []float64{1}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tray := withRuler(tt.ruler)
			if tt.also != nil {
				tt.also(&tray)
			}
			pic, truth := phantom.Render(tray, 3)
			if *kindPictures != "" {
				keep(t, pic, tt.name)
			}
			found, why := calib.FindRulers(pic.Pixels(), nil)
			if len(found) != len(tt.want) {
				t.Fatalf("%d rows of ticks, want %d: %s", len(found), len(tt.want), why)
			}
			missing := append([]float64(nil), tt.want...)
			for _, f := range found {
				t.Logf("%s, %d ticks, off by %.2g", f.Graduation, f.Ticks, f.MMPerPx/tray.MMPerPx[0]-1)
				for i, step := range missing {
					if math.Abs(step-f.TickMM) < 1e-9 {
						missing = append(missing[:i], missing[i+1:]...)
						break
					}
				}
				if e := f.MMPerPx/truth.Ruler.MMPerPx - 1; math.Abs(e) > 1e-3 {
					t.Errorf("%s: scale off by %.3g", f.Graduation, e)
				}
			}
			if len(missing) > 0 {
				t.Errorf("steps of %v mm not found", missing)
			}
		})
	}
}

func keep(t *testing.T, p *phantom.Picture, name string) {
	t.Helper()
	f, err := os.Create(filepath.Join(*kindPictures, strings.ReplaceAll(name, " ", "-")+".png"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := png.Encode(f, p); err != nil {
		t.Fatal(err)
	}
}

// A ruler each way: each gives its own axis, here 0.3 % apart.
func TestRulerEachWay(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a scan")
	}
	lying, standing := metre(), metre()
	lying.LengthMM, lying.BreadthMM = 80, 16
	standing.AtMM, standing.LengthMM, standing.AngleDeg, standing.BreadthMM = [2]float64{102, 66}, 58, 90, 15
	tray := withRuler(lying)
	tray.HeightPx = int(74 / tray.MMPerPx[1])
	tray.OtherRuler = standing
	pic, _ := phantom.Render(tray, 4)
	if *kindPictures != "" {
		keep(t, pic, "each way")
	}
	found, why := calib.FindRulers(pic.Pixels(), nil)
	if len(found) != 2 {
		t.Fatalf("%d rulers: %s", len(found), why)
	}
	s := calib.Decide(calib.Evidence{Rulers: found})
	for a := range 2 {
		if e := s.MMPerPx[a]/tray.MMPerPx[a] - 1; math.Abs(e) > 2e-4 {
			t.Errorf("axis %d off by %.2g", a, e)
		}
	}
}

// A ruler that lies above the wood looks smaller, and so its pixels larger. The
// scale is its own all the same, but the resolution tag and the scanner's check
// speak against it.
func TestRaisedRuler(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a scan")
	}
	r := metre()
	r.Raised = 0.015
	tray := withRuler(r)
	pic, _ := phantom.Render(tray, 5)
	tag := [2]float64{600, 600 / 1.003}
	found, why := calib.FindRulers(pic.Pixels(), &tag)
	if len(found) != 1 {
		t.Fatalf("%d rulers: %s", len(found), why)
	}
	if e := found[0].MMPerPx/tray.MMPerPx[0]*(1-r.Raised) - 1; math.Abs(e) > 1e-3 {
		t.Errorf("scale off by %.2g of what is seen", e)
	}
	s := calib.Decide(calib.Evidence{Rulers: found, Tag: &tag,
		Scanner: measure.Scanner{Name: "flatbed", DPI: [2]float64{600, 600}, MMPerPx: [2]float64{inch / 600, inch / 600}}})
	said := map[string]bool{}
	for _, c := range s.Checks {
		if !c.OK && strings.HasSuffix(c.Detail, "does the ruler lie flat, at the height of the wood?") {
			said[c.Name] = true
		}
	}
	if s.Source != measure.ScaleRuler || !said["ruler and resolution tag"] || !said["ruler and scanner"] {
		t.Errorf("source %s, checks %+v", s.Source, s.Checks)
	}
}
