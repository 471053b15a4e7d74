package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pithward/measure"
)

// match says which earlier reading a new core is a reading of again.
type match struct {
	core int64 // of the project
	run  int64 // the earlier run
	uid  string
	old  measure.Core
	fit  measure.Fit
}

// sure tells whether what was decided is carried over; nil is not.
func (m *match) sure() bool {
	return m != nil && (m.fit.SamePicture || m.fit.Certainty >= measure.SureFit)
}

// likelyFit is the certainty from which on it is said that a core may be one
// scanned anew, though nothing is carried over: chosen, more likely than not.
const likelyFit = 0.5

// matches finds for each core of a measurement the core of the project that it
// is, or may be, nil where it is new: first on an earlier run of the same scan, by
// place, then on other scans, by the pattern of its rings.
func matches(ctx context.Context, tx *sql.Tx, scan int64, m measure.Measurement) ([]*match, error) {
	out := make([]*match, len(m.Cores))
	if run, err := latestRun(ctx, tx, scan); err == nil {
		return out, bySpot(ctx, tx, run, m, out)
	} else if !errors.Is(err, ErrNone) {
		return out, err
	}
	rows, err := tx.QueryContext(ctx, "SELECT max(id) FROM runs GROUP BY scan ORDER BY id")
	if err != nil {
		return out, err
	}
	var runs []int64
	for rows.Next() {
		var run int64
		if err := rows.Scan(&run); err != nil {
			return out, errors.Join(err, rows.Close())
		}
		runs = append(runs, run)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return out, err
	}
	for _, run := range runs {
		if err := byPattern(ctx, tx, run, m, out); err != nil {
			return out, err
		}
	}
	return out, nil
}

// bySpot matches cores that lie in the same place of one scan.
func bySpot(ctx context.Context, tx *sql.Tx, run int64, m measure.Measurement, out []*match) error {
	old, ids, err := loadRun(ctx, tx, run)
	if err != nil {
		return err
	}
	taken := map[int]bool{}
	for i, c := range m.Cores {
		for k, o := range old.Cores {
			if !taken[k] && measure.SameSpot(o, c) {
				taken[k] = true
				out[i] = &match{ids[k], run, o.UID, o, measure.FitSpot(o, c)}
				break
			}
		}
	}
	return nil
}

// byPattern matches cores that have the same rings on another scan.
func byPattern(ctx context.Context, tx *sql.Tx, run int64, m measure.Measurement, out []*match) error {
	old, ids, err := loadRun(ctx, tx, run)
	if err != nil {
		return err
	}
	for i, c := range m.Cores {
		for k, o := range old.Cores {
			fit, sure := measure.FitRings(o, c)
			m := &match{ids[k], run, o.UID, o, fit}
			switch was := out[i]; {
			case sure && (!was.sure() || fit.Share > was.fit.Share) && !better(out, run, o.UID, fit),
				!sure && fit.Certainty >= likelyFit && (was == nil || !was.sure() && fit.Certainty > was.fit.Certainty):
				out[i] = m
			}
		}
	}
	return nil
}

// better tells whether another new core fits an old one better; of those that
// fit worse it takes the match away, since a core is on a scan once.
func better(out []*match, run int64, uid string, fit measure.Fit) bool {
	for i, m := range out {
		if !m.sure() || m.run != run || m.uid != uid {
			continue
		}
		if m.fit.Share >= fit.Share {
			return true
		}
		out[i] = nil
	}
	return false
}

// carry repeats on a new run what people decided on the earlier ones, and
// lists what found no place.
func carry(ctx context.Context, tx *sql.Tx, m measure.Measurement, olds []*match, out *Stored, now time.Time) error {
	byRun := map[int64]*carrier{}
	var order []int64
	for i, o := range olds {
		if !o.sure() {
			continue
		}
		c := byRun[o.run]
		if c == nil {
			c = &carrier{m: m, run: out.Run, now: now, fits: map[string]measure.Fit{}, uids: map[string]string{}, renamed: map[string]string{}, same: o.fit.SamePicture}
			byRun[o.run], order = c, append(order, o.run)
		}
		c.fits[o.uid], c.uids[o.uid] = o.fit, m.Cores[i].UID
	}
	for _, run := range order {
		events, err := eventsOf(ctx, tx, "run = ?", run)
		if err != nil {
			return err
		}
		for _, observer := range observers(events) {
			if err := byRun[run].all(ctx, tx, observer.effective, out); err != nil {
				return err
			}
		}
	}
	return nil
}

type observed struct {
	name      string
	effective []measure.Event
}

// observers sorts events by who made them, in order of appearance.
func observers(events []measure.Event) []observed {
	at := map[string]int{}
	var all []observed
	for _, e := range events {
		if _, seen := at[e.Observer]; !seen {
			at[e.Observer] = len(all)
			all = append(all, observed{name: e.Observer})
		}
		o := &all[at[e.Observer]]
		o.effective = append(o.effective, e)
	}
	for i := range all {
		all[i].effective = measure.Effective(all[i].effective)
	}
	return all
}

// carrier takes events from one run to another.
type carrier struct {
	m       measure.Measurement
	run     int64
	now     time.Time
	same    bool                   // both runs are of one picture
	fits    map[string]measure.Fit // by the old core's uid
	uids    map[string]string      // old core's uid to new
	renamed map[string]string      // old event's uuid to new
}

func (c *carrier) all(ctx context.Context, tx *sql.Tx, events []measure.Event, out *Stored) error {
	var done []measure.Event
	for _, old := range events {
		e, why := c.translate(old, measure.Replay(c.m, done).Measurement)
		if why == "" {
			why = refused(c.m, done, e)
		}
		if why == "" {
			stored, err := insert(ctx, tx, c.run, e)
			if err != nil {
				return err
			}
			c.renamed[old.UUID] = e.UUID
			done = append(done, stored)
			out.Carried++
			continue
		}
		if _, mine := c.uids[old.Core]; !mine && !c.same {
			continue // about another core of that scan, which this scan does not show
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO not_carried (event, run, why) VALUES (?, ?, ?)", old.UUID, c.run, why); err != nil {
			return err
		}
	}
	return nil
}

// translate turns an event on an earlier reading into one on the new, as far
// as it stands with the events carried before it; why says if it cannot.
func (c *carrier) translate(old measure.Event, now measure.Measurement) (e measure.Event, why string) {
	id, err := uuid.NewV7()
	if err != nil {
		return e, "no new uuid could be made"
	}
	e = old
	e.UUID, e.Carries, e.UTC, e.Seq, e.Reading = id.String(), old.UUID, c.now, 0, 0
	if old.Kind == measure.SignOff {
		return e, "sign the core off again once the new reading has been looked at"
	}
	if old.Core == "" || old.Kind == measure.AddCore {
		if !c.same {
			return e, "it is about another picture"
		}
		if uid, known := c.uids[old.Target]; known { // the core whose second radius it is
			e.Target = uid
		}
		return e, ""
	}
	uid, known := c.uids[old.Core]
	if !known {
		if uid, known = c.renamed[old.Core]; !known {
			return e, "the core is not on the new reading"
		}
	}
	e.Core = uid
	fit, fits := c.fits[old.Core]
	if !fits { // a core that a person made on this picture
		fit = measure.Fit{SamePicture: c.same}
	}
	if old.Kind == measure.JoinCore {
		if e.Target, known = c.uids[old.Target]; !known {
			return e, "the core it is joined with is not on the new reading"
		}
	} else if again, mine := c.renamed[old.Target]; mine {
		e.Target = again
	}
	for i := range now.Cores {
		if now.Cores[i].UID == uid {
			return fit.Carry(e, now.Cores[i])
		}
	}
	return e, fmt.Sprintf("the core %s is not there any more", uid)
}
