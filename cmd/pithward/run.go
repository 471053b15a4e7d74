package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
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
	scanners  []measure.Scanner // to find a scan's own among
	sheet     *measure.Sheet    // nil: none
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
	if m.scanners, err = o.knownScanners(); err != nil {
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
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, fmt.Errorf("--sheet %s: is a folder, not a CSV file", path)
	}
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
		for _, members := range m.together(tasks) {
			group.Go(func() error {
				m.batch(ctx, tasks, members, outcomes, t)
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
			t.say(fmt.Sprintf("pithward: %s: skipped: measured already, and nothing has changed", shown(task.scan)))
			if o.err != nil {
				t.say(fmt.Sprintf("pithward: %s: %v", shown(task.scan), o.err))
			}
		case errors.Is(o.err, errNoRoomLeft):
			unstarted = append(unstarted, shown(task.scan))
		case o.err != nil:
			t.say(fmt.Sprintf("pithward: %s: %v", shown(task.scan), o.err))
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

// together lists which tasks have to be measured before any of them can be
// written: those with parts of one core by the sheet. Most are on their own.
func (m measurer) together(tasks []task) (batches [][]int) {
	batchOf := map[string]int{} // by core
	for i, t := range tasks {
		own := len(batches)
		batches = append(batches, []int{i})
		for _, core := range m.partsOn(t) {
			other, known := batchOf[core]
			if !known || other == own {
				batchOf[core] = own
				continue
			}
			batches[other] = append(batches[other], batches[own]...)
			batches[own] = nil
			for c, b := range batchOf {
				if b == own {
					batchOf[c] = other
				}
			}
			own = other
		}
	}
	return slices.DeleteFunc(batches, func(b []int) bool { return b == nil })
}

// partsOn lists the cores of which the sheet says that a part is on a scan.
func (m measurer) partsOn(t task) (cores []string) {
	if m.sheet == nil {
		return nil
	}
	fields, _ := m.sheet.ForScan(t.scan)
	for _, f := range fields {
		if f.Part > 0 && f.Core != "" {
			cores = append(cores, f.Core)
		}
	}
	return cores
}

// batch measures scans one after another, joins the parts of cores on them, and
// writes their results.
func (m measurer) batch(ctx context.Context, tasks []task, members []int, outcomes []chan outcome, talk *talk) {
	got := make([]*staged, len(members))
	var all []*measure.Measurement
	var scans []string
	for k, i := range members {
		got[k] = m.prepare(ctx, tasks[i], talk)
		if len(members) > 1 { // one worker at a time; and none is joined whose pictures fail
			got[k].finish(m.full)
		}
		if got[k].stage != nil {
			all, scans = append(all, &got[k].m), append(scans, tasks[i].scan)
		}
	}
	joined := measure.JoinParts(all)
	for k, i := range members {
		if m.sheet != nil && got[k].stage != nil {
			got[k].m.Warnings = append(got[k].m.Warnings, m.sheet.AbsentParts(tasks[i].scan, scans)...)
		}
		outcomes[i] <- m.stored(ctx, m.write(got[k], joined), tasks[i], talk)
		talk.finish(tasks[i].scan)
	}
}

// staged is a scan whose results are being made.
type staged struct {
	outcome
	stage *stage       // nil: there is nothing to write
	work  *worker.Work // which may still be drawing pictures; nil: they are there
}

// finish waits for the pictures. It tells whether the measurement has come to more
// warnings thereby. Where they fail there is nothing to write.
func (g *staged) finish(full *fullDisks) (more bool) {
	if g.stage == nil || g.work == nil {
		return false
	}
	late, err := g.work.Wait()
	g.work = nil
	if err != nil {
		g.stage.Close()
		*g = staged{outcome: outcome{err: full.explain(unmeasured(err, g.stage.task), g.stage.task)}}
		return false
	}
	g.m.Warnings = append(g.m.Warnings, late...)
	g.stage.take(overlayEnd)
	g.stage.take(stripsEnd)
	return len(late) > 0
}

// unmeasured words why a worker failed at a scan.
func unmeasured(err error, t task) error {
	if errors.Is(err, context.Canceled) {
		return errors.New("not measured: interrupted")
	}
	return errors.New(strings.TrimPrefix(err.Error(), filepath.Base(t.scan)+": "))
}

// prepare measures one scan, unless it can be skipped. Its pictures may still be
// being drawn then.
func (m measurer) prepare(ctx context.Context, t task, talk *talk) *staged {
	failed := func(err error) *staged { return &staged{outcome: outcome{err: err}} }
	if ctx.Err() != nil {
		return failed(errors.New("not measured: interrupted"))
	}
	if err := readableScan(t.scan); err != nil {
		return failed(err)
	}
	if skip, err := m.earlier(t); skip || err != nil {
		return &staged{outcome: outcome{skipped: skip, err: err}}
	}
	if err := enough(t.scan, m.room); err != nil {
		return failed(err)
	}
	if m.full.has(t.dir) {
		return failed(errNoRoomLeft)
	}
	s, err := newStage(t)
	if err != nil {
		return failed(m.full.explain(err, t))
	}
	got, work, err := m.measure(ctx, s, talk)
	if err != nil {
		s.Close()
		return failed(m.full.explain(err, t))
	}
	return &staged{outcome{m: got}, s, work}
}

// write makes the files of a scan that was measured, while its pictures are drawn,
// and puts all in place.
func (m measurer) write(g *staged, joined []measure.JoinedCore) outcome {
	if g.stage == nil {
		return g.outcome
	}
	err := writeResults(g.stage, &g.m, g.m, joined, m.unit)
	more := g.finish(m.full)
	if g.stage == nil {
		return g.outcome
	}
	defer g.stage.Close()
	if more {
		err = writeResults(g.stage, &g.m, g.m, joined, m.unit)
	}
	if err == nil {
		g.files, err = g.stage.commit()
	}
	if err != nil {
		return outcome{err: m.full.explain(fmt.Errorf("the results cannot be written: %w", err), g.stage.task)}
	}
	if len(g.m.Cores) == 0 {
		g.err = errNoCore
	}
	return g.outcome
}

// measure has the worker measure a scan. The worker goes on to draw the pictures
// on the stage.
func (m measurer) measure(ctx context.Context, s *stage, talk *talk) (got measure.Measurement, work *worker.Work, err error) {
	t := s.task
	job := measure.Job{Scan: t.scan, Settings: m.settings, Scanners: m.scanners, Overlay: s.path(overlayEnd), Version: m.version}
	if m.strips {
		job.Strips = s.path(stripsEnd)
		if err := os.Mkdir(job.Strips, 0o777); err != nil {
			return got, nil, err
		}
	}
	var warnings []string
	if m.sheet != nil {
		job.Fields, warnings = m.sheet.ForScan(t.scan)
	}
	work = m.worker.Start(ctx, job, func(msg measure.Message) { talk.progress(t.scan, msg) })
	got, ok := work.Measurement()
	if !ok {
		_, err := work.Wait()
		return got, nil, unmeasured(err, t)
	}
	got.FillLists()
	got.Warnings = append(warnings, got.Warnings...)
	got.Program.Run, err = m.run(job.Fields)
	if err == nil {
		if err = measure.Validate(got); err != nil {
			err = fmt.Errorf("the worker's result contradicts itself; report it with the scan: %s", strings.ReplaceAll(err.Error(), "\n", "; "))
		}
	}
	if err != nil {
		_, _ = work.Wait() // else it would draw on a stage that is being removed
		return got, nil, err
	}
	return got, work, nil
}
