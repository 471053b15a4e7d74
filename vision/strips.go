package vision

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"pithward/measure"
	"pithward/vision/overlay"
	"pithward/vision/strip"
)

// WriteStrips writes a full-resolution picture of every core that has a path
// into a folder, straightened from bark (left) to pith.
func WriteStrips(s *Scan, m measure.Measurement, dir string) error {
	stem := strings.TrimSuffix(m.Scan.File, filepath.Ext(m.Scan.File))
	for _, c := range m.Cores {
		if len(c.PathPx) < 2 {
			continue
		}
		img, place := strip.Colour(s.Pixels(), c.PathPx, breadthOf(c))
		path := filepath.Join(dir, fmt.Sprintf("%s.strip-%d.png", stem, c.Position))
		if err := overlay.WritePNG(path, overlay.Strip(img, c, m.Scale, place)); err != nil {
			return err
		}
	}
	return nil
}

// breadthOf is the breadth of a core: twice the median distance of its outline
// from the path.
func breadthOf(c measure.Core) float64 {
	var d []float64
	for _, p := range c.OutlinePx {
		best := math.Inf(1)
		for _, q := range c.PathPx {
			best = math.Min(best, math.Hypot(p[0]-q[0], p[1]-q[1]))
		}
		d = append(d, best)
	}
	if len(d) == 0 {
		return 100
	}
	slices.Sort(d)
	return 2 * d[len(d)/2]
}
