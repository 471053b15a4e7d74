package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"pithward/measure"
)

// StudentEventLimit is the most edits a student may make in an exercise: chosen,
// ten times the rings of the longest cores.
const StudentEventLimit = 5000

// StudentKinds lists what students may do: all that concerns rings and their
// places, nothing that asks what the program thinks.
func StudentKinds() []measure.EventKind {
	return []measure.EventKind{measure.Add, measure.Remove, measure.Move, measure.Gap, measure.Obscure, measure.AbsentRing, measure.Redraw,
		measure.OuterYear, measure.Note, measure.SignOff, measure.Undo}
}

// WorkOf returns the exercise's core as a student has it.
func (l *Ledger) WorkOf(ctx context.Context, x Exercise, s Student) (Edited, error) {
	events, err := workEvents(ctx, l.quick, x, s.ID)
	if err != nil {
		return Edited{}, l.words(err)
	}
	return work(x, events), nil
}

// work replays a student's events. The core counts as measured by hand.
func work(x Exercise, events []measure.Event) Edited {
	e := Edited{measure.Replay(x.Blank, events), x.Run, events}
	st := e.States[x.Core]
	st.Blank = true
	e.States[x.Core] = st
	return e
}

func workEvents(ctx context.Context, q querier, x Exercise, student int64) (all []measure.Event, err error) {
	rows, err := q.QueryContext(ctx, `SELECT seq, uuid, utc, kind, target, coalesce(point_px, 'null'), coalesce(detail, 'null'), coalesce(undoes, ''), why
		FROM student_events WHERE student = ? ORDER BY seq`, student)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	who := Student{ID: student}.Observer()
	for rows.Next() {
		e := measure.Event{Core: x.Core, Observer: who}
		var utc, kind, point, detail string
		if err := rows.Scan(&e.Seq, &e.UUID, &utc, &kind, &e.Target, &point, &detail, &e.Undoes, &e.Why); err != nil {
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

// AppendWork adds an edit to a student's work, as Append does to a project's, and
// returns the work as it is then. Whether the exercise is open is looked at in
// the same transaction: no edit comes after its closing.
func (l *Ledger) AppendWork(ctx context.Context, x Exercise, s Student, e measure.Event, revisionSeen int64) (Edited, error) {
	e.Core, e.Observer, e.UTC = x.Core, s.Observer(), e.UTC.UTC()
	if err := check(e); err != nil {
		return Edited{}, fmt.Errorf("%w: %w", ErrEvent, err)
	}
	if !slices.Contains(StudentKinds(), e.Kind) {
		return Edited{}, fmt.Errorf("%w: %q is not for students", ErrEvent, e.Kind)
	}
	var out Edited
	err := l.together(ctx, func(ctx context.Context, tx *sql.Tx) error {
		now, err := stillOpen(ctx, tx, s)
		if err != nil {
			return err
		}
		events, err := workEvents(ctx, tx, x, s.ID)
		if err != nil {
			return err
		}
		if slices.ContainsFunc(events, func(have measure.Event) bool { return have.UUID == e.UUID }) {
			out = work(x, events)
			return nil
		}
		switch {
		case now.open(e.UTC) != nil:
			return now.open(e.UTC)
		case len(events) >= StudentEventLimit:
			return ErrTooMany
		case revision(events, x.Core) != revisionSeen:
			return ErrStale
		}
		if why := refused(x.Blank, events, e); why != "" {
			return fmt.Errorf("%w: %s", ErrVoid, why)
		}
		if err := insertWork(ctx, tx, s.ID, &e); err != nil {
			return err
		}
		out = work(x, append(events, e))
		return nil
	})
	return out, err
}

// stillOpen reads the times of the student's exercise as they are now; ErrNone if
// the student has been removed.
func stillOpen(ctx context.Context, tx *sql.Tx, s Student) (x Exercise, err error) {
	var opens, closes sql.NullString
	err = tx.QueryRowContext(ctx, "SELECT x.opens, x.closes FROM exercises x JOIN students s ON s.exercise = x.id WHERE s.id = ?", s.ID).Scan(&opens, &closes)
	if errors.Is(err, sql.ErrNoRows) {
		return x, fmt.Errorf("the student is %w", ErrNone)
	}
	if err != nil {
		return x, err
	}
	from, err := unstamp(opens)
	if err != nil {
		return x, err
	}
	x.Opens = *from
	x.Closes, err = unstamp(closes)
	return x, err
}

func insertWork(ctx context.Context, tx *sql.Tx, student int64, e *measure.Event) error {
	point, err := text(e.PointPx)
	if err != nil {
		return err
	}
	detail, err := text(e.Detail)
	if err != nil {
		return err
	}
	return tx.QueryRowContext(ctx, `INSERT INTO student_events (uuid, student, utc, kind, target, point_px, detail, undoes, why)
		VALUES (?, ?, ?, ?, ?, ?, ?, nullif(?, ''), ?) RETURNING seq`,
		e.UUID, student, stamp(&e.UTC), string(e.Kind), e.Target, point, detail, e.Undoes, e.Why).Scan(&e.Seq)
}

// Removed says what went with a student.
type Removed struct {
	Name   string
	Events int
	Result bool
}

// RemoveStudent takes a student out of the project with all that was theirs:
// name, session, edits, result. The file is then written anew and the
// write-ahead log emptied, so that no byte of it is left there; copies made
// before are beyond reach.
func (l *Ledger) RemoveStudent(ctx context.Context, id int64) (Removed, error) {
	s, err := l.StudentByID(ctx, id)
	if err != nil {
		return Removed{}, err
	}
	out := Removed{Name: s.Name, Result: s.Result != nil}
	err = l.inside(ctx, func(tx *sql.Tx) error {
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM student_events WHERE student = ?", id).Scan(&out.Events); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, "DELETE FROM students WHERE id = ?", id)
		return err
	})
	if err != nil {
		return out, err
	}
	if _, err := l.write.ExecContext(ctx, "VACUUM"); err != nil {
		return out, l.words(err)
	}
	var busy, logged, done int
	if err := l.write.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &logged, &done); err != nil {
		return out, l.words(err)
	}
	if busy != 0 {
		return out, fmt.Errorf("%s: %s is removed, but traces may stand in %s-wal until every program that has the project open is ended", l.path, s.Name, l.path)
	}
	return out, nil
}
