// Package ledger keeps a project in one SQLite file: the scans that were
// measured, every automatic reading with the settings and version that made
// it, and an append-only list of what people decided. Nothing in it is ever
// overwritten; what a core is for an observer is worked out from it (see
// measure.Replay).
package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"sync"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"pithward/measure"
)

// Ending is the ending of a project file's name.
const Ending = ".pithward"

// Sentinels that a caller may want to tell apart.
var (
	ErrStale = errors.New("the core was changed elsewhere meanwhile: look at it anew")
	ErrVoid  = errors.New("nothing there to act on")
	ErrNone  = errors.New("not in this project")
	ErrEvent = errors.New("no event that can be stored")
)

// Ledger is an open project file. It may be used from several goroutines, and
// the file from several processes.
type Ledger struct {
	path  string
	write *sql.DB // one connection
	read  *sql.DB
	quick *quick // reads too

	group group

	mu     sync.Mutex
	runs   map[int64]measure.Measurement // of decoded runs, which never change
	blanks map[int64]measure.Measurement // of exercises, which never change either
}

// waitMS is how long to wait for another process that is writing, ms: chosen,
// far above what an edit takes.
const waitMS = 10_000

// Open opens a project file, makes it if it is not there, and brings an older
// one up to date. A file of a newer version, or of another program, is refused.
func Open(ctx context.Context, path string) (*Ledger, error) {
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: is not a file: name a project file", path)
	}
	// The busy timeout comes first, so that what follows waits too. A write is
	// on disk when it is acknowledged (synchronous FULL).
	const pragmas = "_pragma=busy_timeout(%d)&_pragma=journal_mode(WAL)&_pragma=foreign_keys(1)&_pragma=synchronous(FULL)"
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	dsn := (&url.URL{Scheme: "file", Path: abs}).String() + "?" + fmt.Sprintf(pragmas, waitMS)
	l := &Ledger{path: path, group: group{turn: make(chan struct{}, 1)}, runs: map[int64]measure.Measurement{}, blanks: map[int64]measure.Measurement{}}
	if l.write, err = sql.Open("sqlite", dsn+"&_txlock=immediate"); err != nil {
		return nil, l.words(err)
	}
	l.write.SetMaxOpenConns(1)
	if err := l.migrate(ctx, migrations()); err != nil {
		return nil, errors.Join(l.words(err), l.write.Close())
	}
	if l.read, err = sql.Open("sqlite", dsn+"&_pragma=query_only(1)"); err != nil {
		return nil, errors.Join(l.words(err), l.write.Close())
	}
	l.read.SetMaxOpenConns(4)
	l.quick = &quick{db: l.read}
	return l, nil
}

// Close closes the file.
func (l *Ledger) Close() error { return errors.Join(l.read.Close(), l.write.Close()) }

// Path is the project file's path, as it was opened.
func (l *Ledger) Path() string { return l.path }

// migrate runs the migrations that the file has not seen, each whole or not at
// all. user_version counts them.
func (l *Ledger) migrate(ctx context.Context, steps []string) error {
	for {
		done, err := l.migrateOne(ctx, steps)
		if err != nil || done {
			return err
		}
	}
}

func (l *Ledger) migrateOne(ctx context.Context, steps []string) (done bool, err error) {
	tx, err := l.write.BeginTx(ctx, nil)
	if err != nil {
		return false, err
	}
	defer func() { _ = tx.Rollback() }() // without effect once committed
	var version, tables int
	if err := tx.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return false, err
	}
	if version > len(steps) {
		return false, fmt.Errorf("the project was written by a newer version of pithward (format %d; this one knows up to %d): update pithward", version, len(steps))
	}
	if version == len(steps) {
		return true, nil
	}
	if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return false, err
	}
	if version == 0 && tables > 0 {
		return false, errors.New("is a database of another program: name a project file")
	}
	if _, err := tx.ExecContext(ctx, steps[version]); err != nil {
		return false, err
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", version+1)); err != nil {
		return false, err
	}
	return false, tx.Commit()
}

// words puts what the database says into plain words, with the file's name and
// what to do.
func (l *Ledger) words(err error) error {
	var s *sqlite.Error
	var p *fs.PathError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &p):
		return fmt.Errorf("%s: %w", l.path, p.Err)
	case !errors.As(err, &s):
		return fmt.Errorf("%s: %w", l.path, err)
	}
	what := "cannot be used"
	switch s.Code() & 0xff {
	case sqlite3.SQLITE_FULL:
		what = "the disk is full, so that nothing was stored: make room and try again"
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		what = "another program keeps it locked: close it and try again"
	case sqlite3.SQLITE_NOTADB:
		what = "is not a project file"
	case sqlite3.SQLITE_CORRUPT:
		what = "is damaged: take the last copy of it"
	case sqlite3.SQLITE_READONLY:
		what = "cannot be written to: change its permissions or copy it"
	case sqlite3.SQLITE_CANTOPEN:
		what = "cannot be opened: is its folder there, and may it be written to?"
	}
	return fmt.Errorf("%s: %s (%w)", l.path, what, err)
}

// inside runs do in one transaction of the writer, whole or not at all.
func (l *Ledger) inside(ctx context.Context, do func(*sql.Tx) error) error {
	tx, err := l.write.BeginTx(ctx, nil)
	if err != nil {
		return l.words(err)
	}
	defer func() { _ = tx.Rollback() }() // without effect once committed
	if err := do(tx); err != nil {
		if isAnswer(err) {
			return err
		}
		return l.words(err)
	}
	return l.words(tx.Commit())
}
