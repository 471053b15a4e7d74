package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"pithward/measure/archive"
)

// measureOptions are the flags of measure as they were given.
type measureOptions struct {
	readingOptions
	scans      []string
	folders    []string
	watch      string
	every      time.Duration // between two looks at the watched folder
	out        string
	overwrite  bool
	resume     bool
	strips     bool
	project    string
	jobs       int
	tucsonUnit string
}

// scanNames completes the names of scans.
func scanNames(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return []string{"tif", "tiff", "png", "jpg", "jpeg"}, cobra.ShellCompDirectiveFilterFileExt
}

// The units of decadal files.
const (
	tucsonFine   = "0.001"
	tucsonCoarse = "0.01"
)

func newMeasureCmd(d deps) *cobra.Command {
	var o measureOptions
	cmd := &cobra.Command{
		Use:   "measure SCAN [SCAN…]",
		Short: "Measure the ring widths of the cores on scans",
		Long: `Measure every core on each SCAN (TIFF, PNG or JPEG). For tray.tif these files
are written, whole or not at all, tray.json last:

  tray.json         all that was read, with probabilities and uncertainties
  tray.csv          a ring a row
  tray.rwl          widths of the dated cores, Tucson decadal
  tray.undated.rwl  widths of the others, innermost ring = year 1
  tray.overlay.png  the scan with what was read drawn on it
  tray.strips/      with --strips, a picture of each core at full resolution

The scale is taken from --mm-per-px or --dpi, else from a ruler on the scan,
else from the file's resolution tag if the cores then come out 2-20 mm wide,
else there is none and lengths are in px. Where no ruler lies along an axis, a
scanner that was checked (pithward scanner) gives it. Years follow from the core sheet.

A run over many scans that was ended goes on with --resume: it skips what is
measured already from the same scan, sheet rows, settings and version of this
program, and says so. Results of anything else are left alone, and named,
unless --overwrite is given too. --watch measures what is in a folder and what
arrives there, as --resume does, until Ctrl-C.` +
			exitStatus("every scan was measured",
				"some scan was not, or no core was found on it; each is named with why, the others are complete",
				"the call is wrong: flags, a folder that cannot be written to, a sheet without scan or position"),
		Example: example(
			"measure a tray; results go beside it", "pithward measure tray.tif",
			"with ids and dates from a core sheet, into a folder of their own", "pithward measure tray.tif --sheet cores.csv --out results",
			"anew, with the scale given and all cores known to be oak", "pithward measure tray.tif --overwrite --dpi 1200 --wood ring-porous",
			"all scans of a folder, going on where an earlier run stopped", "pithward measure --folder . --resume --out all",
			"and keep the readings in a project, to settle their doubts", "pithward measure tray.tif --overwrite --project osmundvale.pithward",
			"widths in 0.01 mm for older programs", "pithward measure tray.tif --overwrite --tucson-unit 0.01",
		),
		Args: func(_ *cobra.Command, args []string) error {
			switch {
			case o.watch != "" && (len(args) > 0 || len(o.folders) > 0):
				return errors.New("--watch takes its scans from its folder: leave out SCAN and --folder")
			case len(args) == 0 && len(o.folders) == 0 && o.watch == "":
				return errors.New("name at least one SCAN, or a folder of them with --folder")
			case o.every <= 0:
				return fmt.Errorf("--every %v: want a time above 0, like 2s", o.every)
			}
			return nil
		},
		ValidArgsFunction: scanNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.scans = args
			if err := o.noteScale(cmd); err != nil {
				return err
			}
			if cmd.Flags().Changed("jobs") && o.jobs < 1 {
				return fmt.Errorf("--jobs %d: want at least 1", o.jobs)
			}
			return runMeasure(cmd.Context(), o, d)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.out, "out", "", "write results into `DIR` (default: beside each scan)")
	f.StringArrayVar(&o.folders, "folder", nil, "measure all scans in `DIR` (TIFF, PNG and JPEG by their names); may be given again")
	f.StringVar(&o.watch, "watch", "", "measure the scans in `DIR` and those that arrive there, until Ctrl-C")
	f.DurationVar(&o.every, "every", 2*time.Second, "with --watch, look each `TIME`; a scan is taken when it has not grown meanwhile")
	f.BoolVar(&o.overwrite, "overwrite", false, "replace results that are there already")
	f.BoolVar(&o.resume, "resume", false, "skip scans whose results are there and from the same scan, sheet rows, settings and version")
	o.flags(cmd)
	f.BoolVar(&o.strips, "strips", false, "also write a picture of each core at full resolution")
	f.StringVar(&o.project, "project", "", "store the readings in a project `FILE` too (*.pithward, made if it is not there), to be settled with pithward desk")
	f.IntVar(&o.jobs, "jobs", 0, "measure `N` scans at once (default: by memory, then processors)")
	f.StringVar(&o.tucsonUnit, "tucson-unit", tucsonFine, "unit of the .rwl files in `MM`: 0.001 (end marker -9999) or 0.01 (end marker 999)")
	fixed(cmd, "tucson-unit", tucsonFine, tucsonCoarse)
	if err := errors.Join(cmd.MarkFlagDirname("out"), cmd.MarkFlagDirname("folder"), cmd.MarkFlagDirname("watch"), cmd.MarkFlagFilename("project", "pithward")); err != nil {
		panic(err) // no such flag: a slip in this package, seen by every test
	}
	return cmd
}

func (o measureOptions) unit() (archive.Unit, error) {
	switch o.tucsonUnit {
	case tucsonFine:
		return archive.Thousandths, nil
	case tucsonCoarse:
		return archive.Hundredths, nil
	}
	return 0, fmt.Errorf("--tucson-unit %s: want %s or %s", o.tucsonUnit, tucsonFine, tucsonCoarse)
}
