package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pithward/cmd/pithward/desk"
	"pithward/cmd/pithward/worker/workertest"
	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/ledger"
)

// longCore stores two scans: cores of a stand, one of them sawn in two parts
// that share some rings, the inner part on a scan of its own.
func longCore(t *testing.T, l *ledger.Ledger) {
	t.Helper()
	season := measure.DefaultSeason()
	job := measure.Job{Scan: "outer.tif", Version: "v1", Settings: measure.Settings{Season: season}}
	outer, inner := workertest.StandMeasurement(job), workertest.StandMeasurement(job)
	inner.Scan.File, inner.Scan.SHA256 = "inner.tif", strings.Repeat("6b", 32)
	outer.Cores, inner.Cores = outer.Cores[:4], inner.Cores[1:2]
	part := func(m *measure.Measurement, core, from, to, number int) {
		c := &m.Cores[core]
		c.Boundaries = c.Boundaries[from:to]
		c.BarkPresent = number == 1
		c.MakeRings(m.Scale, false)
		c.Field.Part = number
	}
	part(&outer, 1, 0, 70, 1)
	part(&inner, 0, 50, 111, 2)
	inner.Cores[0].UID, inner.Cores[0].Field.OuterYear = "6b6b6b6b-1", nil
	for _, m := range []*measure.Measurement{&outer, &inner} {
		fields := []measure.Field{}
		for i := range m.Cores {
			f := *m.Cores[i].Field
			f.Position, m.Cores[i].Position = i+1, i+1
			fields = append(fields, f)
		}
		m.Warnings = measure.ApplyFields(m.Cores, fields, measure.Stem(m.Scan.File), season)
	}
	measure.JoinParts([]*measure.Measurement{&outer, &inner})
	for _, m := range []measure.Measurement{outer, inner} {
		if _, err := l.Store(t.Context(), m, "/scans/"+m.Scan.File, time.Now()); err != nil {
			t.Fatal(err)
		}
	}
}

// What the page saves is what the command writes, to the byte, for a core in
// parts on two scans whose shared rings were edited, beside a rejected one.
func TestSavedIsExported(t *testing.T) {
	dir := t.TempDir()
	project, out := filepath.Join(dir, "osmundvale.pithward"), filepath.Join(dir, "out")
	l, err := ledger.Open(t.Context(), project)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	longCore(t, l)
	decide := func(run int64, e measure.Event) {
		t.Helper()
		e.UUID, e.UTC, e.Observer = uuid.NewString(), time.Now(), "Ada"
		st, err := l.State(t.Context(), run, "Ada")
		if err == nil {
			_, err = l.Append(t.Context(), run, e, st.Revision(e.Core))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	page := desk.New(desk.Options{Ledger: l, Observer: "Ada", Version: "v1", Tiles: &desk.Tiles{Dir: t.TempDir()}, Token: "a-token-of-this-test"}, "127.0.0.1:4711")
	get := func(path string) (int, string) {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil)
		r.Host = "127.0.0.1:4711"
		r.AddCookie(&http.Cookie{Name: "pithward-4711", Value: "a-token-of-this-test"})
		w := httptest.NewRecorder()
		page.Handler().ServeHTTP(w, r)
		return w.Code, w.Body.String()
	}
	compare := func(rings string) {
		t.Helper()
		if status, _, talk := call(t, "export", project, "--out", out, "--overwrite"); status != 0 {
			t.Fatalf("status %d: %s", status, talk)
		}
		if table := read(t, filepath.Join(out, "outer.csv")); strings.Count(table, "\nTARN02A,") != 110 {
			t.Errorf("the table has %d rings of the joined core, want 110", strings.Count(table, "\nTARN02A,"))
		}
		for _, f := range []struct {
			run       int
			stem, end string
			name      string
			none      bool
		}{
			{1, "outer", archive.TableEnd, "widths.csv", false},
			{1, "outer", archive.JSONEnd, "measurement.json", false},
			{1, "outer", archive.DatedEnd, "widths.rwl", false},
			{1, "outer", archive.UndatedEnd, "widths.undated.rwl", true},
			{2, "inner", archive.TableEnd, "widths.csv", false},
			{2, "inner", archive.JSONEnd, "measurement.json", false},
			{2, "inner", archive.DatedEnd, "widths.rwl", true},
			{2, "inner", archive.UndatedEnd, "widths.undated.rwl", true},
		} {
			status, saved := get(fmt.Sprintf("/api/runs/%d/export/%s", f.run, f.name))
			if f.none {
				if status != http.StatusUnprocessableEntity {
					t.Errorf("%s of %s: status %d, want none", f.name, f.stem, status)
				}
				continue
			}
			if d := cmp.Diff(read(t, filepath.Join(out, f.stem+f.end)), saved); status != http.StatusOK || d != "" {
				t.Errorf("%s of %s: status %d (-export +page):\n%.2000s", f.name, f.stem, status, d)
			}
		}
		if _, list := get("/api/project"); !strings.Contains(list, rings) || !strings.Contains(list, `"files":["widths.rwl","widths.csv","measurement.json"]`) || !strings.Contains(list, `"files":["widths.csv","measurement.json"]`) {
			t.Errorf("the page is not told %q, or of other files: %.800s", rings, list)
		}
	}
	compare("joined over 19 shared rings")
	decide(1, measure.Event{Core: "5a5a5a5a-3", Kind: measure.Reject, Why: "rotten"})
	decide(2, measure.Event{Core: "6b6b6b6b-1", Kind: measure.Remove, Target: "b51", Why: "a crack"}) // the outermost of the inner part
	compare("joined over 18 shared rings")
	if dated := read(t, filepath.Join(out, "outer.rwl")); strings.Contains(dated, "TARN03A") || !strings.Contains(dated, "TARN02A") {
		t.Errorf("in the decadal file:\n%.300s", dated)
	}
}
