package measure

// Exercise returns a scan with one core of m alone, as a student begins it: the
// radius and the ends of the wood are given, boundaries, candidates, gaps,
// obscured stretches, absent rings and all that was said of them are not. false
// if m has no such core with a radius.
func Exercise(m Measurement, uid string) (Measurement, bool) {
	for _, c := range m.Cores {
		if c.UID == uid && len(c.PathPx) > 1 {
			m.Cores, m.Joins, m.Warnings = []Core{c.untouched(m)}, nil, nil
			m.FillLists()
			return m, true
		}
	}
	return m, false
}

func (c Core) untouched(m Measurement) Core {
	blank := Core{UID: c.UID, ID: c.ID, Position: 1, OutlinePx: c.OutlinePx, PathPx: c.PathPx, PathLengthMM: c.PathLengthMM,
		Wood: c.Wood, WoodSource: c.WoodSource, BarkEnd: c.BarkEnd, BarkPresent: c.BarkPresent, PithPresent: c.PithPresent}
	for _, b := range c.Boundaries {
		if b.Kind == Outer || b.Kind == Inner {
			b.Probability = 1
			blank.Boundaries = append(blank.Boundaries, b)
		}
	}
	if f := c.Field; f != nil { // what dates the core is given; notes and other columns may tell more
		blank.Field = &Field{Scan: f.Scan, Position: 1, Core: f.Core, Species: f.Species, Status: f.Status, Sampled: f.Sampled, OuterRing: f.OuterRing,
			Hemisphere: f.Hemisphere, Bark: f.Bark, Pith: f.Pith, OuterYear: f.OuterYear}
	}
	blank.MakeRings(m.Scale, false)
	applyField(&blank, m.Program.Settings.Season)
	blank.Doubts, blank.Warnings = nil, nil
	return blank
}
