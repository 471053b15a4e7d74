package measure

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// slackMM is how far numbers of a measurement may disagree that were computed
// apart: rounding, not meaning (chosen, a tenth of a micrometre).
const slackMM = 1e-4

// Validate checks the rules of the measurement format that hold between its
// fields and that the JSON Schema cannot say: boundaries in order along the
// path, one ring for each pair, ends only where they survive, mm only with a
// scale, years falling inward, and no NaN or infinity. All faults are
// returned, joined; nil means none.
func Validate(m Measurement) error {
	v := &validator{scaled: m.Scale.MMPerPx != nil}
	v.scale(m.Scale)
	v.check(m.Schema == Schema, "schema is %q, not %q", m.Schema, Schema)
	uids := map[string]bool{}
	for i, c := range m.Cores {
		v.where = fmt.Sprintf("core %d (%s): ", i+1, c.ID)
		v.check(c.UID != "" && !uids[c.UID], "uid %q is empty or not unique", c.UID)
		uids[c.UID] = true
		v.check(c.ID != "", "no id")
		v.check(c.Position == i+1, "position %d at place %d of the list", c.Position, i+1)
		v.core(c)
	}
	return errors.Join(v.faults...)
}

// validator collects the faults of a measurement.
type validator struct {
	scaled bool
	where  string
	faults []error
}

func (v *validator) check(ok bool, format string, args ...any) {
	if !ok {
		v.faults = append(v.faults, fmt.Errorf(v.where+format, args...))
	}
}

func (v *validator) scale(s Scale) {
	none := s.Source == ScaleNone
	v.check(none == (s.MMPerPx == nil), "scale source %q, but mm_per_px %s", s.Source, given(s.MMPerPx != nil))
	v.check(none == (s.RelativeStandardUncertainty == nil), "scale source %q, but its uncertainty is %s", s.Source, given(s.RelativeStandardUncertainty != nil))
	v.check(s.Source != ScaleRuler || s.Ruler != nil, "scale source ruler without a ruler")
	if s.MMPerPx != nil {
		v.check(positive(s.MMPerPx[0]) && positive(s.MMPerPx[1]), "mm_per_px %v is not positive", *s.MMPerPx)
	}
}

func given(is bool) string {
	if is {
		return "given"
	}
	return "null"
}

func positive(f float64) bool { return f > 0 && !math.IsInf(f, 0) }

func (v *validator) core(c Core) {
	v.check(len(c.Boundaries) < 2 || len(c.PathPx) >= 2, "boundaries without a path")
	v.check(v.scaled || c.PathLengthMM == nil, "path_length_mm without scale")
	if len(c.PathPx) >= 2 {
		v.check(c.BarkEnd != nil && c.Wood != nil, "measured, but wood or bark_end is null")
	}
	for _, p := range []*float64{c.WoodProbability, c.BarkEndProbability} {
		v.check(p == nil || probability(*p), "wood_probability or bark_end_probability is not in 0..1")
	}
	v.boundaries(c)
	v.rings(c)
	for kind, list := range map[string][]Stretch{"gap": c.Gaps, "obscured stretch": c.Obscured} {
		v.stretches(c, kind, list)
	}
	for _, a := range c.Candidates {
		v.check(v.scaled == (a.AtMM != nil), "candidate %s: at_mm %s", a.ID, given(a.AtMM != nil))
		v.check(probability(a.Probability) && finite(a.TiltDeg, a.PointPx[0], a.PointPx[1]), "candidate %s: probability %v, tilt %v or point %v", a.ID, a.Probability, a.TiltDeg, a.PointPx)
	}
}

func probability(p float64) bool { return p >= 0 && p <= 1 }

func finite(values ...float64) bool {
	return !slices.ContainsFunc(values, func(f float64) bool { return math.IsNaN(f) || math.IsInf(f, 0) })
}

func (v *validator) boundaries(c Core) {
	at := c.places()
	ids := map[string]bool{}
	last := math.Inf(-1)
	for i, b := range c.Boundaries {
		v.check(b.ID != "" && !ids[b.ID], "boundary id %q is empty or not unique", b.ID)
		ids[b.ID] = true
		v.check(b.Kind != Outer || i == 0 && c.BarkPresent, "boundary %s is outer, but not the first, or bark_present is false", b.ID)
		v.check(b.Kind != Inner || i == len(c.Boundaries)-1 && c.PithPresent, "boundary %s is inner, but not the last, or pith_present is false", b.ID)
		v.check(v.scaled == (b.AtMM != nil), "boundary %s: at_mm %s", b.ID, given(b.AtMM != nil))
		v.check(b.StandardUncertaintyMM == nil || v.scaled && *b.StandardUncertaintyMM >= 0, "boundary %s: standard_uncertainty_mm negative, or without scale", b.ID)
		v.check(b.SharedUncertaintyMM == 0 || b.SharedUncertaintyMM > 0 && b.StandardUncertaintyMM != nil && b.SharedUncertaintyMM <= *b.StandardUncertaintyMM,
			"boundary %s: shared_uncertainty_mm is no part of standard_uncertainty_mm", b.ID)
		v.check(probability(b.Probability), "boundary %s: probability %v", b.ID, b.Probability)
		v.check(b.TiltDeg > -90 && b.TiltDeg < 90, "boundary %s: tilt %v", b.ID, b.TiltDeg)
		place := at(b.AtMM, b.PointPx)
		v.check(finite(place) && place > last, "boundary %s does not lie inward of the one before", b.ID)
		last = place
	}
	if c.PathLengthMM != nil && len(c.Boundaries) > 0 && v.scaled {
		v.check(last <= *c.PathLengthMM+slackMM, "boundary at %.4f mm, beyond the path's %.4f mm", last, *c.PathLengthMM)
	}
}

func (v *validator) rings(c Core) {
	v.check(len(c.Rings) == max(0, len(c.Boundaries)-1), "%d rings for %d boundaries", len(c.Rings), len(c.Boundaries))
	for i, r := range c.Rings {
		partial := slices.Contains(r.Flags, FlagPartial)
		v.check(!partial || i == 0 && c.BarkPresent, "ring %d is partial, but not the outermost under bark", r.Index)
		first := 1
		if slices.Contains(c.Rings[0].Flags, FlagPartial) {
			first = 0
		}
		v.check(r.Index == first+i, "ring index %d at place %d: index 1 is the outermost complete ring", r.Index, i)
		v.check(v.scaled || r.WidthMM == nil && r.StandardUncertaintyMM == nil, "ring %d has mm without scale", r.Index)
		v.check(r.WidthMM == nil || *r.WidthMM >= 0 && finite(*r.WidthMM), "ring %d: width %v", r.Index, r.WidthMM)
		if i > 0 && r.Year != nil {
			outer := c.Rings[i-1]
			v.check(outer.Year != nil && *outer.Year-*r.Year == 1+absentOutward(c.Absent, r.Index)-absentOutward(c.Absent, outer.Index),
				"ring %d: its year does not follow from the ring outside it", r.Index)
		}
	}
	v.check(c.YearConvention != nil || len(c.Rings) == 0 || c.Rings[0].Year == nil, "years without the name of their convention")
}

func (v *validator) stretches(c Core, kind string, list []Stretch) {
	at := c.places()
	for i, s := range list {
		v.check(v.scaled == (s.FromMM != nil) && v.scaled == (s.ToMM != nil), "%s %d: from_mm or to_mm %s", kind, i+1, given(s.FromMM != nil))
		if v.scaled == (s.FromMM != nil && s.ToMM != nil) {
			v.check(at(s.FromMM, s.FromPx) <= at(s.ToMM, s.ToPx), "%s %d ends before it begins", kind, i+1)
		}
	}
}
