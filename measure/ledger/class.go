package ledger

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"pithward/measure"
)

// Sentinels of exercises, told apart by the class server.
var (
	ErrCode    = errors.New("there is no exercise with that code")
	ErrShut    = errors.New("the exercise is closed")
	ErrEarly   = errors.New("the exercise has not opened yet")
	ErrFull    = errors.New("all seats are taken: ask the assistant")
	ErrTaken   = errors.New("somebody has joined under that name: take another, or come back with the code shown when you joined")
	ErrName    = errors.New("give a name of 1 to 60 letters on one line")
	ErrTooMany = errors.New("no more edits are taken: ask the assistant")
)

// Exercise is a core that students measure from nothing.
type Exercise struct {
	ID       int64
	Run      int64
	Core     string   // uid
	Key      string   // observer whose reading is the key; "": the automatic reading
	Experts  []string // further observers, whose readings count as right too
	Blank    measure.Measurement
	Name     string
	Code     string // as coinCode made it, without dashes
	Seats    int
	Made     time.Time
	Opens    time.Time
	Closes   *time.Time // nil: when it is closed by hand
	Graded   *time.Time
	Released *time.Time
}

// KeyObservers lists whose readings are held to be right, the key's first; none for
// the automatic reading.
func (x Exercise) KeyObservers() []string {
	if x.Key == "" {
		return nil
	}
	return append([]string{x.Key}, x.Experts...)
}

// Phase says whether students can work.
type Phase string

// The phases of an exercise.
const (
	Early   Phase = "not open yet"
	Running Phase = "open"
	Shut    Phase = "closed"
)

// Phase tells in which phase the exercise is at a time.
func (x Exercise) Phase(now time.Time) Phase {
	switch {
	case x.Closes != nil && !now.Before(*x.Closes):
		return Shut
	case now.Before(x.Opens):
		return Early
	}
	return Running
}

func (x Exercise) open(now time.Time) error {
	switch x.Phase(now) {
	case Early:
		return ErrEarly
	case Shut:
		return ErrShut
	}
	return nil
}

// Student is somebody in an exercise.
type Student struct {
	ID       int64
	Exercise int64
	Number   int // within the exercise, from 1
	Name     string
	Joined   time.Time
	Events   int
	Last     *time.Time // of the events
	Result   json.RawMessage
}

// Observer is the student's name among events: never one of a project's.
func (s Student) Observer() string { return fmt.Sprintf("student %d", s.ID) }

// AddExercise makes an exercise of a core as the observer x.Key has it. Code and
// times must be set; ID, Made and Blank are set here.
func (l *Ledger) AddExercise(ctx context.Context, x Exercise, now time.Time) (Exercise, error) {
	if x.Name = strings.TrimSpace(x.Name); !plainName(x.Name) {
		return x, ErrName
	}
	st, err := l.State(ctx, x.Run, x.Key)
	if err != nil {
		return x, err
	}
	blank, ok := measure.Exercise(st.Measurement, x.Core)
	if !ok {
		return x, fmt.Errorf("core %s: %w", x.Core, ErrNone)
	}
	body, err := json.Marshal(blank)
	if err != nil {
		return x, err
	}
	experts, err := json.Marshal(append([]string{}, x.Experts...))
	if err != nil {
		return x, err
	}
	x.Blank, x.Made = blank, now.UTC()
	err = l.inside(ctx, func(tx *sql.Tx) error {
		return tx.QueryRowContext(ctx, `INSERT INTO exercises (run, core, key_observer, experts, blank, name, code, seats, made, opens, closes)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`, x.Run, x.Core, x.Key, string(experts), string(body), x.Name, x.Code, x.Seats, stamp(&x.Made), stamp(&x.Opens), stamp(x.Closes)).Scan(&x.ID)
	})
	return x, err
}

// stamp writes a time for a column; NULL for nil. All have one length, so that
// they are in order as text too.
func stamp(t *time.Time) any {
	if t == nil {
		return nil
	}
	return t.UTC().Format("2006-01-02T15:04:05.000000000Z")
}

// unstamp reads a time; nil for NULL.
func unstamp(s sql.NullString) (*time.Time, error) {
	if !s.Valid {
		return nil, nil
	}
	t, err := time.Parse(time.RFC3339Nano, s.String)
	return &t, err
}

// Exercises lists the project's exercises, in the order they were made.
func (l *Ledger) Exercises(ctx context.Context) ([]Exercise, error) {
	all, err := l.exercises(ctx, l.quick, "1")
	return all, l.words(err)
}

// ExerciseByID returns one exercise; ErrNone if there is none.
func (l *Ledger) ExerciseByID(ctx context.Context, id int64) (Exercise, error) {
	all, err := l.exercises(ctx, l.quick, "id = ?", id)
	if err == nil && len(all) == 0 {
		return Exercise{}, fmt.Errorf("exercise %d: %w", id, ErrNone)
	}
	if err != nil {
		return Exercise{}, l.words(err)
	}
	return all[0], nil
}

func (l *Ledger) exercises(ctx context.Context, q querier, where string, args ...any) (all []Exercise, err error) {
	rows, err := q.QueryContext(ctx, "SELECT id, run, core, key_observer, experts, blank, name, code, seats, made, opens, closes, graded, released FROM exercises WHERE "+where+" ORDER BY id", args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var x Exercise
		var blank, experts string
		var made, opens, closes, graded, released sql.NullString
		if err := rows.Scan(&x.ID, &x.Run, &x.Core, &x.Key, &experts, &blank, &x.Name, &x.Code, &x.Seats, &made, &opens, &closes, &graded, &released); err != nil {
			return nil, err
		}
		if x.Blank, err = l.blank(x.ID, blank); err == nil {
			err = json.Unmarshal([]byte(experts), &x.Experts)
		}
		if err != nil {
			return nil, fmt.Errorf("exercise %d cannot be read: %w", x.ID, err)
		}
		times := make([]*time.Time, 5)
		for i, s := range []sql.NullString{made, opens, closes, graded, released} {
			if times[i], err = unstamp(s); err != nil {
				return nil, fmt.Errorf("exercise %d cannot be read: %w", x.ID, err)
			}
		}
		x.Made, x.Opens, x.Closes, x.Graded, x.Released = *times[0], *times[1], times[2], times[3], times[4]
		all = append(all, x)
	}
	return all, rows.Err()
}

// blank decodes what students of an exercise begin with, once.
func (l *Ledger) blank(exercise int64, text string) (m measure.Measurement, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if m, ok := l.blanks[exercise]; ok {
		return m, nil
	}
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		return m, err
	}
	if len(l.blanks) >= keptRuns {
		clear(l.blanks)
	}
	l.blanks[exercise] = m
	return m, nil
}

// CloseExercise ends an exercise now; one that has ended stays as it is.
func (l *Ledger) CloseExercise(ctx context.Context, id int64, now time.Time) error {
	return l.change(ctx, "UPDATE exercises SET closes = ?1 WHERE id = ?2 AND (closes IS NULL OR closes > ?1)", stamp(&now), id)
}

// ReleaseExercise lets students see what became of their work.
func (l *Ledger) ReleaseExercise(ctx context.Context, id int64, now time.Time) error {
	return l.change(ctx, "UPDATE exercises SET released = ? WHERE id = ? AND graded IS NOT NULL", stamp(&now), id)
}

func (l *Ledger) change(ctx context.Context, query string, args ...any) error {
	return l.inside(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, query, args...)
		return err
	})
}

// KeepResults stores what grading says of each student, by id, and the key that it
// rests on.
func (l *Ledger) KeepResults(ctx context.Context, exercise int64, key json.RawMessage, results map[int64]json.RawMessage, now time.Time) error {
	return l.inside(ctx, func(tx *sql.Tx) error {
		for id, r := range results {
			if _, err := tx.ExecContext(ctx, "UPDATE students SET result = ? WHERE id = ? AND exercise = ?", string(r), id, exercise); err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, "UPDATE exercises SET graded = ?, graded_by = ? WHERE id = ?", stamp(&now), string(key), exercise)
		return err
	})
}

// GradedBy returns the key that an exercise's results rest on; nil if it is not
// graded, or was before keys were kept.
func (l *Ledger) GradedBy(ctx context.Context, exercise int64) (json.RawMessage, error) {
	var key sql.NullString
	err := l.read.QueryRowContext(ctx, "SELECT graded_by FROM exercises WHERE id = ?", exercise).Scan(&key)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("exercise %d: %w", exercise, ErrNone)
	}
	if err != nil || !key.Valid {
		return nil, l.words(err)
	}
	return json.RawMessage(key.String), nil
}

// nameLimit is the most letters of a name: chosen.
const nameLimit = 60

// plainName tells whether a name can be shown on one line.
func plainName(s string) bool {
	return s != "" && utf8.ValidString(s) && utf8.RuneCountInString(s) <= nameLimit && !strings.ContainsFunc(s, func(r rune) bool {
		return !unicode.IsPrint(r) // line breaks, control and direction marks
	})
}

// Sum is what is kept of a secret: enough to know it again, not to tell it.
func Sum(secret string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(secret))) }

// Join gives a seat of the open exercise with the code to a new student, who is
// known from then on by the session and the pass to come back by.
func (l *Ledger) Join(ctx context.Context, code, name, session, pass string, now time.Time) (s Student, err error) {
	name = strings.TrimSpace(name)
	err = l.together(ctx, func(ctx context.Context, tx *sql.Tx) error {
		all, err := l.exercises(ctx, tx, "code = ?", code)
		if err != nil {
			return err
		}
		if len(all) == 0 {
			return ErrCode
		}
		x := all[0]
		if err := x.open(now); err != nil {
			return err
		}
		if !plainName(name) {
			return ErrName
		}
		var taken, same int
		err = tx.QueryRowContext(ctx, "SELECT count(*), count(*) FILTER (WHERE folded = ?) FROM students WHERE exercise = ?", fold(name), x.ID).Scan(&taken, &same)
		switch {
		case err != nil:
			return err
		case same > 0:
			return ErrTaken
		case taken >= x.Seats:
			return ErrFull
		}
		s = Student{Exercise: x.ID, Name: name, Joined: now.UTC()}
		if err := tx.QueryRowContext(ctx, "UPDATE exercises SET joined = joined + 1 WHERE id = ? RETURNING joined", x.ID).Scan(&s.Number); err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, "INSERT INTO students (exercise, number, name, folded, session, pass, joined) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id",
			x.ID, s.Number, name, fold(name), Sum(session), Sum(pass), stamp(&now)).Scan(&s.ID)
	})
	return s, err
}

func fold(name string) string { return strings.ToLower(strings.Join(strings.Fields(name), " ")) }

// Return finds the student whom a pass names and gives a new session and pass in
// place of the old ones.
func (l *Ledger) Return(ctx context.Context, pass, session, newPass string) (s Student, err error) {
	err = l.together(ctx, func(ctx context.Context, tx *sql.Tx) error {
		all, err := students(ctx, tx, "pass = ?", Sum(pass))
		if err != nil {
			return err
		}
		if len(all) == 0 {
			return ErrCode
		}
		s = all[0]
		_, err = tx.ExecContext(ctx, "UPDATE students SET session = ?, pass = ? WHERE id = ?", Sum(session), Sum(newPass), s.ID)
		return err
	})
	return s, err
}

// StudentBySession returns whose session it is; ErrNone if nobody's.
func (l *Ledger) StudentBySession(ctx context.Context, session string) (Student, error) {
	return l.student(ctx, "session = ?", Sum(session))
}

// StudentByID returns a student; ErrNone if there is none.
func (l *Ledger) StudentByID(ctx context.Context, id int64) (Student, error) {
	return l.student(ctx, "id = ?", id)
}

func (l *Ledger) student(ctx context.Context, where string, arg any) (Student, error) {
	all, err := students(ctx, l.quick, where, arg)
	if err == nil && len(all) == 0 {
		return Student{}, fmt.Errorf("the student is %w", ErrNone)
	}
	if err != nil {
		return Student{}, l.words(err)
	}
	return all[0], nil
}

// Students lists those in an exercise as they joined.
func (l *Ledger) Students(ctx context.Context, exercise int64) ([]Student, error) {
	all, err := students(ctx, l.quick, "exercise = ?", exercise)
	return all, l.words(err)
}

func students(ctx context.Context, q querier, where string, args ...any) (all []Student, err error) {
	rows, err := q.QueryContext(ctx, `SELECT id, exercise, number, name, joined, result,
		(SELECT count(*) FROM student_events WHERE student = students.id), (SELECT max(utc) FROM student_events WHERE student = students.id)
		FROM students WHERE `+where+" ORDER BY number", args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var s Student
		var joined, last, result sql.NullString
		if err := rows.Scan(&s.ID, &s.Exercise, &s.Number, &s.Name, &joined, &result, &s.Events, &last); err != nil {
			return nil, err
		}
		when, err := unstamp(joined)
		if err != nil {
			return nil, err
		}
		s.Joined = *when
		if s.Last, err = unstamp(last); err != nil {
			return nil, err
		}
		if result.Valid {
			s.Result = json.RawMessage(result.String)
		}
		all = append(all, s)
	}
	return all, rows.Err()
}

// EndSession makes a student's session void; the pass to come back by stays.
func (l *Ledger) EndSession(ctx context.Context, student int64) error {
	return l.change(ctx, "UPDATE students SET session = ? WHERE id = ?", Sum(rand.Text()), student)
}
