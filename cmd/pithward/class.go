package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"pithward/cmd/pithward/desk"
	"pithward/cmd/pithward/pages"
	"pithward/measure"
	"pithward/measure/grade"
	"pithward/measure/ledger"
)

func newClassCmd(d deps) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "class",
		Short: "Have a class measure a core, watch, grade, give feedback",
		Long: `Make an exercise of a core of a project, serve it to students, who measure the
core from nothing in their browsers, and grade what they did.

The order of a lesson: class new, class serve (watch, close, grade and release on
the assistant's page that it prints), or class close, class grade and class
release from the command line. Students see the wood and the radius; boundaries,
candidates and probabilities are hidden. What they do is stored in the project,
apart from the project's own observers.` +
			exitStatus("done", "it could not be done; why was said", "the call is wrong"),
		Example: example(
			"an exercise of core LK01A, settled at the desk before", "pithward class new --project osmundvale.pithward --core LK01A --seats 30",
			"which exercises there are", "pithward class list osmundvale.pithward",
			"end the first", "pithward class close osmundvale.pithward 1",
		),
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newClassNewCmd(d), newClassListCmd(d), newClassServeCmd(d), newClassCloseCmd(d), newClassGradeCmd(d), newClassReleaseCmd(d), newClassRemoveCmd(d))
	return cmd
}

// classNewOptions are the flags of class new as they were given.
type classNewOptions struct {
	project string
	core    string
	name    string
	keys    []string // observers
	opens   string
	closes  string
	seats   int
}

// seatsLimit is the most seats of an exercise: chosen, several times the sixty that
// the server is tried with.
const seatsLimit = 300

func newClassNewCmd(d deps) *cobra.Command {
	var o classNewOptions
	cmd := &cobra.Command{
		Use:   "new --project PROJECT --core ID",
		Short: "Make an exercise of a core",
		Long: `Make an exercise of a core of PROJECT and print the code by which students join.
The key is the core as one observer has settled it; where several have, name one
with --key-observer, or several: where these differ, a student who did as one of
them is not marked down. The radius is the first's; students may lay their own.

Times are UTC, as 2026-11-30T09:00, or with an offset, as 2026-11-30T10:00+01:00.` +
			exitStatus("made", "the project cannot be used, or has no such core or key", "the call is wrong"),
		Example: example(
			"one core, open now until you close it", "pithward class new --project osmundvale.pithward --core LK01A --key-observer Ada",
			"a lesson of ninety minutes", "pithward class new --project osmundvale.pithward --core LK01A --key-observer Ada --name 'Pine, third week' --opens 2026-11-30T09:00 --closes 2026-11-30T10:30 --seats 30",
		),
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runClassNew(cmd.Context(), o, d, time.Now()) },
	}
	f := cmd.Flags()
	f.StringVar(&o.project, "project", "", "the project `FILE`")
	f.StringVar(&o.core, "core", "", "the core's `ID`")
	f.StringVar(&o.name, "name", "", "what the exercise is called (default: the core's id)")
	f.StringArrayVar(&o.keys, "key-observer", nil, "whose reading is the key: `NAME`; given again: a further expert, who may differ")
	f.StringVar(&o.opens, "opens", "", "from `TIME` on students can measure (default: now)")
	f.StringVar(&o.closes, "closes", "", "until `TIME` (default: when you close it)")
	f.IntVar(&o.seats, "seats", 60, "`N` students at most")
	if err := cmd.MarkFlagFilename("project", "pithward"); err != nil {
		panic(err) // no such flag: a slip in this package, seen by every test
	}
	return cmd
}

// projectFiles completes the name of a project.
func projectFiles(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
	if len(args) > 0 {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	return []string{"pithward"}, cobra.ShellCompDirectiveFilterFileExt
}

// when reads a time of the command line; def for "".
func when(flag, s string, def *time.Time) (*time.Time, error) {
	if s == "" {
		return def, nil
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04Z07:00", "2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if t, err := time.Parse(layout, s); err == nil {
			t = t.UTC()
			return &t, nil
		}
	}
	return nil, fmt.Errorf("--%s %s: is no time: write it as 2026-11-30T09:00 (UTC)", flag, s)
}

func (o classNewOptions) exercise(now time.Time) (x ledger.Exercise, err error) {
	switch {
	case o.project == "" || o.core == "":
		return x, errors.New("name the project and the core: --project FILE --core ID")
	case o.seats < 1 || o.seats > seatsLimit:
		return x, fmt.Errorf("--seats %d: want 1 to %d", o.seats, seatsLimit)
	}
	opens, err := when("opens", o.opens, &now)
	if err != nil {
		return x, err
	}
	closes, err := when("closes", o.closes, nil)
	if err != nil {
		return x, err
	}
	if closes != nil && (!closes.After(*opens) || !closes.After(now)) {
		return x, fmt.Errorf("--closes %s: lies before it opens, or in the past", o.closes)
	}
	x = ledger.Exercise{Name: o.name, Seats: o.seats, Opens: *opens, Closes: closes}
	if x.Name == "" {
		x.Name = o.core
	}
	x.Code, err = desk.CoinCode()
	return x, err
}

func runClassNew(ctx context.Context, o classNewOptions, d deps, now time.Time) error {
	x, err := o.exercise(now)
	if err != nil {
		return err
	}
	l, err := openProject(ctx, o.project)
	if err != nil {
		return &failure{err}
	}
	defer l.Close()
	x.Run, x.Core, err = findCore(ctx, l, o.core)
	if err != nil {
		return &failure{fmt.Errorf("%s: %w", o.project, err)}
	}
	if x.Key, x.Experts, err = keysOf(ctx, l, x, o.keys); err != nil {
		return &failure{fmt.Errorf("%s: %w", o.project, err)}
	}
	if x.Key == "" {
		fmt.Fprintf(d.talk, "pithward: warning: nobody has settled %s, so the key is the automatic reading: better settle it at the desk first,\nand make the exercise then\n", o.core)
	}
	if x, err = l.AddExercise(ctx, x, now); err != nil {
		return &failure{err}
	}
	fmt.Fprintf(d.out, "exercise %d, %s: join with the code %s\n", x.ID, x.Name, desk.ShowCode(x.Code))
	fmt.Fprintf(d.talk, "serve it with: pithward class serve %s\n", o.project)
	return nil
}

// findCore returns the run and uid of a core by its id, in the latest run of its
// scan.
func findCore(ctx context.Context, l *ledger.Ledger, id string) (run int64, uid string, err error) {
	scans, err := l.Scans(ctx)
	if err != nil {
		return 0, "", err
	}
	var ids []string
	for _, s := range scans {
		m, err := l.Reading(ctx, s.Run)
		if err != nil {
			return 0, "", err
		}
		for _, c := range m.Cores {
			if c.ID == id || c.UID == id {
				return s.Run, c.UID, nil
			}
			ids = append(ids, c.ID)
		}
	}
	return 0, "", fmt.Errorf("there is no core %s: it has %s", id, listed(ids))
}

// keysOf tells whose reading is the key, and whose count beside it: those named, else
// the one who has settled anything on the core, else nobody's, "".
func keysOf(ctx context.Context, l *ledger.Ledger, x ledger.Exercise, named []string) (key string, experts []string, err error) {
	all, err := l.Observers(ctx, x.Run)
	if err != nil {
		return "", nil, err
	}
	for _, who := range named {
		if !slices.Contains(all, who) {
			return "", nil, fmt.Errorf("--key-observer %s: has settled nothing on this scan: those who have are %s", who, cmp.Or(listed(all), "none"))
		}
	}
	if len(named) > 0 {
		return named[0], named[1:], nil
	}
	var here, signed []string
	for _, who := range all {
		st, err := l.State(ctx, x.Run, who)
		if err != nil {
			return "", nil, err
		}
		switch st.States[x.Core].Stage {
		case measure.SignedOff:
			signed = append(signed, who)
			here = append(here, who)
		case measure.Begun:
			here = append(here, who)
		}
	}
	switch {
	case len(signed) == 1:
		return signed[0], nil, nil
	case len(here) > 1:
		return "", nil, fmt.Errorf("%s have settled this core: name one with --key-observer, or several", strings.Join(here, " and "))
	case len(here) == 1:
		return here[0], nil, nil
	}
	return "", nil, nil
}

// onExercise opens a project and hands on the exercise that a command names.
func onExercise(ctx context.Context, args []string, do func(*ledger.Ledger, ledger.Exercise) error) error {
	l, err := openProject(ctx, args[0])
	if err != nil {
		return &failure{err}
	}
	defer l.Close()
	x, err := pickExercise(ctx, l, args[1:])
	if err == nil {
		err = do(l, x)
	}
	if err != nil {
		return &failure{fmt.Errorf("%s: %w", args[0], err)}
	}
	return nil
}

// pickExercise returns the exercise with the number given; without one, the only
// one there is.
func pickExercise(ctx context.Context, l *ledger.Ledger, number []string) (ledger.Exercise, error) {
	all, err := l.Exercises(ctx)
	switch {
	case err != nil:
		return ledger.Exercise{}, err
	case len(all) == 0:
		return ledger.Exercise{}, errors.New("there is no exercise yet: make one with pithward class new")
	case len(number) == 0:
		return exerciseOf(all, onlyExercise)
	}
	n, err := strconv.ParseInt(number[0], 10, 64)
	if err != nil {
		return ledger.Exercise{}, fmt.Errorf("there is no exercise %.20q: see pithward class list", number[0])
	}
	return exerciseOf(all, n)
}

// onlyExercise stands for the only exercise there is.
const onlyExercise = -1

func exerciseOf(all []ledger.Exercise, number int64) (ledger.Exercise, error) {
	if number == onlyExercise && len(all) == 1 {
		return all[0], nil
	}
	if number == onlyExercise {
		return ledger.Exercise{}, fmt.Errorf("there are %d exercises: give the number of one, see pithward class list", len(all))
	}
	for _, x := range all {
		if x.ID == number {
			return x, nil
		}
	}
	return ledger.Exercise{}, fmt.Errorf("there is no exercise %d: see pithward class list", number)
}

// projectAndMaybe checks that a project is named, and at most so many words after it.
func projectAndMaybe(after int, what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) < 1 || len(args) > 1+after {
			return fmt.Errorf("name one project file, PROJECT%s", what)
		}
		return nil
	}
}

func newClassListCmd(d deps) *cobra.Command {
	var anonymous, all bool
	cmd := &cobra.Command{
		Use:   "list PROJECT",
		Short: "List exercises, their codes and students",
		Long: `List the exercises of PROJECT: number, name, core, code, whether they are open,
and with --students who has joined and how many edits they made.` +
			exitStatus("listed", "the project cannot be read", "the call is wrong"),
		Example:           example("exercises and codes", "pithward class list osmundvale.pithward", "with students, by codes instead of names", "pithward class list osmundvale.pithward --students --anonymous"),
		Args:              projectAndMaybe(0, ""),
		ValidArgsFunction: projectFiles,
		RunE: func(cmd *cobra.Command, args []string) error {
			return done(runClassList(cmd.Context(), args[0], all, anonymous, d, time.Now()))
		},
	}
	cmd.Flags().BoolVar(&all, "students", false, "students too")
	cmd.Flags().BoolVar(&anonymous, "anonymous", false, "codes instead of names")
	return cmd
}

func runClassList(ctx context.Context, project string, students, anonymous bool, d deps, now time.Time) error {
	l, err := openProject(ctx, project)
	if err != nil {
		return err
	}
	defer l.Close()
	all, err := l.Exercises(ctx)
	if err != nil {
		return err
	}
	rows := [][]string{{"exercise", "code", "state", "students", "name, core and key"}}
	var talk strings.Builder
	for _, x := range all {
		who, err := l.Students(ctx, x.ID)
		if err != nil {
			return err
		}
		rows = append(rows, []string{strconv.FormatInt(x.ID, 10), desk.ShowCode(x.Code), exerciseState(x, now), fmt.Sprintf("%d of %d", len(who), x.Seats),
			fmt.Sprintf("%s: %s, key by %s", x.Name, x.Blank.Cores[0].ID, cmp.Or(strings.Join(x.KeyObservers(), ", "), "the program"))})
		for _, s := range who {
			if students {
				fmt.Fprintf(&talk, "exercise %d  student %d  %s  %s\n", x.ID, s.Number, studentName(anonymous)(s), numbered(s.Events, "edit"))
			}
		}
	}
	padLast(rows)
	var b strings.Builder
	writeTable(&b, rows)
	_, err = io.WriteString(d.out, b.String()+talk.String())
	return err
}

func exerciseState(x ledger.Exercise, now time.Time) string {
	switch {
	case x.Released != nil:
		return "released"
	case x.Graded != nil:
		return "graded"
	}
	return string(x.Phase(now))
}

func studentName(anonymous bool) func(ledger.Student) string {
	if anonymous {
		return desk.CodeName
	}
	return desk.RealName
}

func newClassCloseCmd(d deps) *cobra.Command {
	return &cobra.Command{
		Use:   "close PROJECT [EXERCISE]",
		Short: "End an exercise: no edit and nobody new after that",
		Long: `End an exercise of PROJECT. EXERCISE is its number, where there are several. What
students have set until then is kept; the code opens nothing any more.` + exitStatus("closed", "the project cannot be used, or has no such exercise", "the call is wrong"),
		Example:           example("end the lesson", "pithward class close osmundvale.pithward 1"),
		Args:              projectAndMaybe(1, " and perhaps an EXERCISE"),
		ValidArgsFunction: projectFiles,
		RunE: func(cmd *cobra.Command, args []string) error {
			return onExercise(cmd.Context(), args, func(l *ledger.Ledger, x ledger.Exercise) error {
				if err := l.CloseExercise(cmd.Context(), x.ID, time.Now()); err != nil {
					return err
				}
				_, err := fmt.Fprintf(d.out, "exercise %d, %s, is closed\n", x.ID, x.Name)
				return err
			})
		},
	}
}

func newClassGradeCmd(d deps) *cobra.Command {
	var o gradeOptions
	cmd := &cobra.Command{
		Use:   "grade PROJECT [EXERCISE]",
		Short: "Mark an exercise against its key",
		Long: `Mark every student of a closed exercise against its key, by the places of the
boundaries, and keep the result for class release. Rubric, further experts and
pages are those of pithward grade. Grading again replaces the result, for
instance after the key was corrected at the desk.` + exitStatus("graded", "the project cannot be used, or the exercise is still open", "the call is wrong"),
		Example: example(
			"marks on the screen, and for a gradebook", "pithward class grade osmundvale.pithward 1 --table marks.csv",
			"with a page for everyone", "pithward class grade osmundvale.pithward 1 --out feedback",
			"without names, for a script", "pithward class grade osmundvale.pithward 1 --anonymous --json",
		),
		Args:              projectAndMaybe(1, " and perhaps an EXERCISE"),
		ValidArgsFunction: projectFiles,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := o.check(); err != nil {
				return err
			}
			rubric, err := readRubric(o.rubric)
			if err != nil {
				return err
			}
			return onExercise(cmd.Context(), args, func(l *ledger.Ledger, x ledger.Exercise) error {
				return runClassGrade(cmd.Context(), l, x, rubric, o, d)
			})
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&o.keys, "key", nil, "a further expert's measurement, `FILE`; may be given several times")
	f.StringVar(&o.rubric, "rubric", "", "what faults cost, a JSON `FILE`; see pithward grade --print-rubric")
	f.StringVar(&o.table, "table", "", "write the class as CSV to `FILE`")
	f.StringVar(&o.out, "out", "", "write the class's table and pages into `DIR`, which is made if it is not there")
	f.StringVar(&o.scan, "scan", "", "the scan, `FILE`, where it is not found by itself")
	f.BoolVar(&o.overwrite, "overwrite", false, "replace files that are there already")
	f.BoolVar(&o.json, "json", false, "print "+grade.Schema+" for scripts")
	f.BoolVar(&o.anonymous, "anonymous", false, "codes instead of names in all that is written")
	f.StringVar(&o.names, "names", "", "with --anonymous: write which code is whose to this CSV `FILE`")
	return cmd
}

func runClassGrade(ctx context.Context, l *ledger.Ledger, x ledger.Exercise, rubric grade.Rubric, o gradeOptions, d deps) error {
	if phase := x.Phase(time.Now()); phase != ledger.Shut {
		return fmt.Errorf("exercise %d is %s: close it first", x.ID, phase)
	}
	lesson, err := desk.ReadLesson(ctx, l, x)
	if err != nil {
		return err
	}
	m := marking{key: lessonKey(lesson, l.Path()), experts: lesson.Experts, names: map[string]string{}}
	if o.scan != "" {
		m.key.scan = o.scan
	}
	more, err := readExperts(ctx, o.keys, m.key)
	if err != nil {
		return err
	}
	m.experts = append(m.experts, more...)
	m.add(lesson, l.Path())
	m.keep = func(ctx context.Context, rep grade.Report) error { return lesson.Keep(ctx, l, rep, time.Now()) }
	return o.mark(ctx, m, rubric, d)
}

func writeClassTable(path string, report grade.Report, overwrite bool) error {
	if path == "" {
		return nil
	}
	text, err := pages.Table(report)
	if err != nil {
		return err
	}
	return writeWhole(path, text, overwrite)
}

func newClassReleaseCmd(d deps) *cobra.Command {
	return &cobra.Command{
		Use:               "release PROJECT [EXERCISE]",
		Short:             "Let students see their marks and faults",
		Long:              `Let each student of a graded exercise see the own mark and faults on the page.` + exitStatus("released", "the project cannot be used, or the exercise is not graded", "the call is wrong"),
		Example:           example("give the feedback", "pithward class release osmundvale.pithward 1"),
		Args:              projectAndMaybe(1, " and perhaps an EXERCISE"),
		ValidArgsFunction: projectFiles,
		RunE: func(cmd *cobra.Command, args []string) error {
			return onExercise(cmd.Context(), args, func(l *ledger.Ledger, x ledger.Exercise) error {
				if x.Graded == nil {
					return fmt.Errorf("exercise %d is not graded yet: pithward class grade", x.ID)
				}
				if err := l.ReleaseExercise(cmd.Context(), x.ID, time.Now()); err != nil {
					return err
				}
				_, err := fmt.Fprintf(d.out, "students of exercise %d, %s, can see their feedback while it is served\n", x.ID, x.Name)
				return err
			})
		},
	}
}

func newClassRemoveCmd(d deps) *cobra.Command {
	return &cobra.Command{
		Use:   "remove-student PROJECT EXERCISE STUDENT",
		Short: "Take a student out with all that was theirs",
		Long: `Remove a student, by number (see class list --students), and all that was theirs:
name, session, edits and result. The project file is written anew, so that no
trace is left in it. Tables and copies made before are yours to remove.` +
			exitStatus("removed", "the project cannot be used, or there is no such student", "the call is wrong"),
		Example: example("the second who joined", "pithward class remove-student osmundvale.pithward 1 2"),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 3 {
				return errors.New("name the PROJECT, the EXERCISE and the STUDENT, the latter two by number")
			}
			return nil
		},
		ValidArgsFunction: projectFiles,
		RunE: func(cmd *cobra.Command, args []string) error {
			return onExercise(cmd.Context(), args[:2], func(l *ledger.Ledger, x ledger.Exercise) error {
				all, err := l.Students(cmd.Context(), x.ID)
				if err != nil {
					return err
				}
				for _, s := range all {
					if strconv.Itoa(s.Number) == args[2] {
						gone, err := l.RemoveStudent(cmd.Context(), s.ID)
						if err != nil {
							return err
						}
						_, err = fmt.Fprintln(d.out, removedWords(gone))
						return err
					}
				}
				return fmt.Errorf("exercise %d has no student %.20q: see pithward class list --students", x.ID, args[2])
			})
		},
	}
}

func removedWords(r ledger.Removed) string {
	result := "no result was there"
	if r.Result {
		result = "the result"
	}
	return fmt.Sprintf("removed: %s, the session, %s, %s", r.Name, numbered(r.Events, "edit"), result)
}
