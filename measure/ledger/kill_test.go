package ledger

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
)

// asked is the variable that turns this test's binary into a program that
// appends events to the project it names, forever, and says each uuid once
// its event is acknowledged.
const asked = "PITHWARD_TEST_LEDGER"

// askedClass is the variable that has it append the edits of a whole class at once.
const askedClass = "PITHWARD_TEST_CLASS"

func TestMain(m *testing.M) {
	if path := os.Getenv(asked); path != "" {
		forever := appendForever
		if os.Getenv(askedClass) != "" {
			forever = classForever
		}
		if err := forever(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

func appendForever(path string) error {
	ctx := context.Background()
	l, err := Open(ctx, path)
	if err != nil {
		return err
	}
	for {
		s, err := l.State(ctx, 1, "Ada")
		if err != nil {
			return err
		}
		e, err := l.Append(ctx, 1, add("aa-1", 30+float64(len(s.Events)%1500), 100), s.Revision("aa-1"))
		if err != nil && !strings.Contains(err.Error(), ErrStale.Error()) {
			return err
		}
		if err == nil {
			fmt.Println(e.UUID)
		}
	}
}

// classForever has all students of the first exercise edit at once, so that their
// edits are written together.
func classForever(path string) error {
	ctx := context.Background()
	l, err := Open(ctx, path)
	if err != nil {
		return err
	}
	x, err := l.ExerciseByID(ctx, 1)
	if err != nil {
		return err
	}
	students, err := l.Students(ctx, x.ID)
	if err != nil {
		return err
	}
	var group errgroup.Group
	for _, s := range students {
		group.Go(func() error {
			for {
				w, err := l.WorkOf(ctx, x, s)
				if err != nil {
					return err
				}
				e := add("", 30+float64(len(w.Events)%1500), 100)
				if _, err := l.AppendWork(ctx, x, s, e, w.Revision(x.Core)); err != nil {
					return err
				}
				fmt.Println(e.UUID)
			}
		})
	}
	return group.Wait()
}

// killAfter starts the program, kills it a moment after it has said so many
// events, and returns all it said.
func killAfter(ctx context.Context, path string, events int, grace time.Duration, env ...string) (said []string, err error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	cmd := exec.CommandContext(ctx, self)
	cmd.Env = append(append(os.Environ(), asked+"="+path), env...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		said = append(said, lines.Text())
		if len(said) == events {
			time.AfterFunc(grace, func() { _ = cmd.Process.Kill() })
		}
	}
	if err := cmd.Wait(); err == nil || len(said) < events {
		return said, fmt.Errorf("the program ended by itself after %d events: %v", len(said), err)
	}
	return said, nil
}

// A process that is killed, again and again, at any moment loses no event that
// it was told is stored; the file opens each time.
func TestKilled(t *testing.T) {
	l, run := project(t)
	rounds := 12
	if testing.Short() {
		rounds = 3
	}
	var all []string
	for i := range rounds {
		said, err := killAfter(t.Context(), l.Path(), 5, time.Duration(i)*700*time.Microsecond)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, said...)
	}
	kept := map[string]bool{}
	for _, e := range state(t, open(t, l.Path()), run, "Ada").Events {
		kept[e.UUID] = true
	}
	for _, id := range all {
		if !kept[id] {
			t.Errorf("event %s was acknowledged and is lost", id)
		}
	}
	var sound string
	if err := l.read.QueryRow("PRAGMA integrity_check").Scan(&sound); err != nil || sound != "ok" {
		t.Errorf("integrity: %s, %v", sound, err)
	}
	t.Logf("%d acknowledged events, %d kept", len(all), len(kept))
}

// Killed while a class edits, no edit that was acknowledged is lost either.
func TestKilledClass(t *testing.T) {
	var names []string
	for i := range 20 {
		names = append(names, fmt.Sprintf("student %02d", i))
	}
	l, x, students := room(t, names...)
	rounds := 6
	if testing.Short() {
		rounds = 2
	}
	var all []string
	for i := range rounds {
		said, err := killAfter(t.Context(), l.Path(), 40, time.Duration(i)*900*time.Microsecond, askedClass+"=yes")
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, said...)
	}
	again, kept := open(t, l.Path()), map[string]bool{}
	for _, s := range students {
		w, err := again.WorkOf(t.Context(), x, s)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range w.Events {
			kept[e.UUID] = true
		}
	}
	for _, id := range all {
		if !kept[id] {
			t.Errorf("edit %s was acknowledged and is lost", id)
		}
	}
	t.Logf("%d acknowledged edits, %d kept", len(all), len(kept))
}

// Two processes that write to one file at once both get all their events kept.
func TestSecondProcess(t *testing.T) {
	l, run := project(t)
	var said [2][]string
	var group errgroup.Group
	for i := range said {
		group.Go(func() (err error) {
			said[i], err = killAfter(t.Context(), l.Path(), 15, 0)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		t.Fatal(err)
	}
	kept := map[string]bool{}
	for _, e := range state(t, l, run, "Ada").Events {
		kept[e.UUID] = true
	}
	for _, id := range slices.Concat(said[0], said[1]) {
		if !kept[id] {
			t.Errorf("event %s was acknowledged and is lost", id)
		}
	}
}
