package desk

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/uuid"

	"pithward/cmd/pithward/worker/workertest"
	"pithward/measure"
	"pithward/measure/ledger"
)

const host = "127.0.0.1:4711"

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// newDesk returns a desk with one measured tray of two cores, run 1.
func newDesk(t *testing.T) *Desk {
	t.Helper()
	l, err := ledger.Open(t.Context(), filepath.Join(t.TempDir(), "osmundvale.pithward"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	m := workertest.Measurement(measure.Job{Scan: "tray.tif", Version: "v1", Settings: measure.Settings{Season: measure.DefaultSeason()}})
	if _, err := l.Store(t.Context(), m, "/scans/tray.tif", noon); err != nil {
		t.Fatal(err)
	}
	page := fstest.MapFS{"index.html": {Data: []byte("<!doctype html><title>desk</title>")}}
	return New(Options{Ledger: l, Observer: "Ada", Version: "v1", Page: page, Tiles: &Tiles{Dir: t.TempDir()}, Now: func() time.Time { return noon }}, host)
}

// ask sends a request as the page does, changed by change, and returns the
// answer with its body.
func ask(t *testing.T, d *Desk, method, path, body string, change func(*http.Request)) (*http.Response, string) {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, path, strings.NewReader(body))
	r.Host = host
	r.AddCookie(&http.Cookie{Name: d.cookie(), Value: d.token})
	if method != http.MethodGet {
		r.Header.Set("Origin", "http://"+host)
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	if change != nil {
		change(r)
	}
	w := httptest.NewRecorder()
	d.Handler().ServeHTTP(w, r)
	res := w.Result()
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res, string(text)
}

const one = "/api/runs/1/cores/5a5a5a5a-1"

func edit(revision int, kind, rest string) string {
	return `{"revision": ` + jsonOf(revision) + `, "uuid": "` + uuid.NewString() + `", "kind": "` + kind + `"` + rest + `}`
}

func jsonOf(v any) string {
	b, _ := json.Marshal(v)
	return string(b)
}

func TestRequests(t *testing.T) {
	large := `{"revision": 0, "why": "` + strings.Repeat("x", bodyLimit) + `"}`
	for _, tt := range []struct {
		name, method, path, body string
		change                   func(*http.Request)
		status                   int
		words                    string
	}{
		{"the page", "GET", "/", "", nil, 200, "<title>desk"},
		{"the look", "GET", "/look.css", "", nil, 200, "--ink: #"},
		{"the project", "GET", "/api/project", "", nil, 200, `"name":"osmundvale.pithward"`},
		{"a core", "GET", one, "", nil, 200, `"revision":0`},
		{"an edit", "POST", one + "/events", edit(0, "remove", `, "target": "b4"`), nil, 200, `"stage":"begun"`},
		{"a place to stop at", "PUT", "/api/place", `{"run": 1, "core": "5a5a5a5a-1", "at_px": 5, "zoom": 2}`, nil, 200, "kept"},
		{"a scale", "POST", "/api/runs/1/events", edit(0, "scale", `, "detail": {"mm_per_px": [0.01, 0.01]}`), nil, 200, "kept"},
		{"a core drawn", "POST", "/api/runs/1/events", edit(0, "add-core", `, "detail": {"path_px": [[0, 150], [300, 150]], "word": "conifer"}`), nil, 200, "kept"},
		{"the table", "GET", "/api/runs/1/export/widths.csv", "", nil, 200, "core,ring,year"},
		{"the measurement", "GET", "/api/runs/1/export/measurement.json", "", nil, 200, measure.Schema},
		{"no core dated", "GET", "/api/runs/1/export/widths.rwl", "", nil, 422, "set an outer year"},

		{"no token", "GET", "/api/project", "", func(r *http.Request) { r.Header.Del("Cookie") }, 403, "open the desk by the address"},
		{"a wrong token", "GET", "/api/project", "", func(r *http.Request) { r.Header.Set("Cookie", "pithward-4711=guess") }, 403, "open the desk by the address"},
		{"a wrong token in the address", "GET", "/?token=guess", "", nil, 403, "open the desk by the address"},
		{"a name that leads here", "GET", "/", "", func(r *http.Request) { r.Host = "evil.example:4711" }, 403, "reached as"},
		{"another site's form", "POST", one + "/events", edit(0, "blank", ""), func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }, 403, "another site"},
		{"another site, origin withheld", "POST", one + "/events", edit(0, "blank", ""), func(r *http.Request) { r.Header.Del("Origin"); r.Header.Set("Sec-Fetch-Site", "cross-site") }, 403, "another site"},
		{"another port of this machine", "POST", one + "/events", edit(0, "blank", ""), func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:80") }, 403, "another site"},
		{"no origin", "POST", one + "/events", edit(0, "blank", ""), func(r *http.Request) { r.Header.Set("Origin", "null") }, 403, "another site"},

		{"not JSON", "POST", one + "/events", "kind=blank", nil, 400, "not what was expected"},
		{"two edits", "POST", one + "/events", edit(0, "blank", "") + edit(0, "blank", ""), nil, 400, "follows"},
		{"a field that is none", "POST", one + "/events", edit(0, "blank", `, "observer": "Ben"`), nil, 400, "observer"},
		{"too large", "POST", one + "/events", large, nil, 413, "larger than"},
		{"no uuid", "POST", one + "/events", `{"kind": "blank"}`, nil, 400, "uuid"},
		{"no number", "POST", one + "/events", edit(0, "add", `, "point_px": [1e999, 0]`), nil, 400, "not what was expected"},
		{"unknown kind", "POST", one + "/events", edit(0, "paint", ""), nil, 400, "no kind"},
		{"a scale that is none", "POST", "/api/runs/1/events", edit(0, "scale", `, "detail": {"mm_per_px": [0, 0.01]}`), nil, 422, "two positive numbers"},
		{"a core's edit sent for the scan", "POST", "/api/runs/1/events", edit(0, "blank", ""), nil, 400, "whole scan"},
		{"an undo among edits", "POST", one + "/events", edit(0, "undo", ""), nil, 400, "of its own"},
		{"on an older state", "POST", one + "/events", edit(7, "blank", ""), nil, 409, "look at it anew"},
		{"what is not there", "POST", one + "/events", edit(0, "remove", `, "target": "b99"`), nil, 422, "b99"},
		{"nothing to undo", "POST", one + "/undo", edit(0, "", ""), nil, 422, "nothing left"},
		{"an unknown core", "GET", "/api/runs/1/cores/x", "", nil, 404, "no such core"},
		{"an unknown run", "GET", "/api/runs/9/cores/x", "", nil, 404, "not in this project"},
		{"no run", "GET", "/api/runs/one/cores/x", "", nil, 404, "no such run"},
		{"an unknown request", "GET", "/api/everything", "", nil, 404, "no such request"},
		{"an unknown file", "GET", "/api/runs/1/export/passwd", "", nil, 404, "no such file"},

		{"a path that climbs", "GET", "/tiles/5a5a/..%2f..%2fsecret", "", nil, 404, "no such tile"},
		{"a hash that climbs", "GET", "/tiles/..%2f/scan.dzi", "", nil, 404, "no such tile"},
		{"no tiles", "GET", "/tiles/5a5a/scan.dzi", "", nil, 404, "no tiles"},
		{"a file that is no tile", "GET", "/tiles/5a5a/scan.txt", "", nil, 404, "no such tile"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d := newDesk(t)
			res, body := ask(t, d, tt.method, tt.path, tt.body, tt.change)
			if res.StatusCode != tt.status || !strings.Contains(body, tt.words) {
				t.Fatalf("status %d: %.300s", res.StatusCode, body)
			}
			if csp := res.Header.Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
				t.Errorf("policy %q", csp)
			}
			if tt.status >= 400 {
				var e struct{ Error, Code string }
				if err := json.Unmarshal([]byte(body), &e); err != nil || e.Error == "" || e.Code == "" {
					t.Errorf("the error is not told as JSON: %s", body)
				}
				if st, err := d.Ledger.State(t.Context(), 1, "Ada"); err != nil || len(st.Events) != 0 {
					t.Errorf("a refused request left %d events, %v", len(st.Events), err)
				}
			}
		})
	}
}

// A scan read anew says what became of the edits.
func TestReadAnew(t *testing.T) {
	d := newDesk(t)
	for i, rest := range []string{`"remove", "target": "b4"`, `"sign-off"`} {
		if res, body := ask(t, d, "POST", one+"/events", `{"revision": `+jsonOf(i)+`, "uuid": "`+uuid.NewString()+`", "kind": `+rest+`}`, nil); res.StatusCode != http.StatusOK {
			t.Fatal(body)
		}
	}
	m := workertest.Measurement(measure.Job{Scan: "tray.tif", Version: "v2", Settings: measure.Settings{Season: measure.DefaultSeason()}})
	if _, err := d.Ledger.Store(t.Context(), m, "/scans/tray.tif", noon); err != nil {
		t.Fatal(err)
	}
	_, body := ask(t, d, "GET", "/api/project", "", nil)
	for _, words := range []string{`"renewed":["This scan was read anew.","Edits on the earlier reading: 1 carried over, 1 not."]`, `"not_carried":["tray-1: sign-off: sign the core off again`} {
		if !strings.Contains(body, words) {
			t.Errorf("the page is not told %s: %s", words, body)
		}
	}
}

// The address that pithward prints lets in: it becomes a cookie and goes.
func TestLetIn(t *testing.T) {
	d := newDesk(t)
	res, _ := ask(t, d, "GET", strings.TrimPrefix(d.URL(), "http://"+host), "", func(r *http.Request) { r.Header.Del("Cookie") })
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/" {
		t.Fatalf("status %d to %q", res.StatusCode, res.Header.Get("Location"))
	}
	c := res.Cookies()
	if len(c) != 1 || c[0].Value != d.token || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode {
		t.Errorf("cookies %+v", c)
	}
}

func TestWithoutPage(t *testing.T) {
	d := newDesk(t)
	d.Page = fstest.MapFS{}
	if res, body := ask(t, d, "GET", "/", "", nil); res.StatusCode != 404 || !strings.Contains(body, "built without its page") {
		t.Errorf("status %d: %s", res.StatusCode, body)
	}
}

// view is what a test reads of an answer.
type view struct {
	Revision   int64
	Undo, Redo int
	Core       struct{ Boundaries []struct{ ID string } }
}

func send(t *testing.T, d *Desk, path, body string) (v view) {
	t.Helper()
	res, text := ask(t, d, "POST", path, body, nil)
	if res.StatusCode != 200 {
		t.Fatalf("%s: %d %s", path, res.StatusCode, text)
	}
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatal(err)
	}
	return v
}

func TestEditUndoRedo(t *testing.T) {
	d := newDesk(t)
	first := edit(0, "add", `, "point_px": [20, 100]`)
	v := send(t, d, one+"/events", first)
	if len(v.Core.Boundaries) != 6 || v.Undo != 1 {
		t.Fatalf("%+v", v)
	}
	if again := send(t, d, one+"/events", first); again.Revision != v.Revision || len(again.Core.Boundaries) != 6 {
		t.Errorf("sent again: %+v", again)
	}
	undo := edit(int(v.Revision), "", "")
	v = send(t, d, one+"/undo", undo)
	if len(v.Core.Boundaries) != 5 || v.Undo != 0 || v.Redo != 1 {
		t.Errorf("undone: %+v", v)
	}
	if again := send(t, d, one+"/undo", undo); again.Revision != v.Revision {
		t.Errorf("undo sent again: %+v", again)
	}
	v = send(t, d, one+"/redo", edit(int(v.Revision), "", ""))
	if len(v.Core.Boundaries) != 6 || v.Undo != 1 || v.Redo != 0 {
		t.Errorf("redone: %+v", v)
	}
}

// A core that was taken off is listed, and an undo brings it back.
func TestDeletedCore(t *testing.T) {
	d := newDesk(t)
	if res, text := ask(t, d, "POST", one+"/events", edit(0, "delete-core", `, "target": "tray-1"`), nil); res.StatusCode != 200 || !strings.Contains(text, "gone") {
		t.Fatalf("%d %s", res.StatusCode, text)
	}
	_, text := ask(t, d, "GET", "/api/project", "", nil)
	if !strings.Contains(text, `"deleted":[{"uid":"5a5a5a5a-1","id":"tray-1","revision":1}]`) {
		t.Fatalf("%s", text)
	}
	if v := send(t, d, one+"/undo", edit(1, "", "")); len(v.Core.Boundaries) != 5 {
		t.Errorf("%+v", v)
	}
	if _, text = ask(t, d, "GET", "/api/project", "", nil); !strings.Contains(text, `"deleted":[]`) {
		t.Errorf("%s", text)
	}
}

// Whatever is sent as an edit, the desk answers as JSON, without a fault of its
// own, and what it then holds keeps the rules of the measurement.
func FuzzEdit(f *testing.F) {
	f.Add("remove", `, "target": "b4"`)
	f.Add("add", `, "point_px": [20, 100]`)
	f.Add("radius", `, "detail": {"path_px": [[0, 90], [300, 110]]}`)
	f.Add("gap", `, "point_px": [20, 100], "detail": {"to_px": [30, 100], "word": "lost"}`)
	f.Add("split", `, "point_px": [150, 100]`)
	f.Add("only", `, "point_px": [1e308, -1e308], "detail": {"to_px": [1e308, 0]}`)
	f.Add("radius", `, "detail": {"path_px": [[-1e308, 0], [1e308, 1e308]]}`)
	f.Add("outer-year", `, "detail": {"year": -9223372036854775808}`)
	f.Add("absent", `, "target": "b2", "detail": {"count": 1000000000}`)
	f.Fuzz(func(t *testing.T, kind, rest string) {
		d := newDesk(t)
		res, body := ask(t, d, "POST", one+"/events", edit(0, kind, rest), nil)
		if res.StatusCode >= 500 || !json.Valid([]byte(body)) {
			t.Fatalf("status %d: %s", res.StatusCode, body)
		}
		st, err := d.Ledger.State(t.Context(), 1, "Ada")
		if err != nil {
			t.Fatal(err)
		}
		if err := measure.Validate(st.Measurement); err != nil {
			t.Fatalf("%s%s: %v", kind, rest, err)
		}
	})
}

func TestTiles(t *testing.T) {
	d := newDesk(t)
	sha := strings.Repeat("5a", 32)
	dir, put, drop, err := d.Tiles.Stage(sha)
	if err != nil {
		t.Fatal(err)
	}
	defer drop()
	files := map[string]string{"scan.dzi": "<Image/>", "scan_files/9/1_0.jpg": "a tile"}
	for name, text := range files {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if d.Tiles.Have(sha) {
		t.Error("tiles that are being made count as there")
	}
	if err := put(); err != nil {
		t.Fatal(err)
	}
	for name, want := range files {
		if res, body := ask(t, d, "GET", "/tiles/"+sha+"/"+name, "", nil); res.StatusCode != 200 || body != want {
			t.Errorf("%s: %d %q", name, res.StatusCode, body)
		}
	}
	if _, body := ask(t, d, "GET", "/api/project", "", nil); !strings.Contains(body, "/tiles/"+sha+"/scan.dzi") {
		t.Errorf("the project does not tell of the tiles: %s", body)
	}
}

// Tiles that grow too large go, the longest unused first.
func TestTilesAreBounded(t *testing.T) {
	tiles := &Tiles{Dir: t.TempDir(), Limit: 1000}
	for i, sha := range []string{"aa", "bb", "cc"} {
		dir, put, _, err := tiles.Stage(sha)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, tilesDone), bytes.Repeat([]byte("x"), 500), 0o666); err != nil {
			t.Fatal(err)
		}
		if err := put(); err != nil {
			t.Fatal(err)
		}
		when := noon.Add(time.Duration(i) * time.Hour)
		if err := os.Chtimes(filepath.Join(tiles.Dir, sha), when, when); err != nil {
			t.Fatal(err)
		}
	}
	if tiles.Have("aa") || !tiles.Have("bb") || !tiles.Have("cc") {
		t.Errorf("kept: aa %v, bb %v, cc %v", tiles.Have("aa"), tiles.Have("bb"), tiles.Have("cc"))
	}
}
