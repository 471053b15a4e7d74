package measure

import "slices"

// remeasured returns the second radius as another scale has it; nil stays nil.
func (s *SecondRadius) remeasured(scale Scale) *SecondRadius {
	if s == nil {
		return nil
	}
	r := NewRadius(s.PathPx, scale.MMPerPx)
	c := Core{PathPx: s.PathPx, Boundaries: slices.Clone(s.Boundaries), Gaps: slices.Clone(s.Gaps), Obscured: slices.Clone(s.Obscured)}
	for i := range c.Boundaries {
		b := &c.Boundaries[i]
		b.AtMM = mm(r, r.At(b.PointPx))
		b.rescale(lengthRatio(r, s.PathLengthMM))
	}
	for _, list := range [][]Stretch{c.Gaps, c.Obscured} {
		for i := range list {
			list[i].FromMM, list[i].ToMM = mm(r, r.At(list[i].FromPx)), mm(r, r.At(list[i].ToPx))
		}
	}
	c.MakeRings(scale, false)
	out := *s
	out.PathLengthMM, out.Boundaries, out.Gaps, out.Obscured, out.Rings = mm(r, r.Length()), c.Boundaries, c.Gaps, c.Obscured, c.Rings
	return &out
}
