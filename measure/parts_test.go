package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// trunk returns the widths, in mm from the bark, and boundary tilts of a tree:
// log widths that follow one another with a correlation of 0.5 round a mean of
// 1 mm (common practice for ring widths; deviation 0.35).
func trunk(r *rand.Rand, n int) (widths, tilts []float64) {
	log, tilt := 0.0, 0.0
	for range n {
		log = 0.5*log + 0.3*r.NormFloat64()
		tilt = 0.9*tilt + 2*r.NormFloat64()
		widths, tilts = append(widths, math.Exp(log)), append(tilts, tilt)
	}
	return widths, tilts
}

// partOf returns a core that shows rings from to to of a trunk, each width with
// an error of its own of 3 %, without the boundaries whose rings are in missed.
func partOf(r *rand.Rand, widths, tilts []float64, from, to, part int, missed ...int) Core {
	c := Core{UID: fmt.Sprint("u", part), ID: "LK01A", PathPx: []Point{{0, 0}, {1e5, 0}}, Field: &Field{Core: "LK01A", Part: part}, BarkPresent: from == 0}
	at := 0.0
	add := func(tilt float64) {
		c.Boundaries = append(c.Boundaries, Boundary{ID: fmt.Sprintf("b%d", len(c.Boundaries)+1), Kind: RingBoundary, AtMM: ptr(at), PointPx: Point{100 * at, 0},
			TiltDeg: tilt, Probability: 0.95, StandardUncertaintyMM: ptr(0.01), Source: "auto"})
	}
	add(0)
	if c.BarkPresent {
		c.Boundaries[0].Kind = Outer
	}
	for i := from; i < to; i++ {
		at += widths[i] * math.Exp(0.03*r.NormFloat64())
		if !slices.Contains(missed, i) {
			add(tilts[i] + r.NormFloat64())
		}
	}
	c.MakeRings(Scale{MMPerPx: &[2]float64{0.01, 0.01}}, false)
	return c
}

func joinTwo(a, b Core) (m *Measurement, joined []JoinedCore) {
	m = &Measurement{Scan: Scan{File: "tray.tif"}, Cores: []Core{b, a}} // in any order on the tray
	return m, JoinParts([]*Measurement{m})
}

// Parts that overlap are joined into the tree's rings, each once; what is not
// sure stays apart. Never is a core joined at another place than the true one.
func TestJoinParts(t *testing.T) {
	tests := []struct {
		name        string
		overlap     int
		missedOuter int // ring whose inner boundary the outer part misses; 0: none
		missedInner int
		sure        int // of 40 trees at least so many are joined
		none        bool
	}{
		{name: "20 rings shared", overlap: 20, sure: 40},
		{name: "8 rings shared", overlap: 8, sure: 39},
		{name: "5 rings shared", overlap: 5},
		{name: "a boundary missed on the outer part", overlap: 20, missedOuter: 50, sure: 36},
		{name: "a boundary missed on the inner part", overlap: 20, missedInner: 49, sure: 36},
		{name: "one ring shared", overlap: 1, none: true},
		{name: "none shared", overlap: 0, none: true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			joins, wrong := 0, 0
			for seed := range uint64(40) {
				r := rand.New(rand.NewPCG(seed, 17))
				widths, tilts := trunk(r, 100)
				var missedA, missedB []int
				if tt.missedOuter > 0 {
					missedA = []int{tt.missedOuter}
				}
				if tt.missedInner > 0 {
					missedB = []int{tt.missedInner}
				}
				a := partOf(r, widths, tilts, 0, 60, 1, missedA...)
				b := partOf(r, widths, tilts, 60-tt.overlap, 100, 2, missedB...)
				m, joined := joinTwo(a, b)
				if len(m.Joins) != 1 || len(m.Joins[0].Joints) != 1 {
					t.Fatalf("joins %+v", m.Joins)
				}
				j := m.Joins[0]
				if len(joined) == 0 {
					if j.Joined || len(j.Rings) > 0 || len(m.Warnings) != 1 || !strings.HasPrefix(m.Warnings[0], "core LK01A: its parts stay apart: no overlap of parts 1 and 2 is sure") {
						t.Fatalf("apart, but %+v, said %q", j, m.Warnings)
					}
					continue
				}
				joins++
				checkOnce(t, joined[0].Core, widths, &wrong)
			}
			switch {
			case wrong > 0:
				t.Errorf("%d of %d joined at a wrong place", wrong, joins)
			case tt.none && joins > 0:
				t.Errorf("%d joined that do not overlap", joins)
			case joins < tt.sure:
				t.Errorf("%d of 40 joined, want %d", joins, tt.sure)
			}
		})
	}
}

// checkOnce counts a joined core as wrong if its length, from the bark to the
// last boundary, is not the tree's: a wrong joint leaves rings out or has them
// twice. The tolerance is three times the sum of the widths' own errors.
func checkOnce(t *testing.T, c Core, widths []float64, wrong *int) {
	t.Helper()
	sum, err2 := 0.0, 0.0
	for _, w := range widths {
		sum += w
		err2 += 0.03 * w * 0.03 * w
	}
	got := *c.Boundaries[len(c.Boundaries)-1].AtMM
	if math.Abs(got-sum) > 3*math.Sqrt(2*err2) {
		*wrong++
	}
	for i, r := range c.Rings {
		if r.Index != c.Rings[0].Index+i {
			t.Fatalf("ring %d has index %d", i, r.Index)
		}
	}
	for i := 1; i < len(c.Boundaries); i++ {
		if *c.Boundaries[i].AtMM <= *c.Boundaries[i-1].AtMM {
			t.Fatal("boundaries out of order")
		}
	}
}

// Years and the table go on over the joint; the parts are on two scans.
func TestJoinedYears(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	widths, tilts := trunk(r, 50)
	a, b := partOf(r, widths, tilts, 0, 30, 1), partOf(r, widths, tilts, 18, 50, 2)
	setYears(&a, ptr(2020))
	scale := Scale{MMPerPx: &[2]float64{0.01, 0.01}}
	one := &Measurement{Scan: Scan{File: "one.tif"}, Scale: scale, Cores: []Core{a}}
	two := &Measurement{Scan: Scan{File: "two.tif"}, Scale: scale, Cores: []Core{b, {UID: "other", ID: "X"}}}
	joined := JoinParts([]*Measurement{two, one})
	if len(joined) != 1 || len(one.Joins) != 1 || len(two.Joins) != 1 {
		t.Fatalf("%d joined, %d and %d joins", len(joined), len(one.Joins), len(two.Joins))
	}
	j := one.Joins[0]
	if d := cmp.Diff([]UnionPart{{"one.tif", "u1", 1}, {"two.tif", "u2", 2}}, j.Parts); d != "" {
		t.Errorf("parts (-want +got):\n%s", d)
	}
	if len(j.Rings) != 50 || *j.Rings[0].Year != 2020 || *j.Rings[49].Year != 1971 || !strings.Contains(j.Detail, "2 parts joined over 12 shared rings (certainty ") {
		t.Errorf("%d rings, %s", len(j.Rings), j.Detail)
	}
	if w := one.WithJoined(joined); len(w.Cores) != 1 || len(w.Cores[0].Rings) != 50 {
		t.Errorf("the first scan shows %d cores", len(w.Cores))
	}
	if w := two.WithJoined(joined); len(w.Cores) != 1 || w.Cores[0].ID != "X" {
		t.Errorf("the second scan shows %d cores", len(w.Cores))
	}
	if len(one.Cores[0].Rings) != 30 || len(two.Cores[0].Rings) != 32 {
		t.Error("the parts themselves have changed")
	}
	var table strings.Builder
	if err := WriteTable(&table, one.WithJoined(joined)); err != nil || strings.Count(table.String(), "\nLK01A,") != 50 {
		t.Errorf("%v\n%s", err, table.String())
	}
}

// A cut face that was taken for the wood's surface, or for the pith, leaves a
// rest of a ring there that is not held against the match.
func TestCutFacesTakenForEnds(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	widths, tilts := trunk(r, 100)
	cut := func(ring int) []float64 { w := slices.Clone(widths); w[ring] = 0.05; return w }
	a := partOf(r, cut(59), tilts, 0, 60, 1)
	a.Boundaries[60].Kind = Inner
	b := partOf(r, cut(52), tilts, 52, 100, 2)
	b.Boundaries[0].Kind = Outer
	m, joined := joinTwo(a, b)
	if len(joined) != 1 || len(joined[0].Core.Rings) != 100 {
		t.Errorf("joined %d: %+v", len(joined), m.Warnings)
	}
	if len(joined) == 1 && m.Joins[0].Joints[0].SharedRings != 6 { // 53 to 58
		t.Errorf("%d rings shared", m.Joins[0].Joints[0].SharedRings)
	}
}

func TestPartsThatCannotBeCompared(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	widths, tilts := trunk(r, 50)
	a, b := partOf(r, widths, tilts, 0, 30, 1), partOf(r, widths, tilts, 18, 50, 2)
	short := partOf(r, widths, tilts, 27, 30, 2)
	unscaled := partOf(r, widths, tilts, 18, 50, 2)
	unscaled.Boundaries = slices.Clone(unscaled.Boundaries)
	unscaled.Rings = slices.Clone(unscaled.Rings)
	for i := range unscaled.Boundaries {
		unscaled.Boundaries[i].AtMM = nil
	}
	for i := range unscaled.Rings {
		unscaled.Rings[i].WidthMM = nil
	}
	twice := b
	twice.Field = &Field{Core: "LK01A", Part: 1}
	for name, tt := range map[string]struct {
		other Core
		want  string
	}{
		"too short":    {short, "core LK01A: its parts stay apart: parts 1 and 2 need 4 rings with widths each, to compare"},
		"no scale":     {unscaled, "core LK01A: its parts stay apart: parts 1 and 2 need 4 rings with widths each, to compare"},
		"a part twice": {twice, "core LK01A: its parts stay apart: part 1 is there twice"},
		"no rings":     {Core{UID: "u2", ID: "LK01A", Field: &Field{Core: "LK01A", Part: 2}}, "core LK01A: its parts stay apart: parts 1 and 2 need 4 rings with widths each, to compare"},
	} {
		m, joined := joinTwo(a, tt.other)
		if len(joined) > 0 || !slices.Equal(m.Warnings, []string{tt.want}) {
			t.Errorf("%s: joined %d, said %q", name, len(joined), m.Warnings)
		}
	}
	// A core on its own is no matter, whatever its part.
	if m := (&Measurement{Cores: []Core{a}}); len(JoinParts([]*Measurement{m})) > 0 || len(m.Joins) > 0 || len(m.Warnings) > 0 {
		t.Error("a lone part")
	}
}

// What was joined is joined again from what was written: the very core where all
// its parts are on the scan, its rings with the first part where they are not.
func TestAsJoined(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	widths, tilts := trunk(r, 100)
	parts := []Core{partOf(r, widths, tilts, 0, 45, 1), partOf(r, widths, tilts, 25, 75, 2), partOf(r, widths, tilts, 55, 100, 3)}
	parts[2].PithPresent = true
	written := func(m *Measurement) Measurement {
		var text strings.Builder
		if err := Encode(&text, *m); err != nil {
			t.Fatal(err)
		}
		got, err := Decode(strings.NewReader(text.String()))
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	one := &Measurement{Schema: Schema, Scan: Scan{File: "tray.tif"}, Cores: slices.Clone(parts)}
	joined := JoinParts([]*Measurement{one})
	if len(joined) != 1 || len(joined[0].Core.Rings) != 100 {
		t.Fatalf("joined %+v", one.Joins)
	}
	read := written(one)
	whole, elsewhere := read.AsJoined()
	want := read.WithJoined(joined)
	want.FillLists()
	whole.FillLists()
	round := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= 1e-6*(1+math.Abs(a)) })
	if d := cmp.Diff(want.Cores, whole.Cores, round); d != "" || len(elsewhere) > 0 {
		t.Errorf("%v (-joined +joined again):\n%s", elsewhere, d)
	}

	left := &Measurement{Schema: Schema, Scan: Scan{File: "left.tif"}, Cores: slices.Clone(parts[:2])}
	right := &Measurement{Schema: Schema, Scan: Scan{File: "right.tif"}, Cores: slices.Clone(parts[2:])}
	JoinParts([]*Measurement{left, right})
	whole, elsewhere = written(left).AsJoined()
	if len(whole.Cores) != 1 || len(whole.Cores[0].Rings) != 100 || !whole.Cores[0].PithPresent || len(elsewhere) > 0 {
		t.Errorf("left: %d cores, elsewhere %q", len(whole.Cores), elsewhere)
	}
	whole, elsewhere = written(right).AsJoined()
	if len(whole.Cores) != 0 || len(elsewhere) != 1 || elsewhere[0] != "core LK01A: is left out, as all its rings are with its part 1 on left.tif" {
		t.Errorf("right: %d cores, elsewhere %q", len(whole.Cores), elsewhere)
	}
}

// An edit at a joint changes the join, and the old one's warning goes with it.
func TestRejoin(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 7))
	widths, tilts := trunk(r, 60)
	m, joined := joinTwo(partOf(r, widths, tilts, 0, 40, 1), partOf(r, widths, tilts, 39, 60, 2))
	if len(joined) != 0 || len(m.Warnings) != 1 {
		t.Fatalf("joined %+v, warnings %q", joined, m.Warnings)
	}
	m.Cores[0] = partOf(r, widths, tilts, 20, 60, 2)
	if joined = Rejoin([]*Measurement{m}); len(joined) != 1 || len(m.Warnings) != 0 || len(m.Joins) != 1 || !m.Joins[0].Joined {
		t.Errorf("joined %d, warnings %q, joins %+v", len(joined), m.Warnings, m.Joins)
	}
}
