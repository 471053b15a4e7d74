package desk

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"pithward/measure/grade"
	"pithward/measure/ledger"
)

// GradeExercise marks all students of an exercise against its key, the core as
// the key's observer has it now, and keeps what came of it. names gives what each
// student is called in the report.
func GradeExercise(ctx context.Context, l *ledger.Ledger, x ledger.Exercise, rubric grade.Rubric, names func(ledger.Student) string, now time.Time) (grade.Report, error) {
	key, err := exerciseKey(ctx, l, x, rubric)
	if err != nil {
		return grade.Report{}, err
	}
	students, err := l.Students(ctx, x.ID)
	if err != nil {
		return grade.Report{}, err
	}
	var works []grade.Work
	for _, s := range students {
		st, err := l.WorkOf(ctx, x, s)
		if err != nil {
			return grade.Report{}, err
		}
		w := grade.FromCore(st.Measurement.Scan, st.Measurement.Scale, st.Measurement.Cores[0])
		w.Name = names(s)
		works = append(works, w)
	}
	report, err := key.Class(ctx, works)
	if err != nil {
		return report, err
	}
	results := map[int64]json.RawMessage{}
	for i, s := range students {
		if results[s.ID], err = json.Marshal(report.Students[i]); err != nil {
			return report, err
		}
	}
	return report, l.KeepResults(ctx, x.ID, results, now)
}

func exerciseKey(ctx context.Context, l *ledger.Ledger, x ledger.Exercise, rubric grade.Rubric) (*grade.Key, error) {
	st, err := l.State(ctx, x.Run, x.Key)
	if err != nil {
		return nil, err
	}
	for _, c := range st.Measurement.Cores {
		if c.UID == x.Core {
			w := grade.FromCore(st.Measurement.Scan, st.Measurement.Scale, c)
			if w.Name = c.ID; x.Key != "" {
				w.Name = fmt.Sprintf("%s by %s", c.ID, x.Key)
			}
			return grade.NewKey(rubric, w)
		}
	}
	return nil, fmt.Errorf("the key of exercise %d is %w: has the core been taken off?", x.ID, ledger.ErrNone)
}

// CodeName is what a student is called where names are not to be shown.
func CodeName(s ledger.Student) string { return fmt.Sprintf("student-%02d", s.Number) }

// RealName is the name as the student gave it.
func RealName(s ledger.Student) string { return s.Name }
