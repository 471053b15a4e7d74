package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"pithward/cmd/pithward/report"
	"pithward/measure"
	"pithward/measure/audit"
	"pithward/measure/ledger"
)

// auditOptions are the flags of audit as they were given.
type auditOptions struct {
	project   string
	cores     []string
	observers []string
	kinds     []string
	show      string
	minDoubt  float64
	out       string
	pictures  int
	overwrite bool
	json      bool
}

// mostListed is how many places the printed summary lists: chosen, a screen.
const mostListed = 15

func newAuditCmd(d deps) *cobra.Command {
	var o auditOptions
	cmd := &cobra.Command{
		Use:   "audit PROJECT",
		Short: "Question a project: what was read, what people changed and why, how well they agree",
		Long: `Question every boundary of PROJECT: how sure the program was of it, what people
made of it and why; how far two observers agree, or one with herself blind; and
which cores are signed off. The places are listed with the most doubtful first.
Nothing is changed.

With --out, a folder gets for osmundvale.pithward: osmundvale.audit.html, a report
with plots and pictures of the wood that needs nothing beside it and can go with a
paper, with a paragraph on methods; osmundvale.places.csv, every place and what
each observer made of it; osmundvale.edits.csv, every decision;
osmundvale.agreement.csv, the widths that two readings have in common.

For an agreement, have two observers settle the same cores (pithward desk
--observer NAME), or one a second time (--again). The best test is to measure by
hand from a blank core, since it does not lean on the automatic reading.

Filters: --core and --observer hold for all of the audit, --show, --kind and
--min-doubt for the places listed.` +
			exitStatus("the audit is made", "the project cannot be read, or a file not be written, or a scan's wood not be shown; the rest is there", "the call is wrong"),
		Example: example(
			"what is in doubt and what was changed", "pithward audit osmundvale.pithward",
			"a report for a paper, with its tables", "pithward audit osmundvale.pithward --out audit",
			"what was changed on one core, for a script", "pithward audit osmundvale.pithward --core LK01A --show changed --json",
		),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return errors.New("name one project file, PROJECT")
			}
			return nil
		},
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return []string{strings.TrimPrefix(ledger.Ending, ".")}, cobra.ShellCompDirectiveFilterFileExt
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o.project = args[0]
			return runAudit(cmd.Context(), o, d)
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&o.cores, "core", nil, "only the core with this `ID`; may be given several times")
	f.StringArrayVar(&o.observers, "observer", nil, "only what `NAME` decided; may be given several times")
	f.StringArrayVar(&o.kinds, "kind", nil, "only places with such an edit, `KIND`; may be given several times")
	f.StringVar(&o.show, "show", string(audit.ShowAll), "which places, `SORT`: all, doubtful, open (doubtful and not decided), decided or changed")
	f.Float64Var(&o.minDoubt, "min-doubt", 0, "only places where the program is wrong with at least this `PROBABILITY`, by its own account")
	f.StringVar(&o.out, "out", "", "write the report and its tables into `DIR`, which is made if it is not there")
	f.IntVar(&o.pictures, "pictures", 60, "show the wood at no more than `N` places of each sort in the report")
	f.BoolVar(&o.overwrite, "overwrite", false, "replace files that are there already")
	f.BoolVar(&o.json, "json", false, "print "+audit.Schema+" for scripts")
	var kinds, shows []string
	for _, k := range audit.PlaceKinds() {
		kinds = append(kinds, string(k))
	}
	for _, s := range audit.Shows() {
		shows = append(shows, string(s))
	}
	fixed(cmd, "kind", kinds...)
	fixed(cmd, "show", shows...)
	return cmd
}

// filter turns the flags into a filter.
func (o auditOptions) filter() audit.Filter {
	f := audit.Filter{Cores: o.cores, Observers: o.observers, MinDoubt: o.minDoubt, Show: audit.Show(o.show)}
	for _, k := range o.kinds {
		f.Kinds = append(f.Kinds, measure.EventKind(k))
	}
	return f
}

func runAudit(ctx context.Context, o auditOptions, d deps) error {
	filter := o.filter()
	shape := filter
	shape.Cores, shape.Observers = nil, nil // the project knows which there are
	if err := shape.Check(nil); err != nil {
		return err
	}
	if o.pictures < 0 {
		return fmt.Errorf("--pictures %d: want a number of places", o.pictures)
	}
	l, err := openProject(ctx, o.project)
	if err != nil {
		return &failure{err}
	}
	defer l.Close()
	scans, err := audit.Load(ctx, l)
	if err != nil {
		return &failure{err}
	}
	if err := filter.Check(scans); err != nil {
		return &failure{fmt.Errorf("%s: %w", o.project, err)}
	}
	a := audit.New(projectName(o.project), d.version, scans, filter)
	var files, warnings []string
	if o.out != "" {
		files, warnings, err = o.write(ctx, l, scans, a, d)
		if err != nil {
			return &failure{err}
		}
	}
	if o.json {
		err = printJSON(d.out, a)
	} else {
		_, err = io.WriteString(d.out, auditText(a, files))
	}
	for _, w := range warnings {
		fmt.Fprintf(d.talk, "pithward: %s\n", w)
	}
	if err == nil && len(warnings) > 0 {
		return &failure{}
	}
	return done(err)
}

func projectName(path string) string {
	return strings.TrimSuffix(filepath.Base(path), ledger.Ending)
}

// write makes the report and its tables. It returns their paths, and what could
// not be shown.
func (o auditOptions) write(ctx context.Context, l *ledger.Ledger, scans []audit.Scan, a audit.Audit, d deps) (files, warnings []string, err error) {
	if err := os.MkdirAll(o.out, 0o777); err != nil {
		return nil, nil, fmt.Errorf("--out %s: cannot be made: %w", o.out, reason(err))
	}
	name := func(end string) string { return filepath.Join(o.out, a.Project+end) }
	tables := []struct {
		path string
		fill func(io.Writer) error
	}{{name(".places.csv"), a.WritePlaces}, {name(".edits.csv"), a.WriteEdits}, {name(".agreement.csv"), a.WriteWidths}}
	page := name(".audit.html")
	r := report.Report{Audit: a}
	for _, t := range tables {
		files = append(files, t.path)
		r.Files = append(r.Files, filepath.Base(t.path))
	}
	files = append(files, page)
	if !o.overwrite {
		for _, f := range files {
			if _, err := os.Lstat(f); err == nil {
				return nil, nil, fmt.Errorf("%s: is there already: give --overwrite to replace it, or another --out", f)
			}
		}
	}
	p, err := newPictures(ctx, l, o.project, scans, d)
	if err != nil {
		return nil, nil, err
	}
	all := filtered(a.Places, audit.Place.Changed)
	r.Changed = p.of(ctx, all[:min(o.pictures, len(all))])
	r.MoreEdit = len(all) - len(r.Changed)
	all = filtered(a.Places, func(p audit.Place) bool { return p.Doubtful() && !p.Decided() })
	r.Open = p.of(ctx, all[:min(o.pictures, len(all))])
	r.MoreOpen = len(all) - len(r.Open)
	r.Warnings = p.faults
	if ctx.Err() != nil {
		return nil, nil, ctx.Err()
	}
	for _, t := range tables {
		var b bytes.Buffer
		if err := t.fill(&b); err != nil {
			return nil, nil, err
		}
		if err := writeWhole(t.path, b.Bytes(), o.overwrite); err != nil {
			return nil, nil, err
		}
	}
	var b bytes.Buffer
	if err := report.Write(&b, r); err != nil {
		return nil, nil, err
	}
	return files, p.faults, writeWhole(page, b.Bytes(), o.overwrite)
}

func filtered(all []audit.Place, keep func(audit.Place) bool) []audit.Place {
	return slices.DeleteFunc(slices.Clone(all), func(p audit.Place) bool { return !keep(p) })
}

// auditText is the audit for people.
func auditText(a audit.Audit, files []string) string {
	var b strings.Builder
	n := a.Counts
	fmt.Fprintf(&b, "%s: %s on %s of %s; %s to look at, %d of them open; %d decided, %d changed\n", a.Project,
		numbered(n.Boundaries, "boundary"), numbered(coresOf(a), "core"), numbered(len(a.Scans), "scan"), numbered(n.Doubtful, "place"), n.Open, n.Decided, n.Changed)
	rows := [][]string{{"core", "observer", "state", "rings", "confirmed", "removed", "added", "moved", "open"}}
	for _, c := range a.Cores {
		rows = append(rows, []string{c.ID, orDash(c.Observer), string(c.Stage), fmt.Sprint(c.Rings), fmt.Sprint(c.Changes.Accepted), fmt.Sprint(c.Changes.Removed),
			fmt.Sprint(c.Changes.Added), fmt.Sprint(c.Changes.Moved), fmt.Sprint(c.Open)})
	}
	if len(a.Cores) > 0 {
		b.WriteString("\n")
		writeTable(&b, rows)
	}
	if len(a.Agreements) > 0 {
		b.WriteString("\nagreement\n")
		rows = [][]string{{"first, second", "matched", "missed", "extra", "widths", "mean mm", "95 % limits mm"}}
		for _, g := range a.Agreements {
			rows = append(rows, agreementRow(g))
		}
		writeTable(&b, rows)
	}
	if len(a.Places) > 0 {
		b.WriteString("\nthe most doubtful places\n")
		rows = [][]string{{"core", "place", "at mm", "the program", "doubt", "people"}}
		for _, p := range a.Places[:min(mostListed, len(a.Places))] {
			rows = append(rows, placeRow(p))
		}
		writeTable(&b, rows)
		if more := len(a.Places) - mostListed; more > 0 {
			fmt.Fprintf(&b, "  and %d more: give --out DIR or --json for all\n", more)
		}
	}
	fmt.Fprintf(&b, "\n%s\n", a.Methods)
	for _, f := range files {
		fmt.Fprintf(&b, "%s\n", f)
	}
	return b.String()
}

// coresOf counts cores, however many observers have begun them.
func coresOf(a audit.Audit) int {
	n := 0
	for _, s := range a.Scans {
		n += s.Cores
	}
	return n
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

func agreementRow(g audit.Agreement) []string {
	row := []string{g.First + "; " + g.Second, fmt.Sprint(g.Matched), fmt.Sprint(g.Missed), fmt.Sprint(g.Extra), fmt.Sprint(len(g.Widths) - g.Shared)}
	switch l := g.Own; {
	case l == nil:
		return append(row, "–", "–")
	case l.Lower == nil:
		return append(row, fmt.Sprintf("%+.3f", l.Mean), "–")
	default:
		return append(row, fmt.Sprintf("%+.3f", l.Mean), fmt.Sprintf("%+.3f to %+.3f", *l.Lower, *l.Upper))
	}
}

func placeRow(p audit.Place) []string {
	said := "none"
	if p.Taken {
		said = "boundary"
	}
	if p.Probability != nil {
		said += fmt.Sprintf(" %.0f %%", 100**p.Probability)
	}
	var people []string
	for _, v := range p.Views {
		if v.Decided {
			what := "none"
			switch {
			case v.Moved:
				what = "moved"
			case v.Boundary:
				what = "boundary"
			}
			people = append(people, v.Observer+": "+what)
		}
	}
	return []string{p.ID, p.Where(), decimals(p.AtMM, 2), said, fmt.Sprintf("%.2f", p.Doubt), orDash(strings.Join(people, "; "))}
}
