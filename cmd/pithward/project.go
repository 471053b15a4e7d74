package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"pithward/measure"
	"pithward/measure/ledger"
)

// openProject opens a project file that has to be there.
func openProject(ctx context.Context, path string) (*ledger.Ledger, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: there is no such project: make it with pithward measure --project or pithward desk", path)
	}
	return ledger.Open(ctx, path)
}

// storeResults puts what was measured on a scan into a project and words what
// became of earlier decisions.
func storeResults(ctx context.Context, l *ledger.Ledger, m measure.Measurement, scan string) (said []string, err error) {
	path, err := filepath.Abs(scan)
	if err != nil {
		return nil, err
	}
	s, err := l.Store(ctx, m, path, time.Now())
	switch {
	case err != nil:
		return nil, err
	case !s.New:
		return []string{l.Path() + ": holds this reading already"}, nil
	}
	said = []string{fmt.Sprintf("%s: stored as reading %d", l.Path(), s.Run)}
	for _, a := range s.Again {
		said = append(said, fmt.Sprintf("%s: %s", l.Path(), a))
	}
	if s.Carried > 0 || len(s.NotCarried) > 0 {
		said = append(said, fmt.Sprintf("%s: %s carried over from earlier readings, %d not", l.Path(), numbered(s.Carried, "edit"), len(s.NotCarried)))
	}
	for _, n := range s.NotCarried {
		said = append(said, fmt.Sprintf("%s: not carried over, of %s: %s", l.Path(), n.Event.Observer, n))
	}
	return said, nil
}

// tryProject opens the project file once, so that what is wrong with it is said
// before anything is measured.
func (m measurer) tryProject() error {
	if m.project == "" {
		return nil
	}
	l, err := ledger.Open(context.Background(), m.project)
	if err != nil {
		return fmt.Errorf("--project %w", err)
	}
	return l.Close()
}

// stored puts the results of a scan into the project too, if there is one: those
// just written, or those of an earlier run that was gone on with.
func (m measurer) stored(ctx context.Context, o outcome, t task, talk *talk) outcome {
	var err error
	switch {
	case m.project == "":
	case o.skipped:
		err = m.keepEarlier(ctx, t, talk)
	case len(o.files) > 0:
		err = m.keep(ctx, o.m, t, talk)
	}
	if o.err == nil {
		o.err = err
	}
	return o
}

// keep stores a measurement in the project.
func (m measurer) keep(ctx context.Context, got measure.Measurement, t task, talk *talk) error {
	l, err := ledger.Open(ctx, m.project)
	if err != nil {
		return err
	}
	defer l.Close()
	said, err := storeResults(ctx, l, got, t.scan)
	for _, s := range said {
		talk.say("pithward: " + s)
	}
	return err
}

// keepEarlier stores the results of an earlier run in the project.
func (m measurer) keepEarlier(ctx context.Context, t task, talk *talk) error {
	f, err := os.Open(t.result(jsonEnd))
	if err != nil {
		return err
	}
	defer f.Close()
	got, err := measure.Decode(f)
	if err != nil {
		return fmt.Errorf("%s: %w", t.shown(jsonEnd), err)
	}
	return m.keep(ctx, got, t, talk)
}

// observerName is who is working by the system, if it says.
func observerName() string {
	for _, name := range []string{"PITHWARD_OBSERVER", "USER", "LOGNAME"} {
		if who := os.Getenv(name); who != "" {
			return who
		}
	}
	return "observer"
}

// settlers lists all who have settled anything in a project, in alphabetical
// order.
func settlers(ctx context.Context, l *ledger.Ledger) ([]string, error) {
	scans, err := l.Scans(ctx)
	if err != nil {
		return nil, err
	}
	var all []string
	for _, s := range scans {
		who, err := l.Observers(ctx, s.Run)
		if err != nil {
			return nil, err
		}
		all = append(all, who...)
	}
	slices.Sort(all)
	return slices.Compact(all), nil
}

// known refuses a name given with a flag that is of none of those who have
// settled anything in a project: its reading would pass for theirs.
func known(named, flag string, all []string, project string) error {
	switch {
	case named == "" || slices.Contains(all, named):
		return nil
	case len(all) == 0:
		return fmt.Errorf("%s: nobody has settled anything, nor has %q: leave %s out", project, named, flag)
	}
	return fmt.Errorf("%s: nobody by the name of %q has settled anything: name one of those who have, %s", project, named, listed(all))
}
