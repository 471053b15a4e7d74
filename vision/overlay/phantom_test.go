package overlay

import (
	"image"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/disintegration/imaging"

	"pithward/measure"
	"pithward/vision/phantom"
)

// rendered is a phantom tray as the worker would hand it over: the reduced
// scan and a measurement that is the truth, with doubts, decisions and
// rejected candidates dealt out at random.
func rendered(t phantom.Tray, seed uint64) (*image.NRGBA, measure.Measurement) {
	pic, truth := phantom.Render(t, seed)
	scale := Size(truth.WidthPx, truth.HeightPx)
	base := imaging.Resize(imaging.Clone(pic), int(float64(truth.WidthPx)*scale+0.5), int(float64(truth.HeightPx)*scale+0.5), imaging.Box)
	return base, reading(truth, seed)
}

func reading(truth phantom.Truth, seed uint64) measure.Measurement {
	r := rand.New(rand.NewPCG(seed, 1))
	u := 0.0006
	m := measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: truth.Case + ".tif", WidthPx: truth.WidthPx, HeightPx: truth.HeightPx}}
	m.Scale = measure.Scale{Source: measure.ScaleTag, MMPerPx: &truth.MMPerPx, RelativeStandardUncertainty: &u}
	if g := truth.Ruler; g != nil {
		m.Scale.Source, m.Scale.Ruler = measure.ScaleRuler, &measure.Ruler{Unit: g.Unit, Ticks: g.Ticks, LinePx: g.LinePx}
	}
	for _, c := range truth.Cores {
		m.Cores = append(m.Cores, readCore(c, r))
	}
	return m
}

func readCore(c phantom.CoreTruth, r *rand.Rand) measure.Core {
	core := measure.Core{ID: c.ID, Position: c.Position, OutlinePx: c.OutlinePx, PathPx: c.CentrelinePx, BarkEnd: &c.BarkEnd,
		BarkPresent: c.BarkPresent, PithPresent: c.PithPresent}
	at := func(mm float64) measure.Point {
		i := 0
		for i+2 < len(c.CentrelineSMM) && c.CentrelineSMM[i+1] < mm {
			i++
		}
		a, b := c.CentrelineSMM[i], c.CentrelineSMM[i+1]
		return between(c.CentrelinePx[i], c.CentrelinePx[i+1], (mm-a)/(b-a))
	}
	for _, g := range c.Gaps {
		from, to := g.FromMM, g.ToMM
		core.Gaps = append(core.Gaps, measure.Stretch{FromMM: &from, ToMM: &to, FromPx: at(from), ToPx: at(to), Kind: g.Kind})
	}
	for i, b := range c.Boundaries {
		p, source := 0.98, "auto"
		switch {
		case b.Hidden != nil || r.Float64() < 0.12:
			p = 0.5 + 0.4*r.Float64()
			core.Doubts = append(core.Doubts, measure.Doubt{Kind: "boundary"})
		case r.Float64() < 0.05:
			source = "person"
		}
		core.Boundaries = append(core.Boundaries, measure.Boundary{Kind: measure.RingBoundary, PointPx: b.PointPx, LinePx: b.LinePx,
			TiltDeg: b.TiltDeg, Probability: p, Source: source})
		if i > 0 && r.Float64() < 0.1 {
			mid := between(c.Boundaries[i-1].PointPx, b.PointPx, 0.4)
			core.Candidates = append(core.Candidates, measure.Candidate{PointPx: mid, TiltDeg: b.TiltDeg, Probability: 0.4 * r.Float64()})
		}
	}
	if len(c.CentrelineSMM) > 9 && r.Float64() < 0.5 {
		end := c.CentrelineSMM[len(c.CentrelineSMM)-1]
		core.Obscured = []measure.Stretch{{FromPx: at(0.4 * end), ToPx: at(0.4*end + 5), Kind: "stain"}}
	}
	dated := r.Float64() < 0.7
	for i := 1; i < len(c.Boundaries); i++ {
		ring := measure.Ring{Index: i}
		if year := c.OuterYear - i + 1; dated && c.OuterYear > 0 {
			ring.Year = &year
		}
		core.Rings = append(core.Rings, ring)
	}
	return core
}

// narrowTray has many hundred rings a core.
func narrowTray() phantom.Tray {
	t := phantom.RandomTray(7, phantom.Options{Cores: 3, LengthMM: 200, Wood: measure.Conifer})
	r := rand.New(rand.NewPCG(7, 7))
	for i := range t.Cores {
		c := &t.Cores[i]
		mean := []float64{0.1, 0.22, 0.5}[i]
		c.Widths = phantom.Growth{MeanMM: mean, Sensitivity: 0.3, AR1: 0.4, Juvenile: 1.5, HalfYears: 60, FloorMM: 0.05}.Widths(r, int(200/mean))
		c.OuterLostMM = 0
	}
	return t
}

// TestLook renders whole trays and keeps their overlays and strips, to be
// looked at. It runs on request: set OVERLAY_OUT to a folder.
func TestLook(t *testing.T) {
	if os.Getenv("OVERLAY_OUT") == "" {
		t.Skip("set OVERLAY_OUT to a folder to have pictures to look at")
	}
	for _, c := range []struct {
		name string
		tray phantom.Tray
	}{
		{"mixed", phantom.RandomTray(3, phantom.Options{})},
		{"lid", phantom.RandomTray(11, phantom.Options{})},
		{"upright", phantom.RandomTray(5, phantom.Options{Upright: true})},
		{"narrow", narrowTray()},
	} {
		t.Run(c.name, func(t *testing.T) {
			base, m := rendered(c.tray, 1)
			keep(t, c.name, Draw(base, 0, m))
		})
	}
	pic, truth := phantom.Render(phantom.RandomTray(11, phantom.Options{Cores: 2, LengthMM: 70}), 1)
	m := reading(truth, 1)
	for _, core := range m.Cores {
		const rows = 260
		img := unroll(pic, core.PathPx, rows)
		keep(t, core.ID+".strip", Strip(img, core, m.Scale, Along(core.PathPx, (rows-1)/2.0)))
	}
}

// Names stay off the wood of every core, lying and standing, on whatever else
// lies on the tray.
func TestRenderedNamesOffTheWood(t *testing.T) {
	for seed := range uint64(4) {
		for _, upright := range []bool{false, true} {
			tray := phantom.RandomTray(seed, phantom.Options{DPI: 150, LengthMM: 60, Upright: upright})
			base, m := rendered(tray, seed)
			s := sheet{base: base, scale: [2]float64{1, 1}, m: m, em: emFor(max(base.Rect.Dx(), base.Rect.Dy()))}
			s.compose()
			for i, name := range s.names {
				if name.note.mask == nil {
					t.Errorf("seed %d, upright %v: %s has no name on the picture", seed, upright, m.Cores[i].ID)
					continue
				}
				for k, f := range s.figures {
					if hits(f.outline, name.rect()) {
						t.Errorf("seed %d, upright %v: the name of %s covers wood of %s", seed, upright, m.Cores[i].ID, m.Cores[k].ID)
					}
				}
			}
		}
	}
}

// hits tells whether any pixel of a rectangle lies inside an outline.
func hits(outline []measure.Point, r image.Rectangle) bool {
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			if inside(outline, measure.Point{float64(x), float64(y)}) {
				return true
			}
		}
	}
	return false
}

// inside is the even-odd rule, point by point: another way than the
// program's.
func inside(outline []measure.Point, p measure.Point) bool {
	in := false
	for i, a := range outline {
		b := outline[(i+1)%len(outline)]
		if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0]+(p[1]-a[1])/(b[1]-a[1])*(b[0]-a[0]) {
			in = !in
		}
	}
	return in
}

// unroll samples a picture along an axis, nearest pixel.
func unroll(pic image.Image, axis []measure.Point, rows int) *image.NRGBA {
	cols := int(length(axis))
	img := image.NewNRGBA(image.Rect(0, 0, cols, rows))
	for x := range cols {
		p := pointAt(axis, float64(x))
		u := toward(pointAt(axis, float64(x)-20), pointAt(axis, float64(x)+20))
		for y := range rows {
			q := move(p, measure.Point{-u[1], u[0]}, float64(y)-float64(rows-1)/2)
			img.Set(x, y, pic.At(int(q[0]+0.5), int(q[1]+0.5)))
		}
	}
	return img
}
