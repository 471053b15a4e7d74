package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"pithward/cmd/pithward/worker"
	"pithward/measure"
)

// scannerOptions are the flags of scanner as they were given.
type scannerOptions struct {
	scans     []string
	name      string
	store     string
	replace   bool
	timeLimit time.Duration
}

func newScannerCmd(d deps) *cobra.Command {
	var o scannerOptions
	cmd := &cobra.Command{
		Use:   "scanner SCAN [SCAN]",
		Short: "Check a scanner against a ruler, once, for all later measurements",
		Long: `A scanner's pixels are not quite as long one way as the other, nor quite what its
resolution says. Check it once: scan one long steel ruler along each side of the
glass, as flat as the cores will lie, at the resolution you measure with, and
give both scans; or one scan with a ruler each way. The result is stored under
NAME. Later measurements use it for the axis along which no ruler lies, and to
correct a resolution tag; they say so, and warn where a ruler or a tag disagrees
with it by more than 0.5 %.

Scans that say what scanner they come from are recognised; for others give
measure --scanner NAME. The results are kept in scanners.json in the folder
pithward of your settings, in the file that PITHWARD_SCANNERS names, or in that
of --scanners.` +
			exitStatus("the scanner was checked and stored", "a scan has no ruler that can be read, or an axis has none", "the call is wrong"),
		Example: example(
			"check a scanner by one ruler, scanned along each side", "pithward scanner rulerx.tif rulery.tif --name flatbed",
			"or by one scan with a ruler each way", "pithward scanner ruler.tif --name flatbed --replace",
			"what is known", "pithward scanner list",
			"and of one scanner", "pithward scanner show flatbed",
			"use it", "pithward measure tray.tif --scanner flatbed",
			"forget it", "pithward scanner remove flatbed",
		),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) < 1 || len(args) > 2 {
				return errors.New("name one SCAN with a ruler along each side, or two of one ruler")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o.scans = args
			return runScanner(cmd.Context(), o, d)
		},
		ValidArgsFunction: scanNames,
	}
	f := cmd.Flags()
	f.StringVar(&o.name, "name", "", "store the result under `NAME` (default: the make and model that the scan states)")
	f.BoolVar(&o.replace, "replace", false, "replace the earlier check of that name")
	f.DurationVar(&o.timeLimit, "time-limit", 15*time.Minute, "give a scan up after `TIME`")
	cmd.PersistentFlags().StringVar(&o.store, "scanners", "", "keep the results in `FILE`")
	if err := cmd.MarkPersistentFlagFilename("scanners", "json"); err != nil {
		panic(err) // no such flag: a slip in this package, seen by every test
	}
	complete(cmd, "name", scannerNames(&o.store))
	cmd.AddCommand(newScannerListCmd(d, &o), newScannerShowCmd(d, &o), newScannerRemoveCmd(d, &o))
	return cmd
}

func newScannerListCmd(d deps, o *scannerOptions) *cobra.Command {
	asJSON := false
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the scanners that were checked",
		Long:    `List the scanners that were checked, a line each.` + exitStatus("the list was printed, even if empty", "the file of scanners cannot be read", "the call is wrong"),
		Example: example("what is known", "pithward scanner list"),
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			s, err := openScanners(o.store)
			if err != nil {
				return &failure{err}
			}
			if asJSON {
				return done(encodeScanners(d.out, s.scanners))
			}
			return done(listScanners(d.out, s))
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "for scripts: as JSON")
	return cmd
}

func newScannerShowCmd(d deps, o *scannerOptions) *cobra.Command {
	return &cobra.Command{
		Use:               "show NAME",
		Short:             "Show what is known of a scanner",
		Long:              `Show what the check of a scanner gave: its pixels along x and y, how far they are off its resolution, and how sure that is.` + exitStatus("it was shown", "there is no such scanner", "the call is wrong"),
		Example:           example("what is known of one", "pithward scanner show flatbed"),
		Args:              oneScanner,
		ValidArgsFunction: scannerNames(&o.store),
		RunE: func(_ *cobra.Command, args []string) error {
			s, err := openScanners(o.store)
			if err != nil {
				return &failure{err}
			}
			x, err := s.named(args[0])
			if err != nil {
				return &failure{err}
			}
			_, err = io.WriteString(d.out, scannerWords(x))
			return done(err)
		},
	}
}

func newScannerRemoveCmd(d deps, o *scannerOptions) *cobra.Command {
	return &cobra.Command{
		Use:               "remove NAME",
		Short:             "Forget the check of a scanner",
		Long:              `Forget the check of a scanner. What was measured with it stays as it is.` + exitStatus("it was removed", "there is no such scanner, or the file cannot be written", "the call is wrong"),
		Example:           example("forget one", "pithward scanner remove flatbed"),
		Args:              oneScanner,
		ValidArgsFunction: scannerNames(&o.store),
		RunE: func(_ *cobra.Command, args []string) error {
			s, err := openScanners(o.store)
			if err != nil {
				return &failure{err}
			}
			if _, err := s.named(args[0]); err != nil {
				return &failure{err}
			}
			s.remove(args[0])
			if err := s.save(); err != nil {
				return &failure{err}
			}
			_, err = fmt.Fprintf(d.out, "%s: removed from %s\n", args[0], s.path)
			return done(err)
		},
	}
}

func oneScanner(_ *cobra.Command, args []string) error {
	if len(args) != 1 {
		return errors.New("name one scanner, NAME")
	}
	return nil
}

// scannerNames completes the names of the scanners in the file given, and other
// words.
func scannerNames(store *string, words ...string) cobra.CompletionFunc {
	return func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		s, err := openScanners(*store)
		if err != nil {
			return nil, cobra.ShellCompDirectiveError
		}
		return append(s.names(), words...), cobra.ShellCompDirectiveNoFileComp
	}
}

// complete offers what a function lists as completion of a flag's value.
func complete(cmd *cobra.Command, flag string, list cobra.CompletionFunc) {
	if err := cmd.RegisterFlagCompletionFunc(flag, list); err != nil {
		panic(err) // no such flag: a slip in this package, seen by every test
	}
}

func runScanner(ctx context.Context, o scannerOptions, d deps) error {
	store, err := openScanners(o.store)
	if err != nil {
		return &failure{err}
	}
	w := worker.Worker{TimeLimit: o.timeLimit}
	if w.Path, err = worker.Find(d.worker); err != nil {
		return &failure{err}
	}
	scans, err := readRulers(ctx, w, o.scans)
	if err != nil {
		return &failure{err}
	}
	if o.name == "" {
		if o.name = strings.TrimSpace(scans[0].Make + " " + scans[0].Model); o.name == "" {
			return fmt.Errorf("%s does not say what scanner it comes from: give it a name with --name", o.scans[0])
		}
	}
	if _, err := store.named(o.name); err == nil && !o.replace {
		return fmt.Errorf("scanner %s was checked before: give --replace to check it anew, or another --name", o.name)
	}
	x, warnings, err := measure.NewScanner(o.name, time.Now().Format(time.DateOnly), scans)
	if err != nil {
		return &failure{fmt.Errorf("not stored: %w", err)}
	}
	store.put(x)
	if err := store.save(); err != nil {
		return &failure{err}
	}
	for _, warning := range warnings {
		fmt.Fprintf(d.talk, "pithward: warning: %s\n", warning)
	}
	_, err = fmt.Fprintf(d.out, "%sstored in %s\n", scannerWords(x), store.path)
	return done(err)
}

// readRulers reads the rulers on each scan.
func readRulers(ctx context.Context, w worker.Worker, paths []string) (scans []measure.RulerScan, err error) {
	for _, p := range paths {
		if err := readableScan(p); err != nil {
			return nil, fmt.Errorf("%s: %w", p, err)
		}
		s, err := w.Rulers(ctx, p)
		if err != nil {
			return nil, fmt.Errorf("%s: %s", p, strings.TrimPrefix(err.Error(), filepath.Base(p)+": "))
		}
		scans = append(scans, s)
	}
	return scans, nil
}

// scannerWords says what is known of a scanner.
func scannerWords(x measure.Scanner) string {
	var b strings.Builder
	fmt.Fprintf(&b, "scanner %s, checked %s\n", x.Name, x.Checked)
	rows := [][]string{{"axis", "mm a pixel", "dpi", "declared", "off by", "standard uncertainty"}}
	for a, axis := range []string{"x", "y"} {
		declared, off := "-", "-"
		if x.DPI[a] > 0 {
			declared, off = fmt.Sprintf("%.0f", x.DPI[a]), fmt.Sprintf("%+.2f %%", 100*x.Deviation(a))
		}
		rows = append(rows, []string{axis, fmt.Sprintf("%.6f", x.MMPerPx[a]), fmt.Sprintf("%.2f", 25.4/x.MMPerPx[a]), declared, off, fmt.Sprintf("%.2f %%", 100*x.Uncertainty[a])})
	}
	writeTable(&b, rows)
	fmt.Fprintf(&b, "  a pixel is %+.2f %% longer along y than along x, +- %.2f %%\n", 100*(x.Ratio(nil)-1), 100*x.RatioUncertainty)
	fmt.Fprintf(&b, "  %s\n", x.Detail)
	if x.Make != "" || x.Model != "" {
		fmt.Fprintf(&b, "  scans that say %q are recognised\n", strings.TrimSpace(x.Make+" "+x.Model))
	} else {
		fmt.Fprintf(&b, "  its scans do not say that they are its own: measure them with --scanner %q\n", x.Name)
	}
	return b.String()
}

// listScanners prints a line a scanner and where they are kept.
func listScanners(out io.Writer, s *scannerStore) error {
	var b strings.Builder
	if len(s.scanners) == 0 {
		b.WriteString("no scanner was checked yet\n")
	} else {
		rows := [][]string{{"scanner", "checked", "x off by", "y off by", "recognised as"}}
		for _, x := range s.scanners {
			rows = append(rows, []string{x.Name, x.Checked, fmt.Sprintf("%+.2f %%", 100*x.Deviation(0)), fmt.Sprintf("%+.2f %%", 100*x.Deviation(1)), strings.TrimSpace(x.Make + " " + x.Model)})
		}
		writeTable(&b, rows)
	}
	fmt.Fprintf(&b, "kept in %s\n", s.path)
	_, err := io.WriteString(out, b.String())
	return err
}

// encodeScanners writes scanners as the file of them has them.
func encodeScanners(w io.Writer, list []measure.Scanner) error {
	if list == nil {
		list = []measure.Scanner{}
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(map[string]any{"schema": scannersSchema, "scanners": list})
}
