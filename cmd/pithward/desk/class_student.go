package desk

import (
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"net/http"
	"strconv"
	"time"

	"pithward/cmd/pithward/pages"
	"pithward/measure"
	"pithward/measure/grade"
	"pithward/measure/ledger"
)

// seat is who asks, and in which exercise.
type seat struct {
	ledger.Student
	exercise ledger.Exercise
	session  string
}

// sessionAge is how long a browser keeps a session: chosen, from the class to
// the feedback.
const sessionAge = 120 * 24 * time.Hour

// whoAmI answers with the student's standing, or that nobody has joined here,
// which is no error.
func (c *Class) whoAmI(w http.ResponseWriter, r *http.Request) {
	if _, err := r.Cookie(c.cookie()); err == nil {
		s, err := c.seatOf(r)
		switch {
		case err == nil:
			c.me(w, r, s)
			return
		case !errors.Is(err, ledger.ErrNone):
			c.failBy(w, err)
			return
		}
	}
	answer(w, http.StatusOK, map[string]bool{"joined": false})
}

// seatOf returns whose session a request has; ErrNone if nobody's.
func (c *Class) seatOf(r *http.Request) (seat, error) {
	cookie, err := r.Cookie(c.cookie())
	if err != nil || len(cookie.Value) > 100 {
		return seat{}, ledger.ErrNone
	}
	s, err := c.Ledger.StudentBySession(r.Context(), cookie.Value)
	if err != nil {
		return seat{}, err
	}
	x, err := c.Ledger.ExerciseByID(r.Context(), s.Exercise)
	return seat{s, x, cookie.Value}, err
}

// student hands a request on with whose it is, if it is anybody's. What a student
// sees hangs on the session alone: no request names another's work.
func (c *Class) student(next func(http.ResponseWriter, *http.Request, seat)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s, err := c.seatOf(r)
		switch {
		case errors.Is(err, ledger.ErrNone):
			fail(w, http.StatusUnauthorized, "token", "join the class first")
		case err != nil:
			c.failBy(w, err)
		case !c.limits.allow("ask "+strconv.FormatInt(s.ID, 10), asksPerSecond, asksAtOnce, c.Now()):
			slow(w)
		default:
			next(w, r, s)
		}
	}
}

// passOf is the code by which a student comes back on another machine. It is
// made from the session, so that the page can show it and the store need not.
func passOf(session string) string {
	sum := sha256.Sum256([]byte("pass " + session))
	b := make([]byte, codeLength)
	for i := range b {
		b[i] = codeLetters[(int(sum[2*i])<<8|int(sum[2*i+1]))%len(codeLetters)]
	}
	return string(b)
}

func (c *Class) join(w http.ResponseWriter, r *http.Request) {
	c.letIn(w, r, func(code, name, session string) (ledger.Student, error) {
		return c.Ledger.Join(r.Context(), code, name, session, passOf(session), c.Now())
	})
}

func (c *Class) comeBack(w http.ResponseWriter, r *http.Request) {
	c.letIn(w, r, func(code, _, session string) (ledger.Student, error) {
		return c.Ledger.Return(r.Context(), code, session, passOf(session))
	})
}

// letIn begins a session, always a new one: no cookie that came along counts.
func (c *Class) letIn(w http.ResponseWriter, r *http.Request, take func(code, name, session string) (ledger.Student, error)) {
	var asked struct {
		Code string `json:"code"`
		Name string `json:"name"`
	}
	now := c.Now()
	if !c.limits.allow("join "+from(r), joinsPerSecond, joinsAtOnce, now) || c.limits.wrong.TokensAt(now) < 1 {
		slow(w)
		return
	}
	if !read(w, r, &asked) {
		return
	}
	session := rand.Text()
	s, err := take(plainCode(asked.Code), asked.Name, session)
	if errors.Is(err, ledger.ErrCode) {
		c.limits.wrong.AllowN(now, 1)
	}
	if err != nil {
		c.failBy(w, err)
		return
	}
	x, err := c.Ledger.ExerciseByID(r.Context(), s.Exercise)
	if err != nil {
		c.failBy(w, err)
		return
	}
	c.setCookie(w, session, sessionAge)
	c.me(w, r, seat{s, x, session})
}

// leave ends the session, on this machine and in the store.
func (c *Class) leave(w http.ResponseWriter, r *http.Request, s seat) {
	if err := c.Ledger.EndSession(r.Context(), s.ID); err != nil {
		c.failBy(w, err)
		return
	}
	c.setCookie(w, "", -time.Second)
	answer(w, http.StatusOK, map[string]bool{"left": true})
}

// Me is what a student's page needs to know of the student and the exercise.
type Me struct {
	Joined   bool         `json:"joined"`
	Name     string       `json:"name"`
	Pass     string       `json:"pass"`
	Exercise string       `json:"exercise"`
	Phase    ledger.Phase `json:"phase"`
	Now      time.Time    `json:"now"`
	Opens    time.Time    `json:"opens"`
	Closes   *time.Time   `json:"closes"`
	Feedback bool         `json:"feedback"` // released
	Run      int64        `json:"run"`
	Core     string       `json:"core"`
	WidthPx  int          `json:"width_px"`
	HeightPx int          `json:"height_px"`
	Tiles    string       `json:"tiles"`
}

func (c *Class) me(w http.ResponseWriter, _ *http.Request, s seat) {
	x := s.exercise
	me := Me{Joined: true, Name: s.Name, Pass: ShowCode(passOf(s.session)), Exercise: x.Name, Phase: x.Phase(c.Now()), Now: c.Now().UTC(), Opens: x.Opens, Closes: x.Closes,
		Feedback: x.Released != nil && s.Result != nil, Run: x.Run, Core: x.Core, WidthPx: x.Blank.Scan.WidthPx, HeightPx: x.Blank.Scan.HeightPx}
	if c.Tiles.Have(x.Blank.Scan.SHA256) {
		me.Tiles = "/tiles/scan.dzi"
	}
	answer(w, http.StatusOK, me)
}

// own tells whether a request is about the student's own core.
func (s seat) own(w http.ResponseWriter, r *http.Request) bool {
	if r.PathValue("run") == strconv.FormatInt(s.exercise.Run, 10) && r.PathValue("core") == s.exercise.Core {
		return true
	}
	fail(w, http.StatusNotFound, "unknown", "there is no such core in this exercise")
	return false
}

// work answers with the core as the student has it. Before the exercise opens
// there is nothing to see.
func (c *Class) work(w http.ResponseWriter, r *http.Request, s seat) {
	if !s.own(w, r) {
		return
	}
	if s.exercise.Phase(c.Now()) == ledger.Early {
		c.failBy(w, ledger.ErrEarly)
		return
	}
	st, err := c.Ledger.WorkOf(r.Context(), s.exercise, s.Student)
	if err != nil {
		c.failBy(w, err)
		return
	}
	answerCore(w, st, s.exercise.Core)
}

func (c *Class) edit(w http.ResponseWriter, r *http.Request, s seat) {
	var e Edit
	if !c.mayEdit(w, r, s) || !read(w, r, &e) {
		return
	}
	if e.Kind == measure.Undo {
		fail(w, http.StatusBadRequest, "malformed", "an undo has a request of its own")
		return
	}
	c.append(w, r, s, measure.Event{UUID: e.UUID, Kind: e.Kind, Target: e.Target, PointPx: e.PointPx, Detail: e.Detail, Why: e.Why}, e.Revision)
}

// mayEdit tells whether a student edits the own core, not too often.
func (c *Class) mayEdit(w http.ResponseWriter, r *http.Request, s seat) bool {
	if !s.own(w, r) {
		return false
	}
	if !c.limits.allow("edit "+strconv.FormatInt(s.ID, 10), editsPerSecond, editsAtOnce, c.Now()) {
		slow(w)
		return false
	}
	return true
}

func (c *Class) append(w http.ResponseWriter, r *http.Request, s seat, e measure.Event, revision int64) {
	e.UTC = c.Now()
	st, err := c.Ledger.AppendWork(r.Context(), s.exercise, s.Student, e, revision)
	if err != nil {
		c.failBy(w, err)
		return
	}
	answerCore(w, st, s.exercise.Core)
}

func (c *Class) undo(w http.ResponseWriter, r *http.Request, s seat) {
	c.back(w, r, s, func(undo, _ []string) []string { return undo })
}

func (c *Class) redo(w http.ResponseWriter, r *http.Request, s seat) {
	c.back(w, r, s, func(_, redo []string) []string { return redo })
}

func (c *Class) back(w http.ResponseWriter, r *http.Request, s seat, of func(undo, redo []string) []string) {
	var e Edit
	if !c.mayEdit(w, r, s) || !read(w, r, &e) {
		return
	}
	st, err := c.Ledger.WorkOf(r.Context(), s.exercise, s.Student)
	if err != nil {
		c.failBy(w, err)
		return
	}
	for _, x := range st.Events {
		if x.UUID == e.UUID { // sent again
			answerCore(w, st, s.exercise.Core)
			return
		}
	}
	list := of(measure.History(st.Events))
	if len(list) == 0 {
		fail(w, http.StatusUnprocessableEntity, "void", "there is nothing left to undo or redo here")
		return
	}
	c.append(w, r, s, measure.Event{UUID: e.UUID, Kind: measure.Undo, Undoes: list[len(list)-1]}, e.Revision)
}

// Feedback is what grading says of a student's work, as the student's page shows it.
type Feedback struct {
	grade.Result
	Headings  []string `json:"headings"`  // of the faults
	Costs     []string `json:"costs"`     // of the faults, in points off the mark
	Elsewhere []string `json:"elsewhere"` // what else was taken off the mark
	Spared    []string `json:"spared"`    // what the experts do not agree on either
}

// feedback answers with what grading says of the student's own work, once it is
// released. Warnings that are about others too are the assistant's.
func (c *Class) feedback(w http.ResponseWriter, _ *http.Request, s seat) {
	if s.exercise.Released == nil || s.Result == nil {
		fail(w, http.StatusForbidden, "early", "the feedback has not been released yet")
		return
	}
	res, err := kept(s.Student)
	if err != nil {
		c.failBy(w, err)
		return
	}
	res.Warnings = res.Own()
	f := Feedback{Result: res, Headings: []string{}, Costs: []string{}, Elsewhere: pages.Elsewhere(res), Spared: pages.Spared(res)}
	for i, x := range res.Faults {
		f.Headings, f.Costs = append(f.Headings, pages.FaultName(x)), append(f.Costs, pages.Cost(res, i))
	}
	answer(w, http.StatusOK, f)
}
