package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"pithward/measure/archive"
	"pithward/measure/dating"
	"pithward/measure/stand"
)

// dateOptions are the flags of date as they were given.
type dateOptions struct {
	series, against []string
	hold            bool
	json            bool
	sure            float64
	minOverlap      int
	power           float64
	sapwood         string
	treeChars       int
	pairs           string
	plot            string
	overwrite       bool
	project         string
	settle          float64
	observer        string
	out             string
	sheet           string
}

// fileList is a flag for one file or several: it notes where among the words of
// the call it stood, so that names behind it can be told from names before.
type fileList struct {
	cmd    *cobra.Command
	files  []string
	before int // names before its first use; -1: not used
}

func (f *fileList) String() string { return strings.Join(f.files, " ") }

// Type is what the help calls the value.
func (f *fileList) Type() string { return "FILE…" }

// Set takes one file.
func (f *fileList) Set(name string) error {
	if f.before < 0 {
		f.before = f.cmd.Flags().NArg()
	}
	f.files = append(f.files, name)
	return nil
}

// take parts the names of a call into those before the flag and those that
// belong to it: its own and, if there are names before it, all behind it.
func (f *fileList) take(args []string) (before, own []string) {
	if f.before <= 0 {
		return args, f.files
	}
	return args[:f.before], append(f.files, args[f.before:]...)
}

func newDateCmd(d deps) *cobra.Command {
	var o dateOptions
	place, hold := dating.DefaultPlaceOptions(), dating.DefaultHoldOptions()
	cmd := &cobra.Command{
		Use:   "date (SERIES… | --project FILE) [--against FILE…]",
		Short: "Crossdate series against dated ones",
		Long: `Find the years of every series in the SERIES files by setting its pattern of
wide and narrow rings against that of dated series: those in the files behind
--against, or else the other series in SERIES that have years. Any archive format
serves, and a SCAN.json of measure; a series' own years are ignored.

A series is set against the other radii of its tree, where there are any, and
against the mean of all other trees; never against itself. Every placement with
enough years in common gets the probability that it is right, given that every
other was tried too and that none may be right. A series is dated if the best
reaches --sure; else it is said what would be needed.

With --hold the years that the series have are checked as well: a window slides
along each and gives the probability that its years hold there, and the best
other offset. For series with years, and for those just dated, places are named
where a ring was probably missed, invented or is absent.

With --project the cores of a project are dated, faults in all of them allowed
for: the radii of a tree are compared, each tree is set against all others, and
against the series behind --against. Nothing is changed, unless --settle asks for
it: suspects of that posterior are then mended in the reading of an observer named
` + stand.Program + `, never by an absent ring, and each change is tested against trees
that had no part in it. The desk's undo, and pithward log, know it as any other edit.

Files written by --out carry what the core sheet tells: site, species, tree, sampled,
note, and its columns ` + strings.Join(archive.SiteColumns()[:5], ", ") + `,
` + strings.Join(archive.SiteColumns()[5:], ", ") + `.

Death is never before the outermost ring. With --sapwood, the number of sapwood
rings usual in the region, a felling is estimated for series whose sapwood was
counted.` +
			exitStatus("every series was looked at, dated or not", "some file could not be read; the others were looked at", "the call is wrong"),
		Example: example(
			"date the cores of a tray against a site", "pithward date tray.json --against ridge.rwl",
			"check the years of a site, each series against the other trees", "pithward date ridge.rwl --hold --tree-chars 5",
			"date a whole project and write its files", "pithward date --project osmundvale.pithward --out dated",
			"for a script", "pithward date tray.json --against ridge.rwl --json",
		),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 && o.project == "" {
				return errors.New("name at least one file of SERIES, or a project with --project")
			}
			return nil
		},
	}
	against := &fileList{cmd: cmd, before: -1}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		o.series, o.against = against.take(args)
		if err := o.projectCall(); err != nil {
			return err
		}
		if o.project != "" {
			return runDateProject(cmd.Context(), o, d)
		}
		return runDate(cmd.Context(), o, d.out, d.talk)
	}
	f := cmd.Flags()
	f.Var(against, "against", "dated series to date by; names behind this flag belong to it")
	f.BoolVar(&o.hold, "hold", false, "check the years that the series have")
	f.BoolVar(&o.json, "json", false, "print "+dating.ReportSchema+" for scripts")
	f.Float64Var(&o.sure, "sure", place.Sure, "`PROBABILITY` from which a placement is a date")
	f.IntVar(&o.minOverlap, "min-overlap", place.MinOverlap, "fewest `YEARS` in common with the reference")
	f.Float64Var(&o.power, "power", hold.Power, "`PROBABILITY` with which a window of the check is to tell right years from wrong; sets its length")
	f.StringVar(&o.sapwood, "sapwood", "", "sapwood rings usual in the region, as `FROM-TO`")
	f.IntVar(&o.treeChars, "tree-chars", 0, "the first `N` characters of an id name the tree, where the file does not")
	f.StringVar(&o.pairs, "pairs", "", "also set every series against every other and write each pair's best position to this CSV `FILE`")
	f.StringVar(&o.plot, "plot", "", "draw the check of --hold to this `FILE` (.png or .svg)")
	f.BoolVar(&o.overwrite, "overwrite", false, "replace files that are there already")
	f.StringVar(&o.project, "project", "", "date the cores of this project `FILE` instead of SERIES")
	f.StringVar(&o.observer, "observer", "", "with --project: as `NAME` has settled it")
	f.StringVar(&o.out, "out", "", "with --project: write the dated series into `DIR` (.rwl, -noaa.txt, .xml)")
	f.StringVar(&o.sheet, "sheet", "", "with --out: take species, dates, notes and place, for the files, from this core sheet `FILE.csv` where it has them")
	f.Float64Var(&o.settle, "settle", 0, "with --project: mend suspects of at least this `POSTERIOR`, as the observer "+stand.Program)
	if err := errors.Join(cmd.MarkFlagFilename("project"), cmd.MarkFlagFilename("sheet", "csv"), cmd.MarkFlagFilename("against"), cmd.MarkFlagFilename("pairs", "csv"), cmd.MarkFlagFilename("plot", "png", "svg")); err != nil {
		panic(err) // no such flag: a slip in this package, seen by every test
	}
	return cmd
}

// settings turns the flags into options.
func (o dateOptions) settings() (dating.Options, error) {
	s := dating.Options{Place: dating.DefaultPlaceOptions(), HoldOptions: dating.DefaultHoldOptions(), Hold: o.hold, TreeChars: o.treeChars}
	s.Place.Sure, s.Place.MinOverlap, s.Power = o.sure, o.minOverlap, o.power
	switch {
	case !(o.sure > 0.5 && o.sure < 1):
		return s, fmt.Errorf("--sure %g: want more than 0.5 and less than 1", o.sure)
	case o.minOverlap < 10:
		return s, fmt.Errorf("--min-overlap %d: want at least 10", o.minOverlap)
	case !(o.power > 0.5 && o.power < 1):
		return s, fmt.Errorf("--power %g: want more than 0.5 and less than 1", o.power)
	case o.treeChars < 0:
		return s, fmt.Errorf("--tree-chars %d: want a number of characters", o.treeChars)
	case o.plot != "" && !o.hold:
		return s, errors.New("--plot draws the check of --hold: give both")
	}
	if o.sapwood != "" {
		from, to, ok := strings.Cut(o.sapwood, "-")
		a, errA := strconv.Atoi(from)
		b, errB := strconv.Atoi(to)
		if !ok || errA != nil || errB != nil || a < 0 || b < a {
			return s, fmt.Errorf("--sapwood %s: want two numbers of rings, like 9-41", o.sapwood)
		}
		s.Sapwood = &dating.Range{From: a, To: b}
	}
	return s, nil
}

func runDate(ctx context.Context, o dateOptions, out, talk io.Writer) error {
	settings, err := o.settings()
	if err != nil {
		return err
	}
	if err := o.plotName(); err != nil {
		return err
	}
	var said transcript
	series, readAll := readCollections(o.series, io.MultiWriter(talk, &said))
	var references []archive.Series // nil: the series themselves
	if len(o.against) > 0 {
		known, all := readCollections(o.against, io.MultiWriter(talk, &said))
		readAll = readAll && all
		if references = seriesOf(known); references == nil {
			return &failure{errors.New("nothing to date against could be read")}
		}
	}
	all := seriesOf(series)
	if len(all) == 0 {
		return &failure{errors.New("no series could be read")}
	}
	sayTwice(io.MultiWriter(talk, &said), all)
	report, err := dating.Crossdate(ctx, all, references, settings)
	if err != nil {
		return &failure{err}
	}
	if err := o.extras(ctx, all, report); err != nil {
		return &failure{err}
	}
	if o.json {
		report.Warnings = append(said.lines(), report.Warnings...)
		err = printJSON(out, report)
	} else {
		_, err = io.WriteString(out, dateText(report, o.hold))
	}
	if err == nil && !readAll {
		return &failure{}
	}
	return done(err)
}

// transcript keeps what was said to people, for scripts that read nothing but the
// answer.
type transcript struct{ strings.Builder }

func (t *transcript) lines() []string {
	all := []string{}
	for l := range strings.Lines(t.String()) {
		all = append(all, strings.TrimPrefix(strings.TrimSpace(l), "pithward: "))
	}
	return all
}

// seriesOf puts the series of several files together.
func seriesOf(all []*archive.Collection) (series []archive.Series) {
	for _, c := range all {
		series = append(series, c.Series...)
	}
	return series
}

// sayTwice warns of ids used more than once.
func sayTwice(talk io.Writer, series []archive.Series) {
	n := map[string]int{}
	for _, s := range series {
		if n[s.ID]++; n[s.ID] == 2 {
			fmt.Fprintf(talk, "the id %s is used by more than one series: they are not set against each other\n", s.ID)
		}
	}
}

func printJSON(out io.Writer, v any) error {
	text, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	_, err = out.Write(append(text, '\n'))
	return err
}

// extras writes the files that were asked for beside the answer.
func (o dateOptions) extras(ctx context.Context, series []archive.Series, report dating.Report) error {
	if o.pairs != "" {
		text, err := pairsTable(ctx, series, o.minOverlap)
		if err != nil {
			return err
		}
		if err := writeWhole(o.pairs, text, o.overwrite); err != nil {
			return err
		}
	}
	if o.plot != "" {
		return o.drawHold(series, report)
	}
	return nil
}

// pairsTable sets every series against every other.
func pairsTable(ctx context.Context, series []archive.Series, minOverlap int) ([]byte, error) {
	patterns := make([]dating.Values, len(series))
	for i, s := range series {
		patterns[i] = dating.Pattern(dating.Widths(s))
	}
	var text bytes.Buffer
	w := csv.NewWriter(&text)
	_ = w.Write([]string{"series", "other", "other_moved_years", "overlap", "r", "z"}) // w.Error tells
	err := dating.Pairs(ctx, patterns, minOverlap, func(p dating.Pair) error {
		row := []string{series[p.A].ID, series[p.B].ID, "", "", "", ""}
		if p.OK {
			row = append(row[:2], strconv.Itoa(p.Moved), strconv.Itoa(p.Overlap), strconv.FormatFloat(p.R, 'f', 4, 64), strconv.FormatFloat(p.Z, 'f', 2, 64))
		}
		return w.Write(row)
	})
	w.Flush()
	return text.Bytes(), errors.Join(err, w.Error())
}

// dateText is the answer for people.
func dateText(r dating.Report, hold bool) string {
	var b strings.Builder
	for _, w := range r.Warnings {
		fmt.Fprintln(&b, w)
	}
	for i, s := range r.Series {
		if i > 0 || len(r.Warnings) > 0 {
			fmt.Fprintln(&b)
		}
		seriesText(&b, s, hold)
	}
	return b.String()
}

func seriesText(b *strings.Builder, s dating.SeriesReport, hold bool) {
	if s.Decision == dating.DecisionDated {
		fmt.Fprintf(b, "%s  %d rings, dated %s to %s with probability %s\n", s.ID, s.N, yearText(*s.FirstYear), yearText(*s.LastYear), probability(s.Posterior))
	} else {
		fmt.Fprintf(b, "%s  %d rings, not dated: %s\n", s.ID, s.N, s.Reason)
	}
	if len(s.Placements) > 0 {
		fmt.Fprintf(b, "  against %s (%d series); %s tried, none of them right: %s\n", s.Against, s.References, numbered(s.Tried, "placement"), probability(s.NoneOf))
		rows := [][]string{{"last ring", "years", "r", "t Baillie-Pilcher", "t Hollstein", "Gleichläufigkeit", "probability"}}
		for _, p := range s.Placements[:min(len(s.Placements), 5)] {
			rows = append(rows, []string{yearText(p.LastYear), strconv.Itoa(p.Overlap), fmt.Sprintf("%.2f", p.R),
				decimals(p.TBailliePilcher, 1), decimals(p.THollstein, 1), percent(p.Gleichlaeufigkeit), probability(p.Posterior)})
		}
		writeTable(b, rows)
	}
	if d := s.Death; d != nil {
		fmt.Fprintf(b, "  %s\n", deathText(*d))
	}
	if hold {
		holdText(b, s)
	}
	suspectsText(b, "  ", s.Suspects)
	for _, w := range s.Warnings {
		fmt.Fprintf(b, "  note: %s\n", w)
	}
}

// Suspects that people are shown: those of a posterior of at least worthALook,
// or the best one where it is at least worth a thought (chosen).
const worthALook = 0.2

// suspectsText lists the suspects that are worth looking at, the best first, and
// says how many are left out.
func suspectsText(b *strings.Builder, indent string, all []dating.SuspectReport) {
	n := 0
	for n < len(all) && (all[n].Posterior >= worthALook || n == 0 && all[n].Posterior >= dating.WorthAThought) {
		fmt.Fprintf(b, "%ssuspect: %s\n", indent, all[n].Words)
		n++
	}
	switch left := len(all) - n; {
	case left > 0 && n > 0:
		fmt.Fprintf(b, "%s%d more, less likely: see --json\n", indent, left)
	case left > 0:
		fmt.Fprintf(b, "%sno likely suspect; %d unlikely: see --json\n", indent, left)
	}
}

// yearText writes an astronomical year as people do.
func yearText(year int) string {
	if year <= 0 {
		return fmt.Sprintf("%d BC", 1-year)
	}
	return strconv.Itoa(year)
}

// probability writes one without calling anything certain.
func probability(p float64) string {
	switch {
	case p > 0.9995:
		return ">0.999"
	case p < 0.0005:
		return "<0.001"
	}
	return fmt.Sprintf("%.3f", p)
}

func percent(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.0f %%", *v*100)
}

func deathText(d dating.Death) string {
	var parts []string
	if d.UnderBark != nil && *d.UnderBark {
		parts = append(parts, fmt.Sprintf("the ring of %s lies under the bark", yearText(d.NotBefore)))
	} else {
		parts = append(parts, fmt.Sprintf("death not before %s", yearText(d.NotBefore)))
	}
	if d.SapwoodRings != nil {
		parts = append(parts, fmt.Sprintf("%s of sapwood, the outermost heartwood of %s", numbered(*d.SapwoodRings, "ring"), yearText(*d.Heartwood)))
	}
	if d.Felling != nil {
		parts = append(parts, fmt.Sprintf("felled between %s and %s by the sapwood figure given", yearText(d.Felling.From), yearText(d.Felling.To)))
	}
	return strings.Join(parts, "; ")
}

// holdText sums the windows up: stretches in which the dating holds, is open, or
// does not hold.
func holdText(b *strings.Builder, s dating.SeriesReport) {
	if len(s.Hold) == 0 {
		return
	}
	first := s.Hold[0]
	fmt.Fprintf(b, "  years as they are, in windows of %d years:\n", first.ToYear-first.FromYear+1)
	for _, stretch := range holdStretches(s.Hold) {
		worst := stretch[0]
		for _, w := range stretch {
			if w.Probability < worst.Probability {
				worst = w
			}
		}
		words := fmt.Sprintf("    %s to %s  %s, least %s", yearText(stretch[0].FromYear), yearText(stretch[len(stretch)-1].ToYear), holdWord(worst), probability(worst.Probability))
		if worst.BestOffsetProbability > worst.Probability {
			words += fmt.Sprintf("; better %+d years, %s", worst.BestOffset, probability(worst.BestOffsetProbability))
		}
		fmt.Fprintln(b, words)
	}
}

func holdWord(w dating.WindowReport) string {
	switch {
	case w.Probability >= 0.9:
		return "holds"
	case w.Probability >= 0.5:
		return "probably holds"
	}
	return "does not hold"
}

// holdStretches puts neighbouring windows with the same answer together.
func holdStretches(all []dating.WindowReport) (out [][]dating.WindowReport) {
	for _, w := range all {
		if n := len(out); n > 0 && holdWord(out[n-1][0]) == holdWord(w) {
			out[n-1] = append(out[n-1], w)
			continue
		}
		out = append(out, []dating.WindowReport{w})
	}
	return out
}
