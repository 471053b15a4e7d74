package vision

import (
	"encoding/json"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure"
	"pithward/vision/raster"
)

// realTruth is the part of a real scan's truth.json looked at here.
type realTruth struct {
	Ruler *struct {
		BoxPx [4]float64 `json:"box_px"`
	} `json:"ruler"`
	MMPerPx [2]float64 `json:"mm_per_px"`
	Cores   []struct {
		ID           string          `json:"id"`
		OutlinePx    []measure.Point `json:"outline_px"`
		CentrelinePx []measure.Point `json:"centreline_px"`
		WidthMM      float64         `json:"width_mm"`
	} `json:"cores"`
}

func TestFindCoresReal(t *testing.T) {
	files, _ := filepath.Glob("../../shared/real/*/truth.json")
	if len(files) == 0 {
		t.Skip("../shared/real is not there")
	}
	for _, f := range files {
		t.Run(filepath.Base(filepath.Dir(f)), func(t *testing.T) {
			raw, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			var truth realTruth
			if err := json.Unmarshal(raw, &truth); err != nil {
				t.Fatal(err)
			}
			pic := filepath.Join(filepath.Dir(f), filepath.Base(filepath.Dir(f))+".png")
			s, err := ReadScan(pic)
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			o, err := s.Overview(1800)
			if err != nil {
				t.Fatal(err)
			}
			var h Hints
			if r := truth.Ruler; r != nil {
				b := r.BoxPx
				h.Avoid = [][]measure.Point{{{b[0], b[1]}, {b[2], b[1]}, {b[2], b[3]}, {b[0], b[3]}}}
			}
			cores, warn, err := FindCores(s.Pixels(), o, h)
			if err != nil {
				t.Fatal(err)
			}
			draw(t, o, cores, filepath.Base(filepath.Dir(f)))
			t.Log(len(cores), warn)
			if len(cores) != len(truth.Cores) {
				t.Fatalf("%d cores, want %d", len(cores), len(truth.Cores))
			}
			for i, c := range cores {
				w := truth.Cores[i]
				off := 0.0
				for _, p := range w.CentrelinePx {
					off = math.Max(off, distanceTo(p, c.AxisPx))
				}
				t.Logf("%s: breadth %.1f want %.1f; axis off at most %.1f; ends %.1f %.1f, outline %v", w.ID, c.BreadthPx, w.WidthMM/truth.MMPerPx[0], off, c.AxisPx[0], c.AxisPx[len(c.AxisPx)-1], w.CentrelinePx[len(w.CentrelinePx)-1])
			}
		})
	}
}

// draw writes the overview with axis and outline to $PITHWARD_DRAW, for a look.
func draw(t *testing.T, o Overview, cores []raster.Core, name string) {
	dir := os.Getenv("PITHWARD_DRAW")
	if dir == "" {
		return
	}
	m := image.NewRGBA(image.Rect(0, 0, o.Width, o.Height))
	for y := range o.Height {
		for x := range o.Width {
			c := color.RGBA{A: 255}
			c.B = uint8(o.At(x, y, 0))
			c.G = uint8(o.At(x, y, o.Channels/2))
			c.R = uint8(o.At(x, y, o.Channels-1))
			m.SetRGBA(x, y, c)
		}
	}
	line := func(a, b measure.Point, c color.RGBA) {
		x0, y0 := o.FromScan(a[0], a[1])
		x1, y1 := o.FromScan(b[0], b[1])
		n := int(math.Hypot(x1-x0, y1-y0)*2) + 1
		for i := range n + 1 {
			f := float64(i) / float64(n)
			m.SetRGBA(int(math.Round(x0+f*(x1-x0))), int(math.Round(y0+f*(y1-y0))), c)
		}
	}
	for _, c := range cores {
		for i, p := range c.OutlinePx {
			line(p, c.OutlinePx[(i+1)%len(c.OutlinePx)], color.RGBA{255, 0, 255, 255})
		}
		for i := 1; i < len(c.AxisPx); i++ {
			line(c.AxisPx[i-1], c.AxisPx[i], color.RGBA{0, 255, 0, 255})
		}
	}
	f, err := os.Create(filepath.Join(dir, name+".png"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := png.Encode(f, m); err != nil {
		t.Fatal(err)
	}
}

func TestInOrder(t *testing.T) {
	lying := func(x0, y0, x1, y1 float64) raster.Core {
		return raster.Core{AxisPx: []measure.Point{{x0, y0}, {x1, y1}}, BreadthPx: 100, Upright: math.Abs(y1-y0) > math.Abs(x1-x0)}
	}
	for name, want := range map[string][]raster.Core{
		"lying, turned":        {lying(0, 200, 3000, 100), lying(0, 260, 3000, 360), lying(0, 500, 3000, 500)},
		"two columns":          {lying(0, 100, 1000, 100), lying(1500, 90, 2500, 110), lying(0, 300, 1000, 300), lying(1500, 310, 2500, 310)},
		"two columns, stepped": {lying(0, 100, 1000, 100), lying(1500, 190, 2500, 190), lying(0, 300, 1000, 300), lying(1500, 390, 2500, 390)},
		"standing":             {lying(100, 50, 100, 3000), lying(300, 0, 320, 2500), lying(600, 300, 600, 2000)},
		"two rows of standing": {lying(100, 50, 100, 1000), lying(300, 0, 320, 1100), lying(100, 1300, 100, 2400), lying(300, 1250, 300, 2500)},
		"one alone":            {lying(0, 0, 1000, 0)},
		"none":                 {},
		"standing below lying": {lying(0, 100, 3000, 100), lying(200, 310, 200, 1200), lying(500, 300, 500, 1200)},
		"three along one line": {lying(0, 100, 900, 100), lying(1000, 100, 1900, 100), lying(2000, 110, 2900, 120)},
	} {
		t.Run(name, func(t *testing.T) {
			got := slices.Clone(want)
			slices.Reverse(got)
			inOrder(got)
			if d := cmp.Diff(want, got); d != "" {
				t.Error(d)
			}
		})
	}
}
