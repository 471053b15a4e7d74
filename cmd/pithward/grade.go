package main

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"pithward/measure"
	"pithward/measure/grade"
)

// gradeOptions are the flags of grade as they were given.
type gradeOptions struct {
	key         string
	students    []string
	keys        []string // of further experts
	core        string
	keyObserver string
	rubric      string
	printRubric bool
	out         string
	scan        string
	names       string
	json        bool
	anonymous   bool
	overwrite   bool
}

func newGradeCmd(d deps) *cobra.Command {
	var o gradeOptions
	cmd := &cobra.Command{
		Use:   "grade KEY STUDENT…",
		Short: "Mark students' measurements of a core against a key",
		Long: `Compare what students measured on a core with KEY, an expert's measurement of
it, and mark each STUDENT. All may be width files of any archive format, a
SCAN.json of measure, or a project of the desk.

Where student and key measured the same scan, boundaries are compared by their
place; else the two lists of widths are aligned. Said are boundaries missed,
invented or misplaced, rings left out at the ends, absent rings, and where the
dating slips: one missed ring shifts all older years, which is one fault. A
wrong unit, the reverse order, another core, an empty file or one handed in
twice is named in the student's row, and the others are graded.

With --key further experts are added: where they do not agree, a student who did
as one of them is not marked down.

With --out DIR a folder is made for the class: class.csv for a gradebook,
class.html, grade.json, and for each student a page (NAME.html, NAME.png) that
shows every fault, on the wood where the key's scan is found, and a skeleton
plot (NAME.skeleton.png).` +
			exitStatus("every student was graded", "some file could not be graded, or the key not be read; the others were", "the call is wrong"),
		Example: example(
			"mark a class", "pithward grade key.rwl ada.rwl ben.rwl cyd.csv",
			"with pages for everyone, by codes instead of names", "pithward grade key.rwl ada.rwl ben.rwl cyd.csv --out feedback --anonymous --names codes.csv",
			"see the rubric, change it, use it", "pithward grade --print-rubric > rubric.json && pithward grade key.rwl ada.rwl --rubric rubric.json",
			"for a script", "pithward grade key.rwl ada.rwl --json",
		),
		Args: func(_ *cobra.Command, args []string) error {
			switch {
			case o.printRubric && len(args) == 0:
				return nil
			case len(args) < 2:
				return errors.New("name the KEY and at least one STUDENT")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.printRubric {
				return done(grade.DefaultRubric().Write(d.out))
			}
			o.key, o.students = args[0], args[1:]
			return runGrade(cmd.Context(), o, d)
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&o.keys, "key", nil, "a further expert's measurement, `FILE`; may be given several times")
	f.StringVar(&o.core, "core", "", "the core or series `ID` of the key, where KEY holds several")
	f.StringVar(&o.keyObserver, "key-observer", "", "whose work in a project is the key: `NAME`")
	f.StringVar(&o.rubric, "rubric", "", "what faults cost, a JSON `FILE`; see --print-rubric")
	f.BoolVar(&o.printRubric, "print-rubric", false, "print the rubric used without --rubric")
	f.StringVar(&o.out, "out", "", "write the class's table and pages into `DIR`, which is made if it is not there")
	f.StringVar(&o.scan, "scan", "", "the key's scan, `FILE`, where it is not found by itself")
	f.BoolVar(&o.json, "json", false, "print "+grade.Schema+" for scripts")
	f.BoolVar(&o.anonymous, "anonymous", false, "codes instead of names and files in everything that is written")
	f.StringVar(&o.names, "names", "", "with --anonymous: write which code is whose to this CSV `FILE`")
	f.BoolVar(&o.overwrite, "overwrite", false, "replace files that are there already")
	return cmd
}

// check tells what is wrong with the call.
func (o gradeOptions) check() error {
	switch {
	case o.names != "" && !o.anonymous:
		return errors.New("--names says which code is whose: give --anonymous too")
	case slices.Contains(o.students, o.key) && !strings.HasSuffix(o.key, ".pithward"):
		return fmt.Errorf("%s is the key and a student: name it once", o.key)
	}
	return nil
}

func runGrade(ctx context.Context, o gradeOptions, d deps) error {
	if err := o.check(); err != nil {
		return err
	}
	rubric, err := readRubric(o.rubric)
	if err != nil {
		return err
	}
	first, key, err := o.readKeys(ctx, rubric)
	if err != nil {
		return &failure{err}
	}
	var students []grade.Work
	for _, path := range o.students {
		students = append(students, readStudents(ctx, path, first)...)
	}
	if len(students) == 0 {
		return &failure{errors.New("there is nobody to grade: the project holds the key alone")}
	}
	codes := [][]string{{"code", "name", "file"}}
	if o.anonymous {
		codes = anonymise(students)
	}
	report, err := key.Class(ctx, students)
	if err != nil {
		return &failure{err}
	}
	if o.names != "" {
		if err := o.writeCodes(codes); err != nil {
			return &failure{err}
		}
	}
	if o.out != "" {
		if err := o.writeClass(ctx, first, report, d); err != nil {
			return &failure{err}
		}
	}
	if o.json {
		err = printJSON(d.out, report)
	} else {
		_, err = io.WriteString(d.out, gradeText(report))
	}
	if err == nil && slices.ContainsFunc(report.Students, ungraded) {
		return &failure{}
	}
	return done(err)
}

// ungraded tells whether there is no mark.
func ungraded(r grade.Result) bool {
	return slices.ContainsFunc(r.Faults, func(f grade.Fault) bool { return f.Kind == grade.Unreadable })
}

// readRubric reads the rubric; the default without a path.
func readRubric(path string) (grade.Rubric, error) {
	if path == "" {
		return grade.DefaultRubric(), nil
	}
	f, err := os.Open(path)
	if err != nil {
		return grade.Rubric{}, fmt.Errorf("--rubric %s: cannot be read: %w", path, reason(err))
	}
	defer f.Close()
	r, err := grade.ReadRubric(f)
	if err != nil {
		return r, fmt.Errorf("--rubric %s: %w", path, err)
	}
	return r, nil
}

// readKeys reads the key and the further experts' measurements.
func (o gradeOptions) readKeys(ctx context.Context, rubric grade.Rubric) (handIn, *grade.Key, error) {
	first, err := readKey(ctx, o.key, o.core, o.keyObserver)
	if err != nil {
		return first, nil, err
	}
	if o.scan != "" {
		first.scan = o.scan
	}
	var others []grade.Work
	for _, path := range o.keys {
		all, err := readHandIns(ctx, path, "")
		if err != nil {
			return first, nil, fmt.Errorf("--key %s: %s", path, bare(err, path))
		}
		w := grade.Pick(first.Work, first.id, works(all), ids(all))
		w.Name, w.File = measure.Stem(path), path
		others = append(others, w)
	}
	key, err := grade.NewKey(rubric, first.Work, others...)
	if err != nil {
		return first, nil, err
	}
	return first, key, nil
}

// anonymise puts codes in the place of names and files. A code hangs on what was
// handed in, not on the order of names, so that it tells nothing of them.
func anonymise(students []grade.Work) (codes [][]string) {
	order := make([]int, len(students))
	sums := make([][32]byte, len(students))
	for i, s := range students {
		order[i] = i
		sums[i] = sha256.Sum256([]byte(s.File + "\x00" + s.Name))
	}
	slices.SortStableFunc(order, func(a, b int) int { return slices.Compare(sums[a][:], sums[b][:]) })
	codes = [][]string{{"code", "name", "file"}}
	for n, i := range order {
		code := fmt.Sprintf("student-%02d", n+1)
		codes = append(codes, []string{code, students[i].Name, students[i].File})
		for _, secret := range []string{students[i].File, filepath.Base(students[i].File)} {
			students[i].Fault = strings.ReplaceAll(students[i].Fault, secret, code)
		}
		students[i].Name, students[i].File = code, code
	}
	return codes
}

func (o gradeOptions) writeCodes(codes [][]string) error {
	var b strings.Builder
	if err := csv.NewWriter(&b).WriteAll(tame(codes)); err != nil {
		return err
	}
	return writeWhole(o.names, []byte(b.String()), o.overwrite)
}

// tame keeps a spreadsheet from taking what a student wrote for a formula.
func tame(rows [][]string) [][]string {
	for _, row := range rows {
		for i, cell := range row {
			if cell != "" && strings.ContainsRune("=+@\t\r", rune(cell[0])) || strings.HasPrefix(cell, "-") && !number(cell) {
				row[i] = "'" + cell
			}
		}
	}
	return rows
}

func number(s string) bool {
	_, err := strconv.ParseFloat(s, 64)
	return err == nil
}

// count returns how many faults of these kinds there are.
func count(r grade.Result, kinds ...grade.Kind) (n int) {
	for _, f := range r.Faults {
		if slices.Contains(kinds, f.Kind) {
			n++
		}
	}
	return n
}

// wholeFaults are about a file as a whole.
var wholeFaults = []grade.Kind{grade.Units, grade.Reversed, grade.WrongCore, grade.Unreadable}

// gradeTable is the class for a gradebook: a row a student.
func gradeTable(rep grade.Report) ([]byte, error) {
	rows := [][]string{{"name", "file", "mark", "full_mark", "certainty", "matched", "missed", "invented", "displaced", "slips",
		"absent_rings_wrong", "ends_wrong", "width_bias_mm", "width_mae_mm", "width_rmse_mm", "to_look_at", "warnings"}}
	for _, r := range rep.Students {
		var look []string
		for _, f := range r.Faults {
			if slices.Contains(wholeFaults, f.Kind) {
				look = append(look, string(f.Kind)+": "+f.Detail)
			}
		}
		n := func(kinds ...grade.Kind) string { return strconv.Itoa(count(r, kinds...)) }
		rows = append(rows, []string{r.Name, r.File, decimal(r.Mark, 2), decimal(r.FullMark, -1), decimal(r.Certainty, 3), strconv.Itoa(r.Matched),
			strconv.Itoa(r.Missed), strconv.Itoa(r.Invented), n(grade.Displaced), n(grade.Slip), n(grade.AbsentMissed, grade.AbsentInvented),
			n(grade.StartsLate, grade.StartsEarly, grade.EndsLate, grade.EndsEarly), micro(r.WidthBiasMM), micro(r.WidthMAEMM), micro(r.WidthRMSEMM),
			strings.Join(look, " "), strings.Join(r.Warnings, "; ")})
	}
	var b strings.Builder
	if err := csv.NewWriter(&b).WriteAll(tame(rows)); err != nil {
		return nil, err
	}
	return []byte(b.String()), nil
}

func decimal(v float64, n int) string { return strconv.FormatFloat(v, 'f', n, 64) }

// micro writes mm to the micrometre; empty for nil.
func micro(v *float64) string {
	if v == nil {
		return ""
	}
	return decimal(math.Round(*v*1000)/1000+0, 3) // no negative zero
}

// gradeText is the class for a person.
func gradeText(rep grade.Report) string {
	var b strings.Builder
	rows := [][]string{{"student", "mark", "missed", "invented", "displaced", "slips", "width error", ""}}
	for _, r := range rep.Students {
		wide := "-"
		if r.WidthMAEMM != nil {
			wide = decimal(*r.WidthMAEMM, 3) + " mm"
		}
		rows = append(rows, []string{r.Name, decimal(r.Mark, 1), strconv.Itoa(r.Missed), strconv.Itoa(r.Invented),
			strconv.Itoa(count(r, grade.Displaced)), strconv.Itoa(count(r, grade.Slip)), wide, remarks(r)})
	}
	padLast(rows)
	full := 0.0
	if len(rep.Students) > 0 {
		full = rep.Students[0].FullMark
	}
	fmt.Fprintf(&b, "%s against %s, full mark %g\n", numbered(len(rep.Students), "student"), rep.Key, full)
	writeTable(&b, rows)
	for _, r := range rep.Students {
		for _, w := range r.Warnings {
			fmt.Fprintf(&b, "  %s: %s\n", r.Name, w)
		}
	}
	if worst := mostMissed(rep, 3); len(worst) > 0 {
		fmt.Fprintf(&b, "most missed: %s\n", strings.Join(worst, ", "))
	}
	return b.String()
}

// padLast makes the last cells equally wide, so that they stand to the left.
func padLast(rows [][]string) {
	widest := 0
	for _, row := range rows {
		widest = max(widest, utf8.RuneCountInString(row[len(row)-1]))
	}
	for _, row := range rows {
		cell := &row[len(row)-1]
		*cell += strings.Repeat(" ", widest-utf8.RuneCountInString(*cell))
	}
}

// remarks are a student's other faults in a few words.
func remarks(r grade.Result) string {
	var words []string
	for _, k := range grade.Kinds() {
		switch k {
		case grade.Missed, grade.Invented, grade.Displaced, grade.Slip:
			continue
		}
		if n := count(r, k); n > 0 {
			words = append(words, string(k))
		}
	}
	if r.Certainty < 0.9 && !ungraded(r) {
		words = append(words, fmt.Sprintf("alignment %.0f %% sure", 100*r.Certainty))
	}
	return strings.Join(words, ", ")
}

// mostMissed names the rings whose inner boundary most students missed.
func mostMissed(rep grade.Report, n int) (out []string) {
	rings := slices.DeleteFunc(slices.Clone(rep.Class.Rings), func(v grade.RingView) bool { return v.Missed < 2 })
	slices.SortStableFunc(rings, func(a, b grade.RingView) int { return cmp.Compare(b.Missed, a.Missed) })
	for _, v := range rings[:min(n, len(rings))] {
		name := fmt.Sprintf("ring %d", v.KeyRing)
		if v.Year != nil {
			name = yearText(*v.Year)
		}
		out = append(out, fmt.Sprintf("%s (%d of %d)", name, v.Missed, rep.Class.Students))
	}
	return out
}
