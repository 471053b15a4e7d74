package measure

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"pgregory.net/rapid"
)

// TestWidthWorkedExample follows the worked example of the law of propagation
// (JCGM 100:2008, eqs. 10 and 13) in ../shared/reference/worked.
func TestWidthWorkedExample(t *testing.T) {
	b, err := os.ReadFile("../../shared/reference/worked/width_uncertainty.json")
	if err != nil {
		t.Skip("../shared/reference is not there")
	}
	var ex struct {
		Inputs struct {
			P     float64 `json:"p2_minus_p1_px"`
			U1    float64 `json:"u_p1_px"`
			U2    float64 `json:"u_p2_px"`
			R     float64 `json:"r_p1_p2"`
			S     float64 `json:"s_mm_per_px"`
			US    float64 `json:"u_s"`
			Tilt  float64 `json:"theta_deg"`
			UTilt float64 `json:"u_theta_deg"`
		} `json:"inputs"`
		Result struct {
			W float64 `json:"w_mm"`
			U float64 `json:"u_w_mm"`
		} `json:"result"`
	}
	if err := json.Unmarshal(b, &ex); err != nil {
		t.Fatal(err)
	}
	in := ex.Inputs
	w, u := Width(in.P*in.S, in.Tilt, in.U1*in.S, in.U2*in.S, in.R, in.US/in.S, in.UTilt)
	if math.Abs(w/ex.Result.W-1) > 1e-12 || math.Abs(u/ex.Result.U-1) > 1e-12 {
		t.Errorf("width %v +- %v, want %v +- %v", w, u, ex.Result.W, ex.Result.U)
	}
}

// TestSharedUncertaintyCancels: what both boundaries are off by together is no
// part of the width (JCGM 100:2008, eq. 13), and a boundary set by hand shares
// nothing.
func TestSharedUncertaintyCancels(t *testing.T) {
	const own, shared = 0.010, 0.024
	read := func(at float64) Boundary {
		u := math.Hypot(own, shared)
		return Boundary{Kind: RingBoundary, AtMM: &at, StandardUncertaintyMM: &u, SharedUncertaintyMM: shared}
	}
	byHand := read(3)
	byHand.SharedUncertaintyMM = 0
	c := Core{Boundaries: []Boundary{read(1), read(2), byHand}}
	c.MakeRings(Scale{MMPerPx: &[2]float64{0.02, 0.02}}, false)
	for i, want := range []float64{math.Sqrt2 * own, math.Sqrt2 * math.Hypot(own, shared)} {
		if u := *c.Rings[i].StandardUncertaintyMM; math.Abs(u-want) > 1e-12 {
			t.Errorf("ring %d: %v mm, want %v", i+1, u, want)
		}
	}
}

// TestWidthsAddUp: at zero tilt the widths and the openings of gaps add up to
// the span from the first boundary to the last, whatever the boundaries.
func TestWidthsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40).Draw(t, "n")
		at := 0.0
		var c Core
		for range n {
			at += rapid.Float64Range(0.05, 4).Draw(t, "width")
			mm := at
			c.Boundaries = append(c.Boundaries, Boundary{Kind: RingBoundary, AtMM: &mm})
		}
		first := *c.Boundaries[0].AtMM
		from := rapid.Float64Range(first, at).Draw(t, "from")
		to := math.Min(at, from+rapid.Float64Range(0, 1).Draw(t, "opening"))
		c.Gaps = []Stretch{{FromMM: &from, ToMM: &to, Kind: Break}}
		c.MakeRings(Scale{MMPerPx: &[2]float64{0.02, 0.02}}, false)
		sum := to - from
		for _, r := range c.Rings {
			sum += *r.WidthMM
		}
		if math.Abs(sum-(at-first)) > 1e-9 {
			t.Fatalf("widths and gap add up to %v, the span is %v", sum, at-first)
		}
	})
}

func TestMakeRings(t *testing.T) {
	mm := func(x float64) *float64 { return &x }
	core := func() *Core {
		return &Core{Boundaries: []Boundary{{AtMM: mm(0)}, {AtMM: mm(1), TiltDeg: 60}, {AtMM: mm(3), TiltDeg: 60}}}
	}
	tests := []struct {
		name    string
		prepare func(*Core)
		partial bool
		scale   bool
		widths  []*float64
		flags   []string // of the second ring
		index   int      // of the first ring
	}{
		{"tilt shortens", func(*Core) {}, false, true, []*float64{mm(math.Cos(math.Pi / 6)), mm(1)}, nil, 1},
		{"partial outermost", func(*Core) {}, true, true, []*float64{mm(math.Cos(math.Pi / 6)), mm(1)}, nil, 0},
		{"lost wood has no width", func(c *Core) { c.Gaps = []Stretch{{FromMM: mm(1.5), ToMM: mm(2), Kind: Lost}} }, false, true,
			[]*float64{mm(math.Cos(math.Pi / 6)), nil}, []string{FlagBroken}, 1},
		{"obscured is wood", func(c *Core) { c.Obscured = []Stretch{{FromMM: mm(1.5), ToMM: mm(2)}} }, false, true,
			[]*float64{mm(math.Cos(math.Pi / 6)), mm(1)}, []string{FlagObscured}, 1},
		{"a gap is told without scale", func(c *Core) {
			c.PathPx = []Point{{0, 0}, {300, 0}}
			for i, x := range []float64{0, 100, 300} {
				c.Boundaries[i].AtMM, c.Boundaries[i].PointPx = nil, Point{x, 0}
			}
			c.Gaps = []Stretch{{FromPx: Point{150, 0}, ToPx: Point{160, 0}, Kind: Break}}
		}, false, false, []*float64{nil, nil}, []string{FlagBroken}, 1},
		{"no scale, no width", func(*Core) {}, false, false, []*float64{nil, nil}, nil, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := core()
			tt.prepare(c)
			var s Scale
			if tt.scale {
				s.MMPerPx = &[2]float64{0.02, 0.02}
			}
			c.MakeRings(s, tt.partial)
			for i, want := range tt.widths {
				got := c.Rings[i].WidthMM
				if (got == nil) != (want == nil) || got != nil && math.Abs(*got-*want) > 1e-12 {
					t.Errorf("ring %d: width %v, want %v", i, deref(got), deref(want))
				}
			}
			if len(c.Rings[1].Flags) != len(tt.flags) || len(tt.flags) > 0 && c.Rings[1].Flags[0] != tt.flags[0] {
				t.Errorf("flags %v, want %v", c.Rings[1].Flags, tt.flags)
			}
			if c.Rings[0].Index != tt.index {
				t.Errorf("first index %d, want %d", c.Rings[0].Index, tt.index)
			}
		})
	}
}

func deref(p *float64) any {
	if p == nil {
		return nil
	}
	return *p
}

func TestRadius(t *testing.T) {
	r := NewRadius([]Point{{0, 0}, {30, 0}, {30, 40}}, &[2]float64{0.1, 0.2})
	if got := r.Length(); math.Abs(got-11) > 1e-12 {
		t.Errorf("length %v, want 3 + 8", got)
	}
	for _, tt := range []struct {
		p    Point
		want float64
	}{{Point{15, 3}, 1.5}, {Point{31, 20}, 7}, {Point{-5, 0}, 0}, {Point{30, 90}, 11}} {
		if got := r.At(tt.p); math.Abs(got-tt.want) > 1e-12 {
			t.Errorf("At(%v) = %v, want %v", tt.p, got, tt.want)
		}
	}
}
