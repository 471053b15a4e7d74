package ledger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"pithward/measure"
)

// exercise returns a project with an exercise of core aa-1, open from noon for
// an hour, with two seats.
func exercise(t *testing.T) (*Ledger, Exercise) {
	t.Helper()
	l, run := project(t)
	x, err := l.AddExercise(t.Context(), Exercise{Run: run, Core: "aa-1", Name: "Pine", Code: "KKKMMMRRR", Seats: 2, Opens: noon, Closes: ptr(noon.Add(time.Hour))}, noon)
	if err != nil {
		t.Fatal(err)
	}
	return l, x
}

func join(t *testing.T, l *Ledger, x Exercise, name string) Student {
	t.Helper()
	s, err := l.Join(t.Context(), x.Code, name, "session of "+name, "pass of "+name, noon)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func set(t *testing.T, l *Ledger, x Exercise, s Student, px float64) (Edited, error) {
	t.Helper()
	have, err := l.WorkOf(t.Context(), x, s)
	if err != nil {
		t.Fatal(err)
	}
	return l.AppendWork(t.Context(), x, s, add("", px, 100), have.Revision(x.Core))
}

// What students begin with tells nothing of what the program or the key has.
func TestExerciseIsBlank(t *testing.T) {
	_, x := exercise(t)
	c := x.Blank.Cores[0]
	if len(x.Blank.Cores) != 1 || len(c.Boundaries)+len(c.Candidates)+len(c.Gaps)+len(c.Rings)+len(c.Doubts)+len(c.Warnings) != 0 || c.ExpectedCount != nil || len(c.PathPx) != 2 {
		t.Errorf("%+v", c)
	}
}

func TestJoining(t *testing.T) {
	l, x := exercise(t)
	join(t, l, x, "Ada")
	for _, tt := range []struct {
		name, code, as string
		when           time.Time
		want           error
	}{
		{"a wrong code", "KKKMMMRRX", "Ben", noon, ErrCode},
		{"no code", "", "Ben", noon, ErrCode},
		{"too early", x.Code, "Ben", noon.Add(-time.Second), ErrEarly},
		{"after the close", x.Code, "Ben", noon.Add(time.Hour), ErrShut},
		{"no name", x.Code, " ", noon, ErrName},
		{"a name of 10,000 letters", x.Code, strings.Repeat("a", 10_000), noon, ErrName},
		{"a name of two lines", x.Code, "Ben\nCyd", noon, ErrName},
		{"a name that runs backwards", x.Code, "Ben\u202e", noon, ErrName},
		{"no letters of any script", x.Code, "\xff\xfe", noon, ErrName},
		{"a name that is taken", x.Code, "  aDA ", noon, ErrTaken},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := l.Join(t.Context(), tt.code, tt.as, "s", "p", tt.when); !errors.Is(err, tt.want) {
				t.Errorf("%v", err)
			}
		})
	}
	if s := join(t, l, x, "<b>Ben</b>"); s.Name != "<b>Ben</b>" || s.Number != 2 {
		t.Errorf("%+v", s)
	}
	if _, err := l.Join(t.Context(), x.Code, "Cyd", "s", "p", noon); !errors.Is(err, ErrFull) {
		t.Errorf("a third on two seats: %v", err)
	}
	back, err := l.Return(t.Context(), "pass of Ada", "another session", "another pass")
	if err != nil || back.Name != "Ada" {
		t.Fatalf("%+v, %v", back, err)
	}
	if _, err := l.StudentBySession(t.Context(), "session of Ada"); !errors.Is(err, ErrNone) {
		t.Errorf("the session before: %v", err)
	}
	if _, err := l.Return(t.Context(), "pass of Ada", "s", "p"); !errors.Is(err, ErrCode) {
		t.Errorf("a pass used twice: %v", err)
	}
}

// Each student's work is their own, apart from the project's observers, and ends
// with the exercise.
func TestStudentsWork(t *testing.T) {
	l, x := exercise(t)
	ada, ben := join(t, l, x, "Ada"), join(t, l, x, "Ben")
	do(t, l, x.Run, on("aa-1", measure.Remove, "b4")) // by the project's Ada
	for _, px := range []float64{100, 150, 200} {
		if _, err := set(t, l, x, ada, px); err != nil {
			t.Fatal(err)
		}
	}
	work := func(s Student) measure.Core {
		w, err := l.WorkOf(t.Context(), x, s)
		if err != nil {
			t.Fatal(err)
		}
		return w.Measurement.Cores[0]
	}
	if a, b := work(ada), work(ben); len(a.Boundaries) != 3 || len(a.Rings) != 2 || len(b.Boundaries) != 0 {
		t.Errorf("Ada %d, Ben %d boundaries", len(a.Boundaries), len(b.Boundaries))
	}
	if who, err := l.Observers(t.Context(), x.Run); err != nil || gocmp.Diff([]string{"Ada"}, who) != "" {
		t.Errorf("observers %v, %v", who, err)
	}
	if log, err := l.Log(t.Context()); err != nil || len(log) != 1 {
		t.Errorf("the project's log has %d events, %v", len(log), err)
	}

	at := func(when time.Time, kind measure.EventKind, target string) error {
		have, err := l.WorkOf(t.Context(), x, ada)
		if err != nil {
			t.Fatal(err)
		}
		e := event("", kind, func(e *measure.Event) { e.UTC, e.Target = when, target; e.PointPx = &measure.Point{300, 100} })
		_, err = l.AppendWork(t.Context(), x, ada, e, have.Revision(x.Core))
		return err
	}
	for _, tt := range []struct {
		name   string
		when   time.Time
		kind   measure.EventKind
		target string
		want   error
	}{
		{"before it opens", noon.Add(-time.Second), measure.Add, "", ErrEarly},
		{"after it closes", noon.Add(time.Hour), measure.Add, "", ErrShut},
		{"a hidden candidate", noon, measure.Accept, "c1", ErrEvent},
		{"a hidden boundary", noon, measure.Remove, "b5", ErrVoid},
		{"another radius' events: a whole scan's", noon, measure.Rescale, "", ErrEvent},
		{"joining cores", noon, measure.JoinCore, "aa-2", ErrEvent},
	} {
		if err := at(tt.when, tt.kind, tt.target); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	if _, err := l.AppendWork(t.Context(), x, ada, add("", 400, 100), 0); !errors.Is(err, ErrStale) {
		t.Errorf("on an older state: %v", err)
	}
	if err := l.CloseExercise(t.Context(), x.ID, noon.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if err := at(noon.Add(2*time.Minute), measure.Add, ""); !errors.Is(err, ErrShut) {
		t.Errorf("after it was closed by hand: %v", err)
	}
}

// A student who is removed leaves no byte behind; the others' work stays.
func TestRemoveStudent(t *testing.T) {
	l, x := exercise(t)
	ada, ben := join(t, l, x, "Adalgisa Unmistakable"), join(t, l, x, "Ben")
	for _, s := range []Student{ada, ben} {
		for px := 100.0; px < 140; px++ {
			if _, err := set(t, l, x, s, px); err != nil {
				t.Fatal(err)
			}
		}
	}
	note := event("", measure.Note, func(e *measure.Event) { e.Why = "an unforgettable remark" })
	have, err := l.WorkOf(t.Context(), x, ada)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.AppendWork(t.Context(), x, ada, note, have.Revision(x.Core)); err != nil {
		t.Fatal(err)
	}
	if _, err := l.write.ExecContext(t.Context(), "DELETE FROM student_events"); err == nil {
		t.Error("events went without their student")
	}
	if _, err := l.write.ExecContext(t.Context(), "UPDATE student_events SET why = ''"); err == nil {
		t.Error("events were overwritten")
	}
	got, err := l.RemoveStudent(t.Context(), ada.ID)
	if err != nil || got != (Removed{Name: "Adalgisa Unmistakable", Events: 41}) {
		t.Errorf("%+v, %v", got, err)
	}
	for _, end := range []string{"", "-wal"} {
		text, err := os.ReadFile(l.path + end)
		if err != nil {
			t.Fatal(err)
		}
		for _, trace := range []string{"Unmistakable", "unmistakable", "unforgettable", note.UUID} {
			if strings.Contains(string(text), trace) {
				t.Errorf("%s is still in the file%s", trace, end)
			}
		}
	}
	if w, err := l.WorkOf(t.Context(), x, ben); err != nil || len(w.Events) != 40 {
		t.Errorf("Ben has %d edits, %v", len(w.Events), err)
	}
	if _, err := set(t, l, x, ada, 500); !errors.Is(err, ErrNone) {
		t.Errorf("an edit of one who was removed: %v", err)
	}
	if s := join(t, l, x, "Cyd"); s.Number != 3 {
		t.Errorf("Cyd is number %d: a number was given twice", s.Number)
	}
}

// A project of an earlier format gets the tables that it lacks when it is opened,
// and keeps what it holds.
func TestMigrateEarlierFormats(t *testing.T) {
	takeBack := []string{ // of format 2, 3 …
		"DROP TABLE student_events; DROP TABLE students; DROP TABLE exercises",
		"ALTER TABLE exercises DROP COLUMN experts; ALTER TABLE exercises DROP COLUMN graded_by",
		"DROP TABLE seen_again",
	}
	for format := 1; format < len(migrations()); format++ {
		path := filepath.Join(t.TempDir(), "old"+Ending)
		l := open(t, path)
		s, err := l.Store(t.Context(), tray("aa", 0, 0), "/scans/tray.tif", noon)
		if err != nil {
			t.Fatal(err)
		}
		do(t, l, s.Run, on("aa-1", measure.Remove, "b4"))
		for k := len(takeBack); k >= format; k-- {
			if _, err := l.write.ExecContext(t.Context(), fmt.Sprintf("%s; PRAGMA user_version = %d", takeBack[k-1], k)); err != nil {
				t.Fatal(err)
			}
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		l = open(t, path)
		var version int
		if err := l.write.QueryRow("PRAGMA user_version").Scan(&version); err != nil || version != len(migrations()) {
			t.Errorf("version %d, %v", version, err)
		}
		if log, err := l.Log(t.Context()); err != nil || len(log) != 1 {
			t.Errorf("%d events, %v", len(log), err)
		}
		if _, err := l.AddExercise(t.Context(), Exercise{Run: s.Run, Core: "aa-2", Key: "Ada", Name: "Pine", Code: "K", Seats: 1, Opens: noon}, noon); err != nil {
			t.Error(err)
		}
		if r, err := l.Store(t.Context(), tray("bb", 37, 0), "/scans/tray-2.tif", noon); err != nil || len(r.Again) != 2 {
			t.Errorf("format %d: stored %+v, %v", format, r, err)
		}
	}
}

func TestTooManyEdits(t *testing.T) {
	l, x := exercise(t)
	s := join(t, l, x, "Ada")
	_, err := l.write.ExecContext(t.Context(), `INSERT INTO student_events (uuid, student, utc, kind, target, why)
		WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) SELECT i, ?, ?, 'note', '', '' FROM n`, StudentEventLimit, s.ID, stamp(&noon))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := set(t, l, x, s, 100); !errors.Is(err, ErrTooMany) {
		t.Errorf("%v", err)
	}
}
