// Package grade compares what students measured on a core with what an expert
// measured on it, and says what each missed, invented or misplaced, where the
// dating slipped, and what mark a rubric gives for it.
//
// Everything runs from bark to pith. A Work is one person's measurement of the
// core: its rings and, where it was made on a scan, where their boundaries lie.
// Two works on the same scan are compared by place (place.go), others by their
// widths alone (align.go); both give one comparison, from which faults.go tells
// the faults and mark.go the mark.
//
// The class server grades a student's boundaries with FromCore for the key and
// FromPlaces for the student, and then Class or Student.
package grade

import (
	"slices"

	"pithward/measure"
)

// Schema names the machine-readable output.
const Schema = "pithward/grade/1"

// Unmeasured is the width of a ring that was counted but not measured.
const Unmeasured = -1.0

// Ring is a ring of a work.
type Ring struct {
	WidthMM float64 // 0 for an absent ring, Unmeasured for one without width
	Year    *int
}

// absent tells whether the radius grew no wood in the ring's year.
func (r Ring) absent() bool { return r.WidthMM == 0 }

// Work is one person's measurement of the core.
type Work struct {
	Name     string
	File     string
	Rings    []Ring  // from bark to pith, absent rings among them; an unfinished outermost ring is left out
	Places   *Places // nil for widths without a picture
	Warnings []string
	Fault    string // why nothing could be read; "" if it could
}

// Places is where the boundaries of a work lie on a scan.
type Places struct {
	Scan    string // sha256 of the scan's file
	PathPx  []measure.Point
	MMPerPx *[2]float64 // nil without a scale: then lengths are px
	// Bounds has one entry more than the work has rings that are not absent.
	Bounds []Bound
	Gaps   []measure.Stretch
	// BreadthPx is the core's breadth, 0 if not known.
	BreadthPx float64
}

// Bound is a boundary on a scan. LinePx is its course across the core; without
// it the boundary runs straight, by TiltDeg.
type Bound struct {
	PointPx measure.Point
	LinePx  []measure.Point
	TiltDeg float64
}

// Kind is what is wrong.
type Kind string

// The kinds of fault.
const (
	Missed         Kind = "missed"
	Invented       Kind = "invented"
	Displaced      Kind = "displaced"
	AbsentMissed   Kind = "absent-ring-missed"
	AbsentInvented Kind = "absent-ring-invented"
	StartsLate     Kind = "starts-late"
	StartsEarly    Kind = "starts-early"
	EndsLate       Kind = "ends-late"
	EndsEarly      Kind = "ends-early"
	Slip           Kind = "slip"
	Units          Kind = "units"
	Reversed       Kind = "reversed"
	WrongCore      Kind = "wrong-core"
	Unreadable     Kind = "unreadable"
	GapMissed      Kind = "gap-missed"   // a parting of the core whose opening was measured as wood
	GapInvented    Kind = "gap-invented" // a gap where the core does not part
)

// Kinds lists all kinds of fault.
func Kinds() []Kind {
	return []Kind{Missed, Invented, Displaced, AbsentMissed, AbsentInvented, StartsLate, StartsEarly, EndsLate, EndsEarly,
		Slip, Units, Reversed, WrongCore, Unreadable, GapMissed, GapInvented}
}

// Fault is one thing that is wrong.
type Fault struct {
	Kind Kind `json:"kind"`
	// KeyRing is the ring of the key it concerns: for a missed boundary the ring
	// outside it, for an invented one the ring it splits. It counts from the
	// outermost complete ring, 1, absent rings included.
	KeyRing      *int     `json:"key_ring"`
	Year         *int     `json:"year"`          // the key's year of that ring
	AtMM         *float64 `json:"at_mm"`         // along the key's path; nil for widths alone
	YearsShifted *int     `json:"years_shifted"` // of a slip: change of (student's year - key's year)
	Rings        int      `json:"rings,omitempty"`
	Certainty    float64  `json:"certainty"`
	Detail       string   `json:"detail"` // a sentence for the student
	Excused      string   `json:"excused,omitempty"`

	PointPx   *measure.Point `json:"point_px,omitempty"`   // on the scan: the key's boundary, or the student's where the key has none
	StudentPx *measure.Point `json:"student_px,omitempty"` // of a displaced boundary
	Caused    bool           `json:"-"`                    // a slip that another fault explains
	At        float64        `json:"-"`                    // where to look on the key's axis, see View
}

// Result is what became of one student's work.
type Result struct {
	Name        string   `json:"name"`
	File        string   `json:"file"`
	Mark        float64  `json:"mark"`
	FullMark    float64  `json:"full_mark"`
	Certainty   float64  `json:"certainty"` // that rings and boundaries are paired rightly
	Matched     int      `json:"matched"`   // boundaries that key and student have both
	Missed      int      `json:"missed"`
	Invented    int      `json:"invented"`
	WidthBiasMM *float64 `json:"width_bias_mm"`
	WidthMAEMM  *float64 `json:"width_mae_mm"`
	WidthRMSEMM *float64 `json:"width_rmse_mm"`
	By          string   `json:"by"` // how it was compared: "places" or "widths"
	Faults      []Fault  `json:"faults"`
	Excused     []Fault  `json:"excused,omitempty"` // what the experts do not agree on either
	Parts       []Part   `json:"parts"`
	Warnings    []string `json:"warnings"`

	View  View     `json:"-"`
	Aside []string `json:"-"` // of the warnings: those that name other students
}

// Own returns the warnings that concern the student alone, as a page for the
// student may show them.
func (r Result) Own() []string {
	return slices.DeleteFunc(slices.Clone(r.Warnings), func(w string) bool { return slices.Contains(r.Aside, w) })
}

// Kept is a result as it is stored, with what a page needs of it.
type Kept struct {
	Result
	View   View      `json:"view"`
	Aside  []string  `json:"aside"`
	At     []float64 `json:"at"`     // of each fault
	Caused []bool    `json:"caused"` // of each fault
}

// Keep returns a result as it is to be stored.
func (r Result) Keep() Kept {
	k := Kept{Result: r, View: r.View, Aside: r.Aside}
	for _, f := range r.Faults {
		k.At, k.Caused = append(k.At, f.At), append(k.Caused, f.Caused)
	}
	return k
}

// Whole returns a stored result as it was.
func (k Kept) Whole() Result {
	r := k.Result
	r.View, r.Aside, r.Faults = k.View, k.Aside, slices.Clone(k.Faults)
	for i := range r.Faults {
		if i < len(k.At) && i < len(k.Caused) {
			r.Faults[i].At, r.Faults[i].Caused = k.At[i], k.Caused[i]
		}
	}
	return r
}

// View holds what a picture of the comparison needs: both readings on one axis,
// mm from the key's outermost boundary along the wood (px without a scale).
type View struct {
	Key, Student []float64 // boundaries
	Partner      []int     // of each of the student's: the key's boundary, or -1
	KeyRings     []Ring    // of the key as it was read, from bark to pith
	StudentRings []Ring    // the student's, in mm and from bark to pith
	Ring         []int     // of the student's rings: the key's ring (from 0) that it is, or -1
}

// Report is the whole class.
type Report struct {
	Schema   string   `json:"schema"`
	Key      string   `json:"key"`
	Students []Result `json:"students"`
	Class    ByRing   `json:"class"`
	Warnings []string `json:"warnings"`
}
