package ledger

import (
	"context"

	"pithward/measure"
)

// Settled is a scan of the project as an observer has settled it.
type Settled struct {
	Scan Scan
	Edited
	Used measure.Measurement // without the rejected cores, which bear a warning in Measurement
}

// Settle returns a scan as an observer has settled it.
func (l *Ledger) Settle(ctx context.Context, s Scan, observer string) (*Settled, error) {
	e, err := l.State(ctx, s.Run, observer)
	if err != nil {
		return nil, err
	}
	x := &Settled{Scan: s, Edited: e, Used: e.Measurement}
	x.Used.Cores = nil
	for i := range e.Measurement.Cores {
		c := &e.Measurement.Cores[i]
		if state := e.States[c.UID]; state.Stage == measure.Rejected {
			c.Warnings = append(c.Warnings, "rejected: "+state.Why)
			continue
		}
		x.Used.Cores = append(x.Used.Cores, *c)
	}
	return x, nil
}

// Rejoin joins the parts of cores that lie on the scans, by their boundaries as
// they are settled now; the joins and what is said of them are set anew.
func Rejoin(scans []*Settled) []measure.JoinedCore {
	var used []*measure.Measurement
	for _, x := range scans {
		used = append(used, &x.Used)
	}
	joined := measure.Rejoin(used)
	for _, x := range scans {
		x.Measurement.Joins, x.Measurement.Warnings = x.Used.Joins, x.Used.Warnings
	}
	return joined
}
