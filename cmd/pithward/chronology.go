package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"pithward/measure/archive"
	"pithward/measure/dating"
	"pithward/measure/dating/draw"
)

// chronologyOptions are the flags of chronology as they were given.
type chronologyOptions struct {
	series    []string
	out       string
	curve     string
	cutoff    float64
	treeChars int
	json      bool
	overwrite bool
}

// The growth curves.
const (
	curveSpline      = "spline"
	curveExponential = "negative-exponential"
)

func newChronologyCmd(d deps) *cobra.Command {
	var o chronologyOptions
	cmd := &cobra.Command{
		Use:   "chronology SERIES… --out STEM",
		Short: "Build the chronology of a site",
		Long: `Build the standard and the residual chronology of the dated series in the
SERIES files (any archive format, or a SCAN.json of measure), and write, for
--out ridge:

  ridge.crn           standard chronology, decadal, with sample depth
  ridge.residual.crn  residual chronology: each series freed of autocorrelation
  ridge.csv           both a row a year, with 95 % confidence band, series and trees
  ridge.signal.csv    mean correlation and expressed population signal, in windows
  ridge.png, .svg     the series over their chronology over the sample depth

Each width is divided by its series' growth curve: a spline that passes half of
waves of --cutoff years, by default two thirds of the series' length; or with
--curve negative-exponential that curve, where it does not fit a falling line, or
the mean. The chronology is Tukey's biweight robust mean of the indices.` +
			exitStatus("the chronology was built", "some file could not be read, or no series can take part, or a file is there already", "the call is wrong"),
		Example: example(
			"a site's chronology beside its widths", "pithward chronology ridge.rwl --out ridge",
			"with a stiffer curve, the first five characters naming the tree", "pithward chronology ridge.rwl --out ridge --overwrite --cutoff 150 --tree-chars 5",
		),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return errors.New("name at least one file of SERIES")
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			o.series = args
			return runChronology(o, d.out, d.talk)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.out, "out", "", "begin the names of all files with `STEM` (must be given)")
	f.StringVar(&o.curve, "curve", curveSpline, "growth `CURVE`: "+curveSpline+" or "+curveExponential)
	f.Float64Var(&o.cutoff, "cutoff", 0, "`YEARS` of the waves of which the spline passes half (default: two thirds of a series' length)")
	f.IntVar(&o.treeChars, "tree-chars", 0, "the first `N` characters of an id name the tree, where the file does not")
	f.BoolVar(&o.json, "json", false, "print the summary as JSON for scripts")
	f.BoolVar(&o.overwrite, "overwrite", false, "replace files that are there already")
	fixed(cmd, "curve", curveSpline, curveExponential)
	return cmd
}

func (o chronologyOptions) settings() (dating.SiteOptions, error) {
	s := dating.DefaultSiteOptions()
	s.Cutoff, s.TreeChars = o.cutoff, o.treeChars
	word, err := choice("curve", o.curve, []string{curveSpline, curveExponential})
	switch {
	case err != nil:
		return s, err
	case o.out == "":
		return s, errors.New("--out is missing: give the STEM of the files to write")
	case o.treeChars < 0:
		return s, fmt.Errorf("--tree-chars %d: want a number of characters", o.treeChars)
	case o.cutoff != 0 && !(o.cutoff >= 2):
		return s, fmt.Errorf("--cutoff %g: want at least 2 years", o.cutoff)
	case o.cutoff != 0 && word == curveExponential:
		return s, errors.New("--cutoff is of a spline: give it without --curve " + curveExponential)
	}
	s.NegativeExponential = word == curveExponential
	return s, nil
}

func runChronology(o chronologyOptions, out, talk io.Writer) error {
	settings, err := o.settings()
	if err != nil {
		return err
	}
	files, readAll := readCollections(o.series, talk)
	site, ok := dating.BuildSite(seriesOf(files), settings)
	for _, w := range site.Warnings {
		fmt.Fprintln(talk, w)
	}
	if !ok {
		return &failure{errors.New("no series can take part in a chronology")}
	}
	written, err := o.writeFiles(site, siteOf(files), talk)
	if err != nil {
		return &failure{err}
	}
	if o.json {
		err = printJSON(out, siteJSON(site, written))
	} else {
		_, err = io.WriteString(out, siteText(site, written))
	}
	if err == nil && !readAll {
		return &failure{}
	}
	return done(err)
}

// siteOf is what the first file that says anything says of the site.
func siteOf(files []*archive.Collection) archive.Site {
	for _, c := range files {
		if !c.Site.Empty() {
			return c.Site
		}
	}
	return archive.Site{}
}

// writeFiles makes every file first and writes them when all are made.
func (o chronologyOptions) writeFiles(site dating.SiteChronology, where archive.Site, talk io.Writer) ([]string, error) {
	type made struct {
		path string
		data []byte
	}
	var all []made
	for _, c := range []struct {
		end, suffix string
		dating.Chronology
	}{{".crn", "S", site.Standard}, {".residual.crn", "R", site.Residual}} {
		stem := []rune(filepath.Base(o.out))
		data, err := chronologyFile(c.Archive(string(stem[:min(5, len(stem))])+c.suffix))(where, o.out+c.end, talk)
		if err != nil {
			return nil, err
		}
		all = append(all, made{o.out + c.end, data})
	}
	all = append(all, made{o.out + ".csv", chronologyTable(site)}, made{o.out + ".signal.csv", signalTable(site)})
	for _, format := range []draw.Format{draw.PNG, draw.SVG} {
		picture, err := draw.Stack(format, plotLook(), sitePicture(site))
		if err != nil {
			return nil, err
		}
		all = append(all, made{o.out + "." + string(format), picture})
	}
	var written []string
	for _, m := range all {
		if err := writeWhole(m.path, m.data, o.overwrite); err != nil {
			return nil, err
		}
		written = append(written, m.path)
	}
	return written, nil
}

// chronologyFile writes a decadal chronology; indices below 0, which it cannot
// hold, were made 0, and this is said.
func chronologyFile(s archive.Series, below []int) func(archive.Site, string, io.Writer) ([]byte, error) {
	return func(where archive.Site, path string, talk io.Writer) ([]byte, error) {
		if len(below) > 0 {
			fmt.Fprintf(talk, "%s: indices below 0 are written as 0: %d, from year %d on\n", path, len(below), below[0])
		}
		var text bytes.Buffer
		warnings, err := archive.WriteChronology(&text, &archive.Collection{Site: where, Series: []archive.Series{s}})
		sayWarnings(talk, path, warnings)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		return text.Bytes(), nil
	}
}

// chronologyTable is the CSV, a row a year; empty where there is no value.
func chronologyTable(site dating.SiteChronology) []byte {
	var text bytes.Buffer
	w := csv.NewWriter(&text) // to memory: it cannot fail
	_ = w.Write([]string{"year", "standard", "standard_low", "standard_high", "residual", "residual_low", "residual_high", "series", "trees"})
	for k := range site.Standard.V {
		row := []string{strconv.Itoa(site.Standard.FirstYear + k)}
		for _, c := range []dating.Chronology{site.Standard, site.Residual} {
			row = append(row, indexText(c.V[k]), indexText(c.V[k]-c.Half[k]), indexText(c.V[k]+c.Half[k]))
		}
		_ = w.Write(append(row, strconv.Itoa(site.Standard.Depth[k]), strconv.Itoa(site.Trees[k])))
	}
	w.Flush()
	return text.Bytes()
}

func indexText(v float64) string {
	if math.IsNaN(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', 4, 64)
}

func signalTable(site dating.SiteChronology) []byte {
	var text bytes.Buffer
	w := csv.NewWriter(&text) // to memory: it cannot fail
	_ = w.Write([]string{"first_year", "last_year", "trees", "series", "eps", "snr", "rbar_between_trees", "rbar_within_trees", "rbar_all", "rbar_effective"})
	for _, s := range site.Running {
		row := []string{strconv.Itoa(s.FirstYear), strconv.Itoa(s.LastYear), strconv.Itoa(s.Trees), strconv.Itoa(s.Series)}
		for _, v := range []*float64{s.EPS, s.SNR, s.RbarBetween, s.RbarWithin, s.RbarAll, s.RbarEffective} {
			text := ""
			if v != nil {
				text = strconv.FormatFloat(*v, 'f', 4, 64)
			}
			row = append(row, text)
		}
		_ = w.Write(row)
	}
	w.Flush()
	return text.Bytes()
}

func sitePicture(site dating.SiteChronology) draw.Site {
	p := draw.Site{MeanName: "standard chronology", Mean: draw.Line{FirstYear: site.Standard.FirstYear, V: site.Standard.V},
		Half: site.Standard.Half, Depth: site.Standard.Depth, Trees: site.Trees}
	for _, s := range site.Parts {
		p.Series = append(p.Series, draw.Line{Name: s.ID, FirstYear: s.Index.FirstYear, V: s.Index.V})
	}
	return p
}

// siteText is the summary for people.
func siteText(site dating.SiteChronology, written []string) string {
	var b strings.Builder
	c := site.Standard
	fmt.Fprintf(&b, "%d series, years %s to %s\n", len(site.Parts), yearText(c.FirstYear), yearText(c.LastYear()))
	rows := [][]string{{"series", "first", "last", "rings", "absent", "mean mm", "sensitivity", "autocorrelation", "curve"}}
	for _, p := range site.Parts {
		rows = append(rows, []string{p.ID, yearText(p.Index.FirstYear), yearText(p.Index.LastYear()), strconv.Itoa(p.Widths.N), strconv.Itoa(p.Widths.Absent),
			decimals(p.Widths.MeanMM, 3), decimals(p.Widths.MeanSensitivity, 3), decimals(p.Widths.Autocorrelation, 2), p.Curve})
	}
	writeTable(&b, rows)
	fmt.Fprintf(&b, "mean correlation of pairs %s; of one tree %s, of two trees %s; expressed population signal of %s %s\n",
		decimals(site.All.RbarAll, 3), decimals(site.All.RbarWithin, 3), decimals(site.All.RbarBetween, 3), numbered(site.All.Trees, "tree"), decimals(site.All.EPS, 3))
	if s, ok := signalFrom(site.Running); ok {
		fmt.Fprintf(&b, "the signal is %.2f or more in every window from %s on\n", dating.EPSLimit, yearText(s.FirstYear))
	} else {
		fmt.Fprintf(&b, "the signal is below %.2f in the last window, or there is none with three trees\n", dating.EPSLimit)
	}
	for _, path := range written {
		fmt.Fprintln(&b, path)
	}
	return b.String()
}

// signalFrom is the first window from which on all reach the limit.
func signalFrom(all []dating.Signal) (s dating.Signal, ok bool) {
	for k := len(all) - 1; k >= 0 && all[k].EPS != nil && *all[k].EPS >= dating.EPSLimit; k-- {
		s, ok = all[k], true
	}
	return s, ok
}

// siteJSON is the summary for scripts.
func siteJSON(site dating.SiteChronology, written []string) any {
	type part struct {
		ID        string `json:"id"`
		FirstYear int    `json:"first_year"`
		LastYear  int    `json:"last_year"`
		Curve     string `json:"curve"`
		dating.Summary
	}
	summary := struct {
		Schema    string          `json:"schema"`
		FirstYear int             `json:"first_year"`
		LastYear  int             `json:"last_year"`
		Series    []part          `json:"series"`
		Signal    dating.Signal   `json:"signal"`
		Windows   []dating.Signal `json:"windows"`
		Files     []string        `json:"files"`
		Warnings  []string        `json:"warnings"`
	}{"pithward/chronology/1", site.Standard.FirstYear, site.Standard.LastYear(), []part{}, site.All, append([]dating.Signal{}, site.Running...), written,
		append([]string{}, site.Warnings...)}
	for _, p := range site.Parts {
		summary.Series = append(summary.Series, part{p.ID, p.Index.FirstYear, p.Index.LastYear(), p.Curve, p.Widths})
	}
	return summary
}
