// Package stand dates a whole project: it takes the cores of a ledger as an
// observer has settled them and sets each against all other trees (see
// dating.Stand), which neither the ledger nor the arithmetic of dating knows of
// the other.
package stand

import (
	"context"
	"fmt"

	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/dating"
	"pithward/measure/ledger"
)

// Core is a series of a project and where it comes from.
type Core struct {
	archive.Series
	Scan     string // file
	Position int    // of the core on it
	Run      int64
}

// Series returns the series of a project as an observer has settled them, in the
// order of the scans. Rejected cores are left out; a core parted by lost wood
// gives a series for each part. The observer is the analyst of those that the
// observer has worked on. warnings name the scans that give none.
func Series(ctx context.Context, l *ledger.Ledger, observer string) (cores []Core, warnings []string, err error) {
	scans, err := l.Scans(ctx)
	if err != nil {
		return nil, nil, err
	}
	for _, s := range scans {
		e, err := l.State(ctx, s.Run, observer)
		if err != nil {
			return nil, nil, err
		}
		of := Of(e.Edited)
		if len(of) == 0 {
			warnings = append(warnings, fmt.Sprintf("%s: no core on it has widths: give it a scale, or measure it anew", s.File))
		}
		positions := map[string]int{}
		for _, c := range e.Measurement.Cores {
			positions[c.UID] = c.Position
			if c.Field != nil {
				_, faults := archive.SiteOf(*c.Field)
				for _, f := range faults {
					warnings = append(warnings, fmt.Sprintf("%s: %s", c.ID, f))
				}
			}
		}
		for _, x := range of {
			switch e.States[x.Core].Stage {
			case measure.Begun, measure.SignedOff:
				x.Meta.Analyst = observer
			}
			cores = append(cores, Core{x, s.File, positions[x.Core], s.Run})
		}
	}
	return cores, warnings, nil
}

// Of returns the series of one scan as it stands, without its rejected cores.
func Of(e measure.Edited) []archive.Series {
	m := e.Measurement
	m.Cores = nil
	for _, c := range e.Measurement.Cores {
		if e.States[c.UID].Stage != measure.Rejected {
			m.Cores = append(m.Cores, c)
		}
	}
	dated, floating := archive.FromMeasurement(&m)
	return append(dated, floating...)
}

// New sets the cores of a project against each other, and against dated series
// from elsewhere, which may be none. treeChars is as in dating.Options. For a
// page: dating.Stand's Find, View and Try answer for one core; make a new one
// when a core has been edited.
func New(cores []Core, against []archive.Series, treeChars int) *dating.Stand {
	all := make([]archive.Series, len(cores))
	for i, c := range cores {
		all[i] = c.Series
	}
	return dating.NewStand(all, against, treeChars)
}
