package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"pithward/measure"
)

// waitFor waits until so many changes stand in line.
func waitFor(t *testing.T, l *Ledger, n int) {
	t.Helper()
	for range 1000 {
		l.group.mu.Lock()
		have := len(l.group.queue)
		l.group.mu.Unlock()
		if have == n {
			return
		}
		time.Sleep(time.Millisecond)
	}
	t.Fatalf("%d changes never stood in line", n)
}

// atOnce has all changes wait for one another and be written together; it returns
// what each was answered.
func atOnce(t *testing.T, l *Ledger, changes ...func() error) []error {
	t.Helper()
	l.group.turn <- struct{}{} // somebody else is writing
	answers := make([]error, len(changes))
	var all sync.WaitGroup
	for i, do := range changes {
		all.Go(func() { answers[i] = do() })
		waitFor(t, l, i+1)
	}
	<-l.group.turn
	all.Wait()
	return answers
}

// room is an exercise with many seats, and students in it.
func room(t *testing.T, names ...string) (*Ledger, Exercise, []Student) {
	t.Helper()
	l, run := project(t)
	x, err := l.AddExercise(t.Context(), Exercise{Run: run, Core: "aa-1", Name: "Pine", Code: "KKKMMMRRR", Seats: 200, Opens: noon}, noon)
	if err != nil {
		t.Fatal(err)
	}
	var all []Student
	for _, name := range names {
		all = append(all, join(t, l, x, name))
	}
	return l, x, all
}

// edits returns how many edits a student has in the store.
func edits(t *testing.T, l *Ledger, x Exercise, s Student) int {
	t.Helper()
	w, err := l.WorkOf(t.Context(), x, s)
	if err != nil {
		t.Fatal(err)
	}
	return len(w.Events)
}

// Changes written together are each answered for themselves: one that is refused
// leaves nothing behind and takes no other with it.
func TestTogether(t *testing.T) {
	l, x, s := room(t, "Ada", "Ben", "Cyd", "Dan")
	write := func(s Student, e measure.Event, revision int64) func() error {
		return func() error {
			_, err := l.AppendWork(t.Context(), x, s, e, revision)
			return err
		}
	}
	twice := add("", 120, 100)
	got := atOnce(t, l,
		write(s[0], add("", 100, 100), 0),
		write(s[1], add("", 100, 100), 7), // stale
		write(s[2], event("", measure.Remove, func(e *measure.Event) { e.Target = "b9" }), 0), // nothing there
		func() error { _, err := l.Join(t.Context(), x.Code, "Ada", "s1", "p1", noon); return err },
		func() error { _, err := l.Join(t.Context(), x.Code, "Eve", "s2", "p2", noon); return err },
		write(s[3], twice, 0),
		write(s[3], twice, 0), // sent again
		func() error { // refused when it has written already
			return l.together(t.Context(), func(ctx context.Context, tx *sql.Tx) error {
				e := add("", 130, 100)
				return errors.Join(insertWork(ctx, tx, s[0].ID, &e), ErrVoid)
			})
		},
	)
	for i, want := range []error{nil, ErrStale, ErrVoid, ErrTaken, nil, nil, nil, ErrVoid} {
		if !errors.Is(got[i], want) {
			t.Errorf("change %d: %v, want %v", i, got[i], want)
		}
	}
	for i, want := range []int{1, 0, 0, 1} {
		if n := edits(t, l, x, s[i]); n != want {
			t.Errorf("%s has %d edits, want %d", s[i].Name, n, want)
		}
	}
	if all, err := l.Students(t.Context(), x.ID); err != nil || len(all) != 5 || all[4].Name != "Eve" || all[4].Number != 5 {
		t.Errorf("%v, %v", all, err)
	}
}

// A failure of the file, or a fault of our own, is told to the one it befalls; the
// others' changes are stored all the same. More than one transaction takes wait
// for the next.
func TestTogetherWithTrouble(t *testing.T) {
	var names []string
	for i := range 2*togetherMost + 3 {
		names = append(names, fmt.Sprintf("student %02d", i))
	}
	l, x, s := room(t, names...)
	for name, trouble := range map[string]func(context.Context, *sql.Tx) error{
		"a statement that fails": func(ctx context.Context, tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, "UPDATE student_events SET why = 'overwritten'") // a trigger forbids it
			return err
		},
		"a fault": func(context.Context, *sql.Tx) error { panic("a slip") },
		"a transaction that is gone": func(ctx context.Context, tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, "ROLLBACK")
			return errors.Join(err, errors.New("the disk is full"))
		},
	} {
		had := edits(t, l, x, s[0])
		var changes []func() error
		for i := range s {
			changes = append(changes, func() error { _, err := set(t, l, x, s[i], 100+float64(had)); return err })
		}
		at := togetherMost / 2
		changes[at] = func() error { return l.together(t.Context(), trouble) }
		for i, err := range atOnce(t, l, changes...) {
			if (err != nil) != (i == at) {
				t.Errorf("%s: student %d is answered %v", name, i, err)
			}
		}
		for i := range s {
			want := had + 1
			if i == at {
				want = 0
			}
			if n := edits(t, l, x, s[i]); n != want {
				t.Errorf("%s: student %d has %d edits, want %d", name, i, n, want)
			}
		}
	}
}

// Who asked may go: what was asked for is written all the same, and so is what the
// others asked for.
func TestTogetherOutlivesARequest(t *testing.T) {
	l, x, s := room(t, "Ada", "Ben")
	gone, leave := context.WithCancel(t.Context())
	got := atOnce(t, l,
		func() error { _, err := l.AppendWork(gone, x, s[0], add("", 100, 100), 0); return err },
		func() error {
			defer leave()
			leave()
			_, err := l.AppendWork(t.Context(), x, s[1], add("", 100, 100), 0)
			return err
		},
	)
	if got[0] != nil || got[1] != nil || edits(t, l, x, s[0]) != 1 || edits(t, l, x, s[1]) != 1 {
		t.Errorf("%v, %d and %d edits", got, edits(t, l, x, s[0]), edits(t, l, x, s[1]))
	}
}
