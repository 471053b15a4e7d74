package desk

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"pithward/measure"
	"pithward/measure/grade"
	"pithward/measure/ledger"
)

// Lesson is an exercise as it is graded: the key and what each student has. The
// works are called by codes, see CodeName.
type Lesson struct {
	Exercise ledger.Exercise
	Key      grade.Work   // the core as the key's observer has it now
	Experts  []grade.Work // as further observers have it
	Scan     string       // where the scan's file was seen last
	Students []ledger.Student
	Works    []grade.Work // of the students, in their order
}

// ReadLesson reads an exercise for grading.
func ReadLesson(ctx context.Context, l *ledger.Ledger, x ledger.Exercise) (Lesson, error) {
	out := Lesson{Exercise: x}
	var err error
	if out.Key, err = keyBy(ctx, l, x, x.Key); err != nil {
		return out, err
	}
	for _, who := range x.Experts {
		w, err := keyBy(ctx, l, x, who)
		if err != nil {
			return out, err
		}
		out.Experts = append(out.Experts, w)
	}
	if out.Students, err = l.Students(ctx, x.ID); err != nil {
		return out, err
	}
	for _, s := range out.Students {
		st, err := l.WorkOf(ctx, x, s)
		if err != nil {
			return out, err
		}
		core := measured(st.Measurement.Cores[0], out.Key)
		w := grade.FromCore(st.Measurement.Scan, st.Measurement.Scale, core)
		w.Name = CodeName(s)
		out.Works = append(out.Works, w)
	}
	scans, err := l.Scans(ctx)
	if i := slices.IndexFunc(scans, func(s ledger.Scan) bool { return s.SHA256 == x.Blank.Scan.SHA256 }); i >= 0 {
		out.Scan = scans[i].Path
	}
	return out, err
}

// unfinished is how many of the key's boundaries a student leaves out next to an end
// of the wood, which is given, before the work counts as ending short of it:
// chosen; one or two may be missed.
const unfinished = 3

// measured takes the given ends of the wood off a student's core where the student
// did not come near them: rings that nobody set out to measure are no ring of
// many years' width.
func measured(c measure.Core, key grade.Work) measure.Core {
	if key.Places == nil {
		return c
	}
	r := measure.NewRadius(key.Places.PathPx, nil)
	between := func(a, b measure.Boundary) (n int) {
		lo, hi := r.At(a.PointPx), r.At(b.PointPx)
		for _, k := range key.Places.Bounds {
			if at := r.At(k.PointPx); at > min(lo, hi)+1 && at < max(lo, hi)-1 {
				n++
			}
		}
		return n
	}
	if n := len(c.Boundaries); n > 1 && n == len(c.Rings)+1 && c.Boundaries[n-1].Kind == measure.Inner && between(c.Boundaries[n-2], c.Boundaries[n-1]) >= unfinished {
		c.Boundaries, c.Rings = c.Boundaries[:n-1], c.Rings[:n-2]
	}
	if n := len(c.Boundaries); n > 1 && n == len(c.Rings)+1 && c.Boundaries[0].Kind == measure.Outer && between(c.Boundaries[0], c.Boundaries[1]) >= unfinished {
		c.Boundaries, c.Rings = c.Boundaries[1:], c.Rings[1:]
	}
	return c
}

// keyBy is the exercise's core as an observer has it.
func keyBy(ctx context.Context, l *ledger.Ledger, x ledger.Exercise, who string) (grade.Work, error) {
	st, err := l.State(ctx, x.Run, who)
	if err != nil {
		return grade.Work{}, err
	}
	for _, c := range st.Measurement.Cores {
		if c.UID == x.Core {
			w := grade.FromCore(st.Measurement.Scan, st.Measurement.Scale, c)
			if w.Name = c.ID; who != "" {
				w.Name = fmt.Sprintf("%s by %s", c.ID, who)
			}
			return w, nil
		}
	}
	return grade.Work{}, fmt.Errorf("the key of exercise %d is %w: has the core been taken off?", x.ID, ledger.ErrNone)
}

// Grade marks all students of the lesson.
func (l Lesson) Grade(ctx context.Context, rubric grade.Rubric) (grade.Report, error) {
	key, err := grade.NewKey(rubric, l.Key, l.Experts...)
	if err != nil {
		return grade.Report{}, err
	}
	return key.Class(ctx, l.Works)
}

// Keep stores what came of grading the lesson. Only codes stand for other students
// in it, so that nothing of a student is left with others when that one is removed.
func (l Lesson) Keep(ctx context.Context, to *ledger.Ledger, report grade.Report, now time.Time) error {
	key, err := json.Marshal(l.Key)
	if err != nil {
		return err
	}
	results := map[int64]json.RawMessage{}
	for i, s := range l.Students {
		if results[s.ID], err = json.Marshal(report.Students[i].Keep()); err != nil {
			return err
		}
	}
	return to.KeepResults(ctx, l.Exercise.ID, key, results, now)
}

// Named puts names in the place of the codes of a report.
func Named(report grade.Report, names map[string]string) grade.Report {
	words := replacer(names)
	report.Students = slices.Clone(report.Students)
	for i := range report.Students {
		r := &report.Students[i]
		if name, ok := names[r.Name]; ok {
			r.Name = name
		}
		r.Warnings, r.Aside = replaced(r.Warnings, words), replaced(r.Aside, words)
	}
	return report
}

// replacer puts names in the place of codes.
func replacer(names map[string]string) *strings.Replacer {
	codes := slices.SortedFunc(maps.Keys(names), func(a, b string) int { return cmp.Or(len(b)-len(a), cmp.Compare(a, b)) })
	var pairs []string
	for _, code := range codes { // student-100 before student-10
		pairs = append(pairs, code, names[code])
	}
	return strings.NewReplacer(pairs...)
}

func replaced(list []string, words *strings.Replacer) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = words.Replace(w)
	}
	return out
}

// CodeName is what a student is called where names are not to be shown.
func CodeName(s ledger.Student) string { return fmt.Sprintf("student-%02d", s.Number) }

// RealName is the name as the student gave it.
func RealName(s ledger.Student) string { return s.Name }
