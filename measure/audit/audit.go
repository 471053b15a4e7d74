// Package audit questions a project: every place where the program read a
// boundary, might have, or where somebody set one, with what the program said,
// what each observer made of it and why; how far the observers agree; and how
// far they are. It changes nothing.
package audit

import (
	"cmp"
	"slices"
	"strings"

	"pithward/measure"
)

// Schema is the name and number of the format an Audit has as JSON.
const Schema = "pithward/audit/1"

// Program is the name that the automatic reading goes by where observers are
// compared.
const Program = "the program"

// AgainEnding ends the name of an observer who measures a second time, blind
// to the first.
const AgainEnding = ", again"

// Scan is a scan of a project: what the program read there last, and what each
// observer made of it.
type Scan struct {
	Run       int64
	Reading   measure.Measurement
	Observers []Observed // who have decided anything there, by name
}

// Observed is a scan as an observer has it.
type Observed struct {
	Name   string
	Events []measure.Event // the observer's, in order
	Edited measure.Edited  // the reading with those events
}

// Audit is what a project answers.
type Audit struct {
	Schema      string      `json:"schema"`
	Project     string      `json:"project"`
	Version     string      `json:"version"` // of the program that made the audit
	Filter      Filter      `json:"filter"`
	Observers   []string    `json:"observers"`
	Scans       []ScanLine  `json:"scans"`
	Cores       []CoreLine  `json:"cores"`
	Places      []Place     `json:"places"` // the most doubtful first
	Edits       []Edit      `json:"edits"`  // oldest first
	Counts      Counts      `json:"counts"`
	Reliability []Bin       `json:"reliability"`
	Agreements  []Agreement `json:"agreements"`
	Methods     string      `json:"methods"`
}

// New audits the scans of a project, as far as the filter lets through.
func New(project, version string, scans []Scan, f Filter) Audit {
	scans = f.scans(scans)
	a := Audit{Schema: Schema, Project: project, Version: version, Filter: f.filled(),
		Observers: []string{}, Scans: []ScanLine{}, Cores: []CoreLine{}, Places: []Place{}, Edits: []Edit{}, Agreements: []Agreement{}}
	a.Observers = append(a.Observers, observers(scans)...)
	var all []Place
	for _, s := range scans {
		a.Scans = append(a.Scans, scanLine(s))
		places := placesOf(s)
		a.Cores = append(a.Cores, coreLines(s, changes(places))...)
		all = append(all, places...)
		a.Edits = append(a.Edits, editsOf(s)...)
	}
	sortEdits(a.Edits)
	a.Counts = countAll(all, a.Edits, a.Observers)
	a.Reliability = reliability(all)
	a.Agreements = append(a.Agreements, agreements(scans)...)
	a.Methods = methods(a)
	a.Places = append(a.Places, f.places(all)...)
	a.Edits = f.edits(a.Edits)
	return a
}

// Again tells whether an observer is another one who measures again, blind.
func Again(observer string) (first string, again bool) {
	return strings.CutSuffix(observer, AgainEnding)
}

// ScanLine is a scan in numbers.
type ScanLine struct {
	Run         int64               `json:"run"`
	File        string              `json:"file"`
	SHA256      string              `json:"sha256"`
	Version     string              `json:"version"` // of the program that read it
	Settings    measure.Settings    `json:"settings"`
	Source      measure.ScaleSource `json:"scale_source"` // as it was read
	MMPerPx     *[2]float64         `json:"mm_per_px"`
	Uncertainty *float64            `json:"relative_standard_uncertainty"` // of the scale, along the cores
	Cores       int                 `json:"cores"`
	Boundaries  int                 `json:"boundaries"` // read by the program
	Doubtful    int                 `json:"doubtful"`   // of them
	WidthPx     int                 `json:"width_px"`
	HeightPx    int                 `json:"height_px"`
}

func scanLine(s Scan) ScanLine {
	m := s.Reading
	l := ScanLine{Run: s.Run, File: m.Scan.File, SHA256: m.Scan.SHA256, Version: m.Program.Version, Settings: m.Program.Settings, Source: m.Scale.Source,
		MMPerPx: m.Scale.MMPerPx, Uncertainty: m.Scale.RelativeStandardUncertainty, Cores: len(m.Cores), WidthPx: m.Scan.WidthPx, HeightPx: m.Scan.HeightPx}
	for _, c := range m.Cores {
		l.Boundaries += len(c.Boundaries)
		for _, b := range c.Boundaries {
			if b.Doubtful() {
				l.Doubtful++
			}
		}
	}
	return l
}

// CoreLine is a core, in the order of the reading, as one observer has it, or as it was read where nobody
// has touched it.
type CoreLine struct {
	Scan        string              `json:"scan"`
	Run         int64               `json:"run"`
	UID         string              `json:"uid"`
	ID          string              `json:"id"`
	Observer    string              `json:"observer"` // "": nobody has touched it
	Stage       measure.Stage       `json:"stage"`
	Why         string              `json:"why"`    // of a rejected core
	Signed      string              `json:"signed"` // RFC 3339, when it was signed off; "": it is not
	Wood        *measure.Wood       `json:"wood"`
	Rings       int                 `json:"rings"`
	FirstYear   *int                `json:"first_year"`
	LastYear    *int                `json:"last_year"`
	MeanMM      *float64            `json:"mean_mm"`
	Expected    *float64            `json:"expected_count"`
	ExpectedSD  *float64            `json:"count_standard_deviation"`
	Source      measure.ScaleSource `json:"scale_source"`
	MMPerPx     *[2]float64         `json:"mm_per_px"`
	Uncertainty *float64            `json:"relative_standard_uncertainty"` // of the scale
	Open        int                 `json:"open"`                          // doubts not settled
	Doubtful    int                 `json:"doubtful"`                      // doubts in all
	ByHand      bool                `json:"by_hand"`
	Changes     Changes             `json:"changes"`
}

// Changes counts what an observer did to the boundaries of a core.
type Changes struct {
	Accepted int `json:"accepted"` // vouched for as they were read
	Added    int `json:"added"`    // rejected candidates taken up, and places nobody had seen
	Removed  int `json:"removed"`
	Moved    int `json:"moved"`
	ByHand   int `json:"by_hand"` // set by hand where the program has one too
}

func coreLines(s Scan, done map[[2]string]Changes) []CoreLine {
	var out []CoreLine
	touched := map[string]bool{}
	for _, o := range s.Observers {
		for _, c := range o.Edited.Measurement.Cores {
			state := o.Edited.States[c.UID]
			if state.Stage == measure.Untouched {
				continue
			}
			touched[c.UID] = true
			l := coreLine(s, o.Edited.Measurement.Scale, c)
			l.Observer, l.Stage, l.Why = o.Name, state.Stage, state.Why
			l.Open, l.Doubtful, l.ByHand = len(state.Open), state.Doubtful, state.Blank
			l.Signed = signedAt(o.Events, c.UID, state.Stage)
			l.Changes = done[[2]string{names{s.Reading.Cores, o}.origin(c.UID), o.Name}]
			out = append(out, l)
		}
	}
	none := measure.Replay(s.Reading, nil) // for what is in doubt in an untouched core
	for _, c := range s.Reading.Cores {
		if touched[c.UID] || s.goneFor(c.UID) {
			continue
		}
		l := coreLine(s, s.Reading.Scale, c)
		l.Stage = measure.Untouched
		l.Open, l.Doubtful = len(none.States[c.UID].Open), none.States[c.UID].Doubtful
		out = append(out, l)
	}
	slices.SortStableFunc(out, func(a, b CoreLine) int { return cmp.Compare(s.place(a.UID), s.place(b.UID)) })
	return out
}

// place is a core's place among those that were read; cores that people made
// come after them.
func (s Scan) place(uid string) int {
	if i := slices.IndexFunc(s.Reading.Cores, func(c measure.Core) bool { return c.UID == uid }); i >= 0 {
		return i
	}
	return len(s.Reading.Cores)
}

// goneFor tells whether a core as it was read is no core, or part of another,
// for every observer of the scan.
func (s Scan) goneFor(uid string) bool {
	for _, o := range s.Observers {
		if _, there := o.Edited.States[uid]; there {
			return false
		}
	}
	return len(s.Observers) > 0
}

func coreLine(s Scan, scale measure.Scale, c measure.Core) CoreLine {
	sum := measure.Summarise(c)
	return CoreLine{Scan: s.Reading.Scan.File, Run: s.Run, UID: c.UID, ID: c.ID, Wood: c.Wood, Rings: sum.Rings, FirstYear: sum.FirstYear,
		LastYear: sum.LastYear, MeanMM: sum.MeanWidthMM, Expected: c.ExpectedCount, ExpectedSD: c.CountSD,
		Source: scale.Source, MMPerPx: scale.MMPerPx, Uncertainty: scale.RelativeStandardUncertainty}
}

// signedAt returns when a core was signed off last; "" if it is not.
func signedAt(events []measure.Event, uid string, stage measure.Stage) string {
	at := ""
	for _, e := range measure.Effective(events) {
		if e.Core == uid && e.Kind == measure.SignOff && stage == measure.SignedOff {
			at = e.UTC.UTC().Format("2006-01-02T15:04:05Z")
		}
	}
	return at
}
