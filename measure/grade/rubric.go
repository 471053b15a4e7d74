package grade

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
)

// RubricSchema names the format of rubrics.
const RubricSchema = "pithward/rubric/1"

// Rubric says what faults cost.
type Rubric struct {
	Schema   string  `json:"schema"`
	FullMark float64 `json:"full_mark"`
	// Weights share the full mark out. A part that cannot be judged, as the
	// dating of a series without years, is left out and the others count more.
	Weights Weights `json:"weights"`
	// Nothing of a part is left when it has this many faults.
	NothingLeft NothingLeft `json:"nothing_left_at"`
	// Accuracy is the mean absolute error of widths, in percent of the mean
	// width: full up to the first, nothing from the second, evenly between.
	Accuracy AccuracyRule `json:"accuracy_percent"`
	// PartialCredit is the share, 0 to 1, that is not taken off for milder faults.
	PartialCredit PartialCredit `json:"partial_credit"`
	// PointsOff are taken off the full mark as they are.
	PointsOff PointsOff `json:"points_off"`
	Tolerance Tolerance `json:"tolerance"`
}

// Weights of the parts of a mark; any numbers, of which the ratios count.
type Weights struct {
	Completeness float64 `json:"completeness"`
	Inventions   float64 `json:"inventions"`
	Accuracy     float64 `json:"accuracy"`
	Dating       float64 `json:"dating"`
	Absent       float64 `json:"absent_and_gaps"`
}

// NothingLeft says at how many faults nothing is left of a part: the first two
// in percent of the key's boundaries.
type NothingLeft struct {
	MissedPercent   float64 `json:"missed_percent"`
	InventedPercent float64 `json:"invented_percent"`
	Slips           float64 `json:"slips"`
	Absent          float64 `json:"absent_and_gaps"`
}

// AccuracyRule is a range in percent.
type AccuracyRule struct {
	Full float64 `json:"full_up_to"`
	None float64 `json:"nothing_from"`
}

// PartialCredit is a share for each milder fault.
type PartialCredit struct {
	Displaced  float64 `json:"displaced"`   // a boundary set beside its place, against one missed
	EndRing    float64 `json:"end_ring"`    // a ring left out or too many at an end, against one missed or invented
	CausedSlip float64 `json:"caused_slip"` // a slip whose missed or invented boundary has cost its part already
	Unmeasured float64 `json:"unmeasured"`  // of the parts beside completeness, for the rings left out at an end
}

// PointsOff are points taken off the whole.
type PointsOff struct {
	Units    float64 `json:"units"`
	Reversed float64 `json:"reversed"`
}

// Tolerance says how near a boundary must be set: the larger of Px, and the
// smaller of MM and a share of the narrower ring beside it.
type Tolerance struct {
	Px        float64 `json:"px"`
	MM        float64 `json:"mm"`
	RingShare float64 `json:"ring_share"`
}

// of is the tolerance at a boundary, in lengths of which a pixel has px.
func (t Tolerance) of(px, ring float64, scaled bool) float64 {
	if !scaled {
		return max(t.Px*px, ring*t.RingShare)
	}
	return max(t.Px*px, min(t.MM, ring*t.RingShare))
}

// DefaultRubric is a rubric for a first course (chosen): one in five boundaries
// missed or invented leaves nothing of that part, an error of a fifth of a ring
// nothing of accuracy; a slip that follows from a missed ring costs no more than
// the ring.
func DefaultRubric() Rubric {
	return Rubric{
		Schema: RubricSchema, FullMark: 100,
		Weights:       Weights{Completeness: 35, Inventions: 20, Accuracy: 20, Dating: 15, Absent: 10},
		NothingLeft:   NothingLeft{MissedPercent: 20, InventedPercent: 20, Slips: 3, Absent: 2},
		Accuracy:      AccuracyRule{Full: 3, None: 20},
		PartialCredit: PartialCredit{Displaced: 0.5, EndRing: 0.5, CausedSlip: 1},
		PointsOff:     PointsOff{Units: 10, Reversed: 10},
		Tolerance:     Tolerance{Px: 2, MM: 0.10, RingShare: 0.25},
	}
}

// rubricLimit is the most bytes a rubric may have: chosen, a hundred times what
// one needs.
const rubricLimit = 100_000

// ReadRubric reads a rubric; what it does not say is as in DefaultRubric. A
// field that no rubric has, most likely a slip of the pen, is an error.
func ReadRubric(r io.Reader) (Rubric, error) {
	rubric := DefaultRubric()
	text, err := io.ReadAll(io.LimitReader(r, rubricLimit+1))
	if err != nil {
		return rubric, err
	}
	if len(text) > rubricLimit {
		return rubric, errors.New("not a rubric: it is too long")
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	rubric.Schema = ""
	if err := d.Decode(&rubric); err != nil {
		return rubric, fmt.Errorf("not a rubric: %w: pithward grade --print-rubric shows what one looks like", rubricWords(err, text))
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return rubric, errors.New("not a rubric: something follows its closing brace")
	}
	return rubric, rubric.check()
}

// rubricWords says where in the text something is wrong.
func rubricWords(err error, text []byte) error {
	var at *json.SyntaxError
	var kind *json.UnmarshalTypeError
	line := func(offset int64) int { return 1 + bytes.Count(text[:min(int64(len(text)), offset)], []byte("\n")) }
	switch {
	case errors.As(err, &at):
		return fmt.Errorf("line %d: %s", line(at.Offset), at.Error())
	case errors.As(err, &kind):
		return fmt.Errorf("line %d: %s is %s, not what is wanted there", line(kind.Offset), kind.Field, kind.Value)
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("it ends too early")
	}
	return errors.New(strings.TrimPrefix(err.Error(), "json: "))
}

// check tells what in a rubric cannot be.
func (r Rubric) check() error {
	if r.Schema != RubricSchema {
		return fmt.Errorf("not a rubric: its schema is %.60q, not %q", r.Schema, RubricSchema)
	}
	type entry struct {
		name    string
		v       float64
		lo, hi  float64
		openLow bool
	}
	w, n, p := r.Weights, r.NothingLeft, r.PartialCredit
	for _, e := range []entry{
		{"full_mark", r.FullMark, 0, 1e6, true},
		{"weights.completeness", w.Completeness, 0, 1e6, false},
		{"weights.inventions", w.Inventions, 0, 1e6, false},
		{"weights.accuracy", w.Accuracy, 0, 1e6, false},
		{"weights.dating", w.Dating, 0, 1e6, false},
		{"weights.absent_and_gaps", w.Absent, 0, 1e6, false},
		{"nothing_left_at.missed_percent", n.MissedPercent, 0, 100, true},
		{"nothing_left_at.invented_percent", n.InventedPercent, 0, 100, true},
		{"nothing_left_at.slips", n.Slips, 0, 1e6, true},
		{"nothing_left_at.absent_and_gaps", n.Absent, 0, 1e6, true},
		{"accuracy_percent.full_up_to", r.Accuracy.Full, 0, 1e3, false},
		{"accuracy_percent.nothing_from", r.Accuracy.None, r.Accuracy.Full, 1e3, true},
		{"partial_credit.displaced", p.Displaced, 0, 1, false},
		{"partial_credit.end_ring", p.EndRing, 0, 1, false},
		{"partial_credit.caused_slip", p.CausedSlip, 0, 1, false},
		{"partial_credit.unmeasured", p.Unmeasured, 0, 1, false},
		{"points_off.units", r.PointsOff.Units, 0, r.FullMark, false},
		{"points_off.reversed", r.PointsOff.Reversed, 0, r.FullMark, false},
		{"tolerance.px", r.Tolerance.Px, 0, 1e3, false},
		{"tolerance.mm", r.Tolerance.MM, 0, 10, false},
		{"tolerance.ring_share", r.Tolerance.RingShare, 0, 0.5, false},
	} {
		switch {
		case math.IsNaN(e.v) || e.v < e.lo || e.v > e.hi:
			return fmt.Errorf("rubric: %s is %g: want %g to %g", e.name, e.v, e.lo, e.hi)
		case e.openLow && e.v == e.lo:
			return fmt.Errorf("rubric: %s is %g: want more than that", e.name, e.v)
		}
	}
	if !slices.ContainsFunc([]float64{w.Completeness, w.Inventions, w.Accuracy, w.Dating, w.Absent}, func(x float64) bool { return x > 0 }) {
		return errors.New("rubric: all weights are 0: give at least one part some weight")
	}
	return nil
}

// Write writes a rubric as its file has it.
func (r Rubric) Write(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(r)
}
