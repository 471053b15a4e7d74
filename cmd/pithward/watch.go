package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"pithward/cmd/pithward/worker"
	"pithward/vision/header"
)

// brokenLooks is how many looks a file may stay as it is although it ends too
// early, or is no picture, before it is taken as it stands (chosen: half a
// minute at two seconds a look, for scanners that write in bursts).
const brokenLooks = 15

// arrival is a file in a watched folder as it was at the last look.
type arrival struct {
	size     int64
	changed  time.Time
	unmoved  int  // looks without a change
	measured bool // as it is now
}

// watcher finds the scans in a folder that have arrived whole. It looks at
// intervals instead of being told by the system, since scanners often write
// to a folder of another machine, of which the system tells nothing.
type watcher struct {
	dir  string
	seen map[string]*arrival
}

// look returns the scans that are whole and not yet measured.
func (w *watcher) look() ([]string, error) {
	scans, err := scansIn(w.dir)
	if err != nil {
		return nil, err
	}
	var ready []string
	there := map[string]*arrival{}
	for _, scan := range scans {
		there[scan] = w.arrived(scan)
		if a := there[scan]; a != nil && !a.measured && whole(scan, *a) {
			a.measured = true
			ready = append(ready, scan)
		}
	}
	w.seen = there
	return ready, nil
}

// arrived returns how a scan is now, and for how many looks it has been so;
// nil if it has just gone.
func (w *watcher) arrived(scan string) *arrival {
	now := &arrival{}
	if info, err := os.Stat(scan); err == nil {
		now.size, now.changed = info.Size(), info.ModTime()
	} // else it is measured as it is, and what is wrong with it is said
	if a := w.seen[scan]; a != nil && a.size == now.size && a.changed.Equal(now.changed) {
		a.unmoved++
		return a
	}
	return now
}

// whole tells whether a file seems to have been written to its end.
func whole(scan string, a arrival) bool {
	if a.unmoved == 0 {
		return false
	}
	_, err := header.ReadFile(scan)
	return err == nil || a.unmoved >= brokenLooks
}

// watch measures the scans of a folder as they arrive, until ctx ends.
func (m measurer) watch(ctx context.Context, o measureOptions, d deps) error {
	w := &watcher{dir: o.watch}
	if _, err := w.look(); err != nil {
		return fmt.Errorf("--watch %w", err)
	}
	if _, err := planTasks([]string{filepath.Join(o.watch, "any.tif")}, o.out); err != nil {
		return err // results cannot be written
	}
	var err error
	if m.worker.Path, err = worker.Find(d.worker); err != nil {
		return &failure{err}
	}
	d.terminal = false // no bar: there is no end to it
	t := newTalk(d, 0)
	defer t.Close()
	m.warnOfSheet(t)
	t.say(fmt.Sprintf("pithward: watching %s: Ctrl-C ends it", o.watch))
	failed := false
	for known := []task(nil); ; {
		select {
		case <-ctx.Done():
			return watched(failed)
		case <-time.After(o.every):
		}
		ready, err := w.look()
		if err != nil {
			t.say(fmt.Sprintf("pithward: %v", err))
			return &failure{}
		}
		tasks, refused := m.admit(&known, ready, o.out, t)
		if len(tasks) > 0 {
			m.reread(o.sheet, t)
			m.full, m.room = &fullDisks{}, d.memory() // there may be more of both by now
			jobs := o.jobs
			if jobs == 0 {
				jobs = defaultJobs(ready, d)
			}
			refused = m.all(ctx, tasks, jobs, t) != nil || refused
		}
		failed = failed || refused
	}
}

func watched(failed bool) error {
	if failed {
		return &failure{}
	}
	return nil
}

// admit plans the scans that are ready and adds them to the known ones. One
// that would write the results of another is refused, with a message.
func (m *measurer) admit(known *[]task, ready []string, out string, t *talk) (tasks []task, refused bool) {
	for _, scan := range ready {
		planned, err := planTasks([]string{scan}, out)
		if err == nil {
			others := without(*known, scan)
			if err = disjoint(append(others, planned...)); err == nil {
				*known = append(others, planned...)
				tasks = append(tasks, planned...)
				continue
			}
		}
		refused = true
		t.say(fmt.Sprintf("pithward: %s: not measured: %v", shown(scan), err))
	}
	return tasks, refused
}

// without returns the tasks but for that of a scan, which may come again.
func without(tasks []task, scan string) (others []task) {
	for _, t := range tasks {
		if t.scan != scan {
			others = append(others, t)
		}
	}
	return others
}

// reread takes the sheet as it is now: rows may have been added for the scans
// that have arrived. A sheet that cannot be read is said, and the rows known
// so far are used.
func (m *measurer) reread(path string, t *talk) {
	sheet, err := openSheet(path)
	if err != nil {
		t.say(fmt.Sprintf("pithward: warning: %v; its earlier rows are used", err))
		return
	}
	m.sheet = sheet
}
