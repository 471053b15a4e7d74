package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"unicode/utf8"

	"pithward/measure"
	"pithward/measure/archive"
)

// task is one scan to measure and where its results go.
type task struct {
	scan string // as the user named it
	dir  string // absolute, links resolved where it exists
	show string // dir as the user would name it, for messages and output
	stem string
}

// The ends of the names of a scan's results.
const (
	tableEnd   = archive.TableEnd
	datedEnd   = archive.DatedEnd
	undatedEnd = archive.UndatedEnd
	overlayEnd = ".overlay.png"
	stripsEnd  = ".strips" // a folder
	jsonEnd    = archive.JSONEnd
)

// resultEnds lists all results in the order in which they are written, the JSON
// last.
func resultEnds() []string {
	return []string{tableEnd, datedEnd, undatedEnd, overlayEnd, stripsEnd, jsonEnd}
}

func (t task) result(end string) string { return filepath.Join(t.dir, t.stem+end) }

// shown is a result's path as the user is told it.
func (t task) shown(end string) string { return filepath.Join(t.show, t.stem+end) }

// planTasks settles where the results of each scan go: out, which is made if it
// is not there, or the scan's own folder. It returns an error, about the call
// as a whole, if a folder cannot be written to, if two scans would write the
// same file, or if one would write over another scan. It also tidies those
// folders up after runs that were killed.
func planTasks(scans []string, out string) ([]task, error) {
	var tasks []task
	writable := map[string]error{}
	for _, scan := range scans {
		t := task{scan: scan, show: filepath.Dir(scan), stem: measure.Stem(scan)}
		if out != "" {
			t.show = out
			if err := os.MkdirAll(out, 0o777); err != nil {
				return nil, fmt.Errorf("--out %s: cannot be made: %w", out, reason(err))
			}
		}
		dir, err := realPath(t.show)
		if err != nil {
			return nil, err
		}
		t.dir = dir
		if _, tried := writable[dir]; !tried {
			writable[dir] = tryWriting(dir)
			if !utf8.ValidString(dir) {
				writable[dir] = errNotUTF8
			}
			removeAbandoned(dir)
		}
		if err := writable[dir]; err != nil && (out != "" || !absent(err)) {
			return nil, fmt.Errorf("%s: no results can be written there: %w: give another folder with --out", t.show, reason(err))
		}
		tasks = append(tasks, t)
	}
	return tasks, disjoint(tasks)
}

// realPath returns an absolute path with its links resolved as far as it exists.
func realPath(path string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	if resolved, err := filepath.EvalSymlinks(abs); err == nil {
		return resolved, nil
	}
	return abs, nil
}

// absent tells whether an error says that a folder is not there: then neither is
// the scan in it, which is no fault of the call.
func absent(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) || errors.Is(err, syscall.ELOOP)
}

// errNotUTF8 says that neither a job nor a result, which are JSON, can hold a name.
var errNotUTF8 = errors.New("its name is not UTF-8")

// tryWriting makes a file in a folder and takes it away again.
func tryWriting(dir string) error {
	f, err := os.CreateTemp(dir, stagePattern)
	if err != nil {
		return err
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

// disjoint checks that no two scans share a result and none is the result of
// another.
func disjoint(tasks []task) error {
	owner := map[string]task{}
	for _, t := range tasks {
		for _, end := range resultEnds() {
			path := t.result(end)
			if first, taken := owner[path]; taken {
				return fmt.Errorf("%s and %s would both write %s: measure them apart with a different --out, or rename one", first.scan, t.scan, t.shown(end))
			}
			owner[path] = t
		}
	}
	for _, t := range tasks {
		self, err := realPath(t.scan)
		if err != nil {
			return err
		}
		if maker, is := owner[self]; is {
			return fmt.Errorf("%s is a result of %s: leave it out, or give --out", t.scan, maker.scan)
		}
	}
	return nil
}

// reason takes the operation and path off a file error, which the message
// names already.
func reason(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// readableScan tells why a scan cannot be read, before a worker is started.
func readableScan(path string) error {
	info, err := os.Stat(path)
	switch {
	case !utf8.ValidString(path):
		return fmt.Errorf("%w: rename it", errNotUTF8)
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENOTDIR):
		return errors.New("there is no such file: check the name")
	case err != nil:
		return fmt.Errorf("cannot be read: %w", reason(err))
	case info.IsDir():
		return errors.New("is a folder, not a scan: name the image files in it, or give it with --folder")
	case !info.Mode().IsRegular():
		return errors.New("is not a regular file: name an image file")
	}
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("cannot be read: %w: change its permissions or copy it", reason(err))
	}
	return f.Close()
}

// noneThere tells which results of an earlier run are in the way, if any.
func (t task) noneThere() error {
	for _, end := range resultEnds() {
		if _, err := os.Lstat(t.result(end)); err == nil {
			return fmt.Errorf("%s is there already: give --overwrite to measure anew, or --out for another folder", t.shown(end))
		}
	}
	return nil
}
