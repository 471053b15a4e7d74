package grade

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pithward/measure"
)

// work makes a work of widths from bark to pith, the outermost ring of year
// outer; 0: without years.
func work(name string, widths []float64, outer int) Work {
	w := Work{Name: name, File: name + ".rwl"}
	for i, x := range widths {
		r := Ring{WidthMM: x}
		if outer != 0 {
			y := outer - i
			r.Year = &y
		}
		w.Rings = append(w.Rings, r)
	}
	return w
}

func keyWidths() []float64 { return grown(rand.New(rand.NewPCG(3, 5)), 80) }

// without merges ring r (from 1) with the one inside it.
func without(w []float64, r int) []float64 {
	out := slices.Clone(w)
	out[r-1] += out[r]
	return slices.Delete(out, r, r+1)
}

// with splits ring r at a share of it.
func with(w []float64, r int, share float64) []float64 {
	out := slices.Insert(slices.Clone(w), r, w[r-1]*(1-share))
	out[r-1] *= share
	return out
}

func scaledBy(w []float64, f float64) []float64 {
	out := slices.Clone(w)
	for i := range out {
		out[i] *= f
	}
	return out
}

func backwards(w []float64) []float64 {
	out := slices.Clone(w)
	slices.Reverse(out)
	return out
}

// words writes faults as kind:ring:years shifted.
func words(faults []Fault) []string {
	out := []string{}
	for _, f := range faults {
		s := string(f.Kind)
		if f.KeyRing != nil {
			s += fmt.Sprintf(":%d", *f.KeyRing)
		}
		if f.YearsShifted != nil {
			s += fmt.Sprintf(":%+d", *f.YearsShifted)
		}
		if f.Rings > 0 {
			s += fmt.Sprintf(" x%d", f.Rings)
		}
		out = append(out, s)
	}
	return out
}

func newKey(t *testing.T, first Work, others ...Work) *Key {
	t.Helper()
	k, err := NewKey(DefaultRubric(), first, others...)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestStudentByWidths(t *testing.T) {
	key := keyWidths()
	stranger := grown(rand.New(rand.NewPCG(90, 91)), 80)
	absentKey := slices.Insert(slices.Clone(key), 30, 0.0)
	for _, tt := range []struct {
		name    string
		key     []float64
		student Work
		want    []string
		mark    float64
	}{
		{"the same", key, work("a", key, 2000), nil, 100},
		{"a boundary missed", key, work("a", without(key, 20), 2000), []string{"missed:20", "slip:20:+1"}, 100 - 35/(0.2*81)},
		{"missed, years put right by hand", key, work("a", without(key, 20), 0), []string{"missed:20"}, 100 - 35/0.85/(0.2*81)},
		{"a ring split", key, work("a", with(key, 33, 0.4), 2000), []string{"invented:33", "slip:33:-1"}, 100 - 20/(0.2*81)},
		{"one missed, one split", key, work("a", with(without(key, 20), 50, 0.5), 2000), []string{"missed:20", "slip:20:+1", "invented:51", "slip:51:-1"}, -1},
		{"two neighbours missed", key, work("a", without(without(key, 20), 20), 2000), []string{"missed:20", "slip:20:+1", "missed:21", "slip:21:+1"}, -1},
		{"outermost year wrong", key, work("a", key, 2001), []string{"slip:1:+1"}, 95},
		// 3 of 80 rings: half a boundary each of completeness, and their share of the other 65 points.
		{"starts late, dated right", key, work("a", key[3:], 1997), []string{"starts-late:1 x3"}, 100 - 1.5*35/(0.2*81) - 65*3.0/80},
		{"starts late, dated as if not", key, work("a", key[3:], 2000), []string{"starts-late:1 x3", "slip:1:+3"}, -1},
		{"starts early", key, work("a", slices.Concat([]float64{0.4}, key), 2001), []string{"starts-early:1 x1"}, -1},
		{"ends early", key, work("a", key[:60], 2000), []string{"ends-early:61 x20"}, 100 - 10*35/(0.2*81) - 65*20.0/80},
		{"hardly begun", key, work("a", key[:8], 2000), []string{"ends-early:9 x72"}, 65 * 8.0 / 80},
		{"ends late", key, work("a", slices.Concat(key, []float64{1.1, 0.8}), 2000), []string{"ends-late:80 x2"}, -1},
		{"tenths", key, work("a", scaledBy(key, 10), 2000), []string{"units"}, 90},
		{"a tenth", key, work("a", scaledBy(key, 0.1), 2000), []string{"units"}, 90},
		{"thousandths", key, work("a", scaledBy(key, 1000), 2000), []string{"units"}, 90},
		{"inches", key, work("a", scaledBy(key, 1/25.4), 2000), []string{"units"}, 90},
		{"inches, the other way", key, work("a", scaledBy(key, 25.4), 2000), []string{"units"}, 90},
		{"half the resolution", key, work("a", scaledBy(key, 2), 2000), []string{"units"}, 90},
		{"tenths and a boundary missed", key, work("a", scaledBy(without(key, 40), 10), 2000), []string{"units", "missed:40", "slip:40:+1"}, -1},
		{"reversed", key, work("a", backwards(key), 2000), []string{"reversed"}, 90},
		{"another core", key, work("a", stranger, 2000), []string{"wrong-core"}, 0},
		{"nothing", key, Work{Name: "a"}, []string{"unreadable"}, 0},
		{"beyond any wood", key, work("a", []float64{1, 2, 1e200, 3, 1, 2}, 2000), []string{"unreadable"}, 0},
		{"not to be read", key, Work{Name: "a", Fault: "the file is empty"}, []string{"unreadable"}, 0},
		{"absent ring there", absentKey, work("a", absentKey, 2000), nil, 100},
		{"absent ring missed", absentKey, work("a", key, 2000), []string{"absent-ring-missed:31", "slip:31:+1"}, 95},
		{"absent ring beyond the end", absentKey, work("a", key[:30], 2000), []string{"ends-early:32 x50"}, -1},
		{"absent ring invented", key, work("a", absentKey, 2000), []string{"absent-ring-invented:30", "slip:30:-1"}, 95},
		{"missed inside an absent ring counts it", absentKey, work("a", without(absentKey, 50), 2000), []string{"missed:50", "slip:50:+1"}, -1},
		{"displaced", []float64{1, 2, 1.5, 0.7, 1.1, 2.2, 1.4, 0.9, 1.3, 1.9, 0.8, 1.2}, work("a", []float64{1, 2, 1.5, 0.7, 1.1, 2.55, 1.05, 0.9, 1.3, 1.9, 0.8, 1.2}, 2000), []string{"displaced:6"}, -1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := newKey(t, work("key", tt.key, 2000)).Student(tt.student)
			if tt.want == nil {
				tt.want = []string{}
			}
			if d := cmp.Diff(tt.want, words(got.Faults)); d != "" {
				t.Errorf("faults (-want +got):\n%s", d)
			}
			if tt.mark >= 0 && math.Abs(got.Mark-tt.mark) > 0.011 { // rounded to a hundredth
				t.Errorf("mark %g, want %g", got.Mark, tt.mark)
			}
			checkMark(t, got)
			for _, f := range got.Faults {
				if f.Certainty < 0.5 || f.Certainty > 1 {
					t.Errorf("%s: certainty %g", f.Kind, f.Certainty)
				}
				if !strings.HasSuffix(f.Detail, ".") && !strings.HasSuffix(f.Detail, "?") {
					t.Errorf("%s: %q is no sentence", f.Kind, f.Detail)
				}
			}
		})
	}
}

// What a factor means is said in words.
func TestUnitWords(t *testing.T) {
	for factor, want := range map[float64]string{
		10: "10 times larger than the key's: the unit is wrong", 0.1: "10 times smaller than the key's: the unit is wrong",
		25.4:     "25.4 times larger than the key's: inches were taken for millimetres, or the other way round",
		1 / 25.4: "25.4 times smaller than the key's: inches were taken for millimetres",
		2:        "2 times larger than the key's: the resolution was taken as half or twice", 1.37: "1.37 times larger than the key's: the resolution or the unit is wrong",
	} {
		if got := unitWords(factor); !strings.HasPrefix(got, "All widths are "+want) {
			t.Errorf("%g: %s", factor, got)
		}
	}
}

// Undated series count their years from the innermost ring, 1: no dating can be
// told from them, and none is marked.
func TestUndated(t *testing.T) {
	key := keyWidths()
	missed := without(key, 20)
	for name, k := range map[string]*Key{"key dated": newKey(t, work("key", key, 2000)), "key undated": newKey(t, work("key", key, len(key)))} {
		got := k.Student(work("a", missed, len(missed)))
		if d := cmp.Diff([]string{"missed:20"}, words(got.Faults)); d != "" {
			t.Errorf("%s: faults (-want +got):\n%s", name, d)
		}
		for _, p := range got.Parts {
			if p.Name == partDating {
				t.Errorf("%s: its dating is marked", name)
			}
		}
	}
}

// By places any random set of boundaries missed and invented is recovered,
// whatever the tilt of the rings and whichever radius the student laid.
func TestPlacesRecovered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tilt := rapid.Float64Range(-30, 30).Draw(t, "tilt")
		y := rapid.Float64Range(420, 580).Draw(t, "y")
		key := straight(30, tilt)
		var xs []float64
		want := []string{}
		for i := range 31 {
			x := 100 + 50*float64(i)
			if i == 0 || i == 30 || rapid.IntRange(0, 9).Draw(t, "missed") > 0 {
				xs = append(xs, x+rapid.Float64Range(-4, 4).Draw(t, "off"))
			} else {
				want = append(want, fmt.Sprintf("missed:%d", i))
			}
			if i < 30 && rapid.IntRange(0, 9).Draw(t, "invented") == 0 {
				xs = append(xs, x+rapid.Float64Range(30.5, 31).Draw(t, "at")) // if the next one is missed, a boundary beside its place
				want = append(want, fmt.Sprintf("invented:%d", i+1))
			}
		}
		k, err := NewKey(DefaultRubric(), key)
		if err != nil {
			t.Fatal(err)
		}
		got := []string{}
		for _, f := range k.Student(on(key, y, tilt, xs...)).Faults {
			switch f.Kind {
			case Missed, Invented:
				got = append(got, fmt.Sprintf("%s:%d", f.Kind, *f.KeyRing))
			case Displaced: // an invented one next to a missed one
				got = append(got, fmt.Sprintf("invented:%d", *f.KeyRing), fmt.Sprintf("missed:%d", *f.KeyRing))
			}
		}
		slices.Sort(got)
		slices.Sort(want)
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("faults (-want +got):\n%s", d)
		}
	})
}

// checkMark holds that a mark is what its parts leave, and that each loss
// names its fault.
func checkMark(t *testing.T, r Result) {
	t.Helper()
	var sum float64
	for _, p := range r.Parts {
		lost := 0.0
		for _, l := range p.Lost {
			lost += l.Points
			if l.Fault != nil && (*l.Fault < 0 || *l.Fault >= len(r.Faults)) {
				t.Errorf("%s: no fault %d", p.Name, *l.Fault)
			}
		}
		if p.Of > 0 && math.Abs(p.Of-lost-p.Points) > 0.02 && p.Points > 0 {
			t.Errorf("%s: %g of %g, but %g lost", p.Name, p.Points, p.Of, lost)
		}
		sum += p.Points
	}
	if math.Abs(max(0, sum)-r.Mark) > 0.011 {
		t.Errorf("mark %g, parts %g", r.Mark, sum)
	}
}

// Where experts differ the student is not marked down, whichever side is taken.
func TestTwoKeys(t *testing.T) {
	key := keyWidths()
	k := newKey(t, work("first", key, 2000), work("second", without(with(key, 50, 0.4), 20), 2000))
	for _, tt := range []struct {
		name    string
		student []float64
		want    []string
		mark    float64
	}{
		{"as the first", key, []string{}, 100},
		{"as the second", without(with(key, 50, 0.4), 20), []string{}, 100},
		{"half and half", without(key, 20), []string{}, 100},
		{"one more", without(without(key, 60), 20), []string{"missed:60", "slip:60:+1"}, 100 - 35/(0.2*81)},
		{"split elsewhere in the ring", with(key, 50, 0.85), []string{"invented:50"}, 100 - 20/(0.2*81)}, // the years are the second's
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := k.Student(work("a", tt.student, 2000))
			if d := cmp.Diff(tt.want, words(got.Faults)); d != "" {
				t.Errorf("faults (-want +got):\n%s", d)
			}
			if math.Abs(got.Mark-tt.mark) > 0.011 {
				t.Errorf("mark %g, want %g", got.Mark, tt.mark)
			}
		})
	}
	if _, err := NewKey(DefaultRubric(), work("first", key, 2000), work("other", grown(rand.New(rand.NewPCG(90, 91)), 80), 2000)); err == nil || !strings.Contains(err.Error(), "other") {
		t.Errorf("an expert of another core: %v", err)
	}
}

// straight is a key on a scan of 0.02 mm a px: rings 50 px wide, boundaries
// turned by tilt, the radius along y = 500 from x = 100 on.
func straight(rings int, tilt float64) Work {
	core := measure.Core{ID: "key", PathPx: []measure.Point{{100, 500}, {100 + 50*float64(rings), 500}},
		OutlinePx: []measure.Point{{100, 400}, {100 + 50*float64(rings), 400}, {100 + 50*float64(rings), 600}, {100, 600}}}
	scale := measure.Scale{MMPerPx: &[2]float64{0.02, 0.02}}
	slope := math.Tan(tilt * math.Pi / 180)
	for i := range rings + 1 {
		x, mm := 100+50*float64(i), float64(i)
		core.Boundaries = append(core.Boundaries, measure.Boundary{AtMM: &mm, PointPx: measure.Point{x, 500},
			LinePx: []measure.Point{{x - 100*slope, 400}, {x, 500}, {x + 100*slope, 600}}, TiltDeg: tilt})
	}
	core.MakeRings(scale, false)
	for i := range core.Rings {
		y := 2000 - i
		core.Rings[i].Year = &y
	}
	return FromCore(measure.Scan{SHA256: "abc"}, scale, core)
}

// on sets a student's boundaries at these x of a radius at height y, on lines
// that slant as the key's do.
func on(key Work, y, tilt float64, xs ...float64) Work {
	var bounds []Bound
	for _, x := range xs {
		bounds = append(bounds, Bound{PointPx: measure.Point{x + (y-500)*math.Tan(tilt*math.Pi/180), y}})
	}
	outer := 2000
	return FromPlaces("a", key, nil, bounds, &outer, nil)
}

func TestStudentByPlaces(t *testing.T) {
	all := func(change func(i int, x float64) []float64) (xs []float64) {
		for i := range 21 {
			xs = append(xs, change(i, 100+50*float64(i))...)
		}
		return xs
	}
	same := func(_ int, x float64) []float64 { return []float64{x} }
	for _, tt := range []struct {
		name string
		tilt float64
		y    float64
		xs   []float64
		want []string
	}{
		{"the same", 0, 500, all(same), []string{}},
		{"another radius over slanting rings", 20, 570, all(same), []string{}},
		{"within the tolerance", 0, 480, all(func(i int, x float64) []float64 { return []float64{x + 4.9*float64(1-2*(i%2))} }), []string{}},
		{"missed", 0, 500, all(func(i int, x float64) []float64 { return map[bool][]float64{false: {x}}[i == 7] }), []string{"missed:7", "slip:7:+1"}},
		{"invented", 0, 520, all(func(i int, x float64) []float64 {
			return map[bool][]float64{false: {x}, true: {x, x + 24}}[i == 7]
		}), []string{"invented:8", "slip:8:-1"}},
		{"displaced", 0, 520, all(func(i int, x float64) []float64 { return map[bool][]float64{false: {x}, true: {x + 12}}[i == 7] }), []string{"displaced:7"}},
		{"missed here, invented far off", 0, 520, all(func(i int, x float64) []float64 {
			return map[bool][]float64{false: {x}, true: {x, x + 25}}[i == 12][map[bool]int{true: 1}[i == 4]:]
		}), []string{"missed:4", "slip:4:+1", "invented:13", "slip:13:-1"}},
		{"starts late", 0, 500, all(same)[2:], []string{"starts-late:1 x2", "slip:1:+2"}},
		{"reversed", 0, 500, backwards(all(same)), []string{"reversed"}},
		{"another core", 0, 2500, all(same), []string{"wrong-core"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			key := straight(20, tt.tilt)
			got := newKey(t, key).Student(on(key, tt.y, tt.tilt, tt.xs...))
			if got.By != "places" {
				t.Fatalf("compared by %q", got.By)
			}
			if d := cmp.Diff(tt.want, words(got.Faults)); d != "" {
				t.Errorf("faults (-want +got):\n%s", d)
			}
			checkMark(t, got)
			for _, f := range got.Faults {
				if f.Kind == Missed && (f.AtMM == nil || math.Abs(*f.AtMM-float64(*f.KeyRing)) > 1e-9 || f.PointPx == nil) {
					t.Errorf("missed at %v", f.AtMM)
				}
			}
		})
	}
}

// A hand-in that cannot be graded harms no other, and doubles are named.
func TestClass(t *testing.T) {
	key := keyWidths()
	k := newKey(t, work("key", key, 2000))
	rep, err := k.Class(context.Background(), []Work{
		work("ada", without(key, 20), 2000), {Name: "ben", Fault: "the file is empty"}, work("cyd", key, 2000), work("dan", key, 2000), work("ada", with(key, 9, 0.5), 2000),
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"handed in twice", "", "same widths", "same widths", "handed in twice"} {
		got := strings.Join(rep.Students[i].Warnings, "; ")
		if !strings.Contains(got, want) || want == "" && got != "" {
			t.Errorf("student %d is warned of %q, want %q", i, got, want)
		}
	}
	c := rep.Class
	if c.Students != 4 || c.Rings[19].Missed != 1 || c.Rings[8].Invented != 1 || c.Rings[40].Measured != 4 {
		t.Errorf("class %d students, ring 20 %+v", c.Students, c.Rings[19])
	}
	if want := (80.0/81 + 3) / 4; math.Abs(*c.Agreement-want) > 1e-12 {
		t.Errorf("agreement %g, want %g", *c.Agreement, want)
	}
	if want := (3*80.0/81 + 3) / 6; math.Abs(*c.Among-want) > 1e-12 { // ada's first has 80 of 81
		t.Errorf("agreement among students %g, want %g", *c.Among, want)
	}
}

// The errors of widths are those of the textbook: mean, mean absolute, root mean
// square of the differences.
func TestWidthErrors(t *testing.T) {
	key := keyWidths()
	student := slices.Clone(key)
	student[10] += 0.03
	student[20] -= 0.01
	got := newKey(t, work("key", key, 2000)).Student(work("a", student, 2000))
	for name, pair := range map[string][2]float64{
		"bias": {*got.WidthBiasMM, 0.02 / 80}, "absolute": {*got.WidthMAEMM, 0.04 / 80}, "square": {*got.WidthRMSEMM, math.Sqrt(0.001 / 80)},
	} {
		if math.Abs(pair[0]-pair[1]) > 1e-6 {
			t.Errorf("%s error %g, want %g", name, pair[0], pair[1])
		}
	}
}

// FuzzStudent: whatever two people hand in, as widths or on a scan, there is a
// result that can be written, with a mark in range and faults on rings there are.
func FuzzStudent(f *testing.F) {
	f.Add([]byte{10, 20, 30, 40, 50, 60, 70}, []byte{10, 50, 40, 50, 60, 70}, true)
	f.Add([]byte{10, 0, 255, 40, 1, 60, 70}, []byte{0, 0, 0}, false)
	f.Add([]byte{1, 1, 1, 1, 1, 1}, []byte{255}, true)
	f.Add([]byte{9, 9, 9, 9, 9, 9, 9, 9}, []byte{9, 9, 0, 9, 9, 9, 0, 0, 9, 9}, true)
	f.Fuzz(func(t *testing.T, a, b []byte, placed bool) {
		if len(a) > 60 || len(b) > 60 {
			return
		}
		take := func(bytes []byte, name string) Work {
			var widths []float64
			for _, x := range bytes {
				w := float64(x) / 50
				if x == 255 {
					w = Unmeasured
				}
				widths = append(widths, w)
			}
			w := work(name, widths, 2000)
			if placed {
				at := 0.0
				p := &Places{Scan: "s", MMPerPx: &[2]float64{0.02, 0.021}, PathPx: []measure.Point{{0, 100}, {3000, 150}}}
				for i := 0; i <= len(w.standing()); i++ {
					p.Bounds = append(p.Bounds, Bound{PointPx: measure.Point{at, 100 + at/60}})
					if i < len(w.standing()) {
						at += 20 + 3*float64(bytes[w.standing()[i]])
					}
				}
				w.Places = p
			}
			return w
		}
		k, err := NewKey(DefaultRubric(), take(a, "key"))
		if err != nil {
			return
		}
		rep, err := k.Class(t.Context(), []Work{take(b, "a"), take(b, "b")})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := json.Marshal(rep); err != nil {
			t.Fatal(err)
		}
		for _, r := range rep.Students {
			if !(r.Mark >= 0 && r.Mark <= 100.01 && r.Certainty >= 0 && r.Certainty <= 1) {
				t.Fatalf("mark %g, certainty %g", r.Mark, r.Certainty)
			}
			checkMark(t, r)
			for _, x := range r.Faults {
				if x.KeyRing != nil && (*x.KeyRing < 1 || *x.KeyRing > len(a)) {
					t.Fatalf("%s at ring %d of %d", x.Kind, *x.KeyRing, len(a))
				}
			}
		}
	})
}
