package vision

import (
	"fmt"
	"math"
	"slices"

	"pithward/measure"
)

// What makes a stretch one in which no rings are to be seen (chosen on rendered
// trays): its length in mm and in median ring widths, and the probability from
// which a boundary counts as seen. Where nothing is seen the reading still
// places a weak boundary now and then, since no ring is that wide.
const (
	ringlessMM     = 15
	ringlessWidths = 8
	seen           = 0.8
)

// remount is what to do about wood that shows no rings.
const remount = "if the fibres are not upright there, remount the core with its fibres upright, sand and scan again"

// noRings tells whether no boundary is seen on a whole core, long enough to show
// some: then it cannot be measured. Without scale it says no.
func noRings(c *measure.Core) bool {
	if c.PathLengthMM == nil || *c.PathLengthMM-takenOff(c, 0, *c.PathLengthMM) <= ringlessMM {
		return false
	}
	return !slices.ContainsFunc(c.Boundaries, func(b measure.Boundary) bool {
		return b.Kind == measure.RingBoundary && b.Probability >= seen
	})
}

// warnRingless names the long stretches of a core in which no boundary is
// seen, gaps and obscured wood taken off. Without scale it says nothing.
func warnRingless(c *measure.Core) {
	var widths []float64
	for _, r := range c.Rings {
		if r.WidthMM != nil {
			widths = append(widths, *r.WidthMM)
		}
	}
	if c.PathLengthMM == nil || len(widths) == 0 {
		return
	}
	least := math.Max(ringlessMM, ringlessWidths*median(widths))
	at := []float64{0}
	for _, b := range c.Boundaries {
		if b.AtMM != nil && b.Probability >= seen {
			at = append(at, *b.AtMM)
		}
	}
	at = append(at, *c.PathLengthMM)
	for i, to := range at[1:] {
		if from := at[i]; to-from-takenOff(c, from, to) > least {
			c.Warnings = append(c.Warnings, fmt.Sprintf("no rings to be seen from %.0f to %.0f mm: %s", from, to, remount))
		}
	}
}

// takenOff is the length of gaps and obscured stretches between two places.
func takenOff(c *measure.Core, from, to float64) (sum float64) {
	for _, s := range slices.Concat(c.Gaps, c.Obscured) {
		if s.FromMM != nil && s.ToMM != nil {
			sum += math.Max(0, math.Min(to, *s.ToMM)-math.Max(from, *s.FromMM))
		}
	}
	return sum
}
