package measure

import (
	"slices"
	"time"
)

// Event is one decision of a person about a core, or about a scan as a whole.
// Events are only ever appended: what a core is for an observer is its
// automatic reading plus that observer's events, replayed (see Replay). What
// an event means is a place on the scan in pixels, since the scale may be
// corrected later.
type Event struct {
	UUID     string    `json:"uuid"`
	Seq      int64     `json:"seq"`     // order in the ledger; 0 before it is stored
	Reading  int64     `json:"reading"` // the reading it was made on
	Core     string    `json:"core"`    // uid; "" for the whole scan
	Observer string    `json:"observer"`
	UTC      time.Time `json:"utc"`
	Kind     EventKind `json:"kind"`
	Target   string    `json:"target"`   // what it is about, by kind
	PointPx  *Point    `json:"point_px"` // where on the scan, by kind
	Detail   *Detail   `json:"detail"`   // what else it says, by kind
	Undoes   string    `json:"undoes"`   // uuid of the event that an undo takes back
	Carries  string    `json:"carries"`  // uuid of the event on an earlier reading that it repeats
	Why      string    `json:"why"`
}

// Detail is what an event says beyond its place.
type Detail struct {
	Word    string      `json:"word,omitempty"`      // a gap's or obscured stretch's kind, a kind of wood, an id
	ToPx    *Point      `json:"to_px,omitempty"`     // the inner end of a stretch
	PathPx  []Point     `json:"path_px,omitempty"`   // a radius, from bark to pith
	Year    *int        `json:"year,omitempty"`      // of the outermost complete ring
	Yes     *bool       `json:"yes,omitempty"`       // whether bark or pith is there
	MMPerPx *[2]float64 `json:"mm_per_px,omitempty"` // a scale
	Count   int         `json:"count,omitempty"`     // of absent rings at one place; 0 means 1
}

// EventKind says what a person decided.
type EventKind string

// The kinds of event, and what each needs.
const (
	Add        EventKind = "add"         // a boundary: PointPx
	Remove     EventKind = "remove"      // a boundary or candidate that is none, or a gap, obscured stretch or absent ring: Target
	Move       EventKind = "move"        // a boundary: Target, PointPx
	Accept     EventKind = "accept"      // a boundary, or a candidate that is one: Target
	Gap        EventKind = "gap"         // PointPx, Detail.ToPx, Detail.Word
	Obscure    EventKind = "obscured"    // PointPx, Detail.ToPx, Detail.Word
	AbsentRing EventKind = "absent"      // just outward of a boundary's inner side: Target, Detail.Count
	Redraw     EventKind = "radius"      // Detail.PathPx
	Blank      EventKind = "blank"       // set the automatic boundaries aside and measure by hand
	Split      EventKind = "split"       // the core is two cores, parted at PointPx
	JoinCore   EventKind = "join"        // the core goes on in another, Target: its uid; Detail.Word: the gap between
	AddCore    EventKind = "add-core"    // Detail.PathPx, Detail.Word: its wood; or Target: the core whose second radius it is
	DeleteCore EventKind = "delete-core" // it is no core
	Reverse    EventKind = "reverse"     // bark and pith end change places
	Name       EventKind = "id"          // Detail.Word
	WoodKind   EventKind = "wood"        // Detail.Word
	Rescale    EventKind = "scale"       // of the whole scan: Detail.MMPerPx
	OuterYear  EventKind = "outer-year"  // Detail.Year
	Bark       EventKind = "bark"        // Detail.Yes
	Pith       EventKind = "pith"        // Detail.Yes
	Only       EventKind = "only"        // measure from PointPx to Detail.ToPx only
	Note       EventKind = "note"        // Why, perhaps PointPx
	SignOff    EventKind = "sign-off"
	Reject     EventKind = "reject" // the core is not to be used: Why
	Undo       EventKind = "undo"   // Undoes: any event, another undo too (which redoes)
)

// EventKinds lists all kinds of event.
func EventKinds() []EventKind {
	return []EventKind{Add, Remove, Move, Accept, Gap, Obscure, AbsentRing, Redraw, Blank, Split, JoinCore, AddCore,
		DeleteCore, Reverse, Name, WoodKind, Rescale, OuterYear, Bark, Pith, Only, Note, SignOff, Reject, Undo}
}

// Effective returns the events that hold, in order: those that no undo takes
// back, an undone undo counting as none. The undos themselves are left out.
func Effective(events []Event) []Event {
	undone := map[string]bool{}
	for _, e := range slices.Backward(events) {
		if e.Kind == Undo && !undone[e.UUID] {
			undone[e.Undoes] = true
		}
	}
	var hold []Event
	for _, e := range events {
		if e.Kind != Undo && !undone[e.UUID] {
			hold = append(hold, e)
		}
	}
	return hold
}

// History tells what can be undone and redone, the last of each first in line:
// the uuids that an undo event has to name. Any other event ends what can be
// redone.
func History(events []Event) (undo, redo []string) {
	of := map[string]Event{}
	for _, e := range events {
		of[e.UUID] = e
		switch target := of[e.Undoes]; {
		case e.Kind != Undo:
			undo, redo = append(undo, e.UUID), nil
		case target.Kind == Undo: // a redo: what it had undone holds again
			redo = without(redo, e.Undoes)
			undo = append(undo, target.Undoes)
		default:
			undo = without(undo, e.Undoes)
			redo = append(redo, e.UUID)
		}
	}
	return undo, redo
}

func without(list []string, s string) []string {
	return slices.DeleteFunc(slices.Clone(list), func(x string) bool { return x == s })
}
