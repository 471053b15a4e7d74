package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sync/errgroup"

	"pithward/cmd/pithward/worker"
	"pithward/measure"
	"pithward/measure/archive"
)

// measurer measures scans with one set of options.
type measurer struct {
	worker    worker.Worker
	settings  measure.Settings
	sheet     *measure.Sheet // nil: none
	unit      archive.Unit
	unitWord  string // unit as it was given
	strips    bool
	overwrite bool
	resume    bool
	version   string
	project   string // file to store the readings in too; "": none
	full      *fullDisks
	room      int64 // bytes of memory free as the run began; 0: not known
}

// outcome is what became of one scan.
type outcome struct {
	m       measure.Measurement
	files   []string // written
	skipped bool     // there already, nothing has changed
	err     error    // without the scan's name
}

// errNoCore is what is said of a scan without cores; its results are written.
var errNoCore = errors.New("no core was found: look at the overlay; is it a scan of cores, lighter or darker than their ground, sanded so that rings show?")

func runMeasure(ctx context.Context, o measureOptions, d deps) error {
	m, err := newMeasurer(o, d)
	if err != nil {
		return err
	}
	if o.watch != "" {
		return m.watch(ctx, o, d)
	}
	scans, err := withFolders(o.scans, o.folders)
	if err != nil {
		return err
	}
	tasks, err := planTasks(scans, o.out)
	if err != nil {
		return err
	}
	if m.worker.Path, err = worker.Find(d.worker); err != nil {
		return &failure{err}
	}
	jobs := o.jobs
	if jobs == 0 {
		jobs = defaultJobs(scans, d)
	}
	t := newTalk(d, len(tasks))
	defer t.Close()
	m.warnOfSheet(t)
	return m.all(ctx, tasks, jobs, t)
}

// newMeasurer checks the options that do not concern single scans.
func newMeasurer(o measureOptions, d deps) (m measurer, err error) {
	m = measurer{
		worker: worker.Worker{TimeLimit: o.timeLimit}, unitWord: o.tucsonUnit, strips: o.strips,
		overwrite: o.overwrite, project: o.project, resume: o.resume || o.watch != "", version: d.version, full: &fullDisks{}, room: d.memory(),
	}
	if m.settings, err = o.settings(); err != nil {
		return m, err
	}
	if m.unit, err = o.unit(); err != nil {
		return m, err
	}
	if m.sheet, err = openSheet(o.sheet); err != nil {
		return m, err
	}
	return m, m.tryProject()
}

func (m measurer) warnOfSheet(t *talk) {
	if m.sheet == nil {
		return
	}
	for _, w := range m.sheet.Messages() {
		t.say("pithward: warning: " + w)
	}
}

func openSheet(path string) (*measure.Sheet, error) {
	if path == "" {
		return nil, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("--sheet %s: cannot be read: %w", path, reason(err))
	}
	defer f.Close()
	sheet, err := measure.ReadSheet(filepath.Base(path), f)
	if err != nil {
		return nil, fmt.Errorf("--sheet %s", err)
	}
	return sheet, nil
}

// all measures the tasks, so many at once, and tells what became of each in
// their order.
func (m measurer) all(ctx context.Context, tasks []task, jobs int, t *talk) error {
	outcomes := make([]chan outcome, len(tasks))
	for i := range outcomes {
		outcomes[i] = make(chan outcome, 1)
	}
	var group errgroup.Group
	group.SetLimit(jobs)
	go func() {
		for i, task := range tasks {
			group.Go(func() error {
				outcomes[i] <- m.one(ctx, task, t)
				return nil
			})
		}
	}()
	failed, skipped := 0, 0
	var unstarted []string // for want of room on the disk
	for i, task := range tasks {
		o := <-outcomes[i]
		if o.err != nil {
			failed++
		}
		switch {
		case o.skipped:
			skipped++
			t.say(fmt.Sprintf("pithward: %s: skipped: measured already, and nothing has changed", task.scan))
			if o.err != nil {
				t.say(fmt.Sprintf("pithward: %s: %v", task.scan, o.err))
			}
		case errors.Is(o.err, errNoRoomLeft):
			unstarted = append(unstarted, task.scan)
		case o.err != nil:
			t.say(fmt.Sprintf("pithward: %s: %v", task.scan, o.err))
		}
		if len(o.files) > 0 {
			t.print(summary(task.scan, o.m, o.files))
		}
	}
	if len(unstarted) > 0 {
		t.say(fmt.Sprintf("pithward: not measured, as the disk is full: %s", strings.Join(unstarted, ", ")))
	}
	if skipped > 0 && len(tasks) > 1 {
		t.say(fmt.Sprintf("pithward: %d of %d scans skipped", skipped, len(tasks)))
	}
	if failed == 0 {
		return nil
	}
	if len(tasks) > 1 {
		t.say(fmt.Sprintf("pithward: %d of %d scans failed", failed, len(tasks)))
	}
	return &failure{}
}

// one measures one scan and writes its results.
func (m measurer) one(ctx context.Context, t task, talk *talk) outcome {
	defer talk.finish(t.scan)
	if ctx.Err() != nil {
		return outcome{err: errors.New("not measured: interrupted")}
	}
	if err := readableScan(t.scan); err != nil {
		return outcome{err: err}
	}
	if skip, err := m.earlier(t); skip || err != nil {
		if skip {
			err = errors.Join(err, m.keepEarlier(ctx, t, talk))
		}
		return outcome{skipped: skip, err: err}
	}
	if err := enough(t.scan, m.room); err != nil {
		return outcome{err: err}
	}
	if m.full.has(t.dir) {
		return outcome{err: errNoRoomLeft}
	}
	o, err := m.staged(ctx, t, talk)
	if err != nil {
		return outcome{err: m.full.explain(err, t)}
	}
	if len(o.m.Cores) == 0 {
		o.err = errNoCore
	}
	return o
}

// staged makes the results of one scan and puts them in place.
func (m measurer) staged(ctx context.Context, t task, talk *talk) (outcome, error) {
	s, err := newStage(t)
	if err != nil {
		return outcome{}, err
	}
	defer s.Close()
	got, err := m.measure(ctx, s, talk)
	if err != nil {
		return outcome{}, err
	}
	files, err := s.commit()
	if err != nil {
		return outcome{}, fmt.Errorf("the results cannot be written: %w", err)
	}
	return outcome{m: got, files: files}, m.keep(ctx, got, t, talk)
}

// measure has the worker measure a scan and makes all results on the stage.
func (m measurer) measure(ctx context.Context, s *stage, talk *talk) (measure.Measurement, error) {
	t := s.task
	job := measure.Job{Scan: t.scan, Settings: m.settings, Overlay: s.path(overlayEnd), Version: m.version}
	if m.strips {
		job.Strips = s.path(stripsEnd)
		if err := os.Mkdir(job.Strips, 0o777); err != nil {
			return measure.Measurement{}, err
		}
	}
	var warnings []string
	if m.sheet != nil {
		job.Fields, warnings = m.sheet.ForScan(t.scan)
		if len(job.Fields) == 0 {
			warnings = append(warnings, fmt.Sprintf("%s has no row for this scan: write %q into its column scan", m.sheet.Name, filepath.Base(t.scan)))
		}
	}
	r, err := m.worker.Measure(ctx, job, func(msg measure.Message) { talk.progress(t.scan, msg) })
	if errors.Is(err, context.Canceled) {
		return r.Measurement, errors.New("not measured: interrupted")
	}
	if err != nil {
		return r.Measurement, errors.New(strings.TrimPrefix(err.Error(), filepath.Base(t.scan)+": "))
	}
	got := r.Measurement
	got.FillLists()
	if got.Program.Run, err = m.run(job.Fields); err != nil {
		return got, err
	}
	got.Warnings = append(warnings, got.Warnings...)
	if err := measure.Validate(got); err != nil {
		return got, fmt.Errorf("the worker's result contradicts itself; report it with the scan: %s", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	s.take(overlayEnd)
	if m.strips {
		s.take(stripsEnd)
	}
	if err := writeResults(s, &got, m.unit); err != nil {
		return got, fmt.Errorf("the results cannot be written: %w", err)
	}
	return got, nil
}
