package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"

	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/dating"
	"pithward/measure/ledger"
	"pithward/measure/stand"
)

// projectCall tells what is wrong with a call that names a project, or with one
// that gives a project's flags without it.
func (o dateOptions) projectCall() error {
	switch {
	case o.project == "" && (o.settle != 0 || o.observer != "" || o.out != "" || o.sheet != ""):
		return errors.New("--settle, --observer, --out and --sheet go with --project FILE")
	case o.project == "":
		return nil
	case len(o.series) > 0:
		return fmt.Errorf("%s: --project dates the cores of the project; name series from elsewhere behind --against", o.series[0])
	case o.settle != 0 && !(o.settle >= 0.5 && o.settle < 1):
		return fmt.Errorf("--settle %g: want a posterior of at least 0.5 and less than 1", o.settle)
	case o.settle != 0 && o.observer != "" && o.observer != stand.Program:
		return fmt.Errorf("--settle changes nobody's reading but that of the observer %s: leave --observer out", stand.Program)
	case o.sheet != "" && o.out == "":
		return errors.New("--sheet says what the files of --out tell of the trees and their place: give --out DIR, too")
	case o.hold || o.pairs != "" || o.plot != "":
		return errors.New("--hold, --pairs and --plot are for files: write the project's files with --out first")
	}
	return nil
}

// runDateProject dates the cores of a project.
func runDateProject(ctx context.Context, o dateOptions, d deps) error {
	settings, err := o.settings()
	if err != nil {
		return err
	}
	sheet, err := openSheet(o.sheet)
	if err != nil {
		return err
	}
	l, err := openProject(ctx, o.project)
	if err != nil {
		return &failure{err}
	}
	defer l.Close()
	var against []archive.Series
	readAll := true
	var said transcript
	if len(o.against) > 0 {
		known, all := readCollections(o.against, io.MultiWriter(d.talk, &said))
		if against, readAll = seriesOf(known), all; against == nil {
			return &failure{errors.New("nothing to date against could be read")}
		}
	}
	if err := o.roomForFiles(ctx, l, sheet); err != nil {
		return &failure{err}
	}
	report, cores, err := dateProject(ctx, l, o, settings, against)
	if err != nil {
		return &failure{err}
	}
	var unwritten error // the dating is told all the same
	if o.out != "" {
		if sheet != nil {
			report.Warnings = append(report.Warnings, describe(cores, sheet)...)
		}
		var changed []string
		report.Files, changed, unwritten = writeDated(o.out, o.stem(), cores, report, o.overwrite)
		report.Warnings = append(report.Warnings, changed...)
	}
	if o.json {
		report.Warnings = append(said.lines(), report.Warnings...)
		err = printJSON(d.out, report)
	} else {
		_, err = io.WriteString(d.out, projectText(report))
	}
	if err = errors.Join(unwritten, err); err == nil && !readAll {
		return &failure{}
	}
	return done(err)
}

// stem begins the names of a project's files.
func (o dateOptions) stem() string {
	return strings.TrimSuffix(filepath.Base(o.project), ledger.Ending)
}

// roomForFiles tells, before anything is settled, whether a file is in the way of
// those that come of the project if all its cores are dated.
func (o dateOptions) roomForFiles(ctx context.Context, l *ledger.Ledger, sheet *measure.Sheet) error {
	if o.settle == 0 || o.out == "" || o.overwrite {
		return nil
	}
	cores, _, err := stand.Series(ctx, l, stand.Program)
	if err != nil {
		return err
	}
	if sheet != nil {
		stand.Describe(cores, sheet)
	}
	all := &archive.Collection{}
	for _, c := range cores {
		all.Series = append(all.Series, c.Series)
	}
	files, _ := datedFiles(filepath.Join(o.out, o.stem()), all)
	return noneOf("", namesOf(files))
}

// dateProject settles what is to be settled, then dates.
func dateProject(ctx context.Context, l *ledger.Ledger, o dateOptions, settings dating.Options, against []archive.Series) (r stand.Report, cores []stand.Core, err error) {
	var settled []stand.Settled
	observer := stand.Program
	if o.settle != 0 {
		if settled, err = stand.Settle(ctx, l, against, o.treeChars, o.settle, time.Now()); err != nil {
			return r, nil, err
		}
	} else if observer, err = projectObserver(ctx, l, o.observer); err != nil {
		return r, nil, err
	}
	cores, warnings, err := stand.Series(ctx, l, observer)
	if err != nil {
		return r, nil, err
	}
	if len(cores) == 0 {
		return r, nil, fmt.Errorf("%s: no core has widths: %s", l.Path(), strings.Join(append(warnings, "measure scans into it first"), "; "))
	}
	r, err = stand.Date(ctx, cores, against, o.treeChars, settings.Place.Sure)
	r.Warnings = append(warnings, r.Warnings...)
	r.Settled = append(r.Settled, settled...)
	return r, cores, err
}

// projectObserver tells as whom a project is dated: the one named, else the only
// one who has settled anything, else as it was measured.
func projectObserver(ctx context.Context, l *ledger.Ledger, named string) (string, error) {
	all, err := settlers(ctx, l)
	if err != nil {
		return "", err
	}
	if err := known(named, "--observer", all, l.Path()); err != nil {
		return "", err
	}
	switch {
	case named != "":
		return named, nil
	case len(all) > 1:
		return "", fmt.Errorf("%s was settled by %s: name one with --observer", l.Path(), strings.Join(all, " and by "))
	case len(all) == 1:
		return all[0], nil
	}
	return "", nil
}

// describe takes from a sheet what archives want to know.
func describe(cores []stand.Core, sheet *measure.Sheet) []string {
	rows, said := stand.Describe(cores, sheet)
	if rows == 0 {
		said = append(said, sheet.Name+": no row is of a core of the project: the columns scan and position have to be as when it was measured")
	}
	return append(sheet.Messages(), said...)
}

// writeDated writes the dated series in every format that takes what is known of
// them, and returns what had to be left out or changed. It writes nothing where
// nothing is dated, or where one of the files cannot be made or is there already.
func writeDated(dir, stem string, cores []stand.Core, r stand.Report, overwrite bool) (written, said []string, err error) {
	written = []string{}
	c, said := stand.Archive(cores, r)
	if len(c.Series) == 0 {
		return written, nil, nil
	}
	files, differ := datedFiles(filepath.Join(dir, stem), c)
	said = append(said, differ...)
	if !overwrite {
		if err := noneOf("", namesOf(files)); err != nil {
			return written, nil, err
		}
	}
	texts := make([]bytes.Buffer, len(files))
	for k, f := range files {
		warnings, err := archive.Write(&texts[k], f.of, archive.FormatOf(f.name), archive.TucsonOptions{})
		if err != nil {
			return written, nil, fmt.Errorf("%s: %w", f.name, err)
		}
		for _, w := range warnings {
			said = append(said, fmt.Sprintf("%s: %s", f.name, w))
		}
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return written, nil, fmt.Errorf("--out %s: cannot be made: %w", dir, reason(err))
	}
	for k, f := range files {
		if err := writeWhole(f.name, texts[k].Bytes(), overwrite); err != nil {
			return written, said, err
		}
		written = append(written, f.name)
	}
	return written, said, nil
}

// datedFile is a file to be written and what goes into it.
type datedFile struct {
	name string
	of   *archive.Collection
}

func namesOf(files []datedFile) (names []string) {
	for _, f := range files {
		names = append(names, f.name)
	}
	return names
}

// datedFiles names the files of dated series, one for each species where the format
// names one, and says where the series of a file differ in what it says of the site.
func datedFiles(stem string, c *archive.Collection) (files []datedFile, said []string) {
	parts, names := c.BySpecies(), []string{stem}
	if len(parts) > 1 {
		names = partNames(stem, parts)
	}
	for k, part := range parts {
		var differ []archive.Warning
		part.Site, differ = archive.CommonSite(part.Series)
		for _, w := range differ {
			said = append(said, fmt.Sprintf("%s: %s", names[k], w))
		}
		files = append(files, datedFile{names[k] + ".rwl", part}, datedFile{names[k] + "-noaa.txt", part})
	}
	return append(files, datedFile{stem + ".xml", c}), said
}

// partNames names the files of each species, and of each site where there are
// several.
func partNames(stem string, parts []*archive.Collection) (names []string) {
	word := func(s string) string {
		return strings.Trim(strings.Map(func(r rune) rune {
			if unicode.IsLetter(r) || unicode.IsDigit(r) {
				return unicode.ToLower(r)
			}
			return '-'
		}, s), "-")
	}
	sites := map[string]bool{}
	for _, p := range parts {
		sites[p.Series[0].Meta.Site.Name] = true
	}
	for k, p := range parts {
		name := stem
		if of := p.Series[0].Meta.Site.Name; len(sites) > 1 {
			name += "-" + cmp.Or(word(of), "no-site")
		}
		name += "-" + cmp.Or(word(p.Series[0].Meta.Species), "no-species")
		if slices.Contains(names, name) { // two that differ in signs alone
			name += fmt.Sprintf("-%d", k+1)
		}
		names = append(names, name)
	}
	return names
}

// projectText is the answer for people: what was changed, then each tree with
// its radii, then how many are dated.
func projectText(r stand.Report) string {
	var b strings.Builder
	for _, w := range r.Warnings {
		fmt.Fprintln(&b, w)
	}
	settledText(&b, r.Settled)
	of := map[string][]string{} // ids by standing
	for _, t := range r.Trees {
		treeText(&b, t)
		for _, s := range r.Series {
			if s.Tree == t.Tree {
				of[s.Standing] = append(of[s.Standing], s.ID)
				projectSeriesText(&b, s)
			}
		}
	}
	fmt.Fprintf(&b, "%d dated", len(of[dating.Stands]))
	for _, k := range []struct{ standing, words string }{{dating.Unsure, "unsure"}, {dating.Contrary, "contrary to the field"}, {dating.StaysAfloat, "floating"}, {dating.Undatable, "undatable"}} {
		fmt.Fprintf(&b, ", %d %s", len(of[k.standing]), k.words)
		if len(of[k.standing]) > 0 {
			fmt.Fprintf(&b, " (%s)", strings.Join(of[k.standing], ", "))
		}
	}
	fmt.Fprintln(&b)
	for _, f := range r.Files {
		fmt.Fprintf(&b, "wrote %s\n", f)
	}
	return b.String()
}

// treeText says how the radii of a tree agree among themselves, and their mean with
// the site.
func treeText(b *strings.Builder, t dating.TreeView) {
	fmt.Fprintf(b, "tree %s", t.Tree)
	if len(t.Radii) > 1 {
		fmt.Fprintf(b, "  %d radii", len(t.Radii))
		if t.RBetween != nil {
			fmt.Fprintf(b, ", r %.2f between them", *t.RBetween)
		}
		if t.R != nil {
			fmt.Fprintf(b, "; r %.2f of their mean with %s", *t.R, numbered(t.Trees, "other tree"))
		}
	}
	fmt.Fprintln(b)
	left := 0
	for _, p := range t.Partings {
		if p.Posterior < probably {
			left++
			continue
		}
		fmt.Fprintf(b, "  its radii part at %s (probability %s):\n", spanText(p.FromYear, p.ToYear), probability(p.Posterior))
		for _, w := range p.Ways {
			if w.Posterior >= dating.WorthAThought {
				fmt.Fprintf(b, "    in %s %s\n", w.Series, w.Words)
			}
		}
	}
	if left > 0 {
		fmt.Fprintf(b, "  %s, less likely, where they may part: see --json\n", numbered(left, "place"))
	}
}

// probably is the posterior from which radii are said to part (chosen: their list is
// beside that of the suspects, which tells the less likely places).
const probably = 0.5

func spanText(from, to int) string {
	if from == to {
		return yearText(from)
	}
	return yearText(from) + " to " + yearText(to)
}

func projectSeriesText(b *strings.Builder, s stand.Dated) {
	fmt.Fprintf(b, "  %s  %s, %s", s.ID, numbered(s.N, "ring"), s.Standing)
	if s.Decision == dating.DecisionDated {
		fmt.Fprintf(b, " %s to %s with probability %s", yearText(*s.FirstYear), yearText(*s.LastYear), probability(s.Posterior))
	}
	if s.Reason != "" {
		fmt.Fprintf(b, ": %s", s.Reason)
	}
	fmt.Fprintln(b)
	var agrees []string
	if s.RTree != nil && s.Radii > 1 { // of two, the tree's line tells
		agrees = append(agrees, fmt.Sprintf("r %.2f with the %d other radii of its tree", *s.RTree, s.Radii))
	}
	if s.R != nil {
		agrees = append(agrees, fmt.Sprintf("r %.2f with %s", *s.R, numbered(s.References, "other tree")))
	}
	if len(agrees) > 0 {
		fmt.Fprintf(b, "    %s\n", strings.Join(agrees, ", "))
	}
	suspectsText(b, "    ", s.Suspects)
	for _, w := range s.Warnings {
		fmt.Fprintf(b, "    note: %s\n", w)
	}
}

func settledText(b *strings.Builder, all []stand.Settled) {
	for _, s := range all {
		word := "left as it was, since " + s.Why
		if s.Changed {
			word = "changed by " + stand.Program
		}
		fmt.Fprintf(b, "%s  %s\n", s.ID, word)
		for _, c := range s.Changes {
			fmt.Fprintf(b, "    %s\n", c)
		}
		if s.RBefore != nil && s.RAfter != nil {
			fmt.Fprintf(b, "    with the %s not used: r %.2f, and %.2f with the change\n", numbered(s.Trees, "tree"), *s.RBefore, *s.RAfter)
		}
	}
	if len(all) > 0 {
		fmt.Fprintln(b)
	}
}
