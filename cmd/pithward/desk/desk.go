// Package desk serves the page on which a person sees and settles the
// boundaries of a project's cores. It listens on this machine only, and every
// request needs the token of the address that opened it.
package desk

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"pithward/cmd/pithward/desk/ui"
	"pithward/measure/archive"
	"pithward/measure/ledger"
	"pithward/vision/overlay/look"
)

// Options are what the desk is opened with.
type Options struct {
	Ledger   *ledger.Ledger
	Observer string
	Version  string
	Page     fs.FS // the built page; nil: the one in this program
	Tiles    *Tiles
	Token    string       // "": a new one
	Log      *slog.Logger // nil: none
	Now      func() time.Time
	// Against is dated series from elsewhere that the cores are seen beside, and
	// TreeChars as in dating.Options.
	Against   []archive.Series
	TreeChars int
}

// Desk serves one project to one observer.
type Desk struct {
	Options
	gate
	work *work

	timing sync.Mutex // held while a core is seen beside the others
}

// gate lets in who opens the printed address, on this machine alone.
type gate struct {
	token string
	host  string // host:port it listens on
	log   *slog.Logger
}

// New returns a desk that is to be reached at the given host and port.
func New(o Options, host string) *Desk {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Page == nil {
		o.Page = ui.Page()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Token == "" {
		o.Token = rand.Text()
	}
	return &Desk{Options: o, gate: gate{o.Token, host, o.Log}, work: newWork()}
}

// URL is the address that opens the desk, token and all.
func (d *gate) URL() string { return "http://" + d.host + "/?token=" + d.token }

// Serve answers requests on l until ctx ends.
func (d *Desk) Serve(ctx context.Context, l net.Listener) error {
	return serve(ctx, l, d.Handler(), d.Log)
}

func serve(ctx context.Context, l net.Listener, h http.Handler, log *slog.Logger) error {
	s := &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
	stop := context.AfterFunc(ctx, func() {
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		_ = s.Shutdown(grace) // whoever is still connected is cut off as the program ends
	})
	defer stop()
	if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// Handler returns all of the desk, guarded.
func (d *Desk) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/project", d.project)
	mux.HandleFunc("GET /api/runs/{run}/cores/{core}", d.core)
	mux.HandleFunc("GET /api/runs/{run}/cores/{core}/time", d.inTime)
	mux.HandleFunc("POST /api/runs/{run}/cores/{core}/events", d.event)
	mux.HandleFunc("POST /api/runs/{run}/cores/{core}/undo", d.undo)
	mux.HandleFunc("POST /api/runs/{run}/cores/{core}/redo", d.redo)
	mux.HandleFunc("POST /api/runs/{run}/events", d.scanEvent)
	mux.HandleFunc("POST /api/runs/{run}/undo", d.undo)
	mux.HandleFunc("POST /api/runs/{run}/redo", d.redo)
	mux.HandleFunc("GET /api/runs/{run}/export/{name}", d.export)
	mux.HandleFunc("PUT /api/place", d.place)
	mux.HandleFunc("GET /api/audit", d.audit)
	mux.HandleFunc("GET /api/audit/places", d.auditPlaces)
	mux.HandleFunc("GET /audit", d.auditPage)
	mux.HandleFunc("/api/", func(w http.ResponseWriter, _ *http.Request) {
		fail(w, http.StatusNotFound, "unknown", "there is no such request")
	})
	mux.HandleFunc("GET /tiles/{sha}/{path...}", d.tile)
	mux.HandleFunc("GET /look.css", lookCSS)
	mux.Handle("/", d.page())
	return d.guard(mux)
}

func lookCSS(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/css; charset=utf-8")
	_, _ = w.Write([]byte(look.CSS())) // whoever asked has gone
}

// page serves the built page, or says that there is none.
func (d *Desk) page() http.Handler {
	if _, err := fs.Stat(d.Page, "index.html"); err != nil {
		return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			http.Error(w, "This pithward was built without its page: install Node.js and npm, run make build, and open the desk again.", http.StatusNotFound)
		})
	}
	return http.FileServerFS(d.Page)
}

// policy lets the page load what it is made of from the desk and nothing from
// anywhere else. The viewer sets styles of elements by script, which this
// allows; inline style sheets and scripts are not.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// guard lets through what comes from the page this desk opened: asked of this
// host, from no other site, with the token. What goes wrong inside becomes an
// answer.
func (d *gate) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		fail(w, http.StatusForbidden, "origin", "the request comes from another site")
	}))
	inner := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		harden(w.Header())
		defer d.recover(w, r)
		if r.Host != d.host {
			fail(w, http.StatusForbidden, "host", "this desk is reached as "+d.host)
			return
		}
		if origin := r.Header.Get("Origin"); origin != "" && origin != "http://"+d.host {
			fail(w, http.StatusForbidden, "origin", "the request comes from another site")
			return
		}
		if given := r.URL.Query().Get("token"); given != "" && r.Method == http.MethodGet && r.URL.Path == "/" {
			d.letIn(w, r, given)
			return
		}
		if c, err := r.Cookie(d.cookie()); err != nil || !d.knows(c.Value) {
			fail(w, http.StatusForbidden, "token", "open the desk by the address that pithward printed")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, bodyLimit)
		inner.ServeHTTP(w, r)
	})
}

// harden tells the browser to keep an answer to its own page.
func harden(h http.Header) {
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
}

// bodyLimit is the most bytes of a request's body: chosen; a radius of a
// thousand places takes some 40 kB.
const bodyLimit = 256 << 10

func (d *gate) knows(token string) bool {
	return subtle.ConstantTimeCompare([]byte(token), []byte(d.token)) == 1
}

// cookie is the name of the cookie that holds the token; cookies do not tell
// ports apart, so the name does.
func (d *gate) cookie() string {
	_, port, _ := strings.Cut(d.host, ":")
	return "pithward-" + port
}

// letIn turns the token in the address into a cookie, so that it stands in no
// history or bookmark.
func (d *gate) letIn(w http.ResponseWriter, r *http.Request, token string) {
	if !d.knows(token) {
		fail(w, http.StatusForbidden, "token", "open the desk by the address that pithward printed")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: d.cookie(), Value: token, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// recover turns a fault of our own into an answer.
func (d *gate) recover(w http.ResponseWriter, r *http.Request) {
	if fault := recover(); fault != nil {
		d.log.Error("fault", "path", r.URL.Path, "what", fmt.Sprint(fault))
		fail(w, http.StatusInternalServerError, "fault", "a fault in the program; nothing was changed")
	}
}
