package main

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"pithward/measure"
	"pithward/measure/archive"
)

// measureOptions are the flags of measure as they were given.
type measureOptions struct {
	scans       []string
	folders     []string
	watch       string
	every       time.Duration // between two looks at the watched folder
	out         string
	overwrite   bool
	resume      bool
	scaleFlag   string // which of the next two was given; "": none
	mmPerPx     float64
	dpi         float64
	sheet       string
	wood        string
	bark        string
	strips      bool
	project     string
	jobs        int
	tucsonUnit  string
	seasonNorth string
	seasonSouth string
	timeLimit   time.Duration
}

// The two ways of giving the scale.
const (
	flagMMPerPx = "mm-per-px"
	flagDPI     = "dpi"
)

// The word for "decide from the picture".
const auto = "auto"

func woods() []string {
	return []string{auto, string(measure.Conifer), string(measure.RingPorous), string(measure.DiffusePorous)}
}

func ends() []string {
	return []string{auto, string(measure.Left), string(measure.Right), string(measure.Top), string(measure.Bottom)}
}

// The units of decadal files.
const (
	tucsonFine   = "0.001"
	tucsonCoarse = "0.01"
)

func newMeasureCmd(d deps) *cobra.Command {
	var o measureOptions
	season := measure.DefaultSeason()
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
else there is none and lengths are in px. Years follow from the core sheet.

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
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return []string{"tif", "tiff", "png", "jpg", "jpeg"}, cobra.ShellCompDirectiveFilterFileExt
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o.scans = args
			for _, flag := range []string{flagMMPerPx, flagDPI} {
				if cmd.Flags().Changed(flag) {
					o.scaleFlag = flag
				}
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
	f.Float64Var(&o.mmPerPx, flagMMPerPx, 0, "scale, `MM` a pixel; wins over ruler and tag and is checked against them")
	f.Float64Var(&o.dpi, flagDPI, 0, "scale as `N` pixels an inch, like --mm-per-px")
	f.StringVar(&o.sheet, "sheet", "", "core sheet, a CSV `FILE` with a row a core (scan, position, core, sampled, …)")
	f.StringVar(&o.wood, "wood", auto, "`KIND` of wood of all cores: "+strings.Join(woods(), ", ")+"; auto: by the sheet's species, else by the picture")
	f.StringVar(&o.bark, "bark", auto, "`END` of all cores at which the bark is: "+strings.Join(ends(), ", "))
	f.BoolVar(&o.strips, "strips", false, "also write a picture of each core at full resolution")
	f.StringVar(&o.project, "project", "", "store the readings in a project `FILE` too (*.pithward, made if it is not there), to be settled with pithward desk")
	f.IntVar(&o.jobs, "jobs", 0, "measure `N` scans at once (default: by memory, then processors)")
	f.StringVar(&o.tucsonUnit, "tucson-unit", tucsonFine, "unit of the .rwl files in `MM`: 0.001 (end marker -9999) or 0.01 (end marker 999)")
	f.StringVar(&o.seasonNorth, "season-north", fmt.Sprintf("%d-%d", season.NorthFrom, season.NorthTo), "first and last `MONTHS` of growth in the north")
	f.StringVar(&o.seasonSouth, "season-south", fmt.Sprintf("%d-%d", season.SouthFrom, season.SouthTo), "first and last `MONTHS` of growth in the south")
	f.DurationVar(&o.timeLimit, "time-limit", 15*time.Minute, "give a scan up after `TIME`")
	cmd.MarkFlagsMutuallyExclusive(flagMMPerPx, flagDPI)
	fixed(cmd, "wood", woods()...)
	fixed(cmd, "bark", ends()...)
	fixed(cmd, "tucson-unit", tucsonFine, tucsonCoarse)
	if err := errors.Join(cmd.MarkFlagDirname("out"), cmd.MarkFlagDirname("folder"), cmd.MarkFlagDirname("watch"), cmd.MarkFlagFilename("sheet", "csv"), cmd.MarkFlagFilename("project", "pithward")); err != nil {
		panic(err) // no such flag: a slip in this package, seen by every test
	}
	return cmd
}

// settings turns the flags into the settings of a measurement.
func (o measureOptions) settings() (measure.Settings, error) {
	var s measure.Settings
	var err error
	if s.MMPerPx, err = o.scale(); err != nil {
		return s, err
	}
	wood, err := choice("wood", o.wood, woods())
	if err != nil {
		return s, err
	}
	end, err := choice("bark", o.bark, ends())
	if err != nil {
		return s, err
	}
	s.Wood, s.BarkEnd = measure.Wood(wood), measure.End(end)
	if o.timeLimit <= 0 {
		return s, fmt.Errorf("--time-limit %v: want a time above 0, like 15m", o.timeLimit)
	}
	s.Season, err = o.season()
	return s, err
}

// Limits of a plausible scale, mm a pixel (chosen): a microscope's and a
// photograph's of a whole disc.
const (
	finestMMPerPx   = 0.0001
	coarsestMMPerPx = 1.0
)

// scale returns the scale given in mm a pixel; 0 if none was.
func (o measureOptions) scale() (float64, error) {
	value, mm := o.mmPerPx, o.mmPerPx
	switch o.scaleFlag {
	case "":
		return 0, nil
	case flagDPI:
		value, mm = o.dpi, 25.4/o.dpi
	}
	if math.IsNaN(mm) || mm < finestMMPerPx || mm > coarsestMMPerPx {
		return 0, fmt.Errorf("--%s %v: makes a pixel %v mm wide; want %v to %v mm", o.scaleFlag, value, mm, finestMMPerPx, coarsestMMPerPx)
	}
	return mm, nil
}

// choice returns the word given for a flag, "" for auto.
func choice(flag, word string, words []string) (string, error) {
	for _, w := range words {
		if w == word {
			return strings.TrimPrefix(w, auto), nil
		}
	}
	return "", fmt.Errorf("--%s %s: want one of %s", flag, word, strings.Join(words, ", "))
}

func (o measureOptions) season() (measure.Season, error) {
	var s measure.Season
	for _, m := range []struct {
		flag, text string
		from, to   *int
	}{
		{"--season-north", o.seasonNorth, &s.NorthFrom, &s.NorthTo},
		{"--season-south", o.seasonSouth, &s.SouthFrom, &s.SouthTo},
	} {
		var rest string
		if n, _ := fmt.Sscanf(m.text, "%d-%d%s", m.from, m.to, &rest); n != 2 {
			return s, fmt.Errorf("%s %s: want two months as numbers, like 4-9", m.flag, m.text)
		}
	}
	return s, s.Validate()
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
