package desk

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/uuid"
	xdraw "golang.org/x/image/draw"

	"pithward/cmd/pithward/worker/workertest"
	"pithward/measure"
	"pithward/measure/grade"
	"pithward/measure/ledger"
)

// room is a class on one exercise, of core 5a5a5a5a-1, that is open from noon for
// an hour and has three seats.
type room struct {
	t     *testing.T
	class *Class
	as    *Assistant
	x     ledger.Exercise
	now   time.Time
}

const classHost = "127.0.0.1:4712"

func newRoom(t *testing.T) *room {
	t.Helper()
	l, err := ledger.Open(t.Context(), filepath.Join(t.TempDir(), "osmundvale.pithward"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	m := workertest.Measurement(measure.Job{Scan: "tray.tif", Version: "v1", Settings: measure.Settings{Season: measure.DefaultSeason()}})
	s, err := l.Store(t.Context(), m, "/scans/tray.tif", noon)
	if err != nil {
		t.Fatal(err)
	}
	closes := noon.Add(time.Hour)
	x, err := l.AddExercise(t.Context(), ledger.Exercise{Run: s.Run, Core: "5a5a5a5a-1", Name: "Pine", Code: "KKKMMMRRR", Seats: 3, Opens: noon, Closes: &closes}, noon)
	if err != nil {
		t.Fatal(err)
	}
	r := &room{t: t, x: x, now: noon}
	page := fstest.MapFS{"class.html": {Data: []byte("<!doctype html><title>class</title>")}, "assist.html": {Data: []byte("the assistant's")}, "assist.js": {Data: []byte("the assistant's")}, "index.html": {Data: []byte("the desk's")}, "main.js": {Data: []byte("the desk's")}}
	r.class = NewClass(ClassOptions{Ledger: l, Tiles: &Tiles{Dir: t.TempDir()}, Rubric: grade.DefaultRubric(), Page: page, Now: func() time.Time { return r.now }}, classHost)
	r.as = NewAssistant(r.class, host)
	return r
}

// ask sends a request as a page does, with a session, and returns the answer.
func (r *room) ask(h http.Handler, at, cookie, session, method, path, body string, change func(*http.Request)) (*http.Response, string) {
	r.t.Helper()
	q := httptest.NewRequestWithContext(r.t.Context(), method, path, strings.NewReader(body))
	q.Host = at
	if session != "" {
		q.AddCookie(&http.Cookie{Name: cookie, Value: session})
	}
	if method != http.MethodGet {
		q.Header.Set("Origin", "http://"+at)
		q.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	if change != nil {
		change(q)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, q)
	res := w.Result()
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		r.t.Fatal(err)
	}
	return res, string(text)
}

// student sends a request to the students' side.
func (r *room) student(session, method, path, body string) (int, string) {
	r.t.Helper()
	res, text := r.ask(r.class.Handler(), classHost, r.class.cookie(), session, method, path, body, nil)
	return res.StatusCode, text
}

// assistant sends one to the assistant's.
func (r *room) assistant(method, path string) (int, string) {
	r.t.Helper()
	res, text := r.ask(r.as.Handler(), host, r.as.gate.cookie(), r.as.token, method, path, "{}", nil)
	return res.StatusCode, text
}

// join has somebody join and returns the session.
func (r *room) join(name string) string {
	r.t.Helper()
	res, text := r.ask(r.class.Handler(), classHost, r.class.cookie(), "", "POST", "/api/join", `{"name": `+jsonOf(name)+`, "code": "kkk-mmm rrr"}`, nil)
	if res.StatusCode != http.StatusOK || len(res.Cookies()) != 1 {
		r.t.Fatalf("%s: status %d: %s", name, res.StatusCode, text)
	}
	return res.Cookies()[0].Value
}

// set sets a boundary and returns the status.
func (r *room) set(session string, revision int, px float64) (int, string) {
	return r.student(session, "POST", one+"/events", edit(revision, "add", `, "point_px": [`+jsonOf(px)+`, 100]`))
}

func revisionIn(t *testing.T, text string) int {
	t.Helper()
	var v CoreView
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatalf("%v: %.200s", err, text)
	}
	return int(v.Revision)
}

// A lesson from joining to feedback, each student with their own work alone.
func TestLesson(t *testing.T) {
	r := newRoom(t)
	if status, text := r.student("", "GET", "/api/me", ""); status != 200 || !strings.Contains(text, `"joined":false`) {
		t.Fatalf("before joining: %d %s", status, text)
	}
	ada, ben := r.join("Ada"), r.join("Ben")
	revision := 0
	for _, px := range []float64{20, 60, 100, 150, 200} {
		status, text := r.set(ada, revision, px)
		if status != 200 {
			t.Fatalf("status %d: %s", status, text)
		}
		revision = revisionIn(t, text)
	}
	if status, text := r.student(ada, "POST", one+"/undo", edit(revision, "", "")); status != 200 || strings.Count(text, `"source":"person"`) != 4 {
		t.Errorf("undo: %d %.200s", status, text)
	}
	if status, text := r.student(ben, "GET", one, ""); status != 200 || strings.Contains(text, `"source":"person"`) {
		t.Errorf("Ben sees what Ada set: %d %.300s", status, text)
	}
	if status, text := r.assistant("POST", "/api/exercises/1/grade"); status != 409 || !strings.Contains(text, "close the exercise first") {
		t.Errorf("grading while it is open: %d %s", status, text)
	}
	if status, text := r.assistant("GET", "/api/class"); status != 200 || !strings.Contains(text, `"name":"Ada"`) || !strings.Contains(text, `"boundaries":4`) || !strings.Contains(text, "KKK-MMM-RRR") {
		t.Errorf("progress: %d %s", status, text)
	}
	if _, text := r.assistant("GET", "/api/class?anonymous=1"); strings.Contains(text, "Ada") || !strings.Contains(text, "student-01") {
		t.Errorf("without names: %s", text)
	}
	if status, text := r.assistant("POST", "/api/exercises/1/close"); status != 200 {
		t.Fatalf("close: %d %s", status, text)
	}
	r.now = noon.Add(time.Second)
	if status, text := r.assistant("POST", "/api/exercises/1/release"); status != 409 || !strings.Contains(text, "grade the exercise first") {
		t.Errorf("release before grading: %d %s", status, text)
	}
	if status, text := r.assistant("POST", "/api/exercises/1/grade"); status != 200 || !strings.Contains(text, `"graded":2`) {
		t.Fatalf("grade: %d %s", status, text)
	}
	if status, text := r.student(ada, "GET", "/api/feedback", ""); status != 403 || strings.Contains(text, "mark") {
		t.Errorf("feedback before its release: %d %s", status, text)
	}
	if status, text := r.assistant("POST", "/api/exercises/1/release"); status != 200 {
		t.Fatalf("release: %d %s", status, text)
	}
	var mine, his grade.Result
	for session, into := range map[string]*grade.Result{ada: &mine, ben: &his} {
		status, text := r.student(session, "GET", "/api/feedback", "")
		if err := json.Unmarshal([]byte(text), into); status != 200 || err != nil {
			t.Fatalf("feedback: %d %s", status, text)
		}
	}
	if mine.Name != "Ada" || his.Name != "Ben" || len(his.Faults) != 1 || his.Faults[0].Kind != grade.Unreadable {
		t.Errorf("Ada %+v\nBen %+v", mine, his)
	}
	for _, file := range []string{"page.html", "page.png", "skeleton.png"} {
		if status, text := r.student(ada, "GET", "/feedback/"+file, ""); status != 200 || len(text) < 1000 || file == pageHTML && (!strings.Contains(text, "Ada") || strings.Contains(text, "Ben")) {
			t.Errorf("Ada's %s: %d %.300q", file, status, text)
		}
		if status, text := r.assistant("GET", "/exercises/1/students/1/"+file+"?anonymous=1"); status != 200 || file == pageHTML && strings.Contains(text, "Ada") {
			t.Errorf("Ada's %s by code: %d %.300q", file, status, text)
		}
	}
	if status, text := r.student(ben, "GET", "/feedback/skeleton.png", ""); status != 404 {
		t.Errorf("Ben set nothing, yet has a skeleton plot: %d %.100s", status, text)
	}
	if status, text := r.assistant("GET", "/exercises/1/class.html?anonymous=1"); status != 200 || strings.Contains(text, "Ada") || !strings.Contains(text, `href="students/1/page.html?anonymous=1"`) {
		t.Errorf("the class by codes: %d %.300s", status, text)
	}
	if status, text := r.assistant("GET", "/exercises/1/class.csv"); status != 200 || !strings.Contains(text, "\nAda,") || !strings.Contains(text, "\nBen,") {
		t.Errorf("the table: %d %s", status, text)
	}
	if status, _ := r.assistant("GET", "/exercises/1/students/9/page.html"); status != 404 {
		t.Errorf("the page of nobody: %d", status)
	}
	if status, text := r.assistant("POST", "/api/exercises/1/students/1/remove"); status != 200 || !strings.Contains(text, `"edits":6`) {
		t.Errorf("remove: %d %s", status, text)
	}
	if status, _ := r.student(ada, "GET", "/api/feedback", ""); status != 401 {
		t.Errorf("a session of one who was removed: %d", status)
	}
}

// The ends of the wood are given; a student who stopped before the pith, or began far
// inside the bark, left rings out and missed none.
func TestUnfinishedWork(t *testing.T) {
	bound := func(kind measure.BoundaryKind, x float64) measure.Boundary {
		mm := x / 50
		return measure.Boundary{Kind: kind, PointPx: measure.Point{x, 100}, LinePx: []measure.Point{{x, 0}, {x, 200}}, AtMM: &mm}
	}
	core := func(xs ...float64) measure.Core {
		c := measure.Core{UID: "a-1", ID: "OSVP01A", PathPx: []measure.Point{{0, 100}, {1000, 100}}, BarkPresent: true, PithPresent: true}
		c.Boundaries = append(c.Boundaries, bound(measure.Outer, 0))
		for _, x := range xs {
			c.Boundaries = append(c.Boundaries, bound(measure.RingBoundary, x))
		}
		c.Boundaries = append(c.Boundaries, bound(measure.Inner, 1000))
		c.MakeRings(measure.Scale{MMPerPx: &[2]float64{0.02, 0.02}}, false)
		return c
	}
	scan, scale := measure.Scan{SHA256: "ab"}, measure.Scale{MMPerPx: &[2]float64{0.02, 0.02}}
	key := grade.FromCore(scan, scale, core(100, 200, 300, 400, 500, 600, 700, 800, 900))
	k, err := grade.NewKey(grade.DefaultRubric(), key)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		xs   []float64
		want string
	}{
		{"all of it", []float64{100, 200, 300, 400, 500, 600, 700, 800, 900}, ""},
		{"the last two missed", []float64{100, 200, 300, 400, 500, 600, 700}, "missed 8 missed 9"},
		{"stopped half way", []float64{100, 200, 300, 400, 500}, "ends-early x5"},
		{"began late", []float64{400, 500, 600, 700, 800, 900}, "starts-late x4"},
		{"only the middle", []float64{400, 500, 600}, "starts-late x4 ends-early x4"},
	} {
		got := []string{}
		for _, f := range k.Student(grade.FromCore(scan, scale, measured(core(tt.xs...), key))).Faults {
			if f.Rings > 0 {
				got = append(got, fmt.Sprintf("%s x%d", f.Kind, f.Rings))
			} else {
				got = append(got, fmt.Sprintf("%s %d", f.Kind, *f.KeyRing))
			}
		}
		if words := strings.Join(got, " "); words != tt.want {
			t.Errorf("%s: %s, want %s", tt.name, words, tt.want)
		}
	}
}

// What a student must not do, each tried.
func TestStudentsKeepOut(t *testing.T) {
	large := edit(0, "note", `, "why": "`+strings.Repeat("x", studentBody)+`"`)
	for _, tt := range []struct {
		name, method, path, body string
		change                   func(*room, *http.Request)
		status                   int
		words                    string
	}{
		{"the own core", "GET", one, "", nil, 200, `"revision":0`},
		{"another core of the tray", "GET", "/api/runs/1/cores/5a5a5a5a-2", "", nil, 404, "no such core"},
		{"another core's edit", "POST", "/api/runs/1/cores/5a5a5a5a-2/events", edit(0, "add", `, "point_px": [20, 200]`), nil, 404, "no such core"},
		{"another run", "GET", "/api/runs/2/cores/5a5a5a5a-1", "", nil, 404, "no such core"},
		{"the whole project", "GET", "/api/project", "", nil, 404, "no such request"},
		{"the export", "GET", "/api/runs/1/export/measurement.json", "", nil, 404, "no such request"},
		{"the scan as a whole", "POST", "/api/runs/1/events", edit(0, "scale", `, "detail": {"mm_per_px": [1, 1]}`), nil, 404, "no such request"},
		{"the desk's page", "GET", "/main.js", "", nil, 404, "no such request"},
		{"the desk's page by name", "GET", "/index.html", "", nil, 404, "no such request"},
		{"the assistant's page", "GET", "/assist.html", "", nil, 404, "no such request"},
		{"the assistant's script", "GET", "/assist.js", "", nil, 404, "no such request"},
		{"the class", "GET", "/api/class", "", nil, 404, "no such request"},
		{"closing", "POST", "/api/exercises/1/close", "{}", nil, 404, "no such request"},
		{"grading", "POST", "/api/exercises/1/grade", "{}", nil, 404, "no such request"},
		{"releasing", "POST", "/api/exercises/1/release", "{}", nil, 404, "no such request"},
		{"removing another", "POST", "/api/exercises/1/students/1/remove", "{}", nil, 404, "no such request"},
		{"feedback not released", "GET", "/api/feedback", "", nil, 403, "not been released"},
		{"a page not released", "GET", "/feedback/page.html", "", nil, 403, "not been released"},
		{"its picture", "GET", "/feedback/page.png", "", nil, 403, "not been released"},
		{"its skeleton plot", "GET", "/feedback/skeleton.png", "", nil, 403, "not been released"},
		{"another's page", "GET", "/exercises/1/students/1/page.html", "", nil, 404, "no such request"},
		{"another's page by name", "GET", "/feedback/student-02.html", "", nil, 404, "no such request"},
		{"the class's page", "GET", "/exercises/1/class.html", "", nil, 404, "no such request"},
		{"the gradebook's table", "GET", "/exercises/1/class.csv", "", nil, 404, "no such request"},

		{"a hidden candidate", "POST", one + "/events", edit(0, "accept", `, "target": "c1"`), nil, 400, "not for students"},
		{"a hidden boundary", "POST", one + "/events", edit(0, "remove", `, "target": "b4"`), nil, 422, "no \\\"b4\\\""},
		{"an edit in another's name", "POST", one + "/events", edit(0, "add", `, "observer": "Ben"`), nil, 400, "observer"},
		{"too large", "POST", one + "/events", large, nil, 413, "larger than"},
		{"another kind", "POST", one + "/events", edit(0, "delete-core", ""), nil, 400, "not for students"},

		{"before it opens: an edit", "POST", one + "/events", edit(0, "add", `, "point_px": [20, 100]`), func(r *room, _ *http.Request) { r.now = noon.Add(-time.Minute) }, 403, "not opened yet"},
		{"before it opens: a look", "GET", one, "", func(r *room, _ *http.Request) { r.now = noon.Add(-time.Minute) }, 403, "not opened yet"},
		{"before it opens: the wood", "GET", "/tiles/scan.dzi", "", func(r *room, _ *http.Request) { r.now = noon.Add(-time.Minute) }, 403, "not opened yet"},
		{"after it closes: an edit", "POST", one + "/events", edit(0, "add", `, "point_px": [20, 100]`), func(r *room, _ *http.Request) { r.now = noon.Add(time.Hour) }, 403, "closed"},
		{"after it closes: an undo", "POST", one + "/undo", edit(0, "", ""), func(r *room, _ *http.Request) { r.now = noon.Add(time.Hour) }, 422, "nothing left"},
		{"after it closes: the code again", "POST", "/api/join", `{"name": "Dot", "code": "KKKMMMRRR"}`, func(r *room, _ *http.Request) { r.now = noon.Add(time.Hour) }, 403, "closed"},
		{"a wrong code", "POST", "/api/join", `{"name": "Dot", "code": "KKKMMMRRX"}`, nil, 403, "no exercise with that code"},
		{"a name of 10,000 letters", "POST", "/api/join", `{"name": "` + strings.Repeat("a", 10_000) + `", "code": "KKKMMMRRR"}`, nil, 400, "1 to 60 letters"},
		{"a name that is taken", "POST", "/api/join", `{"name": "ADA", "code": "KKKMMMRRR"}`, nil, 409, "under that name"},
		{"another's pass, guessed", "POST", "/api/return", `{"name": "", "code": "FFFFFFFFF"}`, nil, 403, "no exercise with that code"},

		{"no session", "GET", one, "", func(_ *room, q *http.Request) { q.Header.Del("Cookie") }, 401, "join the class first"},
		{"an invented session", "GET", one, "", func(r *room, q *http.Request) { q.Header.Set("Cookie", r.class.cookie()+"=guess") }, 401, "join the class first"},
		{"an endless session", "GET", one, "", func(r *room, q *http.Request) { q.Header.Set("Cookie", r.class.cookie()+"="+strings.Repeat("x", 9000)) }, 401, "join the class first"},
		{"the assistant's token", "GET", "/?token=guess", "", nil, 200, "<title>class"},
		{"a name that leads here", "GET", one, "", func(_ *room, q *http.Request) { q.Host = "evil.example:4712" }, 403, "reached as"},
		{"another port", "GET", one, "", func(_ *room, q *http.Request) { q.Host = "127.0.0.1:80" }, 403, "reached as"},
		{"another site's form", "POST", one + "/events", edit(0, "note", ""), func(_ *room, q *http.Request) { q.Header.Set("Origin", "http://evil.example") }, 403, "another site"},
		{"another site, origin withheld", "POST", one + "/events", edit(0, "note", ""), func(_ *room, q *http.Request) {
			q.Header.Del("Origin")
			q.Header.Set("Sec-Fetch-Site", "cross-site")
		}, 403, "another site"},

		{"a path that climbs", "GET", "/tiles/..%2f..%2fsecret", "", nil, 404, "no such tile"},
		{"a scan by its hash", "GET", "/tiles/5a5a/scan.dzi", "", nil, 404, "no such tile"},
		{"a file that is no tile", "GET", "/tiles/scan.txt", "", nil, 404, "no such tile"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := newRoom(t)
			session := r.join("Ada")
			res, body := r.ask(r.class.Handler(), classHost, r.class.cookie(), session, tt.method, tt.path, tt.body, func(q *http.Request) {
				if tt.change != nil {
					tt.change(r, q)
				}
			})
			if res.StatusCode != tt.status || !strings.Contains(body, tt.words) {
				t.Fatalf("status %d: %.300s", res.StatusCode, body)
			}
			if csp := res.Header.Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
				t.Errorf("policy %q", csp)
			}
			for _, secret := range []string{`"probability":0.`, "expected_count\":1", "doubt\":"} {
				if strings.Contains(body, secret) {
					t.Errorf("the answer holds %s: %.500s", secret, body)
				}
			}
		})
	}
}

// The assistant's page needs its token, on its own address.
func TestAssistantKeepsStudentsOut(t *testing.T) {
	r := newRoom(t)
	session := r.join("Ada")
	for _, cookie := range []string{"", r.class.cookie() + "=" + session, r.as.gate.cookie() + "=" + session} {
		for _, path := range []string{"/", "/api/class", "/exercises/1/class.html", "/exercises/1/class.csv", "/exercises/1/students/1/page.html", "/exercises/1/students/1/page.png"} {
			res, body := r.ask(r.as.Handler(), host, "", "", "GET", path, "", func(q *http.Request) { q.Header.Set("Cookie", cookie) })
			if res.StatusCode != 403 || strings.Contains(body, "Pine") || strings.Contains(body, "Ada") {
				t.Errorf("%s with %q: %d %s", path, cookie, res.StatusCode, body)
			}
		}
	}
	if res, _ := r.ask(r.as.Handler(), "192.0.2.7:4711", r.as.gate.cookie(), r.as.token, "GET", "/api/class", "", nil); res.StatusCode != 403 {
		t.Errorf("by another name: %d", res.StatusCode)
	}
}

// A session is always the server's own, kept from scripts and other sites; joining
// with a cookie at hand gives another one.
func TestSessions(t *testing.T) {
	r := newRoom(t)
	planted := "planted-by-somebody-else"
	res, body := r.ask(r.class.Handler(), classHost, r.class.cookie(), planted, "POST", "/api/join", `{"name": "Ada", "code": "KKKMMMRRR"}`, nil)
	if res.StatusCode != 200 {
		t.Fatal(body)
	}
	c := res.Cookies()[0]
	if c.Value == planted || len(c.Value) < 20 || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Secure {
		t.Errorf("cookie %v", c)
	}
	if status, _ := r.student(planted, "GET", one, ""); status != 401 {
		t.Errorf("the planted session is let in: %d", status)
	}
	var me Me
	if err := json.Unmarshal([]byte(body), &me); err != nil || len(plainCode(me.Pass)) != codeLength {
		t.Fatalf("%v: %s", err, body)
	}
	res, body = r.ask(r.class.Handler(), classHost, "", "", "POST", "/api/return", `{"name": "", "code": `+jsonOf(me.Pass)+`}`, nil)
	if res.StatusCode != 200 || !strings.Contains(body, `"name":"Ada"`) {
		t.Fatalf("coming back: %d %s", res.StatusCode, body)
	}
	if status, _ := r.student(c.Value, "GET", one, ""); status != 401 {
		t.Errorf("the session before coming back: %d", status)
	}
	now := res.Cookies()[0].Value
	if status, _ := r.student(now, "POST", "/api/leave", "{}"); status != 200 {
		t.Errorf("leaving: %d", status)
	}
	if status, _ := r.student(now, "GET", one, ""); status != 401 {
		t.Errorf("the session after leaving: %d", status)
	}

	u, err := url.Parse("https://rings.osmundvale.example/")
	if err != nil {
		t.Fatal(err)
	}
	r.class.Address = u
	res, body = r.ask(r.class.Handler(), "rings.osmundvale.example", "", "", "POST", "/api/join", `{"name": "Ben", "code": "KKKMMMRRR"}`, func(q *http.Request) { q.Header.Set("Origin", "https://rings.osmundvale.example") })
	if res.StatusCode != 200 || !res.Cookies()[0].Secure || !strings.HasPrefix(res.Cookies()[0].Name, "__Host-") {
		t.Errorf("behind TLS: %d %s %v", res.StatusCode, body, res.Cookies())
	}
	if res, _ = r.ask(r.class.Handler(), classHost, "", "", "GET", "/", "", nil); res.StatusCode != 403 {
		t.Errorf("past the proxy: %d", res.StatusCode)
	}
}

func TestSeats(t *testing.T) {
	r := newRoom(t)
	for _, name := range []string{"Ada", `<img src=x onerror="alert(1)">`, "Łucja Ó Briain 王"} {
		r.join(name)
	}
	if status, text := r.student("", "POST", "/api/join", `{"name": "Dot", "code": "KKKMMMRRR"}`); status != 403 || !strings.Contains(text, "all seats are taken") {
		t.Errorf("%d %s", status, text)
	}
	// Markup stays text: JSON escapes it, the page sets it as text.
	if _, text := r.assistant("GET", "/api/class"); strings.Contains(text, "<img") {
		t.Errorf("%s", text)
	}
}

// Nobody floods the store: edits, requests and guesses are limited, each with 429,
// and what was acknowledged stays.
func TestFloods(t *testing.T) {
	r := newRoom(t)
	ada := r.join("Ada")
	revision, kept := 0, 0
	for i := range editsAtOnce + 20 {
		status, text := r.set(ada, revision, 20+float64(i))
		switch {
		case status == 200:
			kept++
			revision = revisionIn(t, text)
		case status != 429:
			t.Fatalf("%d %s", status, text)
		}
	}
	if kept != editsAtOnce {
		t.Errorf("%d edits at once were taken", kept)
	}
	r.now = r.now.Add(time.Second)
	if status, _ := r.set(ada, revision, 250); status != 200 {
		t.Errorf("a second later: %d", status)
	}
	ben := r.join("Ben")
	last := 0
	for range asksAtOnce + 1 {
		last, _ = r.student(ben, "GET", one, "")
	}
	if last != 429 {
		t.Errorf("after many requests: %d", last)
	}
	cyd := r.join("Cyd")
	r.assistant("POST", "/api/exercises/1/close")
	open := r.now
	r.now = r.now.Add(time.Second)
	r.assistant("POST", "/api/exercises/1/grade")
	r.assistant("POST", "/api/exercises/1/release")
	drawn := 0
	for range pagesPerBurst + 5 {
		if status, text := r.student(cyd, "GET", "/feedback/page.html", ""); status == 200 {
			drawn++
		} else if status != 429 {
			t.Fatalf("a page: %d %s", status, text)
		}
	}
	if drawn != pagesPerBurst {
		t.Errorf("%d pages were drawn at once", drawn)
	}
	r.now = open
	wrong := 0
	for range 2 * wrongAtOnce {
		r.now = r.now.Add(10 * time.Millisecond)
		if status, _ := r.student("", "POST", "/api/join", `{"name": "Dot", "code": "`+uuid.NewString()[:9]+`"}`); status == 403 {
			wrong++
		}
	}
	if wrong > wrongAtOnce+2 {
		t.Errorf("%d wrong codes were answered", wrong)
	}
}

// trayTiles writes the pyramid of a scan of 400 x 300 px: the exercise's core dark at
// y = 80 to 120, its neighbour on the tray white at y = 180 to 220.
func trayTiles(t *testing.T, dir string) {
	t.Helper()
	const tile, overlap = 128, 1
	write := func(name string, data []byte) {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("scan.dzi", []byte(`<Image Format="jpg" Overlap="1" TileSize="128"><Size Width="400" Height="300"/></Image>`))
	img := image.NewRGBA(image.Rect(0, 0, 400, 300))
	draw.Draw(img, img.Rect, image.NewUniform(color.Gray{Y: 90}), image.Point{}, draw.Src)
	draw.Draw(img, image.Rect(0, 80, 300, 120), image.Black, image.Point{}, draw.Src)
	draw.Draw(img, image.Rect(0, 180, 300, 220), image.White, image.Point{}, draw.Src)
	for level := 9; level >= 0; level-- {
		for x := 0; x*tile < img.Rect.Dx(); x++ {
			for y := 0; y*tile < img.Rect.Dy(); y++ {
				part := image.Rect(x*tile-overlap, y*tile-overlap, (x+1)*tile+overlap, (y+1)*tile+overlap).Intersect(img.Rect)
				var b bytes.Buffer
				if err := jpeg.Encode(&b, img.SubImage(part), &jpeg.Options{Quality: 95}); err != nil {
					t.Fatal(err)
				}
				write(fmt.Sprintf("scan_files/%d/%d_%d.jpg", level, x, y), b.Bytes())
			}
		}
		half := image.NewRGBA(image.Rect(0, 0, (img.Rect.Dx()+1)/2, (img.Rect.Dy()+1)/2))
		xdraw.ApproxBiLinear.Scale(half, half.Rect, img, img.Rect, draw.Src, nil)
		img = half
	}
}

// Students see the core of their exercise whole, on every level of the scan's tiles,
// and nothing of its neighbour: paper lies there.
func TestStudentTiles(t *testing.T) {
	r := newRoom(t)
	dir := filepath.Join(r.class.Tiles.Dir, r.x.Blank.Scan.SHA256)
	trayTiles(t, dir)
	ada := r.join("Ada")
	served := 0
	for level := range 10 {
		scale := 1 << (9 - level)
		for x := range 4 {
			for y := range 3 {
				status, text := r.student(ada, "GET", fmt.Sprintf("/tiles/scan_files/%d/%d_%d.jpg", level, x, y), "")
				if status == 404 {
					continue
				}
				served++
				img, err := jpeg.Decode(strings.NewReader(text))
				if status != 200 || err != nil {
					t.Fatalf("level %d, %d_%d: %d %v", level, x, y, status, err)
				}
				if img.Bounds().Dx() == 8 && scale == 1 && y == 0 && x < 3 {
					t.Errorf("nothing of the core is shown in %d_%d", x, y)
				}
				for j := range img.Bounds().Dy() {
					for i := range img.Bounds().Dx() {
						v := color.GrayModel.Convert(img.At(i, j)).(color.Gray).Y
						if v > blank.Y+20 { // as JPEG has it
							t.Fatalf("level %d, %d_%d: the neighbour shows at %d, %d", level, x, y, i, j)
						}
						at := image.Pt(max(0, x*128-1)+i, max(0, y*128-1)+j)
						if scale == 1 && at.In(image.Rect(0, 84, 300, 116)) && v > 30 {
							t.Fatalf("%d_%d: the core is hidden at %v", x, y, at)
						}
					}
				}
			}
		}
	}
	if served != 12+4+1*8 {
		t.Errorf("%d tiles were served", served)
	}
	if status, _ := r.student(ada, "GET", "/tiles/scan_files/9/9_9.jpg", ""); status != 404 {
		t.Errorf("a tile that is not there: %d", status)
	}
	if len(r.class.masked.kept) != served {
		t.Errorf("%d tiles are kept", len(r.class.masked.kept))
	}
}

// What is shown of a core follows it where it is bowed or aslant, ends with a little
// wood beyond, and needs no outline.
func TestShape(t *testing.T) {
	bowed := measure.Core{PathPx: []measure.Point{{0, 100}, {500, 200}, {1000, 100}},
		OutlinePx: []measure.Point{{0, 50}, {500, 150}, {1000, 50}, {1000, 150}, {500, 250}, {0, 150}}}
	bare := measure.Core{PathPx: []measure.Point{{100, 0}, {100, 900}}}
	for _, tt := range []struct {
		name string
		core measure.Core
		p    measure.Point
		want bool
	}{
		{"the middle", bowed, measure.Point{500, 200}, true},
		{"its edge", bowed, measure.Point{500, 255}, true},
		{"the neighbour in the bow", bowed, measure.Point{500, 90}, false},
		{"below an end", bowed, measure.Point{0, 250}, false},
		{"the bark", bowed, measure.Point{-50, 95}, true},
		{"far beyond the bark", bowed, measure.Point{-150, 100}, false},
		{"beyond the pith", bowed, measure.Point{1050, 95}, true},
		{"without an outline", bare, measure.Point{120, 450}, true},
		{"beside it", bare, measure.Point{160, 450}, false},
	} {
		if got := shapeOf(tt.core).outside(tt.p) <= 0; got != tt.want {
			t.Errorf("%s is seen: %v", tt.name, got)
		}
	}
}

func TestCodes(t *testing.T) {
	for _, confusable := range []string{"O0Q", "1IL", "5S", "8B", "2Z", "UV", "6G", "MN"} {
		if n := len(confusable) - len(strings.Trim(confusable, codeLetters)); n > 1 {
			t.Errorf("codes have more than one of %s", confusable)
		}
	}
	a, err := CoinCode()
	b, err2 := CoinCode()
	if err != nil || err2 != nil || a == b || len(a) != codeLength || plainCode(ShowCode(a)) != a || plainCode(strings.ToLower(ShowCode(b))) != b {
		t.Errorf("%s %s %v %v", a, b, err, err2)
	}
}

func TestHosts(t *testing.T) {
	for _, tt := range []struct {
		listen, host string
		want         bool
	}{
		{"127.0.0.1:80", "127.0.0.1:80", true},
		{"127.0.0.1:80", "localhost:80", true},
		{"127.0.0.1:80", "localhost:81", false},
		{"127.0.0.1:80", "192.0.2.7:80", false},
		{"0.0.0.0:80", "192.0.2.7:80", true},
		{"[::]:80", "[2001:db8::7]:80", true},
		{"[::]:80", "room-12:80", true},
		{"[::]:80", "rebound.example:80", false},
		{"192.0.2.7:80", "192.0.2.7:80", true},
		{"192.0.2.7:80", "192.0.2.8:80", false},
		{"0.0.0.0:80", "", false},
	} {
		c := NewClass(ClassOptions{Page: fstest.MapFS{}}, tt.listen)
		c.name = "room-12"
		if got := c.isHost(tt.host); got != tt.want {
			t.Errorf("%s asked of %s: %v", tt.host, tt.listen, got)
		}
	}
}
