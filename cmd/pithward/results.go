package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"pithward/measure"
	"pithward/measure/archive"
)

// stage is a folder beside the results in which they are made, so that each
// can be put in place whole. It is locked while it is in use.
type stage struct {
	task task
	dir  string
	lock *os.File // nil: the file system has no locks
	made []string // the ends of the results in it
}

// stagePattern names stages and whatever else is made for a moment beside
// results.
const stagePattern = ".pithward-*"

func newStage(t task) (*stage, error) {
	for {
		dir, err := os.MkdirTemp(t.dir, stagePattern)
		if err != nil {
			return nil, fmt.Errorf("%s: no results can be written there: %w", t.show, reason(err))
		}
		lock, err := lockFolder(dir, syscall.LOCK_EX)
		if err != nil { // a file system without locks: there, nothing is ever taken for abandoned
			return &stage{task: t, dir: dir}, nil
		}
		if _, err := os.Stat(dir); err == nil {
			return &stage{task: t, dir: dir, lock: lock}, nil
		}
		lock.Close() // another run took it for abandoned just before the lock was on it
	}
}

// Close removes the stage and what is left in it.
func (s *stage) Close() error {
	err := os.RemoveAll(s.dir)
	if s.lock != nil {
		err = errors.Join(err, s.lock.Close())
	}
	return err
}

// lockFolder opens a folder and locks it until it is closed, or its process
// ends, however that may be.
func lockFolder(dir string, how int) (*os.File, error) {
	f, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), how); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// removeAbandoned ends the stages in a folder that no process holds: those of
// runs that were killed. What cannot be removed harms nobody.
func removeAbandoned(dir string) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	for _, e := range entries {
		if is, _ := filepath.Match(stagePattern, e.Name()); !is || !e.IsDir() {
			continue
		}
		path := filepath.Join(dir, e.Name())
		if lock, err := lockFolder(path, syscall.LOCK_EX|syscall.LOCK_NB); err == nil {
			_ = finish(dir, path)
			lock.Close()
		}
	}
}

// commitMark is a file on a stage whose results are all made and are being put
// in place. Its name is that of no result, as it has no dot.
const commitMark = "commit"

// mark is the contents of the commitMark.
type mark struct {
	Stem string
	Made []string
}

// finish puts the results of an abandoned stage in place if they were about to
// be, so that a run killed at that moment leaves whole files; then it removes
// the stage.
func finish(dir, path string) error {
	text, err := os.ReadFile(filepath.Join(path, commitMark))
	if err != nil {
		return os.RemoveAll(path) // killed before: none of its results is in place
	}
	var m mark
	if err := json.Unmarshal(text, &m); err != nil {
		return os.RemoveAll(path) // killed while it wrote the mark
	}
	s := &stage{task: task{dir: dir, show: dir, stem: m.Stem}, dir: path, made: m.Made}
	if _, err := os.Lstat(s.path(jsonEnd)); err == nil { // else it was done: the JSON is the last
		if _, err := s.place(); err != nil {
			return err
		}
	}
	return os.RemoveAll(path)
}

// path is where a result is made.
func (s *stage) path(end string) string { return s.at(s.task.stem + end) }

func (s *stage) at(name string) string { return filepath.Join(s.dir, name) }

// take adds a result that the worker was asked to make, if it did.
func (s *stage) take(end string) {
	if _, err := os.Stat(s.path(end)); err == nil {
		s.made = append(s.made, end)
	}
}

// write makes a result, or makes it anew.
func (s *stage) write(end string, text []byte) error {
	if !s.has(end) {
		s.made = append(s.made, end)
	}
	return os.WriteFile(s.path(end), text, 0o666)
}

// commit puts the results in place, the JSON last, after taking away those of
// an earlier run: at no time does a JSON stand beside files that are not its
// own. It returns their paths as the user is told them.
func (s *stage) commit() ([]string, error) {
	for _, end := range s.made {
		if err := syncAll(s.path(end)); err != nil {
			return nil, err
		}
	}
	text, err := json.Marshal(mark{s.task.stem, s.made})
	if err != nil {
		return nil, err
	}
	at := s.at(commitMark)
	if err := errors.Join(os.WriteFile(at, text, 0o666), syncOne(at), syncOne(s.dir)); err != nil {
		return nil, err
	}
	return s.place()
}

// place moves the results to where they belong. Those that an earlier attempt
// has moved are left there.
func (s *stage) place() ([]string, error) {
	if err := os.RemoveAll(s.task.result(jsonEnd)); err != nil {
		return nil, err
	}
	var shown []string
	for _, end := range resultEnds() {
		if err := s.replace(end); err != nil {
			return nil, err
		}
		if s.has(end) {
			shown = append(shown, s.task.shown(end))
		}
	}
	return shown, syncOne(s.task.dir)
}

func (s *stage) has(end string) bool { return slices.Contains(s.made, end) }

// replace puts one result in place, or takes away one of an earlier run that
// this run has not made.
func (s *stage) replace(end string) error {
	final := s.task.result(end)
	if _, err := os.Lstat(s.path(end)); s.has(end) && errors.Is(err, fs.ErrNotExist) {
		return nil // moved already, before this run's predecessor was killed
	}
	if end == stripsEnd || !s.has(end) { // a folder cannot be renamed over another
		if err := os.RemoveAll(final); err != nil {
			return err
		}
	}
	if !s.has(end) {
		return nil
	}
	return os.Rename(s.path(end), final)
}

// syncAll has a result written to disk: a file, or a folder with its files.
func syncAll(path string) error {
	inside, err := os.ReadDir(path)
	if err != nil && !errors.Is(err, syscall.ENOTDIR) {
		return err
	}
	for _, e := range inside {
		if err := syncOne(filepath.Join(path, e.Name())); err != nil {
			return err
		}
	}
	return syncOne(path)
}

func syncOne(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// writeResults makes all files of a measurement but the pictures; used is what of
// it goes into the decadal files. What had to be changed for those is added to
// the warnings first.
func writeResults(s *stage, m *measure.Measurement, used measure.Measurement, joined []measure.JoinedCore, unit archive.Unit) error {
	made, err := archive.NewResults(m, used, joined, s.task.stem, unit)
	if err != nil {
		return err
	}
	for _, end := range resultEnds() {
		text, is := made[end]
		if !is {
			continue
		}
		if err := s.write(end, text); err != nil {
			return err
		}
	}
	return nil
}
