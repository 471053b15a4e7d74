package stand

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"pithward/measure"
	"pithward/measure/dating"
	"pithward/measure/ledger"
)

// scanOf makes a scan of invented trees with a common signal: core k of tree k,
// outermost ring 2020. missed and invented name the rings, from the bark, at
// which core 0 lacks a boundary and core 1 has one too many.
func scanOf(trees, years, missed, invented int) measure.Measurement {
	random := rand.New(rand.NewPCG(5, 5))
	signal := make([]float64, years)
	for t := range signal {
		signal[t] = random.NormFloat64()
	}
	m := measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: "ridge.tif", SHA256: strings.Repeat("ab", 32), WidthPx: 20000, HeightPx: 4000},
		Scale: measure.Scale{Source: measure.ScaleGiven, MMPerPx: &[2]float64{0.02, 0.02}}}
	for k := range trees {
		at := 0.0
		year := 2020
		c := measure.Core{UID: fmt.Sprintf("u%d", k), ID: fmt.Sprintf("RDG%02dA", k), Position: k + 1,
			Field: &measure.Field{Scan: "ridge.tif", Position: k + 1, Tree: fmt.Sprintf("RDG%02d", k), OuterYear: &year}}
		y := float64(100 + 200*k)
		c.PathPx = []measure.Point{{0, y}, {19000, y}}
		put := func(at float64, p float64) {
			mm, x := at, at/0.02
			c.Boundaries = append(c.Boundaries, measure.Boundary{ID: fmt.Sprintf("b%d", len(c.Boundaries)), Kind: measure.RingBoundary, AtMM: &mm, PointPx: measure.Point{x, y},
				LinePx: []measure.Point{{x, y - 50}, {x, y}, {x, y + 50}}, Probability: p, Source: "auto"})
		}
		put(0, 1)
		for t := range years {
			w := math.Exp(0.25*signal[t] + 0.12*random.NormFloat64())
			switch {
			case k == 0 && t == missed:
				mm := at + w
				c.Candidates = append(c.Candidates, measure.Candidate{ID: "c1", AtMM: &mm, PointPx: measure.Point{mm / 0.02, y}, Probability: 0.31})
				at += w
				continue
			case k == 1 && t == invented:
				put(at+0.45*w, 0.7)
			}
			at += w
			put(at, 0.99)
		}
		c.MakeRings(m.Scale, false)
		for i := range c.Rings {
			y := year - i
			c.Rings[i].Year = &y
		}
		m.Cores = append(m.Cores, c)
	}
	m.FillLists()
	return m
}

func project(t *testing.T, m measure.Measurement) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(t.Context(), filepath.Join(t.TempDir(), "ridge.pithward"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	if _, err := l.Store(t.Context(), m, "ridge.tif", time.Now()); err != nil {
		t.Fatal(err)
	}
	return l
}

func dated(t *testing.T, l *ledger.Ledger, observer string) (Report, []Core) {
	t.Helper()
	cores, _, err := Series(t.Context(), l, observer)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Date(context.Background(), cores, nil, 0, 0.99)
	if err != nil {
		t.Fatal(err)
	}
	return r, cores
}

// A project is dated with two faulty readings in it, which are named; settling
// mends just them, and undoing brings them back.
func TestDateAndSettle(t *testing.T) {
	l := project(t, scanOf(8, 120, 50, 70))
	r, cores := dated(t, l, "")
	if len(r.Series) != 8 {
		t.Fatalf("%d series", len(r.Series))
	}
	for i, s := range r.Series {
		if s.Standing != dating.Stands || s.LastYear == nil || *s.LastYear != 2020 {
			t.Errorf("%s is %s: %s", s.ID, s.Standing, s.Reason)
		}
		for _, x := range s.Suspects {
			if i > 1 && x.Posterior > 0.5 {
				t.Errorf("%s: %s", s.ID, x.Words)
			}
		}
	}
	if s := r.Series[0].Suspects; len(s) == 0 || s[0].Kind != dating.Missed || s[0].Place != "c1" || s[0].PosteriorHere < 0.8 {
		t.Errorf("the missed boundary: %+v", s)
	}
	if s := r.Series[1].Suspects; len(s) == 0 || s[0].Kind != dating.Invented || s[0].PosteriorHere < 0.8 {
		t.Errorf("the invented boundary: %+v", s)
	}
	if c, said := Archive(cores, r); len(c.Series) != 8 || c.Series[2].LastYear() != 2020 || *c.Series[2].Meta.Posterior < 0.99 || len(said) != 1 || !strings.Contains(said[0], "RDG00A (missed,") {
		t.Errorf("archive: %d series, said %v", len(c.Series), said)
	}

	settled, err := Settle(t.Context(), l, nil, 0, 0.8, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if len(settled) != 2 || !settled[0].Changed || !settled[1].Changed || *settled[0].RAfter < *settled[0].RBefore+0.1 || settled[0].Trees < 3 {
		t.Fatalf("settled %+v", settled)
	}
	after, _ := dated(t, l, Program)
	for i := range 2 {
		if n := after.Series[i].N; n != 120 {
			t.Errorf("%s has %d rings after settling, want 120", after.Series[i].ID, n)
		}
	}
	if untouched, _ := dated(t, l, ""); untouched.Series[0].N != 119 {
		t.Error("settling changed the automatic reading")
	}
	again, err := Settle(t.Context(), l, nil, 0, 0.8, time.Now())
	if err != nil || len(again) != 0 {
		t.Errorf("settling again: %+v, %v", again, err)
	}

	e, err := l.State(t.Context(), cores[0].Run, Program)
	if err != nil {
		t.Fatal(err)
	}
	last := e.Of("u0")[0]
	undo := measure.Event{UUID: uuid.NewString(), Core: "u0", Observer: Program, UTC: time.Now(), Kind: measure.Undo, Undoes: last.UUID}
	if _, err := l.Append(t.Context(), cores[0].Run, undo, e.Revision("u0")); err != nil {
		t.Fatal(err)
	}
	if back, _ := dated(t, l, Program); back.Series[0].N != 119 {
		t.Errorf("after undoing it has %d rings", back.Series[0].N)
	}
}

// The analyst of a core is who has worked on it, and nobody where that was taken back.
func TestAnalyst(t *testing.T) {
	l := project(t, scanOf(3, 40, 500, 500))
	act := func(e measure.Event) measure.Event {
		e.UUID, e.Observer, e.UTC = uuid.NewString(), "Ada", time.Now()
		now, err := l.State(t.Context(), 1, "Ada")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Append(t.Context(), 1, e, now.Revision(e.Core)); err != nil {
			t.Fatal(err)
		}
		return e
	}
	act(measure.Event{Core: "u0", Kind: measure.Accept, Target: "b3"})
	taken := act(measure.Event{Core: "u1", Kind: measure.Accept, Target: "b3"})
	act(measure.Event{Core: "u1", Kind: measure.Undo, Undoes: taken.UUID})
	for observer, want := range map[string][3]string{"Ada": {"Ada"}, "Ben": {}, "": {}} {
		cores, _, err := Series(t.Context(), l, observer)
		if err != nil || len(cores) != 3 {
			t.Fatalf("%d cores, %v", len(cores), err)
		}
		for k, c := range cores {
			if c.Meta.Analyst != want[k] {
				t.Errorf("as %q: the analyst of %s is %q, want %q", observer, c.ID, c.Meta.Analyst, want[k])
			}
		}
	}
}

// A core on which a person has worked is left to the person, and a change that no
// trees are left over to test is not made.
func TestSettleLeaves(t *testing.T) {
	l := project(t, scanOf(8, 120, 50, 70))
	cores, _, err := Series(t.Context(), l, "")
	if err != nil {
		t.Fatal(err)
	}
	note := measure.Event{UUID: uuid.NewString(), Core: "u0", Observer: "Ada", UTC: time.Now(), Kind: measure.Accept, Target: "b3"}
	if _, err := l.Append(t.Context(), cores[0].Run, note, 0); err != nil {
		t.Fatal(err)
	}
	settled, err := Settle(t.Context(), l, nil, 0, 0.8, time.Now())
	if err != nil || len(settled) != 2 || settled[0].Changed || settled[0].Why != "Ada has worked on it" || !settled[1].Changed {
		t.Errorf("%+v, %v", settled, err)
	}
	few := project(t, scanOf(3, 120, 50, 70))
	settled, err = Settle(t.Context(), few, nil, 0, 0.5, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range settled {
		if s.Changed {
			t.Errorf("changed with %d trees to test it: %+v", s.Trees, s)
		}
	}
}

// Radii are set against those of their tree first: one without years is dated by its
// sister if that is dated itself.
func TestDateWithinTrees(t *testing.T) {
	for _, tt := range []struct {
		trees    int
		standing string
		reason   string
	}{
		{2, dating.Undatable, "not dated themselves"}, // nobody to date the sister by
		{6, dating.Stands, ""},
	} {
		m := scanOf(tt.trees, 120, 500, 500)
		sister := &m.Cores[1]
		sister.Field.Tree = m.Cores[0].Field.Tree
		for i := range sister.Rings {
			sister.Rings[i].Year = nil
		}
		cores, _, err := Series(t.Context(), project(t, m), "")
		if err != nil {
			t.Fatal(err)
		}
		r, err := Date(t.Context(), cores, nil, 0, 0.9)
		if err != nil {
			t.Fatal(err)
		}
		var tree dating.TreeView
		for _, x := range r.Trees {
			if len(x.Radii) == 2 {
				tree = x
			}
		}
		if tree.Tree != "RDG00" || len(tree.Partings) > 0 || (tree.R != nil) != (tt.trees > 2) {
			t.Errorf("%d cores: tree %+v", tt.trees, tree)
		}
		for _, s := range r.Series {
			if s.ID == "RDG01A" && (s.Standing != tt.standing || !strings.Contains(s.Reason, tt.reason)) {
				t.Errorf("%d cores: the sister is %s: %s", tt.trees, s.Standing, s.Reason)
			}
		}
	}
}
