package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"pithward/cmd/pithward/desk"
	"pithward/cmd/pithward/pages"
	"pithward/measure"
	"pithward/measure/grade"
	"pithward/measure/ledger"
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
	table       string // of class grade
	exercise    int64
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
SCAN.json of measure, or a project of the desk. A project with an exercise (see
pithward class) stands for that exercise: as KEY for its key, as STUDENT for all
who joined; alone, for both. Without one it stands for its observers.

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
			"an exercise of a project", "pithward grade osmundvale.pithward --out lesson",
			"see the rubric, change it, use it", "pithward grade --print-rubric > rubric.json && pithward grade key.rwl ada.rwl --rubric rubric.json",
			"for a script", "pithward grade key.rwl ada.rwl --json",
		),
		Args: func(_ *cobra.Command, args []string) error {
			switch {
			case o.printRubric && len(args) == 0:
				return nil
			case len(args) < 2 && !(len(args) == 1 && strings.HasSuffix(args[0], ledger.Ending)):
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
	f.Int64Var(&o.exercise, "exercise", onlyExercise, "the exercise of a project, by `NUMBER`, where there are several; 0: what its observers settled")
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
	m, err := o.read(ctx)
	if err != nil {
		return &failure{err}
	}
	return o.mark(ctx, m, rubric, d)
}

// marking is what is to be graded: files that were handed in, an exercise, or both.
type marking struct {
	key      handIn
	experts  []grade.Work // further ones
	students []grade.Work
	names    map[string]string                                 // of those students who are called by a code here
	keep     func(ctx context.Context, rep grade.Report) error // nil: nothing is kept
}

// read reads the key, the further experts' measurements and what was handed in.
func (o gradeOptions) read(ctx context.Context) (marking, error) {
	m := marking{names: map[string]string{}}
	var err error
	if m.key, m.experts, err = o.readKey(ctx); err != nil {
		return m, err
	}
	if o.scan != "" {
		m.key.scan = o.scan
	}
	more, err := readExperts(ctx, o.keys, m.key)
	if err != nil {
		return m, err
	}
	m.experts = append(m.experts, more...)
	students := o.students
	if len(students) == 0 {
		students = []string{o.key}
	}
	for _, path := range students {
		lesson, err := readLesson(ctx, path, o.exercise)
		switch {
		case err != nil:
			return m, err
		case lesson != nil:
			m.add(*lesson, path)
		default:
			m.students = append(m.students, readStudents(ctx, path, m.key)...)
		}
	}
	if len(m.students) == 0 {
		return m, errors.New("there is nobody to grade: the project holds the key alone")
	}
	return m, nil
}

// add adds the students of an exercise.
func (m *marking) add(l desk.Lesson, path string) {
	for i, w := range l.Works {
		w.File = path
		m.students = append(m.students, w)
		m.names[w.Name] = l.Students[i].Name
	}
}

// mark grades, keeps what is to be kept, and writes what was asked for.
func (o gradeOptions) mark(ctx context.Context, m marking, rubric grade.Rubric, d deps) error {
	key, err := grade.NewKey(rubric, m.key.Work, m.experts...)
	if err != nil {
		return &failure{err}
	}
	var codes [][]string
	if o.anonymous {
		codes = anonymise(m.students, m.names)
	}
	report, err := key.Class(ctx, m.students)
	if err == nil && m.keep != nil {
		err = m.keep(ctx, report)
	}
	if err != nil {
		return &failure{err}
	}
	if !o.anonymous {
		report = desk.Named(report, m.names)
	}
	if o.names != "" {
		if err := o.writeCodes(codes); err != nil {
			return &failure{err}
		}
	}
	if o.out != "" {
		if err := o.writeClass(ctx, m.key, report, d); err != nil {
			return &failure{err}
		}
	}
	if o.table != "" {
		if err := writeClassTable(o.table, report, o.overwrite); err != nil {
			return &failure{err}
		}
	}
	if o.json {
		err = printJSON(d.out, report)
	} else {
		_, err = io.WriteString(d.out, gradeText(report))
	}
	if err == nil && m.keep == nil && slices.ContainsFunc(report.Students, pages.Ungraded) {
		return &failure{}
	}
	return done(err)
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

// readKey reads the key. A project's is that of its exercise, with all experts it
// has, unless the call says whose reading of which core it is.
func (o gradeOptions) readKey(ctx context.Context) (handIn, []grade.Work, error) {
	if o.core == "" && o.keyObserver == "" {
		lesson, err := readLesson(ctx, o.key, o.exercise)
		if err != nil {
			return handIn{}, nil, err
		}
		if lesson != nil {
			return lessonKey(*lesson, o.key), lesson.Experts, nil
		}
	}
	if len(o.students) == 0 {
		return handIn{}, nil, fmt.Errorf("%s: holds no exercise: name the files to grade after it", o.key)
	}
	key, err := readKey(ctx, o.key, o.core, o.keyObserver)
	return key, nil, err
}

func lessonKey(l desk.Lesson, path string) handIn {
	key := handIn{Work: l.Key, id: l.Exercise.Blank.Cores[0].ID, observer: l.Exercise.Key, scan: l.Scan}
	key.File = path
	return key
}

// readExperts reads further experts' measurements of the key's core.
func readExperts(ctx context.Context, paths []string, key handIn) (experts []grade.Work, err error) {
	for _, path := range paths {
		all, err := readHandIns(ctx, path, "")
		if err != nil {
			return nil, fmt.Errorf("--key %s: %s", path, bare(err, path))
		}
		w := grade.Pick(key.Work, key.id, works(all), ids(all))
		w.Name, w.File = measure.Stem(path), path
		experts = append(experts, w)
	}
	return experts, nil
}

// anonymise puts codes in the place of names and files. A code hangs on what was
// handed in, not on the order of names, so that it tells nothing of them. Those
// who have a code already, in names, keep it. It returns a table of whose each is.
func anonymise(students []grade.Work, names map[string]string) (codes [][]string) {
	codes = [][]string{{"code", "name", "file"}}
	var order []int
	sums := make([][32]byte, len(students))
	for i, s := range students {
		if name, has := names[s.Name]; has {
			codes = append(codes, []string{s.Name, name, s.File})
			continue
		}
		order = append(order, i)
		sums[i] = sha256.Sum256([]byte(s.File + "\x00" + s.Name))
	}
	slices.SortStableFunc(order, func(a, b int) int { return slices.Compare(sums[a][:], sums[b][:]) })
	n := 0
	for _, i := range order {
		code := ""
		for taken := true; taken; _, taken = names[code] {
			n++
			code = fmt.Sprintf("student-%02d", n)
		}
		codes = append(codes, []string{code, students[i].Name, students[i].File})
		for _, secret := range []string{students[i].File, filepath.Base(students[i].File)} {
			students[i].Fault = strings.ReplaceAll(students[i].Fault, secret, code)
		}
		students[i].Name, students[i].File = code, code
	}
	return codes
}

// gradeText is the class for a person.
func gradeText(rep grade.Report) string {
	var b strings.Builder
	rows := [][]string{{"student", "mark", "missed", "invented", "displaced", "slips", "width error", ""}}
	for _, r := range rep.Students {
		wide := "-"
		if r.WidthMAEMM != nil {
			wide = pages.Decimal(*r.WidthMAEMM, 3) + " mm"
		}
		rows = append(rows, []string{r.Name, pages.Decimal(r.Mark, 1), strconv.Itoa(r.Missed), strconv.Itoa(r.Invented),
			strconv.Itoa(pages.Count(r, grade.Displaced)), strconv.Itoa(pages.Count(r, grade.Slip)), wide, strings.Join(pages.Remarks(r), ", ")})
	}
	padLast(rows)
	full := 0.0
	if len(rep.Students) > 0 {
		full = rep.Students[0].FullMark
	}
	fmt.Fprintf(&b, "%s against %s, full mark %g\n", numbered(len(rep.Students), "student"), rep.Key, full)
	writeTable(&b, rows)
	for _, r := range rep.Students {
		for _, w := range pages.Notes(r) {
			fmt.Fprintf(&b, "  %s: %s\n", r.Name, w)
		}
	}
	if worst := pages.MostMissed(rep, 3); len(worst) > 0 {
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
