package main

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"pithward/measure"
)

// readingOptions are the flags that say how scans are read, of every command
// that measures.
type readingOptions struct {
	scaleFlag   string // which of the next two was given; "": none
	mmPerPx     float64
	dpi         float64
	sheet       string
	wood        string
	bark        string
	seasonNorth string
	seasonSouth string
	scanner     string // name of its check; auto: as the scan says; none: no check
	scanners    string // file of checks; "": the user's own
	timeLimit   time.Duration
}

// The two ways of giving the scale.
const (
	flagMMPerPx = "mm-per-px"
	flagDPI     = "dpi"
)

// The word for "decide from the picture".
const auto = "auto"

// The word for "without any".
const none = "none"

func woods() []string {
	return []string{auto, string(measure.Conifer), string(measure.RingPorous), string(measure.DiffusePorous)}
}

func ends() []string {
	return []string{auto, string(measure.Left), string(measure.Right), string(measure.Top), string(measure.Bottom)}
}

// flags gives a command the flags.
func (o *readingOptions) flags(cmd *cobra.Command) {
	season := measure.DefaultSeason()
	f := cmd.Flags()
	f.Float64Var(&o.mmPerPx, flagMMPerPx, 0, "scale, `MM` a pixel; wins over ruler and tag and is checked against them")
	f.Float64Var(&o.dpi, flagDPI, 0, "scale as `N` pixels an inch, like --mm-per-px")
	f.StringVar(&o.sheet, "sheet", "", "core sheet, a CSV `FILE` with a row a core (scan, position, core, sampled, …)")
	f.StringVar(&o.wood, "wood", auto, "`KIND` of wood of all cores: "+strings.Join(woods(), ", ")+"; auto: by the sheet's species, else by the picture")
	f.StringVar(&o.bark, "bark", auto, "`END` of all cores at which the bark is: "+strings.Join(ends(), ", "))
	f.StringVar(&o.seasonNorth, "season-north", fmt.Sprintf("%d-%d", season.NorthFrom, season.NorthTo), "first and last `MONTHS` of growth in the north")
	f.StringVar(&o.seasonSouth, "season-south", fmt.Sprintf("%d-%d", season.SouthFrom, season.SouthTo), "first and last `MONTHS` of growth in the south")
	f.StringVar(&o.scanner, "scanner", auto, "`NAME` of the scanner's check (see pithward scanner): "+auto+", by what the scan says of its scanner; none; or one of pithward scanner list")
	f.StringVar(&o.scanners, "scanners", "", "`FILE` that pithward scanner keeps its checks in (default: in the user's settings)")
	f.DurationVar(&o.timeLimit, "time-limit", 15*time.Minute, "give a scan up after `TIME`")
	fixed(cmd, "wood", woods()...)
	fixed(cmd, "bark", ends()...)
	complete(cmd, "scanner", scannerNames(&o.scanners, auto, none))
	if err := errors.Join(cmd.MarkFlagFilename("sheet", "csv"), cmd.MarkFlagFilename("scanners", "json")); err != nil {
		panic(err) // no such flag: a slip in this package, seen by every test
	}
}

// noteScale notes by which flag the scale was given.
func (o *readingOptions) noteScale(cmd *cobra.Command) error {
	for _, flag := range []string{flagMMPerPx, flagDPI} {
		if !cmd.Flags().Changed(flag) {
			continue
		}
		if o.scaleFlag != "" {
			return fmt.Errorf("--%s and --%s both give the scale: leave one out", o.scaleFlag, flag)
		}
		o.scaleFlag = flag
	}
	return nil
}

// settings turns the flags into the settings of a measurement.
func (o readingOptions) settings() (measure.Settings, error) {
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
	if s.Season, err = o.season(); err != nil {
		return s, err
	}
	s.Scanner, err = o.namedScanner()
	return s, err
}

// namedScanner returns the check that --scanner names, if it names one.
func (o readingOptions) namedScanner() (measure.Scanner, error) {
	if o.scanner == auto || o.scanner == none {
		return measure.Scanner{}, nil
	}
	store, err := openScanners(o.scanners)
	if err != nil {
		return measure.Scanner{}, err
	}
	return store.named(o.scanner)
}

// knownScanners returns the checks among which a scan's own is found.
func (o readingOptions) knownScanners() ([]measure.Scanner, error) {
	if o.scanner != auto {
		return nil, nil
	}
	store, err := openScanners(o.scanners)
	if err != nil {
		return nil, err
	}
	return store.scanners, nil
}

// Limits of a plausible scale, mm a pixel (chosen): a microscope's and a
// photograph's of a whole disc.
const (
	finestMMPerPx   = 0.0001
	coarsestMMPerPx = 1.0
)

// scale returns the scale given in mm a pixel; 0 if none was.
func (o readingOptions) scale() (float64, error) {
	mm := o.mmPerPx
	switch o.scaleFlag {
	case "":
		return 0, nil
	case flagDPI:
		mm = 25.4 / o.dpi
	}
	if math.IsNaN(mm) || mm < finestMMPerPx || mm > coarsestMMPerPx {
		if o.scaleFlag == flagDPI {
			return 0, fmt.Errorf("--%s %v: want %.4g to %.6g pixels an inch", flagDPI, o.dpi, 25.4/coarsestMMPerPx, 25.4/finestMMPerPx)
		}
		return 0, fmt.Errorf("--%s %v: want %v to %v mm a pixel", flagMMPerPx, mm, finestMMPerPx, coarsestMMPerPx)
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

func (o readingOptions) season() (measure.Season, error) {
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
