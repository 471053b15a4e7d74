package overlay

import (
	"encoding/json"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"github.com/disintegration/imaging"

	"pithward/measure"
)

// realCase reads a picture of real wood with its verified boundaries as a
// measurement, with doubt, notches and years made up.
func realCase(t testing.TB, name string) (*image.NRGBA, measure.Measurement) {
	t.Helper()
	dir := filepath.Join("..", "..", "..", "shared", "real", name)
	data, err := os.ReadFile(filepath.Join(dir, "truth.json"))
	if err != nil {
		t.Skipf("real wood is not here: %v", err)
	}
	var truth struct {
		MMPerPx [2]float64 `json:"mm_per_px"`
		Ruler   struct {
			Unit   string           `json:"unit"`
			Ticks  int              `json:"ticks"`
			LinePx [2]measure.Point `json:"line_px"`
		} `json:"ruler"`
		Cores []struct {
			ID         string          `json:"id"`
			Position   int             `json:"position"`
			OutlinePx  []measure.Point `json:"outline_px"`
			PathPx     []measure.Point `json:"centreline_px"`
			BarkEnd    measure.End     `json:"bark_end"`
			Boundaries []struct {
				PointPx measure.Point   `json:"point_px"`
				LinePx  []measure.Point `json:"line_px"`
				TiltDeg float64         `json:"tilt_deg"`
				Hidden  *string         `json:"hidden"`
			} `json:"boundaries"`
			Ambiguous []struct {
				PointPx measure.Point `json:"point_px"`
			} `json:"ambiguous"`
		} `json:"cores"`
	}
	if err := json.Unmarshal(data, &truth); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(filepath.Join(dir, name+".png"))
	if err != nil {
		t.Skipf("real wood is not here: %v", err)
	}
	defer f.Close()
	src, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	u := 0.0005
	m := measure.Measurement{Scan: measure.Scan{File: name + ".png", WidthPx: src.Bounds().Dx(), HeightPx: src.Bounds().Dy()}}
	m.Scale = measure.Scale{Source: measure.ScaleRuler, MMPerPx: &truth.MMPerPx, RelativeStandardUncertainty: &u,
		Ruler: &measure.Ruler{Unit: truth.Ruler.Unit, Ticks: truth.Ruler.Ticks, LinePx: truth.Ruler.LinePx}}
	for _, c := range truth.Cores {
		core := measure.Core{ID: c.ID, Position: c.Position, OutlinePx: c.OutlinePx, PathPx: c.PathPx, BarkEnd: &c.BarkEnd, BarkPresent: true, PithPresent: true}
		for i, b := range c.Boundaries {
			p, source := 0.97, "auto"
			if b.Hidden != nil {
				p = 0.6
			}
			if i%7 == 3 {
				source = "person"
			}
			core.Boundaries = append(core.Boundaries, measure.Boundary{Kind: measure.RingBoundary, PointPx: b.PointPx, LinePx: b.LinePx, TiltDeg: b.TiltDeg, Probability: p, Source: source})
		}
		for i := 1; i < len(core.Boundaries); i++ {
			year := 2020 - i
			core.Rings = append(core.Rings, measure.Ring{Index: i, Year: &year})
		}
		for _, a := range c.Ambiguous {
			core.Candidates = append(core.Candidates, measure.Candidate{PointPx: a.PointPx, Probability: 0.3})
		}
		core.Doubts = make([]measure.Doubt, c.Position%3)
		m.Cores = append(m.Cores, core)
	}
	scale := Size(m.Scan.WidthPx, m.Scan.HeightPx)
	base := imaging.Resize(imaging.Clone(src), int(float64(m.Scan.WidthPx)*scale), 0, imaging.Box)
	return base, m
}

func TestRealWood(t *testing.T) {
	for _, name := range []string{"pine-015", "pine-tray1"} {
		t.Run(name, func(t *testing.T) {
			base, m := realCase(t, name)
			keep(t, name, Draw(base, 0, m))
		})
	}
}

// keep writes a picture into the folder named by OVERLAY_OUT, to be looked at.
func keep(t *testing.T, name string, img *image.NRGBA) {
	t.Helper()
	if dir := os.Getenv("OVERLAY_OUT"); dir != "" {
		if err := WritePNG(filepath.Join(dir, name+".overlay.png"), img); err != nil {
			t.Fatal(err)
		}
	}
}
