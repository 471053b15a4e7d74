package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/ledger"
)

// exportOptions are the flags of export as they were given.
type exportOptions struct {
	project    string
	out        string
	observer   string
	overwrite  bool
	tucsonUnit string
}

func newExportCmd(d deps) *cobra.Command {
	var o exportOptions
	cmd := &cobra.Command{
		Use:   "export PROJECT",
		Short: "Write a project's widths as they were settled",
		Long: `Write every scan of PROJECT as an observer has settled it, into the files that
measure writes but the pictures: for tray.tif, tray.json, tray.csv, tray.rwl and
tray.undated.rwl. Rejected cores are left out of the .rwl files. Parts of one
core are joined by their boundaries as they were settled.

Without --observer it is the one who has settled anything; where several have,
one has to be named.` +
			exitStatus("every scan was written", "a scan could not be written, or the project not be read", "the call is wrong"),
		Example: example(
			"the settled widths, into a folder", "pithward export osmundvale.pithward --out settled",
			"as one of several observers has them", "pithward export osmundvale.pithward --out settled --observer Ada --overwrite",
		),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return errors.New("name one project file, PROJECT")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o.project = args[0]
			return runExport(cmd.Context(), o, d)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.out, "out", ".", "write into `DIR`, which is made if it is not there")
	f.StringVar(&o.observer, "observer", "", "as `NAME` has settled it")
	f.BoolVar(&o.overwrite, "overwrite", false, "replace results that are there already")
	f.StringVar(&o.tucsonUnit, "tucson-unit", tucsonFine, "unit of the .rwl files in `MM`: 0.001 (end marker -9999) or 0.01 (end marker 999)")
	fixed(cmd, "tucson-unit", tucsonFine, tucsonCoarse)
	return cmd
}

func runExport(ctx context.Context, o exportOptions, d deps) error {
	unit, err := measureOptions{tucsonUnit: o.tucsonUnit}.unit()
	if err != nil {
		return err
	}
	l, err := openProject(ctx, o.project)
	if err != nil {
		return &failure{err}
	}
	defer l.Close()
	scans, err := l.Scans(ctx)
	if err != nil {
		return &failure{err}
	}
	all, err := settlers(ctx, l)
	if err == nil {
		err = known(o.observer, "--observer", all, o.project)
	}
	if err != nil {
		return &failure{err}
	}
	var paths []string
	for _, s := range scans {
		paths = append(paths, s.File)
	}
	tasks, err := planTasks(paths, o.out)
	if err != nil {
		return err
	}
	settled, joined, faults := settledScans(ctx, l, scans, o.observer)
	failed := false
	for i, x := range settled {
		words, err := "", faults[i]
		if err == nil {
			words, err = exportScan(x, tasks[i], joined, o.overwrite, unit)
		}
		if err != nil {
			failed = true
			fmt.Fprintf(d.talk, "pithward: %s: %v\n", scans[i].File, err)
			continue
		}
		fmt.Fprint(d.out, words)
	}
	if failed {
		return &failure{}
	}
	return nil
}

// settledScans returns the scans as they were settled, with the parts of their
// cores joined as they are now; nil and an error for those that cannot be told.
func settledScans(ctx context.Context, l *ledger.Ledger, scans []ledger.Scan, named string) (settled []*ledger.Settled, joined []measure.JoinedCore, faults []error) {
	var good []*ledger.Settled
	for _, s := range scans {
		x, err := settledScan(ctx, l, s, named)
		settled, faults = append(settled, x), append(faults, err)
		if err == nil {
			good = append(good, x)
		}
	}
	return settled, ledger.Rejoin(good), faults
}

func settledScan(ctx context.Context, l *ledger.Ledger, s ledger.Scan, named string) (*ledger.Settled, error) {
	observer, err := settler(ctx, l, s.Run, named)
	if err != nil {
		return nil, err
	}
	return l.Settle(ctx, s, observer)
}

// exportScan writes a settled scan and returns its summary. A rejected core is in
// the JSON and the table, but not in the decadal files.
func exportScan(x *ledger.Settled, t task, joined []measure.JoinedCore, overwrite bool, unit archive.Unit) (string, error) {
	if !overwrite {
		if err := t.noneThere(); err != nil {
			return "", err
		}
	}
	st, err := newStage(t)
	if err != nil {
		return "", err
	}
	defer st.Close()
	if err := writeResults(st, &x.Measurement, x.Used, joined, unit); err != nil {
		return "", fmt.Errorf("the results cannot be written: %w", err)
	}
	files, err := st.commit()
	if err != nil {
		return "", fmt.Errorf("the results cannot be written: %w", err)
	}
	return summary(x.Measurement.Scan.File, x.Measurement, files), nil
}

// settler tells who has settled a scan: the one named, else the only one, else
// nobody.
func settler(ctx context.Context, l *ledger.Ledger, run int64, named string) (string, error) {
	all, err := l.Observers(ctx, run)
	switch {
	case err != nil:
		return "", err
	case named != "":
		return named, nil
	case len(all) > 1:
		return "", fmt.Errorf("was settled by %s: name one with --observer", strings.Join(all, " and by "))
	case len(all) == 1:
		return all[0], nil
	}
	return "", nil
}
