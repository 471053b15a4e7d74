package measure_test

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"pithward/measure"
	"pithward/measure/archive"
)

// grown is a core of an archive file: where its boundaries lie, mm from the bark.
type grown struct {
	id, file string
	at       []float64
}

// archived returns cores of archive files (ITRDB, NOAA/WDS Paleo) of at least 50
// rings, several a site, those that bear one tree's name among them.
func archived(t *testing.T) []grown {
	t.Helper()
	files, _ := filepath.Glob("../../shared/reference/itrdb/*.rwl")
	if len(files) == 0 {
		t.Skip("the archive series (../shared/reference/itrdb) are not here")
	}
	const perFile = 4
	var all []grown
	for _, path := range files {
		c, err := archive.ReadFile(path)
		if err != nil {
			continue // a file that breaks its format is another test's
		}
		n := 0
		for _, s := range c.Series {
			g := grown{id: s.ID, file: filepath.Base(path), at: []float64{0}}
			widths := s.Trim().Widths
			for _, w := range slices.Backward(widths) {
				if w > 0 {
					g.at = append(g.at, g.at[len(g.at)-1]+float64(w))
				}
			}
			if len(g.at) > 50 && len(g.at) < 350 && n < perFile {
				n++
				all = append(all, g)
			}
		}
	}
	return all
}

// sanding is what a new sanding and a new scan do to the boundaries of a core.
type sanding struct {
	drift   float64 // mm by which stretches of wood come to lie elsewhere, as the layers lean
	jitter  float64 // mm by which each boundary is read elsewhere
	widths  float64 // relative error of each width, which adds up along the core
	missed  float64 // share of the boundaries not read any more
	split   float64 // share of the rings in which one too many is read
	stretch float64 // most by which the new scale differs
	cut     float64 // share of the core that is not on the new scan, at the bark
}

// again returns the boundaries as they are read after a sanding, and where those
// of the first reading have come to lie.
func (s sanding) again(r *rand.Rand, at []float64, turned bool) (now, moved []float64) {
	const knot = 12 // boundaries from one drift to the next
	knots := make([]float64, len(at)/knot+2)
	for k := range knots {
		knots[k] = s.drift * r.NormFloat64()
	}
	way, offset := 1+s.stretch*(2*r.Float64()-1), 3*r.Float64()
	if turned {
		way = -way
	}
	sum := 0.0
	for i, x := range at {
		if i > 0 {
			sum += s.widths * r.NormFloat64() * (x - at[i-1])
		}
		f := float64(i%knot) / knot
		lean := (1-f)*knots[i/knot] + f*knots[i/knot+1]
		y := offset + way*(x+sum+lean+s.jitter*r.NormFloat64())
		moved = append(moved, y)
		if float64(i) < s.cut*float64(len(at)) {
			continue
		}
		if r.Float64() >= s.missed {
			now = append(now, y)
		}
		if i+1 < len(at) && r.Float64() < s.split {
			now = append(now, y+way*(0.3+0.4*r.Float64())*(at[i+1]-x))
		}
	}
	if turned {
		low := slices.Min(now)
		for i := range now {
			now[i] -= low
		}
		for i := range moved {
			moved[i] -= low
		}
	}
	slices.Sort(now)
	return now, moved
}

const mmPerPx = 0.02

// coreOf returns a core with the given boundaries, on a straight path.
func coreOf(at []float64) measure.Core {
	length := at[len(at)-1] + 1
	c := measure.Core{PathPx: []measure.Point{{0, 100}, {length / mmPerPx, 100}}, PathLengthMM: &length}
	for _, x := range at {
		c.Boundaries = append(c.Boundaries, measure.Boundary{AtMM: &x, PointPx: measure.Point{x / mmPerPx, 100}})
	}
	return c
}

// Cores of archive series, sanded and scanned anew: most are told, and no
// more than one in 500 of their boundaries is laid on another's place. How far a
// sanding moves them is chosen, from a hundredth of a mm to what shifts widths by a
// few percent; the shares are what was reached, less a little.
func TestFitRingsOfArchiveSeries(t *testing.T) {
	all := archived(t)
	for _, tt := range []struct {
		name string
		sanding
		told   float64 // share of the cores that have to be told,
		placed float64 // and of their boundaries that have to have a place
	}{
		{"scanned again", sanding{drift: 0.01, jitter: 0.01, missed: 0.01, split: 0.01, stretch: 0.005}, 0.97, 0.97},
		{"sanded finer", sanding{drift: 0.04, jitter: 0.02, missed: 0.02, split: 0.02, stretch: 0.01}, 0.9, 0.9},
		{"sanded deep", sanding{drift: 0.08, jitter: 0.03, missed: 0.04, split: 0.03, stretch: 0.02, cut: 0.1}, 0.75, 0.75},
		{"widths by 3 %", sanding{widths: 0.03, missed: 0.02, split: 0.02, stretch: 0.02}, 0.85, 0.85},
		{"widths by 5 %", sanding{widths: 0.05, missed: 0.02, split: 0.02, stretch: 0.02}, 0.4, 0.6},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(7, 2))
			var told, boundaries, placed, wrong int
			for i, g := range all {
				now, moved := tt.again(r, g.at, i%2 == 1)
				fit, ok := measure.FitRings(coreOf(g.at), coreOf(now))
				if !ok {
					continue
				}
				told++
				for k, x := range g.at {
					boundaries++
					p, there := fit.Place(measure.Point{x / mmPerPx, 100})
					if !there {
						continue
					}
					placed++
					ring := math.Inf(1)
					if k > 0 {
						ring = x - g.at[k-1]
					}
					if k+1 < len(g.at) {
						ring = min(ring, g.at[k+1]-x)
					}
					if math.Abs(p[0]*mmPerPx-moved[k]) > max(ring, 0.1)/2 {
						wrong++
					}
				}
			}
			t.Logf("%d of %d cores told; of their %d boundaries %d have a place, %d of them a wrong one", told, len(all), boundaries, placed, wrong)
			if float64(told) < tt.told*float64(len(all)) || float64(placed) < tt.placed*float64(boundaries) || wrong*500 > placed {
				t.Errorf("fewer than were told before, or too many laid wrongly")
			}
		})
	}
}

// Other cores of the same stand grew wide and narrow rings in the same years, those
// of one tree more alike still: none is taken for another.
func TestFitRingsOfOtherCores(t *testing.T) {
	all := archived(t)
	n, most := 0, 0.0
	for i, g := range all {
		for j, o := range all {
			if i == j || g.file != o.file {
				continue
			}
			n++
			fit, ok := measure.FitRings(coreOf(g.at), coreOf(o.at))
			most = max(most, fit.Certainty)
			if ok {
				t.Errorf("%s: %s is taken for %s: certainty %.4f, share %.2f", g.file, g.id, o.id, fit.Certainty, fit.Share)
			}
		}
	}
	t.Logf("%d pairs, the most certain %.2g", n, most)
}
