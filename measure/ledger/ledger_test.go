package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pithward/measure"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

func ptr[T any](v T) *T { return &v }

// tray is a scan of two cores, boundaries 40 to 60 px apart in no regular
// pattern, 0.02 mm a pixel, moved along by shiftPx; salt makes other rings.
func tray(sha string, shiftPx float64, salt int) measure.Measurement {
	m := measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: "tray.tif", SHA256: sha, WidthPx: 2000, HeightPx: 300},
		Scale:   measure.Scale{Source: measure.ScaleGiven, MMPerPx: &[2]float64{0.02, 0.02}, RelativeStandardUncertainty: ptr(0.001), RelativeStandardUncertaintyXY: &[2]float64{0.001, 0.001}},
		Program: measure.Program{Version: "v1", Settings: measure.Settings{Season: measure.DefaultSeason()}}}
	for i := range 2 {
		y := 100 * float64(i+1)
		c := measure.Core{UID: fmt.Sprintf("%s-%d", sha, i+1), Position: i + 1, Wood: ptr(measure.Conifer), WoodSource: ptr("auto"), WoodProbability: ptr(0.99),
			BarkEnd: ptr(measure.Left), BarkEndProbability: ptr(0.99), ExpectedCount: ptr(20.0), CountSD: ptr(0.5),
			OutlinePx: []measure.Point{{0, y - 20}, {1600, y - 20}, {1600, y + 20}, {0, y + 20}},
			PathPx:    []measure.Point{{0, y}, {1600, y}}, PathLengthMM: ptr(32.0)}
		x := 20 + shiftPx
		for k := range 25 {
			c.Boundaries = append(c.Boundaries, measure.Boundary{ID: fmt.Sprintf("b%d", k+1), Kind: measure.RingBoundary, AtMM: ptr(x * 0.02), PointPx: measure.Point{x, y},
				LinePx: []measure.Point{{x, y - 20}, {x, y + 20}}, Probability: 0.97, StandardUncertaintyMM: ptr(0.01), Source: "auto"})
			x += 40 + 20*math.Abs(math.Sin(float64(1+salt+i+k*(3+i+2*salt))))
		}
		c.Boundaries[3].Probability = 0.6
		c.Candidates = []measure.Candidate{{ID: "c1", AtMM: ptr((c.Boundaries[0].PointPx[0] + 15) * 0.02), PointPx: measure.Point{c.Boundaries[0].PointPx[0] + 15, y}, Probability: 0.3}}
		c.MakeRings(m.Scale, false)
		m.Cores = append(m.Cores, c)
	}
	m.Warnings = measure.ApplyFields(m.Cores, nil, "tray", measure.DefaultSeason())
	m.FillLists()
	return m
}

func open(t *testing.T, path string) *Ledger {
	t.Helper()
	l, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l
}

// project returns a new project with one tray.
func project(t *testing.T) (*Ledger, int64) {
	l := open(t, filepath.Join(t.TempDir(), "osmundvale"+Ending))
	s, err := l.Store(t.Context(), tray("aa", 0, 0), "/scans/tray.tif", noon)
	if err != nil {
		t.Fatal(err)
	}
	return l, s.Run
}

// event returns an event of Ada's on a core.
func event(core string, kind measure.EventKind, change func(*measure.Event)) measure.Event {
	e := measure.Event{UUID: uuid.NewString(), Core: core, Observer: "Ada", UTC: noon, Kind: kind}
	if change != nil {
		change(&e)
	}
	return e
}

func add(core string, x, y float64) measure.Event {
	return event(core, measure.Add, func(e *measure.Event) { e.PointPx = &measure.Point{x, y} })
}

func on(core string, kind measure.EventKind, target string) measure.Event {
	return event(core, kind, func(e *measure.Event) { e.Target = target })
}

// do appends an event at the state as it is.
func do(t *testing.T, l *Ledger, run int64, e measure.Event) measure.Event {
	t.Helper()
	s := state(t, l, run, e.Observer)
	got, err := l.Append(t.Context(), run, e, s.Revision(e.Core))
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func state(t *testing.T, l *Ledger, run int64, observer string) Edited {
	t.Helper()
	s, err := l.State(t.Context(), run, observer)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestStoreAndReadBack(t *testing.T) {
	l, run := project(t)
	got, err := l.Reading(t.Context(), run)
	if err != nil {
		t.Fatal(err)
	}
	want, err := normal(tray("aa", 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	if d := gocmp.Diff(want, got); d != "" {
		t.Errorf("(-stored +read):\n%s", d)
	}
	again, err := l.Store(t.Context(), tray("aa", 0, 0), "/elsewhere/tray.tif", noon)
	if err != nil || again.New || again.Run != run {
		t.Errorf("the same measurement again: %+v, %v", again, err)
	}
	scans, err := l.Scans(t.Context())
	if err != nil || len(scans) != 1 || scans[0].Path != "/elsewhere/tray.tif" || scans[0].Run != run {
		t.Errorf("scans %+v, %v", scans, err)
	}
}

func TestAppend(t *testing.T) {
	l, run := project(t)
	first := do(t, l, run, on("aa-1", measure.Remove, "b4"))
	if first.Seq == 0 || first.Reading == 0 {
		t.Errorf("stored as %+v", first)
	}
	s := state(t, l, run, "Ada")
	if n := len(s.Measurement.Cores[0].Boundaries); n != 24 {
		t.Errorf("%d boundaries, want 24", n)
	}
	if n := len(state(t, l, run, "Ben").Measurement.Cores[0].Boundaries); n != 25 {
		t.Errorf("another observer has %d boundaries, want 25 as read", n)
	}
	if again, err := l.Append(t.Context(), run, first, 0); err != nil || again.Seq != first.Seq {
		t.Errorf("sent again: %+v, %v", again, err)
	}
	for _, tt := range []struct {
		name     string
		event    measure.Event
		revision int64
		want     error
		words    string
	}{
		{"decided on an older state", on("aa-1", measure.Remove, "b5"), 0, ErrStale, "look at it anew"},
		{"the other core has not changed", on("aa-2", measure.Remove, "b5"), 0, nil, ""},
		{"what is gone", on("aa-1", measure.Remove, "b4"), first.Seq, ErrVoid, `no "b4"`},
		{"undo of what was never done", event("aa-1", measure.Undo, func(e *measure.Event) { e.Undoes = uuid.NewString() }), first.Seq, ErrVoid, "cannot be undone"},
		{"no uuid", measure.Event{UUID: "7", Core: "aa-1", Observer: "Ada", Kind: measure.Note}, first.Seq, nil, "uuid"},
		{"nobody", event("aa-1", measure.Note, func(e *measure.Event) { e.Observer = " " }), first.Seq, nil, "observer"},
		{"unknown kind", event("aa-1", "paint", nil), first.Seq, nil, "no kind"},
		{"a book", event("aa-1", measure.Note, func(e *measure.Event) { e.Why = strings.Repeat("x", 5000) }), first.Seq, nil, "too long"},
		{"an undo of nothing", event("aa-1", measure.Undo, nil), first.Seq, nil, "names the event"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := l.Append(t.Context(), run, tt.event, tt.revision)
			if (err == nil) != (tt.want == nil && tt.words == "") || tt.want != nil && !errors.Is(err, tt.want) || err != nil && !strings.Contains(err.Error(), tt.words) {
				t.Errorf("error %v", err)
			}
		})
	}
	if _, err := l.Append(t.Context(), 99, on("aa-1", measure.Remove, "b6"), 0); !errors.Is(err, ErrNone) {
		t.Errorf("a run that is not there: %v", err)
	}
}

func TestUndoInTheLedger(t *testing.T) {
	l, run := project(t)
	before := state(t, l, run, "Ada").Measurement
	e := do(t, l, run, add("aa-1", 30, 100))
	after := state(t, l, run, "Ada").Measurement
	u := do(t, l, run, event("aa-1", measure.Undo, func(x *measure.Event) { x.Undoes = e.UUID }))
	if d := gocmp.Diff(before, state(t, l, run, "Ada").Measurement); d != "" {
		t.Errorf("undone (-want +got):\n%s", d)
	}
	do(t, l, run, event("aa-1", measure.Undo, func(x *measure.Event) { x.Undoes = u.UUID }))
	if d := gocmp.Diff(after, state(t, l, run, "Ada").Measurement); d != "" {
		t.Errorf("redone (-want +got):\n%s", d)
	}
	log, err := l.Log(t.Context())
	if err != nil || len(log) != 3 || log[0].Scan != "tray.tif" {
		t.Errorf("log of %d, %v", len(log), err)
	}
}

// Nothing that was stored can be changed or removed, not even by hand.
func TestNothingIsOverwritten(t *testing.T) {
	l, run := project(t)
	do(t, l, run, add("aa-1", 30, 100))
	for _, q := range []string{"UPDATE events SET why = 'x'", "DELETE FROM events", "UPDATE readings SET body = ''", "DELETE FROM readings", "UPDATE runs SET head = ''", "DELETE FROM runs"} {
		if _, err := l.write.Exec(q); err == nil || !strings.Contains(err.Error(), "never") {
			t.Errorf("%s: %v", q, err)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	dir := t.TempDir()
	raw := func(name string, queries ...string) string {
		path := filepath.Join(dir, name)
		db, err := sql.Open("sqlite", path)
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		for _, q := range queries {
			if _, err := db.Exec(q); err != nil {
				t.Fatal(err)
			}
		}
		return path
	}
	text := filepath.Join(dir, "letter.pithward")
	if err := os.WriteFile(text, []byte(strings.Repeat("Dear friend, ", 200)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ name, path, words string }{
		{"newer", raw("newer.pithward", "PRAGMA user_version = 99"), "newer version of pithward (format 99; this one knows up to 4)"},
		{"another program's", raw("other.pithward", "CREATE TABLE birds (name TEXT)"), "another program"},
		{"no database", text, "not a project file"},
		{"a folder", dir, "is not a file"},
		{"in no folder", filepath.Join(dir, "no", "x.pithward"), "is its folder there"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l, err := Open(t.Context(), tt.path)
			if err == nil {
				_ = l.Close()
				t.Fatal("opened")
			}
			if !strings.Contains(err.Error(), tt.words) || !strings.HasPrefix(err.Error(), tt.path) {
				t.Errorf("error %v", err)
			}
		})
	}
}

// A migration that fails half way leaves the file as it was; run again, mended,
// it goes through.
func TestMigrations(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.pithward")
	l := open(t, path)
	steps := append(migrations(), "CREATE TABLE later (x TEXT) STRICT; INSERT INTO nowhere VALUES (1);")
	if err := l.migrate(t.Context(), steps); err == nil {
		t.Fatal("a broken migration went through")
	}
	var version, tables int
	count := func() {
		if err := errors.Join(l.write.QueryRow("PRAGMA user_version").Scan(&version), l.write.QueryRow("SELECT count(*) FROM sqlite_schema WHERE name = 'later'").Scan(&tables)); err != nil {
			t.Fatal(err)
		}
	}
	if count(); version != len(migrations()) || tables != 0 {
		t.Errorf("after a broken migration: version %d, %d new tables", version, tables)
	}
	steps[len(steps)-1] = "CREATE TABLE later (x TEXT) STRICT"
	if err := l.migrate(t.Context(), steps); err != nil {
		t.Fatal(err)
	}
	if count(); version != len(steps) || tables != 1 {
		t.Errorf("mended: version %d, %d new tables", version, tables)
	}
}

func TestPlace(t *testing.T) {
	l, _ := project(t)
	if p, err := l.Place(t.Context(), "Ada"); p != nil || err != nil {
		t.Errorf("place %s, %v", p, err)
	}
	for _, want := range []string{`{"core":"aa-1"}`, `{"core":"aa-2"}`} {
		if err := l.SetPlace(t.Context(), "Ada", []byte(want)); err != nil {
			t.Fatal(err)
		}
		if p, err := l.Place(t.Context(), "Ada"); string(p) != want || err != nil {
			t.Errorf("place %s, %v", p, err)
		}
	}
}

// A new reading of the same scan: what people decided is there again where the
// boundary still is, and what is not is listed; the old state stays.
func TestCarryOnOnePicture(t *testing.T) {
	l, run := project(t)
	do(t, l, run, on("aa-1", measure.Accept, "b4"))
	added := do(t, l, run, add("aa-1", 30, 100))
	do(t, l, run, event("aa-1", measure.Move, func(e *measure.Event) { e.Target = added.UUID; e.PointPx = &measure.Point{32, 100} }))
	do(t, l, run, on("aa-1", measure.Remove, "b10"))
	do(t, l, run, on("aa-1", measure.Remove, "b12"))
	undone := do(t, l, run, on("aa-1", measure.Remove, "b13"))
	do(t, l, run, event("aa-1", measure.Undo, func(e *measure.Event) { e.Undoes = undone.UUID }))
	do(t, l, run, event("aa-1", measure.SignOff, nil))
	do(t, l, run, event("aa-2", measure.Note, func(e *measure.Event) { e.Observer, e.Why = "Ben", "frost" }))
	before := state(t, l, run, "Ada")

	m := tray("aa", 0, 0) // read by a later version: everything a pixel on, b12 no longer seen, names new
	m.Program.Version = "v2"
	for i := range m.Cores {
		c := &m.Cores[i]
		b := c.Boundaries
		c.Boundaries = append(b[:11:11], b[12:]...)
		for k := range c.Boundaries {
			x := &c.Boundaries[k]
			x.ID, x.PointPx[0], x.AtMM = fmt.Sprintf("n%d", k+1), x.PointPx[0]+1, ptr(*x.AtMM+0.02)
		}
		c.MakeRings(m.Scale, false)
	}
	s, err := l.Store(t.Context(), m, "/scans/tray.tif", noon)
	if err != nil {
		t.Fatal(err)
	}
	if !s.New || s.Carried != 5 || len(s.NotCarried) != 2 {
		t.Fatalf("stored %+v", s)
	}
	var whys []string
	for _, n := range s.NotCarried {
		whys = append(whys, string(n.Event.Kind)+": "+n.Why)
	}
	want := []string{"remove: the new reading has no boundary where b12 was", "sign-off: sign the core off again once the new reading has been looked at"}
	if d := gocmp.Diff(want, whys); d != "" {
		t.Errorf("not carried (-want +got):\n%s", d)
	}
	renewal, err := l.Renewal(t.Context(), s.Run, "Ada")
	listed := renewal.NotCarried
	if err != nil || len(listed) != 2 {
		t.Errorf("listed %+v, %v", listed, err)
	}
	now := state(t, l, s.Run, "Ada")
	c := now.Measurement.Cores[0]
	if len(c.Boundaries) != 24 || c.Boundaries[1].PointPx != (measure.Point{32, 100}) || c.Boundaries[4].Source != "person" {
		t.Errorf("carried to %d boundaries: %+v", len(c.Boundaries), c.Boundaries[:5])
	}
	if n := state(t, l, s.Run, "Ben").States["aa-2"].Notes; len(n) != 1 {
		t.Errorf("Ben's notes %+v", n)
	}
	if d := gocmp.Diff(before.Measurement, state(t, l, run, "Ada").Measurement); d != "" {
		t.Errorf("the earlier state changed (-before +after):\n%s", d)
	}
}

// After new sanding the core is scanned anew: it lies elsewhere, on another
// picture, and is told by the pattern of its rings.
func TestCarryToANewScan(t *testing.T) {
	l, run := project(t)
	do(t, l, run, on("aa-1", measure.Accept, "b4"))
	do(t, l, run, add("aa-1", 35, 100))
	do(t, l, run, event("aa-1", measure.Split, func(e *measure.Event) { e.PointPx = &measure.Point{1000, 100} }))
	s, err := l.Store(t.Context(), tray("bb", 37, 0), "/scans/tray-2.tif", noon)
	if err != nil {
		t.Fatal(err)
	}
	if s.Carried != 2 || len(s.NotCarried) != 1 || s.NotCarried[0].Why != "it was drawn on another picture" {
		t.Fatalf("stored %+v", s)
	}
	c := state(t, l, s.Run, "Ada").Measurement.Cores[0]
	if got := c.Boundaries[1].PointPx; math.Abs(got[0]-72) > 1e-3 || c.Boundaries[4].Source != "person" {
		t.Errorf("the added boundary lies at %v, want 72: %+v", got, c.Boundaries[4])
	}
	other, err := l.Store(t.Context(), tray("cc", 0, 7), "/scans/other.tif", noon)
	if err != nil || other.Carried != 0 || len(other.NotCarried) != 0 {
		t.Errorf("cores with other rings were taken for these: %+v, %v", other, err)
	}
}

// Scanned anew at a scale 2 % off, with one boundary missed and one invented,
// and once turned end for end: the core is told by its rings all the same, and
// what finds no place is listed.
func TestCarryToAPoorerScan(t *testing.T) {
	for _, turned := range []bool{false, true} {
		l, run := project(t)
		do(t, l, run, on("aa-1", measure.Accept, "b4"))
		do(t, l, run, on("aa-1", measure.Remove, "b12"))
		do(t, l, run, event("aa-1", measure.AbsentRing, func(e *measure.Event) { e.Target = "b6" }))
		m := tray("bb", 0, 0)
		c := &m.Cores[0]
		b := c.Boundaries
		want := 1.02 * b[3].PointPx[0]
		c.Boundaries = append(b[:11:11], b[12:]...)
		extra := b[19]
		extra.ID, extra.PointPx, extra.AtMM = "new", measure.Point{extra.PointPx[0] + 17, 100}, ptr(*extra.AtMM+0.34)
		c.Boundaries = append(c.Boundaries, extra)
		for k := range c.Boundaries {
			x := &c.Boundaries[k]
			x.PointPx[0] *= 1.02
			if turned {
				x.PointPx[0] = 1600 - x.PointPx[0]
			}
			x.AtMM, x.ID = ptr(x.PointPx[0]*0.02), "again-"+x.ID
			x.LinePx = []measure.Point{{x.PointPx[0], 80}, {x.PointPx[0], 120}}
		}
		slices.SortFunc(c.Boundaries, func(a, b measure.Boundary) int { return cmp.Compare(*a.AtMM, *b.AtMM) })
		c.MakeRings(m.Scale, false)
		m.Cores = m.Cores[:1]
		s, err := l.Store(t.Context(), m, "/scans/tray-2.tif", noon)
		if err != nil {
			t.Fatal(err)
		}
		var whys []string
		for _, n := range s.NotCarried {
			whys = append(whys, string(n.Event.Kind))
		}
		lost := "remove" // the boundary is not read any more
		if turned {
			want, lost = 1600-want, "remove absent"
		}
		if len(s.Again) != 1 || s.Again[0].Certainty < measure.SureFit || s.Again[0].Share > 0.99 || s.Again[0].Turned != turned || strings.Join(whys, " ") != lost {
			t.Fatalf("turned %v: stored %+v", turned, s)
		}
		renewal, err := l.Renewal(t.Context(), s.Run, "Ada")
		if err != nil || renewal.Carried != s.Carried || len(renewal.NotCarried) != len(s.NotCarried) || !slices.Equal(renewal.Again, s.Again) || renewal.Since != 0 {
			t.Errorf("turned %v: read back %+v, %v; stored %+v", turned, renewal, err, s)
		}
		if words := s.Again[0].String() + "; " + s.NotCarried[0].String(); !regexp.MustCompile(`^tray-1 is tray-1 of tray\.tif scanned anew: certainty 0\.99\d, 9\d % of the boundaries agree(, bark and pith end exchanged)?; tray-1: remove: `).MatchString(words) {
			t.Errorf("turned %v: in words %q", turned, words)
		}
		if r, err := l.Renewal(t.Context(), s.Run, "Ben"); err != nil || r.Carried+len(r.NotCarried) != 0 || len(r.Again) != 1 {
			t.Errorf("for somebody else: %+v, %v", r, err)
		}
		got := state(t, l, s.Run, "Ada").Measurement.Cores[0]
		if i := slices.IndexFunc(got.Boundaries, func(b measure.Boundary) bool { return b.Source == "person" }); i < 0 || math.Abs(got.Boundaries[i].PointPx[0]-want) > 2 {
			t.Errorf("turned %v: the accepted boundary is at %d of %+v, want %.1f px", turned, i, got.Boundaries, want)
		}
	}
}

func TestPerhapsSeenAgain(t *testing.T) {
	a := Again{Core: "tray-2-1", Earlier: "OSV1", Scan: "tray.tif", Certainty: 0.71, Share: 0.834}
	if got, want := a.String(), "tray-2-1 may be OSV1 of tray.tif scanned anew, but that is not sure enough to carry edits over: certainty 0.71, 83 % of the boundaries agree"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// Two handles at one file, as two processes have: no edit is lost, and each
// sees the other's.
func TestTwoHandles(t *testing.T) {
	l, run := project(t)
	other := open(t, l.Path())
	do(t, l, run, on("aa-1", measure.Remove, "b4"))
	do(t, other, run, on("aa-1", measure.Remove, "b5"))
	if n := len(state(t, l, run, "Ada").Measurement.Cores[0].Boundaries); n != 23 {
		t.Errorf("%d boundaries, want 23", n)
	}
	if _, err := other.Append(t.Context(), run, on("aa-1", measure.Remove, "b6"), 1); !errors.Is(err, ErrStale) {
		t.Errorf("an edit on an older state: %v", err)
	}
}

// A full disk loses what was not acknowledged and nothing else.
func TestFullDisk(t *testing.T) {
	l, run := project(t)
	var pages int
	if err := l.write.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	if _, err := l.write.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages+2)); err != nil {
		t.Fatal(err)
	}
	acknowledged := 0
	var full error
	for range 1000 {
		e := event("aa-1", measure.Note, func(e *measure.Event) { e.Why = strings.Repeat("frost ", 100) })
		_, err := l.Append(t.Context(), run, e, state(t, l, run, "Ada").Revision("aa-1"))
		if err != nil {
			full = err
			break
		}
		acknowledged++
	}
	if full == nil || !strings.Contains(full.Error(), "disk is full") || acknowledged == 0 {
		t.Fatalf("after %d events: %v", acknowledged, full)
	}
	if got := len(state(t, l, run, "Ada").Events); got != acknowledged {
		t.Errorf("%d events kept, %d acknowledged", got, acknowledged)
	}
	if _, err := l.write.Exec("PRAGMA max_page_count = 1000000"); err != nil {
		t.Fatal(err)
	}
	do(t, l, run, on("aa-1", measure.Remove, "b4")) // with room again, on it goes
}

func TestClosedContext(t *testing.T) {
	l, run := project(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := l.Append(ctx, run, add("aa-1", 30, 100), 0); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
}
