package vision

import (
	"math"
	"testing"

	"pithward/measure"
	"pithward/vision/evidence"
	"pithward/vision/raster"
	"pithward/vision/strip"
)

// TestPathTurnsAtBreaks: where the pieces of a broken core lie askew, the radius
// turns at the break's faces and runs through the wood on either side.
func TestPathTurnsAtBreaks(t *testing.T) {
	const w, h = 1000, 300
	px := raster.Pixels{Width: w, Height: h, Channels: 1, U8: make([]uint8, w*h)}
	s := strip.Straighten(px, []measure.Point{{10, 150}, {431, 146}, {470, 162}, {980, 160}}, 80, 1)
	faces := [2]float64{421, 463}
	for _, dir := range []int{1, -1} {
		b := builder{reader: &reader{}, strip: s, core: &measure.Core{},
			look: evidence.Look{Span: evidence.Span{From: 5, To: float64(s.Cols - 6), Dir: dir, PxPerMM: 47, Openings: [][2]float64{faces}}}}
		b.path()
		for u := 5; u < s.Cols-5; u++ {
			if float64(u) > faces[0] && float64(u) < faces[1] {
				continue
			}
			p := s.Place(float64(u), 0)
			q := b.radius.Nearest(p)
			if off := math.Hypot(p[0]-q[0], p[1]-q[1]); off > 0.5 {
				t.Errorf("bark %+d: at column %d the wood's axis lies %.2f px beside the radius", dir, u, off)
			}
		}
	}
}
