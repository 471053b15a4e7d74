package desk

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"pithward/cmd/pithward/worker/workertest"
	"pithward/measure"
	"pithward/measure/dating"
	"pithward/measure/ledger"
)

// The other trees name the boundary that a core lacks; taking it makes them
// agree, and undoing brings the doubt back.
func TestInTime(t *testing.T) {
	l, err := ledger.Open(t.Context(), filepath.Join(t.TempDir(), "tarn.pithward"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	m := workertest.StandMeasurement(measure.Job{Scan: "tarn.tif", Version: "v1", Settings: measure.Settings{Season: measure.DefaultSeason()}})
	if _, err := l.Store(t.Context(), m, "/scans/tarn.tif", noon); err != nil {
		t.Fatal(err)
	}
	d := New(Options{Ledger: l, Observer: "Ada", Tiles: &Tiles{Dir: t.TempDir()}}, host)
	see := func() (v TimeView) {
		t.Helper()
		res, body := ask(t, d, "GET", one+"/time", "", nil)
		if err := json.Unmarshal([]byte(body), &v); res.StatusCode != 200 || err != nil {
			t.Fatalf("%d %v: %.300s", res.StatusCode, err, body)
		}
		return v
	}
	before := see()
	if before.Why != "" || before.Trees != 6 || len(before.Sisters) != 6 || before.R == nil || len(before.Suspects) == 0 {
		t.Fatalf("why %q, %d trees, %d sisters, r %v, %d suspects", before.Why, before.Trees, len(before.Sisters), before.R, len(before.Suspects))
	}
	s := before.Suspects[0]
	inward := float64(111 - workertest.StandMissedAge - 1)
	if s.Kind != dating.Missed || s.Place != workertest.StandMissed || s.Posterior < 0.9 || s.Cost < 0.9*(inward-3) || s.Cost > inward+3 {
		t.Errorf("suspects first %+v", s)
	}
	if _, body := ask(t, d, "POST", one+"/events", edit(0, "accept", `, "target": "`+s.Place+`"`), nil); !strings.Contains(body, `"revision":1`) {
		t.Fatalf("not taken: %.300s", body)
	}
	after := see()
	if after.Revision != 1 || *after.R < *before.R+0.2 || len(after.Suspects) > 0 {
		t.Errorf("taken: revision %d, r %.2f from %.2f, suspects %v", after.Revision, *after.R, *before.R, after.Suspects)
	}
	ask(t, d, "POST", one+"/undo", edit(1, "", ""), nil)
	if v := see(); len(v.Suspects) == 0 || v.Suspects[0].Place != s.Place {
		t.Errorf("undone: %+v", v.Suspects)
	}
	if res, _ := ask(t, d, "GET", "/api/runs/1/cores/x/time", "", nil); res.StatusCode != 404 {
		t.Errorf("an unknown core: status %d", res.StatusCode)
	}
}

// A core that stands alone is told so, and nothing is suspected of it.
func TestInTimeAlone(t *testing.T) {
	d := newDesk(t)
	_, body := ask(t, d, "GET", one+"/time", "", nil)
	var v TimeView
	if err := json.Unmarshal([]byte(body), &v); err != nil || v.Why == "" || len(v.Suspects) > 0 {
		t.Errorf("%v: %.300s", err, body)
	}
}
