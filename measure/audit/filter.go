package audit

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"pithward/measure"
)

// Filter says what of a project an audit is about. The zero value lets
// everything through.
type Filter struct {
	Cores     []string            `json:"cores"`     // ids or uids; empty: all
	Observers []string            `json:"observers"` // whose decisions count; empty: everybody's
	Kinds     []measure.EventKind `json:"kinds"`     // places with such an edit, and such edits; empty: all
	MinDoubt  float64             `json:"min_doubt"` // places at least so doubtful, 0 to 1
	Show      Show                `json:"show"`      // places of one sort; "": all
}

// Show is a sort of place.
type Show string

// The sorts of place.
const (
	ShowAll      Show = "all"
	ShowDoubtful Show = "doubtful" // the program asks for a person
	ShowOpen     Show = "open"     // doubtful, and nobody has decided
	ShowDecided  Show = "decided"  // somebody has decided
	ShowChanged  Show = "changed"  // somebody has made something else of it than the program
)

// Shows lists the sorts of place.
func Shows() []Show { return []Show{ShowAll, ShowDoubtful, ShowOpen, ShowDecided, ShowChanged} }

// PlaceKinds lists the kinds of edit that a place can have.
func PlaceKinds() []measure.EventKind {
	return []measure.EventKind{measure.Accept, measure.Add, measure.Remove, measure.Move, measure.Bark, measure.Pith}
}

// Check tells what of the filter fits no project, or not the one with these
// scans.
func (f Filter) Check(scans []Scan) error {
	var faults []error
	var ids []string
	known := map[string]bool{}
	for _, s := range scans {
		for _, c := range s.Reading.Cores {
			ids = append(ids, c.ID)
			known[c.ID], known[c.UID] = true, true
		}
		for _, o := range s.Observers {
			for _, c := range o.Edited.Measurement.Cores {
				known[c.ID], known[c.UID] = true, true
			}
		}
	}
	for _, c := range f.Cores {
		if !known[c] {
			faults = append(faults, fmt.Errorf("there is no core %q: the project has %s", c, list(ids)))
		}
	}
	who := observers(scans)
	for _, o := range f.Observers {
		if !slices.Contains(who, o) {
			faults = append(faults, fmt.Errorf("nobody by the name of %q has decided anything: the project knows %s", o, list(who)))
		}
	}
	for _, k := range f.Kinds {
		if !slices.Contains(measure.EventKinds(), k) {
			faults = append(faults, fmt.Errorf("%q is no kind of edit: want one of %v", k, measure.EventKinds()))
		}
	}
	if f.Show != "" && !slices.Contains(Shows(), f.Show) {
		faults = append(faults, fmt.Errorf("%q is no sort of place: want one of %v", f.Show, Shows()))
	}
	if !(f.MinDoubt >= 0 && f.MinDoubt <= 1) {
		faults = append(faults, fmt.Errorf("a doubt of %g: want 0 to 1", f.MinDoubt))
	}
	return errors.Join(faults...)
}

// list names things for a message, a dozen at most.
func list(names []string) string {
	const most = 12
	switch {
	case len(names) == 0:
		return "none"
	case len(names) > most:
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
	}
	return strings.Join(names, ", ")
}

// filled is the filter with its lists there, for JSON.
func (f Filter) filled() Filter {
	f.Cores, f.Observers, f.Kinds = append([]string{}, f.Cores...), append([]string{}, f.Observers...), append([]measure.EventKind{}, f.Kinds...)
	f.Show = cmp.Or(f.Show, ShowAll)
	return f
}

// scans returns the scans with the cores and observers that are let through.
func (f Filter) scans(scans []Scan) []Scan {
	var out []Scan
	for _, s := range scans {
		uids := f.uids(s)
		s.Reading.Cores = only(s.Reading.Cores, func(c measure.Core) bool { return uids == nil || uids[c.UID] })
		var who []Observed
		for _, o := range s.Observers {
			if len(f.Observers) > 0 && !slices.Contains(f.Observers, o.Name) {
				continue
			}
			o.Edited.Measurement.Cores = only(o.Edited.Measurement.Cores, func(c measure.Core) bool { return uids == nil || uids[c.UID] })
			o.Events = only(o.Events, func(e measure.Event) bool { return uids == nil || e.Core == "" || uids[e.Core] })
			who = append(who, o)
		}
		s.Observers = who
		if uids == nil || len(uids) > 0 {
			out = append(out, s)
		}
	}
	return out
}

// uids are the cores of a scan that are let through, by whatever id anybody
// gave them; nil: all.
func (f Filter) uids(s Scan) map[string]bool {
	if len(f.Cores) == 0 {
		return nil
	}
	uids := map[string]bool{}
	take := func(cores []measure.Core) {
		for _, c := range cores {
			if slices.Contains(f.Cores, c.ID) || slices.Contains(f.Cores, c.UID) {
				uids[c.UID] = true
			}
		}
	}
	take(s.Reading.Cores)
	for _, o := range s.Observers {
		take(o.Edited.Measurement.Cores)
	}
	return uids
}

func only[T any](all []T, keep func(T) bool) []T {
	return slices.DeleteFunc(slices.Clone(all), func(x T) bool { return !keep(x) })
}

// places returns the places that are let through, the most doubtful first.
func (f Filter) places(all []Place) []Place {
	out := only(all, f.lets)
	slices.SortStableFunc(out, func(a, b Place) int {
		return cmp.Or(cmp.Compare(b.Doubt, a.Doubt), cmp.Compare(b.Cost, a.Cost))
	})
	return out
}

func (f Filter) lets(p Place) bool {
	if len(f.Kinds) > 0 && !slices.ContainsFunc(p.Views, func(v View) bool {
		return slices.ContainsFunc(v.Acts, func(a Act) bool { return slices.Contains(f.Kinds, a.Kind) })
	}) {
		return false
	}
	if p.Doubt < f.MinDoubt {
		return false
	}
	switch f.Show {
	case ShowDoubtful:
		return p.Doubtful()
	case ShowOpen:
		return p.Doubtful() && !p.Decided()
	case ShowDecided:
		return p.Decided()
	case ShowChanged:
		return p.Changed()
	}
	return true
}

func (f Filter) edits(all []Edit) []Edit {
	return only(all, func(e Edit) bool { return len(f.Kinds) == 0 || slices.Contains(f.Kinds, e.Kind) })
}

// observers lists who has decided anything, in alphabetical order.
func observers(scans []Scan) []string {
	var all []string
	for _, s := range scans {
		for _, o := range s.Observers {
			all = append(all, o.Name)
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}
