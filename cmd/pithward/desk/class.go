package desk

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"pithward/cmd/pithward/desk/ui"
	"pithward/measure/grade"
	"pithward/measure/ledger"
)

// ClassOptions are what a class is served with.
type ClassOptions struct {
	Ledger  *ledger.Ledger
	Tiles   *Tiles
	Rubric  grade.Rubric
	Address *url.URL // where students reach the page, if that is not where it listens; https: by a TLS proxy
	Page    fs.FS    // the built pages; nil: those in this program
	Token   string   // of the assistant's page; "": a new one
	Log     *slog.Logger
	Now     func() time.Time
}

// Class serves a project's exercises: one page to students, which may be reached
// from beyond this machine, and one to the assistant, which is served on a port
// of its own and on this machine only, so that no student's request can reach it.
type Class struct {
	ClassOptions
	listen  string // host:port the students' page listens on
	name    string // of this machine
	limits  limits
	drawing chan struct{} // holds one for each page that is being made
	masked  masks
	seen    sync.Map // progress of students by id, see progress
}

// NewClass returns a class whose students' page listens at host:port.
func NewClass(o ClassOptions, listen string) *Class {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Page == nil {
		o.Page = ui.Page()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	name, err := os.Hostname()
	if err != nil {
		name = "" // then only addresses and localhost lead here
	}
	return &Class{ClassOptions: o, listen: listen, name: name, limits: newLimits(), drawing: make(chan struct{}, pagesAtOnce)}
}

// URL is the address that students open.
func (c *Class) URL() string {
	if c.Address != nil {
		return c.Address.String()
	}
	host, port, err := net.SplitHostPort(c.listen)
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() && c.name != "" {
		return "http://" + net.JoinHostPort(c.name, port) + "/"
	}
	return "http://" + c.listen + "/"
}

// Serve answers students on l until ctx ends.
func (c *Class) Serve(ctx context.Context, l net.Listener) error {
	return serve(ctx, l, c.Handler(), c.Log)
}

// Handler returns the students' side, guarded.
func (c *Class) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("POST /api/join", c.join)
	mux.HandleFunc("POST /api/return", c.comeBack)
	mux.HandleFunc("POST /api/leave", c.student(c.leave))
	mux.HandleFunc("GET /api/me", c.whoAmI)
	mux.HandleFunc("GET /api/feedback", c.student(c.feedback))
	for _, file := range []string{pageHTML, pagePNG, pageSkeleton} {
		mux.HandleFunc("GET /feedback/"+file, c.student(func(w http.ResponseWriter, r *http.Request, s seat) { c.ownPage(w, r, s, file) }))
	}
	mux.HandleFunc("GET /api/runs/{run}/cores/{core}", c.student(c.work))
	mux.HandleFunc("POST /api/runs/{run}/cores/{core}/events", c.student(c.edit))
	mux.HandleFunc("POST /api/runs/{run}/cores/{core}/undo", c.student(c.undo))
	mux.HandleFunc("POST /api/runs/{run}/cores/{core}/redo", c.student(c.redo))
	mux.HandleFunc("GET /tiles/{path...}", c.student(c.tile))
	mux.HandleFunc("GET /look.css", lookCSS)
	mux.Handle("GET /{$}", serveStatic(c.Page, "class.html"))
	for _, name := range []string{"class.js", "class.css", "class.js.LEGAL.txt"} {
		mux.Handle("GET /"+name, serveStatic(c.Page, name))
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) {
		fail(w, http.StatusNotFound, "unknown", "there is no such request")
	})
	return c.guard(mux)
}

// serveStatic serves one file of the built pages, or says that there is none.
func serveStatic(page fs.FS, name string) http.Handler {
	if _, err := fs.Stat(page, name); err != nil {
		return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			http.Error(w, "This pithward was built without its page: install Node.js and npm, run make build, and serve the class again.", http.StatusNotFound)
		})
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { http.ServeFileFS(w, r, page, name) })
}

// studentBody is the most bytes of a student's request: chosen; a radius of a
// hundred places takes some 4 kB.
const studentBody = 16 << 10

// guard lets through what was asked of this server by name, from no other site,
// and not too often.
func (c *Class) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		fail(w, http.StatusForbidden, "origin", "the request comes from another site")
	}))
	inner := cross.Handler(next)
	doors := gate{log: c.Log}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		harden(w.Header())
		defer doors.recover(w, r)
		switch origin := r.Header.Get("Origin"); {
		case !c.isHost(r.Host):
			fail(w, http.StatusForbidden, "host", "this class is reached as "+c.URL())
			return
		case origin != "" && origin != c.scheme()+"://"+r.Host:
			fail(w, http.StatusForbidden, "origin", "the request comes from another site")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, studentBody)
		inner.ServeHTTP(w, r)
	})
}

func (c *Class) secure() bool { return c.Address != nil && c.Address.Scheme == "https" }

func (c *Class) scheme() string {
	if c.secure() {
		return "https"
	}
	return "http"
}

// isHost tells whether a request's Host names this server. A page of another
// site that has its own name lead here is not let in.
func (c *Class) isHost(host string) bool {
	if c.Address != nil {
		return strings.EqualFold(host, c.Address.Host)
	}
	if host == c.listen {
		return true
	}
	at, port, err := net.SplitHostPort(c.listen)
	name, given, bad := net.SplitHostPort(host)
	if err != nil || bad != nil || given != port {
		return false
	}
	here := net.ParseIP(at)
	switch {
	case here == nil:
		return false
	case here.IsLoopback():
		return name == "localhost"
	case here.IsUnspecified():
		return net.ParseIP(name) != nil || name == "localhost" || c.name != "" && strings.EqualFold(name, c.name)
	}
	return false
}

// cookie is the name of the cookie that holds a session. Where it is only sent
// encrypted, the browser also sees to it that no neighbouring host can set it.
func (c *Class) cookie() string {
	if c.secure() {
		return "__Host-pithward-class"
	}
	_, port, err := net.SplitHostPort(c.listen)
	if err != nil {
		port = "0"
	}
	return "pithward-class-" + port
}

func (c *Class) setCookie(w http.ResponseWriter, session string, age time.Duration) {
	http.SetCookie(w, &http.Cookie{Name: c.cookie(), Value: session, Path: "/", MaxAge: int(age.Seconds()), HttpOnly: true, Secure: c.secure(), SameSite: http.SameSiteStrictMode})
}

// failBy answers with an error of the ledger.
func (c *Class) failBy(w http.ResponseWriter, err error) {
	for _, x := range []struct {
		err    error
		status int
		code   string
	}{
		{ledger.ErrCode, http.StatusForbidden, "code"},
		{ledger.ErrShut, http.StatusForbidden, "closed"},
		{ledger.ErrEarly, http.StatusForbidden, "early"},
		{ledger.ErrFull, http.StatusForbidden, "full"},
		{ledger.ErrTooMany, http.StatusForbidden, "many"},
		{ledger.ErrTaken, http.StatusConflict, "taken"},
		{ledger.ErrName, http.StatusBadRequest, "name"},
		{ledger.ErrNone, http.StatusNotFound, "unknown"},
		{ledger.ErrStale, http.StatusConflict, "stale"},
		{ledger.ErrVoid, http.StatusUnprocessableEntity, "void"},
		{ledger.ErrEvent, http.StatusBadRequest, "malformed"},
	} {
		if errors.Is(err, x.err) {
			fail(w, x.status, x.code, err.Error())
			return
		}
	}
	// What the disk or the file ails is the assistant's business.
	c.Log.Error("ledger", "err", err)
	fail(w, http.StatusInternalServerError, "ledger", "it could not be stored: tell the assistant")
}
