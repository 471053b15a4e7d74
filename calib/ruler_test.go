package calib

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pithward/measure"
	"pithward/vision/raster"
)

// bench is a small made scan at 600 dpi of dark ground, 100 mm wide, with one
// core above and room for a ruler below.
func bench(seed uint64) *canvas {
	mm := MMPerInch / 600
	rng := rand.New(rand.NewPCG(seed, 1))
	c := newCanvas(int(100/mm), int(50/mm), [2]float64{mm, mm}, colour{30, 32, 35}, rng)
	c.blur = 0.6
	c.core(frame{5 / mm, 4 / mm, 0.5}, 85, 5.15, 1.1, 0.3)
	return c
}

// plain is a white ruler with black ticks, its edge 20 mm down.
func plain(c *canvas, e scale) ruler {
	return ruler{at: frame{5 / c.mm[0], 20 / c.mm[0], 0}, length: 88, width: 20,
		body: colour{235, 238, 240}, ink: colour{25, 25, 25}, clear: 1, edge: e, lead: 3}
}

func TestFindRulers(t *testing.T) {
	twice := func(s scale) *scale { return &s }
	tests := []struct {
		name string
		draw func(*canvas)
		want []float64 // tick steps in mm of the rulers found, best first; none: none
		why  string    // part of the reason
	}{
		{"plain mm", func(c *canvas) { c.ruler(plain(c, mmScale())) }, []float64{1}, ""},
		{"half mm", func(c *canvas) { c.ruler(plain(c, halfScale())) }, []float64{0.5}, ""},
		{"sixteenths of an inch", func(c *canvas) { c.ruler(plain(c, inchScale(16))) }, []float64{MMPerInch / 16}, ""},
		{"thirty-seconds of an inch", func(c *canvas) { c.ruler(plain(c, inchScale(32))) }, []float64{MMPerInch / 32}, ""},
		{"light on dark", func(c *canvas) {
			r := plain(c, mmScale())
			r.body, r.ink = r.ink, r.body
			c.ruler(r)
		}, []float64{1}, ""},
		{"wood", func(c *canvas) {
			r := plain(c, mmScale())
			r.body, r.ink, r.grain = colour{110, 165, 205}, colour{40, 45, 50}, 18
			c.ruler(r)
		}, []float64{1}, ""},
		{"steel with gloss", func(c *canvas) {
			r := plain(c, mmScale())
			r.body, r.ink, r.grain, r.gloss = colour{170, 172, 175}, colour{60, 60, 60}, 12, 60
			c.ruler(r)
		}, []float64{1}, ""},
		{"clear plastic", func(c *canvas) {
			r := plain(c, mmScale())
			r.body, r.ink, r.clear = colour{128, 128, 128}, colour{230, 230, 230}, 0.25
			c.ruler(r)
		}, []float64{1}, ""},
		{"turned by 5 degrees", func(c *canvas) {
			r := plain(c, mmScale())
			r.at.deg, r.length = 5, 80
			c.ruler(r)
		}, []float64{1}, ""},
		{"turned by -5 degrees", func(c *canvas) {
			r := plain(c, mmScale())
			r.at.deg, r.at.y, r.length = -5, r.at.y+9/c.mm[0], 80
			c.ruler(r)
		}, []float64{1}, ""},
		{"covered in the middle", func(c *canvas) {
			c.ruler(plain(c, mmScale()))
			c.text(frame{40 / c.mm[0], 18 / c.mm[0], 3}, 25, 16)
		}, []float64{1}, ""},
		{"a core across it", func(c *canvas) {
			c.ruler(plain(c, mmScale()))
			c.core(frame{50 / c.mm[0], 16 / c.mm[0], 80}, 30, 5.15, 1, 0.3)
		}, []float64{1}, ""},
		{"running off the scan", func(c *canvas) {
			r := plain(c, mmScale())
			r.at.x, r.length = -40/c.mm[0], 200
			c.ruler(r)
		}, []float64{1}, ""},
		{"ticks on both edges", func(c *canvas) {
			r := plain(c, mmScale())
			r.other = twice(inchScale(16))
			c.ruler(r)
		}, []float64{1, MMPerInch / 16}, ""},
		{"the same ticks on both edges count once", func(c *canvas) {
			r := plain(c, mmScale())
			r.other = twice(mmScale())
			c.ruler(r)
		}, []float64{1}, ""},
		{"empty", func(*canvas) {}, nil, "nothing in the scan repeats"},
		{"even lines", func(c *canvas) { c.grating(frame{8 / c.mm[0], 22 / c.mm[0], 1}, 70, 6, 1) }, nil, "follow no graduation"},
		{"rings as even as ticks", func(c *canvas) { c.core(frame{5 / c.mm[0], 22 / c.mm[0], 0}, 85, 5.15, 1, 0.02) }, nil, ""},
		{"bars", func(c *canvas) { c.bars(frame{8 / c.mm[0], 22 / c.mm[0], 0}, 60, 8, 0.5) }, nil, ""},
		{"text", func(c *canvas) { c.text(frame{8 / c.mm[0], 20 / c.mm[0], 0}, 70, 20) }, nil, ""},
		{"eighths of an inch", func(c *canvas) { c.ruler(plain(c, inchScale(8))) }, nil, "too few of the longest"},
		{"less than 17 ticks", func(c *canvas) {
			r := plain(c, mmScale())
			r.length = 18
			c.ruler(r)
		}, nil, ""},
	}
	for i, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			c := bench(uint64(i))
			tc.draw(c)
			c.noise(2)
			found, why := FindRulers(c.pixels(false, false), nil)
			var got []float64
			for _, r := range found {
				got = append(got, r.TickMM)
				// The figure to reach is 0.1 %; a drawn ruler in light noise does
				// far better.
				if e := r.MMPerPx/c.mm[0] - 1; math.Abs(e) > 1e-4 {
					t.Errorf("%s: scale off by %.2g", r.Graduation, e)
				}
				if e := r.MMPerPx/c.mm[0] - 1; math.Abs(e) > 6*r.FitRelative {
					t.Errorf("%s: scale off by %.2g, six times its standard error of %.2g", r.Graduation, e, r.FitRelative)
				}
			}
			if len(got) != len(tc.want) {
				t.Fatalf("found steps of %v mm, want %v (%s)", got, tc.want, why)
			}
			for j := range got {
				if got[j] != tc.want[j] {
					t.Errorf("found steps of %v mm, want %v", got, tc.want)
				}
			}
			if !strings.Contains(why, tc.why) || (why == "") != (len(found) > 0) {
				t.Errorf("reason %q, want %q", why, tc.why)
			}
		})
	}
}

// However a scan is held, stored or lit, the ruler on it gives the same scale.
func TestSameScaleHoweverScanned(t *testing.T) {
	c := bench(7)
	r := plain(c, mmScale())
	r.at.deg = 1.5
	c.ruler(r)
	c.noise(2)
	want := c.mm[0]
	px := c.pixels(false, false)
	negative := raster.Pixels{Width: px.Width, Height: px.Height, Channels: 3, U8: make([]uint8, len(px.U8))}
	faint := negative
	faint.U8 = make([]uint8, len(px.U8))
	for i, v := range px.U8 {
		negative.U8[i] = 255 - v
		faint.U8[i] = 100 + v/6
	}
	for _, tc := range []struct {
		name    string
		px      raster.Pixels
		upright bool
		deg     float64
	}{
		{"as it is", px, false, 1.5},
		{"gray", c.pixels(true, false), false, 1.5},
		{"16 bits", c.pixels(false, true), false, 1.5},
		{"16 bits gray", c.pixels(true, true), false, 1.5},
		{"standing", transpose(px), true, -1.5}, // exchanging x and y mirrors the turn
		{"upside down", flip(px), false, 1.5},
		{"negative", negative, false, 1.5},
		{"faint", faint, false, 1.5},
	} {
		t.Run(tc.name, func(t *testing.T) {
			found, why := FindRulers(tc.px, nil)
			if len(found) != 1 {
				t.Fatalf("%d rulers: %s", len(found), why)
			}
			f := found[0]
			if e := f.MMPerPx/want - 1; math.Abs(e) > 1e-4 || f.Upright != tc.upright {
				t.Errorf("scale off by %.2g, upright %v", e, f.Upright)
			}
			if math.Abs(f.AngleDeg-tc.deg) > 0.05 {
				t.Errorf("turned by %.3f degrees, want %.1f", f.AngleDeg, tc.deg)
			}
		})
	}
}

// flip turns a picture by half a turn.
func flip(p raster.Pixels) raster.Pixels {
	q := raster.Pixels{Width: p.Width, Height: p.Height, Channels: p.Channels, U8: make([]uint8, len(p.U8))}
	n := p.Width * p.Height
	for i := range n {
		copy(q.U8[i*p.Channels:(i+1)*p.Channels], p.U8[(n-1-i)*p.Channels:])
	}
	return q
}

// A ruler along each axis: both are found, and each gives its own axis.
func TestTwoAxes(t *testing.T) {
	mm := MMPerInch / 600
	rng := rand.New(rand.NewPCG(1, 1))
	c := newCanvas(int(110/mm), int(95/mm), [2]float64{mm, mm * 1.002}, colour{30, 32, 35}, rng)
	c.blur = 0.6
	c.ruler(plain(c, mmScale()))
	r := plain(c, mmScale())
	r.at, r.length, r.width = frame{105 / mm, 45 / mm, 90}, 45, 15
	c.ruler(r)
	c.noise(2)
	found, why := FindRulers(c.pixels(false, false), nil)
	if len(found) != 2 {
		t.Fatalf("%d rulers: %s", len(found), why)
	}
	s := Decide(Evidence{Rulers: found})
	for a := range 2 {
		if e := s.MMPerPx[a]/c.mm[a] - 1; math.Abs(e) > 1e-4 {
			t.Errorf("axis %d off by %.2g", a, e)
		}
	}
}

// The line runs from the first tick to the last, and the outline follows the
// body to within 0.7 mm: the rim added, and the step in which it is looked for.
func TestPlaceOfRuler(t *testing.T) {
	c := bench(3)
	r := plain(c, mmScale())
	r.at.deg = -1
	c.ruler(r)
	c.noise(2)
	found, why := FindRulers(c.pixels(false, false), nil)
	if len(found) != 1 {
		t.Fatal(why)
	}
	f := found[0]
	near := func(what string, p, q measure.Point, mm float64) {
		if d := math.Hypot(p[0]-q[0], p[1]-q[1]) * c.mm[0]; d > mm {
			t.Errorf("%s is %.2f mm off", what, d)
		}
	}
	// 82 steps of 1 mm between leads of 3 mm; short ticks are 3.2 mm long.
	near("first tick", f.LinePx[0], c.along(r.at, 3, 1.6), 0.3)
	near("last tick", f.LinePx[1], c.along(r.at, 85, 1.6), 0.3)
	for i, want := range [][2]float64{{0, 0}, {88, 0}, {88, 20}, {0, 20}} {
		near("corner", f.QuadPx[i], c.along(r.at, want[0], want[1]), 0.7)
	}
	if f.Ticks != 83 || f.Span != 82 {
		t.Errorf("%d ticks over %d steps", f.Ticks, f.Span)
	}
}

// Of two rulers that contradict each other the tag decides, or nothing does.
func TestContradiction(t *testing.T) {
	mm, inch, other := ruler100(0.0212, false), ruler100(0.0424, false), ruler100(0.03, true)
	for _, tc := range []struct {
		name  string
		found []RulerFit
		tag   *[2]float64
		want  []float64
	}{
		{"alone", []RulerFit{mm}, nil, []float64{0.0212}},
		{"on other axes", []RulerFit{mm, other}, nil, []float64{0.0212, 0.03}},
		{"no tag", []RulerFit{mm, inch}, nil, nil},
		{"default tag", []RulerFit{mm, inch}, &[2]float64{96, 96}, nil},
		{"the tag fits neither", []RulerFit{mm, inch}, &[2]float64{300, 300}, nil},
		{"the tag fits the second", []RulerFit{mm, inch, other}, &[2]float64{600, 600}, []float64{0.0424, 0.03}},
	} {
		got, why := agreeing(tc.found, tc.tag)
		var scales []float64
		for _, r := range got {
			scales = append(scales, r.MMPerPx)
		}
		if !slices.Equal(scales, tc.want) || (why == "") == (len(tc.want) == 0) {
			t.Errorf("%s: %v (%s), want %v", tc.name, scales, why, tc.want)
		}
	}
}

// Pictures too small for anything are refused, not crashed on.
func TestTinyScans(t *testing.T) {
	for _, size := range [][2]int{{0, 0}, {1, 1}, {1, 500}, {500, 1}, {64, 16}, {70, 3000}, {3000, 20}} {
		px := raster.Pixels{Width: size[0], Height: size[1], Channels: 3, U8: make([]uint8, 3*size[0]*size[1])}
		for i := range px.U8 {
			px.U8[i] = uint8(40 * (i / 30 % 5))
		}
		if found, why := FindRulers(px, nil); len(found) > 0 || why == "" {
			t.Errorf("%v: %d rulers, reason %q", size, len(found), why)
		}
	}
}

// Directive 2014/32/EU annex X: a class II ruler up to 1 m long may be off by
// 0.3 + 0.2 x 1 = 0.5 mm between any two marks, 0.29 mm as a standard
// uncertainty (JCGM 100:2008 4.3.7), so 0.29 % over 100 mm, 0.1 % over 289 mm.
func TestUncertaintyOfClass(t *testing.T) {
	for _, tc := range []struct {
		span int
		fit  float64
		want float64
	}{{100, 0, 0.002887}, {289, 0, 0.000999}, {100, 0.002, 0.003512}} {
		r := RulerFit{TickMM: 1, Span: tc.span, FitRelative: tc.fit}
		if got := r.Uncertainty(); math.Abs(got-tc.want) > 1e-6 {
			t.Errorf("%d mm: %.6f, want %.6f", tc.span, got, tc.want)
		}
	}
}
