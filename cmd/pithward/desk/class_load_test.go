package desk

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"

	"pithward/cmd/pithward/worker/workertest"
	"pithward/measure"
	"pithward/measure/grade"
	"pithward/measure/ledger"
)

const (
	crowd     = 60 // students at once
	loadLimit = 2 * time.Minute
)

// load is a class served over loopback, with the disk behind it.
type load struct {
	ledger *ledger.Ledger
	x      ledger.Exercise
	url    string
	client *http.Client
}

func newLoad(t testing.TB) load {
	t.Helper()
	l, err := ledger.Open(t.Context(), filepath.Join(t.TempDir(), "osmundvale.pithward"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	m := workertest.Measurement(measure.Job{Scan: "tray.tif", Version: "v1", Settings: measure.Settings{Season: measure.DefaultSeason()}})
	s, err := l.Store(t.Context(), m, "/scans/tray.tif", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	x, err := l.AddExercise(t.Context(), ledger.Exercise{Run: s.Run, Core: "5a5a5a5a-1", Name: "Pine", Code: "KKKMMMRRR", Seats: crowd, Opens: time.Now()}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewUnstartedServer(nil)
	class := NewClass(ClassOptions{Ledger: l, Rubric: grade.DefaultRubric(), Page: fstest.MapFS{}}, server.Listener.Addr().String())
	server.Config.Handler = class.Handler()
	server.Start()
	t.Cleanup(server.Close)
	client := server.Client()
	if transport, ok := client.Transport.(*http.Transport); ok {
		transport.MaxIdleConnsPerHost = crowd
	}
	return load{l, x, server.URL, client}
}

// send posts what a page posts; the answer is decoded into into.
func (l load) send(ctx context.Context, cookie *http.Cookie, path string, body, into any) (*http.Response, error) {
	text, err := json.Marshal(body)
	if err != nil {
		return nil, err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, l.url+path, bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	r.Header.Set("Origin", l.url)
	if cookie != nil {
		r.AddCookie(cookie)
	}
	res, err := l.client.Do(r)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(res.Body)
	if err == nil && res.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: status %d: %.200s", path, res.StatusCode, answer)
	}
	if err == nil {
		err = json.Unmarshal(answer, into)
	}
	return res, err
}

// student joins and sets so many boundaries, a pause after each; it returns the
// uuids that were acknowledged and how long each took.
func (l load) student(ctx context.Context, name string, edits int, pause time.Duration) (kept []string, took []time.Duration, err error) {
	var me Me
	res, err := l.send(ctx, nil, "/api/join", map[string]string{"name": name, "code": l.x.Code}, &me)
	if err != nil {
		return nil, nil, err
	}
	var v CoreView
	for i := range edits {
		e := Edit{Revision: v.Revision, UUID: uuid.NewString(), Kind: measure.Add, PointPx: &measure.Point{3 + float64(i)*250/float64(edits), 100}}
		begin := time.Now()
		if _, err := l.send(ctx, res.Cookies()[0], one+"/events", e, &v); err != nil {
			return kept, took, err
		}
		kept, took = append(kept, e.UUID), append(took, time.Since(begin))
		if pause > 0 {
			time.Sleep(pause/2 + rand.N(pause))
		}
	}
	return kept, took, nil
}

// edit has the whole crowd edit at once and holds the store to what was
// acknowledged.
func (l load) edit(t testing.TB, round string, edits int, pause time.Duration) (took []time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), loadLimit)
	defer cancel()
	kept, times := make([][]string, crowd), make([][]time.Duration, crowd)
	var g errgroup.Group
	for i := range crowd {
		g.Go(func() (err error) {
			kept[i], times[i], err = l.student(ctx, fmt.Sprintf("%s %02d", round, i), edits, pause)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	students, err := l.ledger.Students(t.Context(), l.x.ID)
	if err != nil {
		t.Fatal(err)
	}
	for i := range crowd {
		at := slices.IndexFunc(students, func(s ledger.Student) bool { return s.Name == fmt.Sprintf("%s %02d", round, i) })
		w, err := l.ledger.WorkOf(t.Context(), l.x, students[at])
		if err != nil {
			t.Fatal(err)
		}
		var have []string
		for _, e := range w.Events {
			have = append(have, e.UUID)
		}
		if !slices.Equal(have, kept[i]) {
			t.Fatalf("student %d: %d edits were acknowledged, %d are in the store", i, len(kept[i]), len(have))
		}
		took = append(took, times[i]...)
	}
	slices.Sort(took)
	return took
}

// Sixty students at once lose nothing that was acknowledged.
func TestCrowd(t *testing.T) {
	took := newLoad(t).edit(t, "student", 8, 0)
	t.Logf("%d edits without a pause, the slowest %v", len(took), took[len(took)-1])
}

// BenchmarkClassEdit has sixty students set a boundary every second or so, faster
// than anybody measures, and gives the 99th percentile of a saved edit. Reach: 200 ms.
func BenchmarkClassEdit(b *testing.B) {
	for b.Loop() {
		took := newLoad(b).edit(b, "student", 12, time.Second)
		b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "ms-p99")
		b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "ms-median")
	}
}
