package stand

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/dating"
	"pithward/measure/ledger"
)

// Program is the observer by which the program settles suspects.
const Program = "pithward"

// Settled is a series that was changed, or would have been.
type Settled struct {
	ID      string   `json:"id"`
	Core    string   `json:"core"`
	Changed bool     `json:"changed"`
	Changes []string `json:"changes"` // in words
	// Agreement with the trees that had no part in the decision.
	Trees   int      `json:"trees_not_used"`
	RBefore *float64 `json:"r_before"`
	RAfter  *float64 `json:"r_after"`
	Why     string   `json:"why"` // why it was left alone
	events  []measure.Event
	run     int64
}

// fewestTests is the fewest trees that a change is tested by (chosen).
const fewestTests = 2

// Settle makes the suspects whose posterior, at their very place, is p or more
// into events of the observer Program: candidates are accepted and boundaries
// taken away, absent rings are never set, nor boundaries that the picture does
// not show. Half of the trees, every second by name, decide; then each changed
// series is set against the other half, which had no part in it, and left as it
// was where it does not agree better. Cores on which a person has worked are left
// to the person. Undo events take it back.
func Settle(ctx context.Context, l *ledger.Ledger, against []archive.Series, treeChars int, p float64, now time.Time) ([]Settled, error) {
	cores, _, err := Series(ctx, l, Program)
	if err != nil {
		return nil, err
	}
	st := New(cores, against, treeChars)
	deciding := halves(st)
	decide := st.Heeding(func(tree string) bool { return deciding[tree] != 2 })
	test := st.Heeding(func(tree string) bool { return deciding[tree] == 2 })
	hands, err := byHand(ctx, l, cores)
	if err != nil {
		return nil, err
	}
	var all []Settled
	for i, c := range cores {
		s, ok := propose(decide, test, i, c, p, now)
		if !ok {
			continue
		}
		if who := hands[c.Core()]; s.Why == "" && who != "" {
			s.Why = fmt.Sprintf("%s has worked on it", who)
		}
		if s.Why == "" {
			if err := s.store(ctx, l); err != nil {
				return all, err
			}
			s.Changed = true
		}
		all = append(all, s)
	}
	return all, nil
}

// halves parts the project's trees: 1 decides, 2 tests. Trees from elsewhere, not
// named here, decide.
func halves(st *dating.Stand) map[string]int {
	var names []string
	for i := range st.Len() {
		if name := st.Tree(i); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	out := map[string]int{}
	for k, name := range names {
		out[name] = 1 + k%2
	}
	return out
}

// byHand names a person who has made events on each core.
func byHand(ctx context.Context, l *ledger.Ledger, cores []Core) (map[string]string, error) {
	out := map[string]string{}
	seen := map[int64]bool{}
	for _, c := range cores {
		if seen[c.Run] {
			continue
		}
		seen[c.Run] = true
		all, err := l.Observers(ctx, c.Run)
		if err != nil {
			return nil, err
		}
		for _, who := range all {
			if who == Program {
				continue
			}
			e, err := l.State(ctx, c.Run, who)
			if err != nil {
				return nil, err
			}
			for _, x := range measure.Effective(e.Events) {
				out[x.Core] = who
			}
		}
	}
	return out, nil
}

// propose gathers what is to change in a series and tests it. ok is false where
// nothing is to change.
func propose(decide, test *dating.Stand, i int, c Core, p float64, now time.Time) (s Settled, ok bool) {
	s = Settled{ID: c.ID, Core: c.Core(), Changes: []string{}, run: c.Run}
	var changes []dating.Change
	for _, x := range decide.Suspects(i) {
		if x.Here < p || x.Place == "" || x.Kind == dating.Absent {
			continue
		}
		id, err := uuid.NewV7()
		if err != nil {
			continue // no randomness: nothing is done
		}
		kind := measure.Accept
		if x.Kind == dating.Invented {
			kind = measure.Remove
		}
		changes = append(changes, dating.Change{Kind: x.Kind, Place: x.Place})
		s.Changes = append(s.Changes, x.String())
		s.events = append(s.events, measure.Event{UUID: id.String(), Core: c.Core(), Observer: Program, UTC: now, Kind: kind, Target: x.Place,
			Why: "settled by date --settle: " + x.String()})
	}
	if len(changes) == 0 {
		return s, false
	}
	t, err := test.Try(i, changes)
	if err != nil {
		s.Why = err.Error()
		return s, true
	}
	s.Trees, s.RBefore, s.RAfter = test.Telling(i), t.InwardRBefore, t.InwardRAfter
	switch {
	case s.Trees < fewestTests || t.InwardRAfter == nil:
		s.Why = "too few trees, or years, are left over to test it by"
	case t.InwardRBefore != nil && *t.InwardRAfter <= *t.InwardRBefore:
		s.Why = fmt.Sprintf("it does not agree better with the trees that had no part in it (r %.2f, and %.2f with the change)", *t.InwardRBefore, *t.InwardRAfter)
	}
	return s, true
}

// store makes the events.
func (s *Settled) store(ctx context.Context, l *ledger.Ledger) error {
	for _, e := range s.events {
		now, err := l.State(ctx, s.run, Program)
		if err != nil {
			return err
		}
		if _, err := l.Append(ctx, s.run, e, now.Revision(e.Core)); err != nil {
			return fmt.Errorf("%s: %w", s.ID, err)
		}
	}
	return nil
}
