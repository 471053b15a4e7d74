package desk

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"pithward/cmd/pithward/pages"
	"pithward/measure"
	"pithward/measure/ledger"
)

// Assistant is the assistant's page of a class: on this machine only, with a
// token of its own.
type Assistant struct {
	*Class
	gate
}

// NewAssistant returns the assistant's page, which is to be reached at host:port.
func NewAssistant(c *Class, host string) *Assistant {
	token := c.Token
	if token == "" {
		token = rand.Text()
	}
	return &Assistant{c, gate{token, host, c.Log}}
}

// URL is the address that opens the page, token and all.
func (a *Assistant) URL() string { return a.gate.URL() }

// Serve answers requests on l until ctx ends.
func (a *Assistant) Serve(ctx context.Context, l net.Listener) error {
	return serve(ctx, l, a.Handler(), a.Log)
}

// Handler returns the assistant's side, guarded.
func (a *Assistant) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/class", a.class)
	mux.HandleFunc("POST /api/exercises/{exercise}/close", a.on(a.closeNow))
	mux.HandleFunc("POST /api/exercises/{exercise}/grade", a.on(a.gradeNow))
	mux.HandleFunc("POST /api/exercises/{exercise}/release", a.on(a.release))
	mux.HandleFunc("POST /api/exercises/{exercise}/students/{student}/remove", a.on(a.remove))
	for _, file := range []string{classHTML, classCSV} {
		mux.HandleFunc("GET /exercises/{exercise}/"+file, a.on(func(w http.ResponseWriter, r *http.Request, x ledger.Exercise) error {
			return a.classFile(w, r, x, file)
		}))
	}
	for _, file := range []string{pageHTML, pagePNG, pageSkeleton} {
		mux.HandleFunc("GET /exercises/{exercise}/students/{student}/"+file, a.on(func(w http.ResponseWriter, r *http.Request, x ledger.Exercise) error {
			return a.studentPage(w, r, x, file)
		}))
	}
	mux.HandleFunc("GET /look.css", lookCSS)
	mux.Handle("GET /{$}", serveStatic(a.Page, "assist.html"))
	for _, name := range []string{"assist.js", "class.css"} {
		mux.Handle("GET /"+name, serveStatic(a.Page, name))
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) {
		fail(w, http.StatusNotFound, "unknown", "there is no such request")
	})
	return a.gate.guard(mux)
}

// ExerciseView is an exercise as the assistant's page shows it.
type ExerciseView struct {
	ID       int64         `json:"id"`
	Name     string        `json:"name"`
	Core     string        `json:"core"` // id
	Key      string        `json:"key"`  // whose readings; "": the automatic one
	Code     string        `json:"code"`
	Seats    int           `json:"seats"`
	Phase    ledger.Phase  `json:"phase"`
	Opens    time.Time     `json:"opens"`
	Closes   *time.Time    `json:"closes"`
	Graded   *time.Time    `json:"graded"`
	Released *time.Time    `json:"released"`
	Students []StudentView `json:"students"`
}

// StudentView is a student as the assistant's page shows one.
type StudentView struct {
	ID         int64      `json:"id"`
	Name       string     `json:"name"`
	Joined     time.Time  `json:"joined"`
	Boundaries int        `json:"boundaries"`
	Edits      int        `json:"edits"`
	Last       *time.Time `json:"last"`
	HandedIn   bool       `json:"handed_in"`
	Mark       *float64   `json:"mark"`
	FullMark   *float64   `json:"full_mark"`
	Faults     int        `json:"faults"`
	Warnings   []string   `json:"warnings"`
}

// class answers with all exercises and how far their students are.
func (a *Assistant) class(w http.ResponseWriter, r *http.Request) {
	all, err := a.Ledger.Exercises(r.Context())
	if err != nil {
		a.failBy(w, err)
		return
	}
	name := named(r)
	list := []ExerciseView{}
	for _, x := range all {
		v := ExerciseView{ID: x.ID, Name: x.Name, Core: x.Blank.Cores[0].ID, Key: strings.Join(x.KeyObservers(), ", "), Code: ShowCode(x.Code), Seats: x.Seats, Phase: x.Phase(a.Now()),
			Opens: x.Opens, Closes: x.Closes, Graded: x.Graded, Released: x.Released, Students: []StudentView{}}
		students, err := a.Ledger.Students(r.Context(), x.ID)
		if err != nil {
			a.failBy(w, err)
			return
		}
		names := map[string]string{}
		for _, s := range students {
			one, err := a.progress(r.Context(), x, s)
			if err != nil {
				a.failBy(w, err)
				return
			}
			one.Name, names[CodeName(s)] = name(s), name(s)
			v.Students = append(v.Students, one)
		}
		for i := range v.Students {
			v.Students[i].Warnings = replaced(v.Students[i].Warnings, replacer(names))
		}
		list = append(list, v)
	}
	answer(w, http.StatusOK, map[string]any{"address": a.Class.URL(), "now": a.Now().UTC(), "exercises": list})
}

// progress tells how far a student is; a student's work is replayed only when it
// has grown.
func (c *Class) progress(ctx context.Context, x ledger.Exercise, s ledger.Student) (StudentView, error) {
	v := StudentView{ID: s.ID, Joined: s.Joined, Edits: s.Events, Last: s.Last, Warnings: []string{}}
	if have, ok := c.seen.Load(s.ID); ok {
		if old, ok := have.(StudentView); ok && old.Edits == s.Events {
			v.Boundaries, v.HandedIn = old.Boundaries, old.HandedIn
			err := v.marked(s)
			return v, err
		}
	}
	st, err := c.Ledger.WorkOf(ctx, x, s)
	if err != nil {
		return v, err
	}
	v.Boundaries = len(st.Measurement.Cores[0].Boundaries) - len(x.Blank.Cores[0].Boundaries)
	v.HandedIn = st.States[x.Core].Stage == measure.SignedOff
	c.seen.Store(s.ID, v)
	err = v.marked(s)
	return v, err
}

// marked adds what grading said, if it has.
func (v *StudentView) marked(s ledger.Student) error {
	if s.Result == nil {
		return nil
	}
	r, err := kept(s)
	if err != nil {
		return err
	}
	v.Mark, v.FullMark, v.Faults, v.Warnings = &r.Mark, &r.FullMark, len(r.Faults), pages.Notes(r)
	return nil
}

// on hands a request on with the exercise it is about.
func (a *Assistant) on(next func(http.ResponseWriter, *http.Request, ledger.Exercise) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		id, err := strconv.ParseInt(r.PathValue("exercise"), 10, 64)
		if err != nil {
			err = ledger.ErrNone
		}
		var x ledger.Exercise
		if err == nil {
			x, err = a.Ledger.ExerciseByID(r.Context(), id)
		}
		if err == nil {
			err = next(w, r, x)
		}
		switch {
		case errors.Is(err, errNotYet), errors.Is(err, errUngraded):
			fail(w, http.StatusConflict, "early", err.Error())
		case errors.Is(err, ledger.ErrNone):
			fail(w, http.StatusNotFound, "unknown", err.Error())
		case err != nil:
			a.Log.Error("class", "err", err)
			fail(w, http.StatusInternalServerError, "fault", err.Error())
		}
	}
}

var errNotYet = errors.New("not yet")

func (a *Assistant) closeNow(w http.ResponseWriter, r *http.Request, x ledger.Exercise) error {
	err := a.Ledger.CloseExercise(r.Context(), x.ID, a.Now())
	if err == nil {
		answer(w, http.StatusOK, map[string]bool{"done": true})
	}
	return err
}

func (a *Assistant) gradeNow(w http.ResponseWriter, r *http.Request, x ledger.Exercise) error {
	if x.Phase(a.Now()) != ledger.Shut {
		return fmt.Errorf("%w: close the exercise first, students may still be measuring", errNotYet)
	}
	lesson, err := ReadLesson(r.Context(), a.Ledger, x)
	if err != nil {
		return err
	}
	report, err := lesson.Grade(r.Context(), a.Rubric)
	if err != nil {
		return err
	}
	if err := lesson.Keep(r.Context(), a.Ledger, report, a.Now()); err != nil {
		return err
	}
	answer(w, http.StatusOK, map[string]any{"graded": len(report.Students)})
	return nil
}

func (a *Assistant) release(w http.ResponseWriter, r *http.Request, x ledger.Exercise) error {
	if x.Graded == nil {
		return fmt.Errorf("%w: grade the exercise first", errNotYet)
	}
	err := a.Ledger.ReleaseExercise(r.Context(), x.ID, a.Now())
	if err == nil {
		answer(w, http.StatusOK, map[string]bool{"done": true})
	}
	return err
}

func (a *Assistant) remove(w http.ResponseWriter, r *http.Request, x ledger.Exercise) error {
	s, err := a.studentOf(r, x)
	if err != nil {
		return err
	}
	gone, err := a.Ledger.RemoveStudent(r.Context(), s.ID)
	if err == nil {
		a.seen.Delete(s.ID)
		answer(w, http.StatusOK, map[string]any{"removed": gone.Name, "edits": gone.Events, "result": gone.Result})
	}
	return err
}

// studentOf returns the exercise's student whom a request names by id.
func (a *Assistant) studentOf(r *http.Request, x ledger.Exercise) (ledger.Student, error) {
	id, err := strconv.ParseInt(r.PathValue("student"), 10, 64)
	if err != nil {
		return ledger.Student{}, ledger.ErrNone
	}
	s, err := a.Ledger.StudentByID(r.Context(), id)
	if err == nil && s.Exercise != x.ID {
		err = ledger.ErrNone
	}
	return s, err
}
