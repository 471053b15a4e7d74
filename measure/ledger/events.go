package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pithward/measure"
)

// Edited is a scan as an observer has it.
type Edited struct {
	measure.Edited
	Run    int64
	Events []measure.Event // the observer's, on this run
}

// Of returns the events about one core.
func (e Edited) Of(core string) []measure.Event {
	return slices.DeleteFunc(slices.Clone(e.Events), func(x measure.Event) bool { return x.Core != core })
}

// Revision numbers the state of a core: it grows with each event that concerns
// the core.
func (e Edited) Revision(core string) int64 { return revision(e.Events, core) }

func revision(events []measure.Event, core string) int64 {
	var last int64
	for _, e := range events {
		if e.Core == core || e.Core == "" {
			last = e.Seq
		}
	}
	return last
}

// State returns the scan of a run as an observer has it.
func (l *Ledger) State(ctx context.Context, run int64, observer string) (Edited, error) {
	m, err := l.Reading(ctx, run)
	if err != nil {
		return Edited{}, err
	}
	events, err := eventsOf(ctx, l.read, "run = ? AND observer = ?", run, observer)
	if err != nil {
		return Edited{}, l.words(err)
	}
	return Edited{measure.Replay(m, events), run, events}, nil
}

// Append adds an event of an observer to a run. revision is what the core's
// was when the observer decided: if it has grown since, the error is ErrStale.
// An event that finds nothing to act on is refused with ErrVoid. The event is
// on disk when Append returns. Appending an event that is there already, by
// its uuid, changes nothing and is no error, so that it can be sent again when
// an answer was lost.
func (l *Ledger) Append(ctx context.Context, run int64, e measure.Event, revisionSeen int64) (measure.Event, error) {
	if err := check(e); err != nil {
		return e, fmt.Errorf("%w: %w", ErrEvent, err)
	}
	m, err := l.Reading(ctx, run)
	if err != nil {
		return e, err
	}
	err = l.inside(ctx, func(tx *sql.Tx) error {
		events, err := eventsOf(ctx, tx, "run = ? AND observer = ?", run, e.Observer)
		if err != nil {
			return err
		}
		if i := slices.IndexFunc(events, func(x measure.Event) bool { return x.UUID == e.UUID }); i >= 0 {
			e = events[i]
			return nil
		}
		if revision(events, e.Core) != revisionSeen {
			return ErrStale
		}
		if why := refused(m, events, e); why != "" {
			return fmt.Errorf("%w: %s", ErrVoid, why)
		}
		e, err = insert(ctx, tx, run, e)
		return err
	})
	return e, err
}

// whyLimit and wordLimit are the most bytes of free text and of ids: chosen.
const (
	whyLimit  = 4000
	wordLimit = 200
)

// check tells why an event cannot be stored, whatever it is about.
func check(e measure.Event) error {
	switch id, err := uuid.Parse(e.UUID); {
	case err != nil || id.String() != e.UUID:
		return fmt.Errorf("event %.40q: its uuid is not one, in small letters", e.UUID)
	case strings.TrimSpace(e.Observer) == "" || len(e.Observer) > wordLimit:
		return errors.New("an event needs an observer, of at most 200 letters")
	case !slices.Contains(measure.EventKinds(), e.Kind):
		return fmt.Errorf("%.40q is no kind of event", e.Kind)
	case len(e.Why) > whyLimit || len(e.Target) > wordLimit || e.Detail != nil && len(e.Detail.Word) > wordLimit:
		return errors.New("the text is too long")
	case (e.Kind == measure.Undo) != (e.Undoes != ""):
		return errors.New("an undo, and it alone, names the event it undoes")
	}
	points := []*measure.Point{e.PointPx}
	if d := e.Detail; d != nil {
		points = append(points, d.ToPx)
		for i := range d.PathPx {
			points = append(points, &d.PathPx[i])
		}
		switch {
		case len(d.PathPx) > pathLimit:
			return fmt.Errorf("a radius of more than %d places", pathLimit)
		case d.Count < 0 || d.Count > countLimit:
			return fmt.Errorf("%d absent rings at one place: at most %d", d.Count, countLimit)
		case d.Year != nil && (*d.Year < -yearLimit || *d.Year > yearLimit):
			return fmt.Errorf("year %d is beyond any ring", *d.Year)
		}
	}
	for _, p := range points {
		if p != nil && !(math.Abs(p[0]) <= pxLimit && math.Abs(p[1]) <= pxLimit) {
			return fmt.Errorf("the place %v lies on no scan", *p)
		}
	}
	return nil
}

// Limits of what an event may say: chosen, far beyond any core.
const (
	pathLimit  = 5000
	countLimit = 100
	yearLimit  = 20_000
	pxLimit    = 1 << 21 // twice the largest scan that is read
)

// refused tells why an event would have no effect; "" if it has one.
func refused(m measure.Measurement, events []measure.Event, e measure.Event) string {
	if e.Kind == measure.Undo {
		undo, redo := measure.History(slices.DeleteFunc(slices.Clone(events), func(x measure.Event) bool { return x.Core != e.Core }))
		if !slices.Contains(undo, e.Undoes) && !slices.Contains(redo, e.Undoes) {
			return "it cannot be undone"
		}
		return ""
	}
	for _, v := range measure.Replay(m, append(slices.Clone(events), e)).Void {
		if v.Event == e.UUID {
			return v.Why
		}
	}
	return ""
}

// insert stores an event and returns it as it is stored.
func insert(ctx context.Context, tx *sql.Tx, run int64, e measure.Event) (measure.Event, error) {
	point, err := text(e.PointPx)
	if err != nil {
		return e, err
	}
	detail, err := text(e.Detail)
	if err != nil {
		return e, err
	}
	if e.UTC.IsZero() {
		return e, errors.New("an event needs its time")
	}
	var reading sql.NullInt64
	err = tx.QueryRowContext(ctx, "SELECT id FROM readings WHERE run = ? AND uid = ?", run, e.Core).Scan(&reading)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return e, err
	}
	e.Reading, e.UTC = reading.Int64, e.UTC.UTC()
	err = tx.QueryRowContext(ctx, `INSERT INTO events (uuid, run, reading, core, observer, utc, kind, target, point_px, detail, undoes, carries, why)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, nullif(?, ''), nullif(?, ''), ?) RETURNING seq`,
		e.UUID, run, reading, e.Core, e.Observer, e.UTC.Format(time.RFC3339Nano), string(e.Kind), e.Target, point, detail, e.Undoes, e.Carries, e.Why).Scan(&e.Seq)
	return e, err
}

// eventsOf reads events in their order.
func eventsOf(ctx context.Context, q querier, where string, args ...any) ([]measure.Event, error) {
	rows, err := q.QueryContext(ctx, `SELECT seq, uuid, coalesce(reading, 0), core, observer, utc, kind, target, coalesce(point_px, 'null'),
		coalesce(detail, 'null'), coalesce(undoes, ''), coalesce(carries, ''), why FROM events WHERE `+where+` ORDER BY seq`, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var all []measure.Event
	for rows.Next() {
		var e measure.Event
		var utc, kind, point, detail string
		if err := rows.Scan(&e.Seq, &e.UUID, &e.Reading, &e.Core, &e.Observer, &utc, &kind, &e.Target, &point, &detail, &e.Undoes, &e.Carries, &e.Why); err != nil {
			return nil, err
		}
		e.Kind = measure.EventKind(kind)
		if e.UTC, err = time.Parse(time.RFC3339Nano, utc); err != nil {
			return nil, fmt.Errorf("event %s: its time cannot be read: %w", e.UUID, err)
		}
		if err := errors.Join(json.Unmarshal([]byte(point), &e.PointPx), json.Unmarshal([]byte(detail), &e.Detail)); err != nil {
			return nil, fmt.Errorf("event %s cannot be read: %w", e.UUID, err)
		}
		all = append(all, e)
	}
	return all, rows.Err()
}

// Log returns all events of the project in their order, whoever made them.
func (l *Ledger) Log(ctx context.Context) ([]Logged, error) {
	events, err := eventsOf(ctx, l.read, "1")
	if err != nil {
		return nil, l.words(err)
	}
	rows, err := l.read.QueryContext(ctx, "SELECT e.uuid, s.file, r.id FROM events e JOIN runs r ON r.id = e.run JOIN scans s ON s.id = r.scan ORDER BY e.seq")
	if err != nil {
		return nil, l.words(err)
	}
	defer rows.Close()
	var all []Logged
	for i := 0; rows.Next() && i < len(events); i++ {
		one := Logged{Event: events[i]}
		if err := rows.Scan(&one.UUID, &one.Scan, &one.Run); err != nil {
			return nil, l.words(err)
		}
		all = append(all, one)
	}
	return all, l.words(rows.Err())
}

// Logged is an event with the scan and run it was made on.
type Logged struct {
	measure.Event
	Scan string `json:"scan"`
	Run  int64  `json:"run"`
}

// Observers lists those who have made events on a run, in alphabetical order.
func (l *Ledger) Observers(ctx context.Context, run int64) ([]string, error) {
	rows, err := l.read.QueryContext(ctx, "SELECT DISTINCT observer FROM events WHERE run = ? ORDER BY observer", run)
	if err != nil {
		return nil, l.words(err)
	}
	defer rows.Close()
	var all []string
	for rows.Next() {
		var o string
		if err := rows.Scan(&o); err != nil {
			return nil, l.words(err)
		}
		all = append(all, o)
	}
	return all, l.words(rows.Err())
}

// notCarried lists the events on earlier readings that found no place on a run.
func notCarried(ctx context.Context, q querier, run int64) ([]NotCarried, error) {
	rows, err := q.QueryContext(ctx, `SELECT n.event, n.why, coalesce(json_extract(r.body, '$.id'), '')
		FROM not_carried n JOIN events e ON e.uuid = n.event LEFT JOIN readings r ON r.id = e.reading WHERE n.run = ?`, run)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	told := map[string]NotCarried{}
	for rows.Next() {
		var id string
		var n NotCarried
		if err := rows.Scan(&id, &n.Why, &n.Core); err != nil {
			return nil, err
		}
		told[id] = n
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	events, err := eventsOf(ctx, q, "uuid IN (SELECT event FROM not_carried WHERE run = ?)", run)
	var all []NotCarried
	for _, e := range events {
		n := told[e.UUID]
		n.Event = e
		all = append(all, n)
	}
	return all, err
}
