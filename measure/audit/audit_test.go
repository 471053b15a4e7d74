package audit

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pithward/measure"
)

var update = flag.Bool("update", false, "write the golden files anew")

func ptr[T any](v T) *T { return &v }

// reading makes a scan of Osmundvale with two cores, ids P1 and P2, of ten
// boundaries each, 50 px or 1 mm apart, the fifth doubtful; and a candidate
// between the seventh and eighth.
func reading() measure.Measurement {
	m := measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: "tray.tif", SHA256: strings.Repeat("5a", 32), WidthPx: 600, HeightPx: 300},
		Scale: measure.Scale{Source: measure.ScaleRuler, MMPerPx: &[2]float64{0.02, 0.02}, RelativeStandardUncertainty: ptr(0.0005),
			Ruler: &measure.Ruler{Unit: "mm", Ticks: 100}},
		Program: measure.Program{Version: "1.0", Settings: measure.Settings{Season: measure.DefaultSeason()}}}
	for k := range 2 {
		y := 100 * float64(k+1)
		wood, end, auto := measure.Conifer, measure.Left, "auto"
		c := measure.Core{UID: fmt.Sprintf("5a-%d", k+1), ID: fmt.Sprintf("P%d", k+1), Position: k + 1, PathPx: []measure.Point{{0, y}, {500, y}}, PathLengthMM: ptr(10.0),
			OutlinePx: []measure.Point{{0, y - 20}, {500, y - 20}, {500, y + 20}, {0, y + 20}}, Wood: &wood, WoodSource: &auto, WoodProbability: ptr(0.99),
			BarkEnd: &end, BarkEndProbability: ptr(0.99), ExpectedCount: ptr(9.2), CountSD: ptr(0.5)}
		for i := range 10 {
			x := 10 + 50*float64(i)
			b := measure.Boundary{ID: fmt.Sprintf("b%d", i+1), Kind: measure.RingBoundary, AtMM: ptr(x * 0.02), PointPx: measure.Point{x, y},
				LinePx: []measure.Point{{x, y - 20}, {x, y + 20}}, Probability: 0.98, StandardUncertaintyMM: ptr(0.01), Source: "auto"}
			if i == 4 {
				b.Probability = 0.6
			}
			c.Boundaries = append(c.Boundaries, b)
		}
		c.Candidates = []measure.Candidate{{ID: "c1", AtMM: ptr(6.7), PointPx: measure.Point{335, y}, Probability: 0.4}, {ID: "c2", AtMM: ptr(1.7), PointPx: measure.Point{85, y}, Probability: 0.05}}
		c.MakeRings(m.Scale, false)
		m.Cores = append(m.Cores, c)
	}
	m.FillLists()
	return m
}

// decided is the reading with what each observer decided, in turn.
func decided(m measure.Measurement, events ...measure.Event) []Scan {
	s := Scan{Run: 1, Reading: m}
	for i := range events {
		e := &events[i]
		if e.UUID == "" {
			e.UUID = fmt.Sprintf("e%d", i+1)
		}
		e.Seq, e.UTC = int64(i+1), time.Date(2026, 3, 1, 12, i, 0, 0, time.UTC)
		k := slices.IndexFunc(s.Observers, func(o Observed) bool { return o.Name == e.Observer })
		if k < 0 {
			k, s.Observers = len(s.Observers), append(s.Observers, Observed{Name: e.Observer})
		}
		s.Observers[k].Events = append(s.Observers[k].Events, *e)
	}
	for i := range s.Observers {
		s.Observers[i].Edited = measure.Replay(m, s.Observers[i].Events)
	}
	return []Scan{s}
}

func by(who, core string, kind measure.EventKind, target string) measure.Event {
	return measure.Event{Observer: who, Core: core, Kind: kind, Target: target}
}

func at(e measure.Event, x, y float64) measure.Event {
	e.PointPx = &measure.Point{x, y}
	return e
}

func because(e measure.Event, why string) measure.Event {
	e.Why = why
	return e
}

// made is a project in which Ada and Ben looked at P1, and Ada again, blind.
func made() []Scan {
	undone := by("Ada", "5a-1", measure.Undo, "")
	undone.Undoes = "mistake"
	mistake := by("Ada", "5a-1", measure.Remove, "b2")
	mistake.UUID = "mistake"
	again := "Ada" + AgainEnding
	return decided(reading(),
		because(by("Ada", "5a-1", measure.Remove, "b5"), "a resin line"),
		by("Ada", "5a-1", measure.Accept, "c1"),
		at(by("Ada", "5a-1", measure.Move, "b3"), 114, 100),
		mistake, undone,
		at(because(by("Ada", "5a-1", measure.Add, ""), "faint, but whole"), 435, 100),
		by("Ada", "5a-1", measure.SignOff, ""),
		by("Ben", "5a-1", measure.Accept, "b5"),
		at(by("Ben", "5a-1", measure.Move, "b3"), 112, 100),
		at(by("Ben", "5a-1", measure.Add, ""), 437, 100),
		because(by("Ben", "5a-2", measure.Reject, ""), "rotten"),
		by(again, "5a-1", measure.Remove, "b5"),
		at(by(again, "5a-1", measure.Move, "b3"), 113, 100),
		at(by(again, "5a-1", measure.Move, "b7"), 311, 100),
	)
}

func place(t *testing.T, a Audit, core, target string) Place {
	t.Helper()
	i := slices.IndexFunc(a.Places, func(p Place) bool { return p.Core == core && p.Target == target })
	if i < 0 {
		t.Fatalf("no place %s of %s", target, core)
	}
	return a.Places[i]
}

func TestPlaces(t *testing.T) {
	a := New("osmundvale", "1.1", made(), Filter{})
	if n := len(a.Places); n != 10+1+1+10+1 { // a boundary was added; c2 is no doubt of anybody's
		t.Errorf("%d places", n)
	}
	if p := a.Places[0]; p.Target != "b5" && p.Target != "c1" {
		t.Errorf("the most doubtful is %s", p.Target)
	}
	says := func(core, target string) (out []string) {
		for _, v := range place(t, a, core, target).Views {
			w := v.Observer
			if v.Boundary {
				w += " yes"
			}
			if v.Decided {
				w += " decided"
			}
			if v.Moved {
				w += fmt.Sprintf(" moved %.2f", *v.ShiftMM)
			}
			out = append(out, w)
		}
		return out
	}
	for _, tt := range []struct {
		core, target string
		want         []string
	}{
		{"5a-1", "b5", []string{"Ada decided", "Ben yes decided", "Ada, again decided"}},
		{"5a-1", "c1", []string{"Ada yes decided", "Ben", "Ada, again"}},
		{"5a-1", "b3", []string{"Ada yes decided moved 0.08", "Ben yes decided moved 0.04", "Ada, again yes decided moved 0.06"}},
		{"5a-1", "b2", []string{"Ada yes", "Ben yes", "Ada, again yes"}}, // undone
		{"5a-1", "e6", []string{"Ada yes decided", "Ben yes decided"}},   // within 4 px of each other
		{"5a-2", "b5", []string{"Ben yes"}},
	} {
		if d := cmp.Diff(tt.want, says(tt.core, tt.target)); d != "" {
			t.Errorf("%s of %s (-want +got):\n%s", tt.target, tt.core, d)
		}
	}
	if p := place(t, a, "5a-1", "b5"); p.Views[0].Acts[0].Why != "a resin line" || math.Abs(p.Doubt-0.4) > 1e-12 || !p.Changed() || *p.Ring != 4 {
		t.Errorf("b5: %+v", p)
	}
	n := a.Counts
	if n.Boundaries != 20 || n.Candidates != 2 || n.Added != 1 || n.Doubtful != 4 || n.Open != 2 || n.Undone != 1 || n.Edits["Ada"][measure.Remove] != 1 {
		t.Errorf("%+v", n)
	}
}

// What a core is split into, joined to or measured anew from keeps the names
// that its places had when it was read.
func TestPlacesOfOtherCores(t *testing.T) {
	split := at(by("Ada", "5a-1", measure.Split, ""), 280, 100)
	split.UUID = "inner"
	join := by("Ada", "5a-1", measure.JoinCore, "5a-2")
	for _, tt := range []struct {
		name   string
		events []measure.Event
		core   string
		target string
		want   bool
	}{
		{"split, then removed in the inner part", []measure.Event{split, by("Ada", "inner", measure.Remove, "b8")}, "5a-1", "b8", false},
		{"joined, then removed in the other", []measure.Event{join, by("Ada", "5a-1", measure.Remove, "5a-2:b4")}, "5a-2", "b4", false},
		{"by hand, one taken up again", []measure.Event{by("Ada", "5a-1", measure.Blank, ""), by("Ada", "5a-1", measure.Accept, "was-b4")}, "5a-1", "b4", true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := New("p", "1", decided(reading(), tt.events...), Filter{})
			p := place(t, a, tt.core, tt.target)
			if len(p.Views) != 1 || p.Views[0].Boundary != tt.want || !p.Views[0].Decided {
				t.Errorf("%+v", p.Views)
			}
			if a.Counts.Added != 0 {
				t.Errorf("%d places are taken for new", a.Counts.Added)
			}
		})
	}
}

// A core measured by hand from nothing is set beside what the program read
// there: what is in the same place is one place, what is left out was judged
// to be none once the core is signed off.
func TestPlacesByHand(t *testing.T) {
	events := []measure.Event{by("Ada", "5a-1", measure.Blank, "")}
	for _, x := range []float64{11, 59, 111, 160, 262, 310, 336, 361, 435} { // not 210; 336 a candidate; 435 new; nothing inward
		events = append(events, at(by("Ada", "5a-1", measure.Add, ""), x, 100))
	}
	events = append(events, by("Ada", "5a-1", measure.SignOff, ""))
	a := New("p", "1", decided(reading(), events...), Filter{Cores: []string{"P1"}})
	var added []float64
	for _, p := range a.Places {
		if p.Kind == Added {
			added = append(added, p.PointPx[0])
		}
	}
	if d := cmp.Diff([]float64{435}, added); d != "" {
		t.Errorf("added (-want +got):\n%s", d)
	}
	for target, want := range map[string]bool{"b1": true, "b5": false, "b6": true, "c1": true, "b9": false} {
		if v := place(t, a, "5a-1", target).Views[0]; v.Boundary != want || !v.Decided || !v.ByHand || v.Moved {
			t.Errorf("%s: %+v", target, v)
		}
	}
	want := Changes{Added: 2, Removed: 3, ByHand: 7}
	if d := cmp.Diff(want, a.Cores[0].Changes); d != "" {
		t.Errorf("changes (-want +got):\n%s", d)
	}
}

func TestFilter(t *testing.T) {
	for _, tt := range []struct {
		name   string
		filter Filter
		want   int
	}{
		{"all", Filter{}, 23},
		{"a core", Filter{Cores: []string{"P2"}}, 11},
		{"by uid", Filter{Cores: []string{"5a-2"}}, 11},
		{"doubtful", Filter{Show: ShowDoubtful}, 4},
		{"open", Filter{Show: ShowOpen}, 2},
		{"changed", Filter{Show: ShowChanged}, 5},
		{"decided by Ben", Filter{Show: ShowDecided, Observers: []string{"Ben"}}, 3},
		{"moved", Filter{Kinds: []measure.EventKind{measure.Move}}, 2},
		{"moved by Ben", Filter{Kinds: []measure.EventKind{measure.Move}, Observers: []string{"Ben"}}, 1},
		{"very doubtful", Filter{MinDoubt: 0.3}, 4},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if err := tt.filter.Check(made()); err != nil {
				t.Fatal(err)
			}
			if got := len(New("p", "1", made(), tt.filter).Places); got != tt.want {
				t.Errorf("%d places, want %d", got, tt.want)
			}
		})
	}
	for _, tt := range []struct {
		filter Filter
		words  string
	}{
		{Filter{Cores: []string{"P9"}}, `no core "P9": the project has P1, P2`},
		{Filter{Observers: []string{"Cyd"}}, `nobody by the name of "Cyd"`},
		{Filter{Kinds: []measure.EventKind{"guess"}}, `no kind of edit`},
		{Filter{Show: "best"}, `no sort of place`},
		{Filter{MinDoubt: math.NaN()}, `want 0 to 1`},
	} {
		if err := tt.filter.Check(made()); err == nil || !strings.Contains(err.Error(), tt.words) {
			t.Errorf("%+v: %v", tt.filter, err)
		}
	}
}

func TestAgreement(t *testing.T) {
	a := New("p", "1", made(), Filter{})
	find := func(first, second string) Agreement {
		t.Helper()
		i := slices.IndexFunc(a.Agreements, func(g Agreement) bool { return g.First == first && g.Second == second })
		if i < 0 {
			t.Fatalf("%s and %s are not compared", first, second)
		}
		return a.Agreements[i]
	}
	for _, tt := range []struct {
		first, second          string
		blind                  bool
		matched, missed, extra int
		widths, shared         int
	}{
		// Ada has b5 not, c1, and her own at 435; Ben has b5, and his at 437.
		{"Ada", "Ben", false, 10, 1, 1, 7, 3},
		{"Ada", "Ada, again", true, 9, 2, 0, 6, 3},
		{Program, "Ben", false, 10, 0, 1, 8, 6},
	} {
		g := find(tt.first, tt.second)
		if g.Blind != tt.blind || g.Matched != tt.matched || g.Missed != tt.missed || g.Extra != tt.extra || len(g.Widths) != tt.widths || g.Shared != tt.shared {
			t.Errorf("%s and %s: blind %v, %d matched, %d missed, %d extra, %d widths, %d shared", tt.first, tt.second, g.Blind, g.Matched, g.Missed, g.Extra, len(g.Widths), g.Shared)
		}
	}
	// Ben rejected P2, which nobody else began: it is compared with nothing.
	for _, g := range a.Agreements {
		if len(g.Cores) != 1 || g.Cores[0].ID != "P1" {
			t.Errorf("%s and %s are compared on %+v", g.First, g.Second, g.Cores)
		}
	}
	// The program has b3 at 2.20 mm, Ben at 2.24: one ring wider, one narrower.
	if l := find(Program, "Ben").Own; l.N != 2 || math.Abs(l.Mean) > 1e-9 || math.Abs(*l.Upper-z95*0.04*math.Sqrt2) > 1e-9 {
		t.Errorf("limits %+v", l)
	}
}

// Matching a reading with itself matches all, whatever was decided; turning a
// comparison round turns missed and extra, and the sign of the differences.
func TestAgreementTurns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var events []measure.Event
		for i := range rapid.IntRange(1, 8).Draw(t, "n") {
			who := rapid.SampledFrom([]string{"Ada", "Ben"}).Draw(t, "who")
			x := rapid.Float64Range(1, 499).Draw(t, "x")
			e := rapid.SampledFrom([]measure.Event{
				at(by(who, "5a-1", measure.Add, ""), x, 100),
				by(who, "5a-1", measure.Remove, fmt.Sprintf("b%d", i+1)),
				at(by(who, "5a-1", measure.Move, fmt.Sprintf("b%d", i+1)), x, 100),
				by(who, "5a-1", measure.Blank, ""),
			}).Draw(t, "event")
			events = append(events, e)
		}
		scans := decided(reading(), events...)
		for _, o := range observers(scans) {
			if g := agree(scans, o, o); g.Missed+g.Extra > 0 || g.All != nil && g.All.SD > 0 {
				t.Fatalf("%s with herself: %+v", o, g.Match)
			}
		}
		g, h := agree(scans, "Ada", "Ben"), agree(scans, "Ben", "Ada")
		if g.Matched != h.Matched || g.Missed != h.Extra || g.Extra != h.Missed {
			t.Fatalf("%+v, turned %+v", g.Match, h.Match)
		}
	})
}

func TestReliability(t *testing.T) {
	a := New("p", "1", made(), Filter{})
	byFrom := map[float64]Bin{}
	for _, b := range a.Reliability {
		byFrom[b.From] = b
	}
	// b5 of P1 at 0.6, judged by three, one of whom says yes; c1 at 0.4 by Ada
	// and, as she signed off, all the rest of P1 too.
	if b := byFrom[0.6]; b.Places != 2 || b.Judged != 3 || b.Real != 1 || b.Signed != 0 || *b.Mean != 0.6 {
		t.Errorf("0.6: %+v", b)
	}
	if b := byFrom[0.4]; b.Judged != 1 || b.Real != 1 {
		t.Errorf("0.4: %+v", b)
	}
	if b := byFrom[0.95]; b.Judged != 9+1+2 || b.Signed != 8 { // Ada's nine; b3 by Ben; b3 and b7 again
		t.Errorf("0.95: %+v", b)
	}
}

// What the audit says of a made project: methods paragraph, tables, JSON.
func TestGolden(t *testing.T) {
	a := New("osmundvale", "1.1", made(), Filter{})
	var places, edits, widths bytes.Buffer
	for _, err := range []error{a.WritePlaces(&places), a.WriteEdits(&edits), a.WriteWidths(&widths)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	golden(t, "methods.txt", a.Methods+"\n")
	golden(t, "places.csv", places.String())
	golden(t, "edits.csv", edits.String())
	golden(t, "widths.csv", widths.String())
	golden(t, "methods-nobody.txt", New("osmundvale", "1.1", decided(reading()), Filter{}).Methods+"\n")
	if text, err := json.Marshal(a); err != nil || bytes.Contains(text, []byte(":null,\"views\"")) {
		t.Errorf("as JSON: %v", err)
	}
}

// With widths enough the limits of agreement are said, and of a blind second
// time the repeatability.
func TestAgreementWords(t *testing.T) {
	var d []float64
	for i := range 20 {
		d = append(d, 0.002+0.01*float64(i%2*2-1))
	}
	g := Agreement{First: "Ada", Second: "Ada, again", Blind: true, Cores: make([]CoreMatch, 2), Match: Match{40, 41, 39, 1, 2}, Own: LimitsOf(d)}
	want := "When Ada measured 2 cores a second time, blind to the first, 39 of 40 boundaries matched, 1 missed and 2 extra; the widths set by either (n = 20) " +
		"differed by +0.002 mm on average, 95 % limits of agreement −0.018 to +0.022 mm (Bland & Altman 1986), repeatability 0.020 mm."
	if d := cmp.Diff(want, methodAgreement(g)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-want +got):\n%s", name, d)
	}
}

// A reason or id that a spreadsheet would run as a formula comes out as text,
// and whatever people write comes back whole.
func FuzzReasons(f *testing.F) {
	for _, s := range []string{"=HYPERLINK(1)", "-1", "- a dash", "+x", "a,\"b\"\nc", "@x", "", "-0.5e3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, why string) {
		if strings.ContainsRune(why, '\r') { // CSV takes no carriage return before a line feed as written
			t.Skip("CSV does not give a carriage return back as it was written")
		}
		a := New("p", "1", decided(reading(), because(by("Ada", "5a-1", measure.Remove, "b5"), why)), Filter{})
		var b bytes.Buffer
		if err := a.WriteEdits(&b); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil || len(rows) != 2 {
			t.Fatalf("%d rows: %v", len(rows), err)
		}
		got := rows[1][9]
		if strings.TrimPrefix(got, "'") != strings.TrimPrefix(why, "'") {
			t.Errorf("%q came out as %q", why, got)
		}
		if got != "" && strings.ContainsRune("=+@", rune(got[0])) {
			t.Errorf("%q is a formula", got)
		}
	})
}

func TestAround(t *testing.T) {
	scans := made()
	a := New("p", "1", scans, Filter{})
	s := Around(scans, place(t, a, "5a-1", "b5"), 80)
	if s.InwardDeg != 0 || s.BreadthPx != 40 || len(s.Program) != 3 || len(s.Observers) != 3 {
		t.Fatalf("%+v", s)
	}
	if here := only(s.Program, func(m Mark) bool { return m.Here }); len(here) != 1 || here[0].LinePx[0][0] != 210 {
		t.Errorf("here: %+v", here)
	}
	if here := only(s.Observers[0].Marks, func(m Mark) bool { return m.Here }); len(here) != 0 {
		t.Errorf("Ada has removed it: %+v", here)
	}
	hand := decided(reading(), by("Ada", "5a-1", measure.Blank, ""), at(by("Ada", "5a-1", measure.Add, ""), 212, 100))
	s = Around(hand, place(t, New("p", "1", hand, Filter{}), "5a-1", "b5"), 80)
	if len(s.Program) != 3 || len(s.Observers) != 1 || len(s.Observers[0].Marks) != 1 { // what she set aside is no mark of hers
		t.Errorf("by hand: %+v", s)
	}
	if s := Around(scans, Place{Run: 9}, 80); s.Program != nil {
		t.Errorf("of another run: %+v", s)
	}
}
