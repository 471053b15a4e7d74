package audit

import (
	"cmp"
	"slices"

	"pithward/measure"
)

// Edit is one decision of a person, whether it still holds or not.
type Edit struct {
	measure.Event
	Scan   string `json:"scan"`
	Run    int64  `json:"run"`
	ID     string `json:"id"`     // of the core, as it was read; "": the whole scan
	Undone bool   `json:"undone"` // taken back later, or itself a taking back
	Void   string `json:"void"`   // why it had no effect; "": it had one
}

func editsOf(s Scan) []Edit {
	var out []Edit
	for _, o := range s.Observers {
		ids := map[string]string{}
		for _, cores := range [][]measure.Core{o.Edited.Measurement.Cores, s.Reading.Cores} {
			for _, c := range cores {
				ids[c.UID] = c.ID
			}
		}
		void := map[string]string{}
		for _, v := range o.Edited.Void {
			void[v.Event] = v.Why
		}
		holds := map[string]bool{}
		for _, e := range measure.Effective(o.Events) {
			holds[e.UUID] = true
		}
		for _, e := range o.Events {
			id := ids[e.Core]
			if id == "" {
				id = e.Core
			}
			out = append(out, Edit{e, s.Reading.Scan.File, s.Run, id, !holds[e.UUID], void[e.UUID]})
		}
	}
	return out
}

func sortEdits(all []Edit) {
	slices.SortStableFunc(all, func(a, b Edit) int { return cmp.Or(a.UTC.Compare(b.UTC), cmp.Compare(a.Seq, b.Seq)) })
}

// Counts says how much there is and how much was decided.
type Counts struct {
	Boundaries int                                  `json:"boundaries"` // read by the program
	Candidates int                                  `json:"candidates"` // rejected by the program, listed as places
	Added      int                                  `json:"added"`      // set by people where the program saw nothing
	Doubtful   int                                  `json:"doubtful"`   // places where the program asks for a person
	Open       int                                  `json:"open"`       // of them, those nobody has decided about
	Decided    int                                  `json:"decided"`    // places somebody has decided about
	Changed    int                                  `json:"changed"`    // of them, those that are not as the program had them
	Edits      map[string]map[measure.EventKind]int `json:"edits"`      // that hold, by observer and kind
	Undone     int                                  `json:"undone"`     // edits taken back
}

func countAll(places []Place, edits []Edit, observers []string) Counts {
	n := Counts{Edits: map[string]map[measure.EventKind]int{}}
	for _, o := range observers {
		n.Edits[o] = map[measure.EventKind]int{}
	}
	for _, p := range places {
		switch {
		case p.Taken:
			n.Boundaries++
		case p.Kind == Added:
			n.Added++
		default:
			n.Candidates++
		}
		if p.Doubtful() {
			n.Doubtful++
			if !p.Decided() {
				n.Open++
			}
		}
		if p.Decided() {
			n.Decided++
		}
		if p.Changed() {
			n.Changed++
		}
	}
	for _, e := range edits {
		switch {
		case e.Kind == measure.Undo:
		case e.Undone:
			n.Undone++
		case e.Void == "":
			n.Edits[e.Observer][e.Kind]++
		}
	}
	return n
}

// Of returns how many edits of a kind hold, of all observers together.
func (n Counts) Of(kind measure.EventKind) int {
	sum := 0
	for _, kinds := range n.Edits {
		sum += kinds[kind]
	}
	return sum
}
