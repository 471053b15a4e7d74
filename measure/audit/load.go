package audit

import (
	"context"

	"pithward/measure/ledger"
)

// Load reads the scans of a project with what everybody made of them.
func Load(ctx context.Context, l *ledger.Ledger) ([]Scan, error) {
	all, err := l.Scans(ctx)
	if err != nil {
		return nil, err
	}
	var out []Scan
	for _, s := range all {
		m, err := l.Reading(ctx, s.Run)
		if err != nil {
			return nil, err
		}
		one := Scan{Run: s.Run, Reading: m}
		who, err := l.Observers(ctx, s.Run)
		if err != nil {
			return nil, err
		}
		for _, name := range who {
			st, err := l.State(ctx, s.Run, name)
			if err != nil {
				return nil, err
			}
			one.Observers = append(one.Observers, Observed{name, st.Events, st.Edited})
		}
		out = append(out, one)
	}
	return out, nil
}
