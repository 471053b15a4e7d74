package measure

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// edited is a scan of two cores of 0.02 mm a pixel, lying left to right, bark
// left: boundaries at 0 (outer), 50, 120, 170 (doubtful) and 250 px, a
// candidate at 90 px, growth of 2021 outermost.
func edited() Measurement {
	m := Measurement{Schema: Schema, Scan: Scan{File: "tray.tif", WidthPx: 400, HeightPx: 300},
		Scale:   Scale{Source: ScaleTag, MMPerPx: &[2]float64{0.02, 0.02}, RelativeStandardUncertainty: floatPtr(0.001), RelativeStandardUncertaintyXY: &[2]float64{0.001, 0.001}},
		Program: Program{Version: "v1", Settings: Settings{Season: DefaultSeason()}}}
	for i := range 2 {
		y := 100 * float64(i+1)
		wood, end, how, year := Conifer, Left, "auto", 2021
		c := Core{UID: fmt.Sprintf("u%d", i+1), Position: i + 1, OutlinePx: []Point{{0, y - 20}, {300, y - 20}, {300, y + 20}, {0, y + 20}},
			PathPx: []Point{{0, y}, {300, y}}, PathLengthMM: floatPtr(6), Wood: &wood, WoodSource: &how, WoodProbability: floatPtr(0.99),
			BarkEnd: &end, BarkEndProbability: floatPtr(0.99), BarkPresent: true, ExpectedCount: floatPtr(4), CountSD: floatPtr(0.6),
			Candidates: []Candidate{{ID: "c1", AtMM: floatPtr(1.8), PointPx: Point{90, y}, Probability: 0.3}}}
		for k, x := range []float64{0, 50, 120, 170, 250} {
			b := Boundary{ID: fmt.Sprintf("b%d", k+1), Kind: RingBoundary, AtMM: floatPtr(x * 0.02), PointPx: Point{x, y},
				LinePx: []Point{{x, y - 20}, {x, y + 20}}, Probability: 0.98, StandardUncertaintyMM: floatPtr(0.01), Source: "auto"}
			if k == 0 {
				b.Kind = Outer
			}
			if k == 3 {
				b.Probability = 0.6
			}
			c.Boundaries = append(c.Boundaries, b)
		}
		c.MakeRings(m.Scale, false)
		c.Field = &Field{Scan: "tray.tif", Position: i + 1, Core: fmt.Sprintf("LK0%dA", i+1), OuterYear: &year}
		m.Cores = append(m.Cores, c)
	}
	m.Cores[1].SecondRadius = beyondPith(m.Scale)
	fields := []Field{*m.Cores[0].Field, *m.Cores[1].Field}
	m.Warnings = ApplyFields(m.Cores, fields, "tray", DefaultSeason())
	m.FillLists()
	return m
}

// beyondPith is a second radius of three rings, from its outer end at the right to
// the pith.
func beyondPith(scale Scale) *SecondRadius {
	c := Core{PathPx: []Point{{500, 200}, {300, 200}}, PathLengthMM: floatPtr(4), PithPresent: true}
	for k, x := range []float64{500, 420, 350, 300} {
		c.Boundaries = append(c.Boundaries, Boundary{ID: fmt.Sprintf("s%d", k+1), Kind: RingBoundary, AtMM: floatPtr((500 - x) * 0.02), PointPx: Point{x, 200},
			LinePx: []Point{{x, 180}, {x, 220}}, Probability: 0.9, StandardUncertaintyMM: floatPtr(0.01), Source: "auto"})
	}
	c.Boundaries[3].Kind = Inner
	c.MakeRings(scale, false)
	return &SecondRadius{PathPx: c.PathPx, PathLengthMM: c.PathLengthMM, Boundaries: c.Boundaries, Gaps: []Stretch{}, Obscured: []Stretch{}, Rings: c.Rings, ExpectedCount: floatPtr(3), CountSD: floatPtr(0.3)}
}

func at(x, y float64) *Point { return &Point{x, y} }

// look is what a test looks at of a core: boundaries and widths in units of a
// pixel, and years, from bark to pith.
type look struct {
	Places []float64
	Widths []float64
	Years  []int
}

func lookAt(c Core) look {
	var l look
	for _, b := range c.Boundaries {
		l.Places = append(l.Places, math.Round(*b.AtMM/0.02*1e6)/1e6)
	}
	for _, r := range c.Rings {
		w := math.NaN()
		if r.WidthMM != nil {
			w = math.Round(*r.WidthMM/0.02*1e6) / 1e6
		}
		l.Widths = append(l.Widths, w)
		if r.Year != nil {
			l.Years = append(l.Years, *r.Year)
		}
	}
	return l
}

func TestReplay(t *testing.T) {
	yes, no, year := true, false, 1990
	unread := look{[]float64{0, 50, 120, 170, 250}, []float64{50, 70, 50, 80}, []int{2021, 2020, 2019, 2018}}
	tests := []struct {
		name   string
		events []Event // on core u1 unless they say another
		want   look    // of the first core
		check  func(t *testing.T, e Edited)
	}{
		{"nothing", nil, unread, func(t *testing.T, e Edited) {
			if s := e.States["u1"]; s.Stage != Untouched || len(s.Open) != 2 || s.Doubtful != 2 || s.Settled != 0 {
				t.Errorf("state %+v", s)
			}
			// Cost: 0.4 of b4 with one ring inward of it, and its own; 0.3 of c1 with three.
			if o := e.States["u1"].Open; o[0].Target != "c1" || math.Abs(o[0].Cost-1.2) > 1e-9 || math.Abs(o[1].Cost-0.8) > 1e-9 {
				t.Errorf("doubts %+v", o)
			}
		}},
		{"add", []Event{{Kind: Add, PointPx: at(20, 105)}},
			look{[]float64{0, 20, 50, 120, 170, 250}, []float64{20, 30, 70, 50, 80}, []int{2021, 2020, 2019, 2018, 2017}},
			func(t *testing.T, e Edited) {
				b := e.Measurement.Cores[0].Boundaries[1]
				if b.Source != "person" || b.Probability != 1 || b.PointPx != (Point{20, 100}) || math.Abs(*b.StandardUncertaintyMM-0.03) > 1e-12 {
					t.Errorf("boundary %+v", b)
				}
				if n := *e.Measurement.Cores[0].ExpectedCount; n != 5 {
					t.Errorf("expected count %v", n)
				}
			}},
		{"remove a boundary", []Event{{Kind: Remove, Target: "b4"}},
			look{[]float64{0, 50, 120, 250}, []float64{50, 70, 130}, []int{2021, 2020, 2019}},
			func(t *testing.T, e Edited) {
				// The count loses b4's 0.6, and its variance 0.6 x 0.4.
				c, s := e.Measurement.Cores[0], e.States["u1"]
				if math.Abs(*c.ExpectedCount-3.4) > 1e-9 || math.Abs(*c.CountSD-math.Sqrt(0.36-0.24)) > 1e-9 {
					t.Errorf("expected %v ± %v", *c.ExpectedCount, *c.CountSD)
				}
				if len(s.Removed) != 1 || s.Settled != 1 || s.Stage != Begun {
					t.Errorf("state %+v", s)
				}
			}},
		{"remove a candidate", []Event{{Kind: Remove, Target: "c1"}}, unread, func(t *testing.T, e Edited) {
			if o := e.States["u1"].Open; len(o) != 1 || o[0].Target != "b4" {
				t.Errorf("open %+v", o)
			}
		}},
		{"remove the outer end", []Event{{Kind: Remove, Target: "b1"}},
			look{[]float64{50, 120, 170, 250}, []float64{70, 50, 80}, []int{2021, 2020, 2019}},
			func(t *testing.T, e Edited) {
				if e.Measurement.Cores[0].BarkPresent {
					t.Error("bark is still there")
				}
			}},
		{"move", []Event{{Kind: Move, Target: "b3", PointPx: at(130, 90)}},
			look{[]float64{0, 50, 130, 170, 250}, []float64{50, 80, 40, 80}, unread.Years}, func(t *testing.T, e Edited) {
				if l := e.Measurement.Cores[0].Boundaries[2].LinePx; l[0] != (Point{130, 80}) {
					t.Errorf("course %v", l)
				}
			}},
		{"accept a boundary", []Event{{Kind: Accept, Target: "b4"}}, unread, func(t *testing.T, e Edited) {
			if s := e.States["u1"]; len(s.Open) != 1 || s.Settled != 1 || s.Doubtful != 2 {
				t.Errorf("state %+v", s)
			}
		}},
		{"accept a candidate", []Event{{Kind: Accept, Target: "c1"}},
			look{[]float64{0, 50, 90, 120, 170, 250}, []float64{50, 40, 30, 50, 80}, []int{2021, 2020, 2019, 2018, 2017}}, nil},
		{"a crack", []Event{{Kind: Gap, PointPx: at(60, 100), Detail: &Detail{ToPx: at(70, 100), Word: Crack}}},
			look{unread.Places, []float64{50, 60, 50, 80}, unread.Years}, func(t *testing.T, e Edited) {
				if f := e.Measurement.Cores[0].Rings[1].Flags; len(f) != 1 || f[0] != FlagBroken {
					t.Errorf("flags %v", f)
				}
			}},
		{"lost wood: no width, and no years inward", []Event{{Kind: Gap, PointPx: at(70, 100), Detail: &Detail{ToPx: at(60, 100), Word: Lost}}},
			look{unread.Places, []float64{50, math.NaN(), 50, 80}, []int{2021, 2020}}, nil},
		{"a gap set and removed", []Event{{UUID: "g", Kind: Gap, PointPx: at(60, 100), Detail: &Detail{ToPx: at(70, 100), Word: Crack}}, {Kind: Remove, Target: "g"}}, unread, nil},
		{"obscured", []Event{{Kind: Obscure, PointPx: at(60, 100), Detail: &Detail{ToPx: at(70, 100), Word: "rot"}}}, unread, func(t *testing.T, e Edited) {
			if f := e.Measurement.Cores[0].Rings[1].Flags; len(f) != 1 || f[0] != FlagObscured {
				t.Errorf("flags %v", f)
			}
		}},
		{"an absent ring", []Event{{Kind: AbsentRing, Target: "b2"}},
			look{unread.Places, unread.Widths, []int{2021, 2019, 2018, 2017}}, func(t *testing.T, e Edited) {
				if a := e.Measurement.Cores[0].Absent; len(a) != 1 || a[0].AfterIndex != 1 || *a[0].Year != 2020 {
					t.Errorf("absent %+v", a)
				}
			}},
		{"an absent ring stays at its boundary", []Event{{Kind: AbsentRing, Target: "b3"}, {Kind: Remove, Target: "b2"}},
			look{[]float64{0, 120, 170, 250}, []float64{120, 50, 80}, []int{2021, 2019, 2018}}, nil},
		{"an absent ring goes with its boundary", []Event{{Kind: AbsentRing, Target: "b2"}, {Kind: Remove, Target: "b2"}},
			look{[]float64{0, 120, 170, 250}, []float64{120, 50, 80}, []int{2021, 2020, 2019}}, nil},
		// A radius that runs 3 px across for every 4 along crosses upright boundaries
		// at 5/4 of the distance; widths are that times the cosine, 4/5.
		{"the radius redrawn askew", []Event{{Kind: Redraw, Detail: &Detail{PathPx: []Point{{0, 85}, {40, 115}}}}, {Kind: Remove, Target: "b2"}, {Kind: Remove, Target: "b3"}, {Kind: Remove, Target: "b4"}, {Kind: Remove, Target: "b5"}, {UUID: "x", Kind: Add, PointPx: at(20, 100)}},
			look{[]float64{0, 25}, []float64{20}, []int{2021}}, func(t *testing.T, e Edited) {
				// It is drawn on to where the wood ended before, 300 px along: 375 px.
				if c := e.Measurement.Cores[0]; math.Abs(*c.PathLengthMM-7.5) > 1e-9 {
					t.Errorf("path %v mm", *c.PathLengthMM)
				}
			}},
		{"the radius redrawn within the wood: no ring is lost", []Event{{Kind: Redraw, Detail: &Detail{PathPx: []Point{{60, 105}, {150, 105}, {240, 105}}}}},
			unread, func(t *testing.T, e Edited) {
				if d := cmp.Diff([]Point{{0, 105}, {60, 105}, {150, 105}, {240, 105}, {300, 105}}, e.Measurement.Cores[0].PathPx, cmpopts.EquateApprox(0, 1e-9)); d != "" {
					t.Errorf("path (-want +got):\n%s", d)
				}
			}},
		{"the radius redrawn beyond the wood", []Event{{Kind: Redraw, Detail: &Detail{PathPx: []Point{{-30, 100}, {500, 100}}}}}, unread, nil},
		{"blank", []Event{{Kind: Blank}, {Kind: Add, PointPx: at(60, 100)}, {Kind: Add, PointPx: at(10, 100)}},
			look{[]float64{10, 60}, []float64{50}, []int{2021}}, func(t *testing.T, e Edited) {
				if c, s := e.Measurement.Cores[0], e.States["u1"]; !s.Blank || len(s.Open) != 0 || *c.ExpectedCount != 1 || len(c.Candidates) != 6 {
					t.Errorf("state %+v, %d candidates", s, len(c.Candidates))
				}
			}},
		{"split", []Event{{UUID: "x", Kind: Split, PointPx: at(150, 100)}},
			look{[]float64{0, 50, 120}, []float64{50, 70}, []int{2021, 2020}}, func(t *testing.T, e Edited) {
				inner := e.Measurement.Cores[1]
				if inner.UID != "x" || e.Measurement.Cores[2].UID != "u2" {
					t.Fatalf("cores %s, %s", inner.UID, e.Measurement.Cores[2].UID)
				}
				if d := cmp.Diff(look{[]float64{20, 100}, []float64{80}, nil}, lookAt(inner)); d != "" {
					t.Errorf("inner part (-want +got):\n%s", d)
				}
				if d := cmp.Diff([]Point{{150, 80}, {300, 80}, {300, 120}, {150, 120}}, inner.OutlinePx, unordered()); d != "" {
					t.Errorf("outline (-want +got):\n%s", d)
				}
			}},
		{"split and edited", []Event{{UUID: "x", Kind: Split, PointPx: at(150, 100)}, {Core: "x", Kind: Add, PointPx: at(200, 100)}},
			look{[]float64{0, 50, 120}, []float64{50, 70}, []int{2021, 2020}}, func(t *testing.T, e Edited) {
				if d := cmp.Diff(look{[]float64{20, 50, 100}, []float64{30, 50}, nil}, lookAt(e.Measurement.Cores[1])); d != "" {
					t.Errorf("inner part (-want +got):\n%s", d)
				}
			}},
		{"join", []Event{{Kind: JoinCore, Target: "u2", Detail: &Detail{Word: Lost}}, {Core: "u2", Kind: Remove, Target: "b4"}},
			look{}, func(t *testing.T, e Edited) {
				if len(e.Measurement.Cores) != 1 || len(e.Measurement.Cores[0].Boundaries) != 10 || len(e.Measurement.Cores[0].Gaps) != 1 {
					t.Errorf("%d cores", len(e.Measurement.Cores))
				}
				if len(e.Void) != 1 {
					t.Errorf("an event on a core that is joined: %+v", e.Void)
				}
				if d := cmp.Diff([][]Point{{{0, 80}, {300, 80}, {300, 120}, {0, 120}}, {{0, 180}, {300, 180}, {300, 220}, {0, 220}}}, e.States["u1"].Pieces); d != "" {
					t.Errorf("pieces (-want +got):\n%s", d)
				}
			}},
		{"join and split", []Event{{Kind: JoinCore, Target: "u2", Detail: &Detail{Word: Break}}, {UUID: "x", Kind: Split, PointPx: at(150, 200)}},
			look{}, func(t *testing.T, e Edited) {
				if s := e.States["u1"]; len(s.Pieces) != 2 || cmp.Diff([]Point{{0, 180}, {150, 180}, {150, 220}, {0, 220}}, s.Pieces[1]) != "" {
					t.Errorf("pieces %v", s.Pieces)
				}
				if c := e.Measurement.Cores[1]; e.States["x"].Pieces != nil || cmp.Diff([]Point{{150, 180}, {300, 180}, {300, 220}, {150, 220}}, c.OutlinePx) != "" {
					t.Errorf("the inner core's outline %v, pieces %v", c.OutlinePx, e.States["x"].Pieces)
				}
			}},
		{"second radius", []Event{{UUID: "x", Core: "", Kind: AddCore, Target: "u2"}, {Core: "x", Kind: Remove, Target: "s2"}},
			unread, func(t *testing.T, e Edited) {
				c := e.Measurement.Cores[2]
				if d := cmp.Diff(look{[]float64{0, 150, 200}, []float64{150, 50}, nil}, lookAt(c)); d != "" || c.ID != "LK02A-second" || !c.PithPresent || *c.BarkEnd != Right {
					t.Errorf("%s, bark end %s (-want +got):\n%s", c.ID, *c.BarkEnd, d)
				}
				if e.Measurement.Cores[1].SecondRadius != nil || e.States["x"].Blank {
					t.Errorf("it is still offered, or blank: %+v", e.States["x"])
				}
			}},
		{"second radius taken up twice", []Event{{UUID: "x", Core: "", Kind: AddCore, Target: "u2"}, {UUID: "y", Core: "", Kind: AddCore, Target: "u2"}},
			unread, func(t *testing.T, e Edited) {
				if len(e.Measurement.Cores) != 3 || len(e.Void) != 1 || !strings.Contains(e.Void[0].Why, "second radius") {
					t.Errorf("%d cores, void %+v", len(e.Measurement.Cores), e.Void)
				}
			}},
		{"second radius of a core without", []Event{{UUID: "x", Core: "", Kind: AddCore, Target: "u1"}}, unread, func(t *testing.T, e Edited) {
			if len(e.Void) != 1 {
				t.Errorf("void %+v", e.Void)
			}
		}},
		{"add a core", []Event{{UUID: "x", Core: "", Kind: AddCore, Detail: &Detail{PathPx: []Point{{300, 250}, {0, 250}}, Word: "ring-porous"}}, {Core: "x", Kind: Add, PointPx: at(100, 250)}, {Core: "x", Kind: Add, PointPx: at(50, 250)}},
			unread, func(t *testing.T, e Edited) {
				c := e.Measurement.Cores[2]
				if d := cmp.Diff(look{[]float64{200, 250}, []float64{50}, nil}, lookAt(c)); d != "" || *c.BarkEnd != Right {
					t.Errorf("bark %s (-want +got):\n%s", *c.BarkEnd, d)
				}
			}},
		{"delete a core", []Event{{Core: "u2", Kind: DeleteCore}}, unread, func(t *testing.T, e Edited) {
			if len(e.Measurement.Cores) != 1 {
				t.Errorf("%d cores", len(e.Measurement.Cores))
			}
		}},
		{"reverse", []Event{{Kind: Reverse}},
			look{[]float64{50, 130, 180, 250}, []float64{80, 50, 70}, []int{2021, 2020, 2019}}, func(t *testing.T, e Edited) {
				if c := e.Measurement.Cores[0]; *c.BarkEnd != Right || c.BarkPresent {
					t.Errorf("bark %s, present %v", *c.BarkEnd, c.BarkPresent)
				}
			}},
		{"id", []Event{{Kind: Name, Detail: &Detail{Word: "LK09B"}}}, unread, func(t *testing.T, e Edited) {
			if id := e.Measurement.Cores[0].ID; id != "LK09B" {
				t.Errorf("id %s", id)
			}
		}},
		{"wood", []Event{{Kind: WoodKind, Detail: &Detail{Word: "ring-porous"}}}, unread, func(t *testing.T, e Edited) {
			if c := e.Measurement.Cores[0]; *c.Wood != RingPorous || *c.WoodSource != "given" {
				t.Errorf("wood %s, %s", *c.Wood, *c.WoodSource)
			}
		}},
		{"scale doubled", []Event{{Core: "", Kind: Rescale, Detail: &Detail{MMPerPx: &[2]float64{0.04, 0.04}}}},
			look{[]float64{0, 100, 240, 340, 500}, []float64{100, 140, 100, 160}, unread.Years}, func(t *testing.T, e Edited) {
				if u := *e.Measurement.Cores[1].Boundaries[1].StandardUncertaintyMM; math.Abs(u-0.02) > 1e-12 {
					t.Errorf("uncertainty %v", u)
				}
			}},
		{"outer year", []Event{{Kind: OuterYear, Detail: &Detail{Year: &year}}}, look{unread.Places, unread.Widths, []int{1990, 1989, 1988, 1987}}, nil},
		{"no outer year", []Event{{Kind: OuterYear}}, look{unread.Places, unread.Widths, nil}, nil},
		{"no bark after all", []Event{{Kind: Bark, Detail: &Detail{Yes: &no}}},
			look{[]float64{50, 120, 170, 250}, []float64{70, 50, 80}, []int{2021, 2020, 2019}}, nil},
		{"pith", []Event{{Kind: Pith, Detail: &Detail{Yes: &yes}}},
			look{[]float64{0, 50, 120, 170, 250, 300}, []float64{50, 70, 50, 80, 50}, []int{2021, 2020, 2019, 2018, 2017}}, func(t *testing.T, e Edited) {
				if c := e.Measurement.Cores[0]; !c.PithPresent || c.Boundaries[5].Kind != Inner {
					t.Errorf("no pith: %+v", c.Boundaries[5])
				}
			}},
		{"only a part: years stay", []Event{{Kind: Only, PointPx: at(200, 100), Detail: &Detail{ToPx: at(40, 100)}}},
			look{[]float64{50, 120, 170}, []float64{70, 50}, []int{2020, 2019}}, nil},
		{"note", []Event{{Kind: Note, Why: "frost"}}, unread, func(t *testing.T, e Edited) {
			if n := e.States["u1"].Notes; len(n) != 1 || n[0].Text != "frost" {
				t.Errorf("notes %+v", n)
			}
		}},
		{"signed off", []Event{{Kind: Accept, Target: "b4"}, {Kind: SignOff}}, unread, func(t *testing.T, e Edited) {
			if s := e.States["u1"]; s.Stage != SignedOff {
				t.Errorf("stage %s", s.Stage)
			}
		}},
		{"signed off and opened again", []Event{{Kind: SignOff}, {Kind: Accept, Target: "b4"}}, unread, func(t *testing.T, e Edited) {
			if s := e.States["u1"]; s.Stage != Begun {
				t.Errorf("stage %s", s.Stage)
			}
		}},
		{"rejected", []Event{{Kind: Reject, Why: "rotten"}}, unread, func(t *testing.T, e Edited) {
			if s := e.States["u1"]; s.Stage != Rejected || s.Why != "rotten" {
				t.Errorf("state %+v", s)
			}
		}},
		{"undone", []Event{{UUID: "a", Kind: Remove, Target: "b4"}, {Kind: Undo, Undoes: "a"}}, unread, nil},
		{"undone and done again", []Event{{UUID: "a", Kind: Remove, Target: "b4"}, {UUID: "u", Kind: Undo, Undoes: "a"}, {Kind: Undo, Undoes: "u"}},
			look{[]float64{0, 50, 120, 250}, []float64{50, 70, 130}, []int{2021, 2020, 2019}}, nil},
		{"what finds nothing is void", []Event{{Kind: Remove, Target: "b9"}, {Kind: Move, Target: "b9", PointPx: at(1, 1)}, {Kind: "later"}, {Core: "u7", Kind: Add, PointPx: at(1, 1)}, {Kind: Add}, {Kind: Gap}, {Kind: Redraw}, {Kind: JoinCore, Target: "u1"}, {Kind: Split, PointPx: at(-5, 100)}},
			unread, func(t *testing.T, e Edited) {
				if len(e.Void) != 9 || e.States["u1"].Stage != Untouched {
					t.Errorf("void %+v, state %+v", e.Void, e.States["u1"])
				}
			}},
	}
	seen := map[EventKind]bool{}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := edited()
			for i := range tt.events {
				e := &tt.events[i]
				if e.UUID == "" {
					e.UUID = fmt.Sprintf("e%d", i)
				}
				if e.Core == "" && e.Kind != Rescale && e.Kind != AddCore {
					e.Core = "u1"
				}
				seen[e.Kind] = true
			}
			got := Replay(m, tt.events)
			if err := Validate(got.Measurement); err != nil {
				t.Errorf("the outcome contradicts itself: %v", err)
			}
			if d := cmp.Diff(edited(), m); d != "" {
				t.Errorf("the reading was changed (-before +after):\n%s", d)
			}
			if !strings.HasPrefix(tt.name, "join") {
				if d := cmp.Diff(tt.want, lookAt(got.Measurement.Cores[0]), cmpopts.EquateNaNs()); d != "" {
					t.Errorf("core (-want +got):\n%s", d)
				}
			}
			if tt.check != nil {
				tt.check(t, got)
			}
		})
	}
	for _, k := range EventKinds() {
		if !seen[k] {
			t.Errorf("no case of %q", k)
		}
	}
}

func unordered() cmp.Option {
	return cmpopts.SortSlices(func(a, b Point) bool { return a[0] < b[0] || a[0] == b[0] && a[1] < b[1] })
}

// Without events the scan is as it was read, to the last digit.
func TestReplayOfNothing(t *testing.T) {
	if d := cmp.Diff(edited(), Replay(edited(), nil).Measurement); d != "" {
		t.Errorf("(-read +replayed):\n%s", d)
	}
}

// anyEvent draws an event that may or may not find something to act on.
func anyEvent(t *rapid.T, n int) Event {
	kinds := EventKinds()
	e := Event{UUID: fmt.Sprintf("e%d", n), Core: rapid.SampledFrom([]string{"u1", "u2"}).Draw(t, "core"),
		Kind:   rapid.SampledFrom(kinds[:len(kinds)-1]).Draw(t, "kind"),
		Target: rapid.SampledFrom([]string{"b1", "b2", "b3", "b4", "b5", "c1", "e0", "e1", "e2", "u2", "wood"}).Draw(t, "target")}
	x, to := rapid.Float64Range(-10, 320).Draw(t, "x"), rapid.Float64Range(-10, 320).Draw(t, "to")
	y := 100.0
	if e.Core == "u2" {
		y = 200
	}
	e.PointPx = at(x, y)
	yes, year := rapid.Bool().Draw(t, "yes"), rapid.IntRange(1, 2100).Draw(t, "year")
	e.Detail = &Detail{ToPx: at(to, y), Word: rapid.SampledFrom([]string{Crack, Break, Lost, "rot", "conifer", "diffuse-porous"}).Draw(t, "word"),
		PathPx: []Point{{x, y}, {to, y + 5}}, Yes: &yes, Year: &year, MMPerPx: &[2]float64{0.01, 0.02}}
	return e
}

// Whatever a person does, the outcome keeps the rules of the format; undoing
// all of it, last first, gives back the reading, and redoing it the outcome.
func TestUndoAndRedo(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := edited()
		var events []Event
		for i := range rapid.IntRange(0, 8).Draw(t, "n") {
			events = append(events, anyEvent(t, i))
		}
		done := Replay(m, events)
		if err := Validate(done.Measurement); err != nil {
			t.Fatalf("the outcome contradicts itself: %v", err)
		}
		log := events
		for i := range events {
			undo, _ := History(log)
			log = append(log, Event{UUID: fmt.Sprintf("u%d", i), Kind: Undo, Undoes: undo[len(undo)-1]})
		}
		if undo, redo := History(log); len(undo) != 0 || len(redo) != len(events) {
			t.Fatalf("%d can be undone, %d redone, want 0 and %d", len(undo), len(redo), len(events))
		}
		if back := Replay(m, log); !reflect.DeepEqual(back, Replay(m, nil)) {
			t.Fatal("undoing all does not give back the reading")
		}
		for i := range events {
			_, redo := History(log)
			log = append(log, Event{UUID: fmt.Sprintf("r%d", i), Kind: Undo, Undoes: redo[len(redo)-1]})
		}
		again := Replay(m, log)
		if d := cmp.Diff(done, again, cmpopts.EquateEmpty(), cmpopts.IgnoreUnexported(Part{})); d != "" {
			t.Fatalf("redoing all does not give back the outcome:\n%s", d)
		}
	})
}

// What was done after an undo ends what could be redone.
func TestHistory(t *testing.T) {
	undo, redo := History([]Event{{UUID: "a", Kind: Add}, {UUID: "b", Kind: Add}, {UUID: "u", Kind: Undo, Undoes: "b"}, {UUID: "c", Kind: Add}})
	if d := cmp.Diff([]string{"a", "c"}, undo); d != "" || len(redo) != 0 {
		t.Errorf("redo %v, undo (-want +got):\n%s", redo, d)
	}
}

// A path that runs along x, boundaries leaning anticlockwise as displayed have
// their lower end further right: the contract's sign.
func TestTiltOfCourse(t *testing.T) {
	for _, c := range []struct {
		name          string
		along, course Point
		want          float64
	}{
		{"upright", Point{1, 0}, Point{0, 1}, 0},
		{"lower end further right", Point{1, 0}, Point{1, 1}, 45},
		{"the same, from its lower end", Point{1, 0}, Point{-1, -1}, 45},
		{"lower end further left", Point{1, 0}, Point{-1, 1}, -45},
		{"walked from the right, leaning the same way", Point{-1, 0}, Point{1, 1}, 45},
		{"an upright core", Point{0, 1}, Point{1, 0}, 0},
	} {
		if got := tiltOf(c.along, c.course); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		e := editing{Core: Core{PathPx: []Point{{0, 0}, c.along}, OutlinePx: []Point{{0, 50}}}}
		if line := e.Course(Point{0, 0}, c.want); math.Abs(tiltOf(c.along, Point{line[2][0] - line[0][0], line[2][1] - line[0][1]})-c.want) > 1e-9 {
			t.Errorf("%s: a line of that tilt comes back with another", c.name)
		}
	}
}
