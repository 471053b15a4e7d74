package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"pithward/measure"
)

// Scan is a scan of the project with its latest run.
type Scan struct {
	ID     int64
	File   string
	Path   string // where it was seen last
	SHA256 string
	Run    int64
}

// Stored tells what became of a measurement that was stored.
type Stored struct {
	Run        int64
	New        bool         // false: the project holds this very reading already
	Carried    int          // events taken over from earlier readings
	NotCarried []NotCarried // events that found no place
	Again      []Again      // cores of other scans that are seen again
}

// Again is a core that was told by its rings to be one of an earlier scan, or
// perhaps to be.
type Again struct {
	Core, Earlier string  // ids
	Scan          string  // the earlier scan's file
	Certainty     float64 // that it is that core, 0 to 1; nothing is carried over below measure.SureFit
	Share         float64 // of the boundaries that both readings have
	Turned        bool    // bark and pith end are exchanged
}

// String words it for people.
func (a Again) String() string {
	turned := ""
	if a.Turned {
		turned = ", bark and pith end exchanged"
	}
	if a.Certainty < measure.SureFit {
		return fmt.Sprintf("%s may be %s of %s scanned anew, but that is not sure enough to carry edits over: certainty %.2f, %.0f %% of the boundaries agree%s", a.Core, a.Earlier, a.Scan, a.Certainty, 100*a.Share, turned)
	}
	return fmt.Sprintf("%s is %s of %s scanned anew: certainty %.3f, %.0f %% of the boundaries agree%s", a.Core, a.Earlier, a.Scan, math.Min(a.Certainty, mostSaid), 100*a.Share, turned)
}

// mostSaid is the most of a certainty that is said: nothing is certain.
const mostSaid = 0.999

// NotCarried is a person's event on an earlier reading that found no place on
// a later one, and why.
type NotCarried struct {
	Event measure.Event
	Core  string // id of the core on the earlier reading; "" for the whole scan, or a core that a person added
	Why   string
}

// String words it for people.
func (n NotCarried) String() string {
	who := ""
	if n.Core != "" {
		who = n.Core + ": "
	}
	return fmt.Sprintf("%s%s: %s", who, n.Event.Kind, n.Why)
}

// Renewal tells what became of earlier decisions when a run was stored.
type Renewal struct {
	Since      int64 // the run of the same scan before this; 0: none
	Again      []Again
	Carried    int // events of the observer, here and below
	NotCarried []NotCarried
}

// Renewal returns what was carried over to a run for an observer.
func (l *Ledger) Renewal(ctx context.Context, run int64, observer string) (Renewal, error) {
	var r Renewal
	all, err := notCarried(ctx, l.read, run)
	if err != nil {
		return r, l.words(err)
	}
	for _, n := range all {
		if n.Event.Observer == observer {
			r.NotCarried = append(r.NotCarried, n)
		}
	}
	if r.Again, err = again(ctx, l.read, run); err != nil {
		return r, l.words(err)
	}
	err = l.read.QueryRowContext(ctx, `SELECT
		(SELECT coalesce(max(e.id), 0) FROM runs r JOIN runs e ON e.scan = r.scan AND e.id < r.id WHERE r.id = ?1),
		(SELECT count(*) FROM events WHERE run = ?1 AND observer = ?2 AND carries IS NOT NULL)`, run, observer).Scan(&r.Since, &r.Carried)
	return r, l.words(err)
}

// again lists the cores of a run that were known from another scan.
func again(ctx context.Context, q querier, run int64) ([]Again, error) {
	rows, err := q.QueryContext(ctx, `SELECT json_extract(n.body, '$.id'), json_extract(o.body, '$.id'), s.file, a.certainty, a.share, a.turned
		FROM seen_again a JOIN readings n ON n.id = a.reading JOIN readings o ON o.id = a.earlier JOIN runs r ON r.id = o.run JOIN scans s ON s.id = r.scan
		WHERE n.run = ? ORDER BY n.position`, run)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var all []Again
	for rows.Next() {
		var a Again
		if err := rows.Scan(&a.Core, &a.Earlier, &a.Scan, &a.Certainty, &a.Share, &a.Turned); err != nil {
			return nil, err
		}
		all = append(all, a)
	}
	return all, rows.Err()
}

// Store adds a measurement to the project as the latest run of its scan. path
// is where the scan's file lies. Cores that the project knows, on this scan or
// by the pattern of their rings on another, get a new reading, and what people
// decided about them is carried over where the place is still there.
func (l *Ledger) Store(ctx context.Context, m measure.Measurement, path string, now time.Time) (Stored, error) {
	var out Stored
	if m.Scan.SHA256 == "" {
		return out, fmt.Errorf("%s: the measurement does not name its scan by hash: measure it anew", m.Scan.File)
	}
	m, err := normal(m)
	if err != nil {
		return out, err
	}
	err = l.inside(ctx, func(tx *sql.Tx) error {
		scan, err := addScan(ctx, tx, m, path)
		if err != nil {
			return err
		}
		last, err := latestRun(ctx, tx, scan)
		if err != nil && !errors.Is(err, ErrNone) {
			return err
		}
		if last != 0 {
			same, err := sameRun(ctx, tx, last, m)
			if err != nil {
				return err
			}
			if same {
				out = Stored{Run: last}
				return nil
			}
		}
		out, err = addRun(ctx, tx, scan, m, now)
		return err
	})
	return out, err
}

func addScan(ctx context.Context, tx *sql.Tx, m measure.Measurement, path string) (id int64, err error) {
	scale, err := text(m.Scale.MMPerPx)
	if err != nil {
		return 0, err
	}
	err = tx.QueryRowContext(ctx, `INSERT INTO scans (sha256, file, path, width_px, height_px, mm_per_px) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT (sha256) DO UPDATE SET file = excluded.file, path = excluded.path, mm_per_px = excluded.mm_per_px RETURNING id`,
		m.Scan.SHA256, m.Scan.File, path, m.Scan.WidthPx, m.Scan.HeightPx, scale).Scan(&id)
	return id, err
}

// text returns JSON for a column, NULL for nil pointers.
func text(v any) (any, error) {
	b, err := json.Marshal(v)
	if err != nil || string(b) == "null" {
		return nil, err
	}
	return string(b), nil
}

// sameRun tells whether a run holds just this measurement.
func sameRun(ctx context.Context, tx *sql.Tx, run int64, m measure.Measurement) (bool, error) {
	have, _, err := loadRun(ctx, tx, run)
	if err != nil {
		return false, err
	}
	var a, b bytes.Buffer
	if err := errors.Join(json.NewEncoder(&a).Encode(have), json.NewEncoder(&b).Encode(m)); err != nil {
		return false, err
	}
	return bytes.Equal(a.Bytes(), b.Bytes()), nil
}

// normal returns a measurement with its numbers as its file has them, so that
// it is the same whether it was measured just now or read from its file.
func normal(m measure.Measurement) (measure.Measurement, error) {
	var text bytes.Buffer
	if err := measure.Encode(&text, m); err != nil {
		return m, err
	}
	return measure.Decode(&text)
}

func addRun(ctx context.Context, tx *sql.Tx, scan int64, m measure.Measurement, now time.Time) (Stored, error) {
	olds, err := matches(ctx, tx, scan, m)
	if err != nil {
		return Stored{}, err
	}
	head := m
	head.Cores = []measure.Core{}
	settings, err := json.Marshal(m.Program.Settings)
	if err != nil {
		return Stored{}, err
	}
	body, err := json.Marshal(head)
	if err != nil {
		return Stored{}, err
	}
	out := Stored{New: true}
	err = tx.QueryRowContext(ctx, "INSERT INTO runs (scan, utc, version, settings, head) VALUES (?, ?, ?, ?, ?) RETURNING id",
		scan, now.UTC().Format(time.RFC3339Nano), m.Program.Version, string(settings), string(body)).Scan(&out.Run)
	if err != nil {
		return out, err
	}
	for i, c := range m.Cores {
		if err := addReading(ctx, tx, out.Run, c, olds[i]); err != nil {
			return out, err
		}
	}
	if err := carry(ctx, tx, m, olds, &out, now); err != nil {
		return out, err
	}
	if out.Again, err = again(ctx, tx, out.Run); err != nil {
		return out, err
	}
	out.NotCarried, err = notCarried(ctx, tx, out.Run)
	return out, err
}

func addReading(ctx context.Context, tx *sql.Tx, run int64, c measure.Core, old *match) error {
	field, err := text(c.Field)
	if err != nil {
		return err
	}
	var core int64
	if old.sure() {
		core = old.core
		_, err = tx.ExecContext(ctx, "UPDATE cores SET field = ? WHERE id = ?", field, core)
	} else {
		err = tx.QueryRowContext(ctx, "INSERT INTO cores (field) VALUES (?) RETURNING id", field).Scan(&core)
	}
	if err != nil {
		return err
	}
	body, err := json.Marshal(c)
	if err != nil {
		return err
	}
	var reading int64
	err = tx.QueryRowContext(ctx, "INSERT INTO readings (run, core, uid, position, body) VALUES (?, ?, ?, ?, ?) RETURNING id", run, core, c.UID, c.Position, string(body)).Scan(&reading)
	if err != nil || old == nil || old.fit.SamePicture {
		return err
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO seen_again (reading, earlier, certainty, share, turned) SELECT ?, id, ?, ?, ? FROM readings WHERE run = ? AND uid = ?",
		reading, old.fit.Certainty, old.fit.Share, old.fit.Stretch < 0, old.run, old.uid)
	return err
}

// querier is a transaction or the pool of readers.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// loadRun reads the measurement of a run, and for each of its cores the id of
// the core it is a reading of.
func loadRun(ctx context.Context, q querier, run int64) (m measure.Measurement, cores []int64, err error) {
	var head string
	err = q.QueryRowContext(ctx, "SELECT head FROM runs WHERE id = ?", run).Scan(&head)
	if errors.Is(err, sql.ErrNoRows) {
		return m, nil, fmt.Errorf("run %d: %w", run, ErrNone)
	}
	if err != nil {
		return m, nil, err
	}
	if err := json.Unmarshal([]byte(head), &m); err != nil {
		return m, nil, fmt.Errorf("run %d cannot be read: %w", run, err)
	}
	rows, err := q.QueryContext(ctx, "SELECT core, body FROM readings WHERE run = ? ORDER BY position", run)
	if err != nil {
		return m, nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var core int64
		var body string
		if err := rows.Scan(&core, &body); err != nil {
			return m, nil, err
		}
		var c measure.Core
		if err := json.Unmarshal([]byte(body), &c); err != nil {
			return m, nil, fmt.Errorf("a reading of run %d cannot be read: %w", run, err)
		}
		m.Cores, cores = append(m.Cores, c), append(cores, core)
	}
	m.FillLists()
	return m, cores, rows.Err()
}

func latestRun(ctx context.Context, q querier, scan int64) (run int64, err error) {
	err = q.QueryRowContext(ctx, "SELECT id FROM runs WHERE scan = ? ORDER BY id DESC LIMIT 1", scan).Scan(&run)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, ErrNone
	}
	return run, err
}

// Scans lists the scans of the project that have been measured, as they were
// added.
func (l *Ledger) Scans(ctx context.Context) ([]Scan, error) {
	rows, err := l.read.QueryContext(ctx, `SELECT s.id, s.file, s.path, s.sha256, max(r.id) FROM scans s JOIN runs r ON r.scan = s.id GROUP BY s.id ORDER BY s.id`)
	if err != nil {
		return nil, l.words(err)
	}
	defer rows.Close()
	var all []Scan
	for rows.Next() {
		var s Scan
		if err := rows.Scan(&s.ID, &s.File, &s.Path, &s.SHA256, &s.Run); err != nil {
			return nil, l.words(err)
		}
		all = append(all, s)
	}
	return all, l.words(rows.Err())
}

// Reading returns the automatic measurement of a run, which must not be changed.
func (l *Ledger) Reading(ctx context.Context, run int64) (measure.Measurement, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if m, ok := l.runs[run]; ok {
		return m, nil
	}
	m, _, err := loadRun(ctx, l.read, run)
	if err != nil {
		return m, l.words(err)
	}
	if len(l.runs) >= keptRuns {
		clear(l.runs)
	}
	l.runs[run] = m
	return m, nil
}

// keptRuns is how many decoded runs are kept: chosen, a few MB each.
const keptRuns = 32

// Place returns where an observer stopped, as SetPlace was given it; nil if nowhere.
func (l *Ledger) Place(ctx context.Context, observer string) (json.RawMessage, error) {
	var place string
	err := l.read.QueryRowContext(ctx, "SELECT place FROM places WHERE observer = ?", observer).Scan(&place)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return json.RawMessage(place), l.words(err)
}

// SetPlace keeps where an observer is.
func (l *Ledger) SetPlace(ctx context.Context, observer string, place json.RawMessage) error {
	_, err := l.write.ExecContext(ctx, "INSERT INTO places (observer, place) VALUES (?, ?) ON CONFLICT (observer) DO UPDATE SET place = excluded.place", observer, string(place))
	return l.words(err)
}
