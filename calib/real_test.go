package calib

import (
	"encoding/json"
	"image"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pithward/measure"
	"pithward/vision/raster"
)

// loadPNG decodes a PNG as the worker does: 8 or 16 bits, gray or BGR.
func loadPNG(t testing.TB, path string) raster.Pixels {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	b := m.Bounds()
	px := raster.Pixels{Width: b.Dx(), Height: b.Dy(), Channels: 3, U8: make([]uint8, 3*b.Dx()*b.Dy())}
	switch m := m.(type) {
	case *image.RGBA:
		for i := range b.Dx() * b.Dy() {
			px.U8[3*i], px.U8[3*i+1], px.U8[3*i+2] = m.Pix[4*i+2], m.Pix[4*i+1], m.Pix[4*i]
		}
	default:
		for y := range b.Dy() {
			for x := range b.Dx() {
				r, g, bl, _ := m.At(x, y).RGBA()
				i := 3 * (y*b.Dx() + x)
				px.U8[i], px.U8[i+1], px.U8[i+2] = uint8(bl>>8), uint8(g>>8), uint8(r>>8)
			}
		}
	}
	return px
}

// The rulers in the pictures of real wood (../shared/real, kept outside the
// project) are drawn at a known scale.
func TestRealPictures(t *testing.T) {
	truths, _ := filepath.Glob("../../shared/real/*/truth.json")
	if len(truths) == 0 {
		t.Skip("../shared/real is not here")
	}
	for _, path := range truths {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var truth struct {
			File    string
			MMPerPx [2]float64 `json:"mm_per_px"`
			Ruler   *struct {
				Unit   string
				Ticks  int
				LinePx [2]measure.Point `json:"line_px"`
				BoxPx  [4]float64       `json:"box_px"`
			}
		}
		if err := json.Unmarshal(b, &truth); err != nil {
			t.Fatal(err)
		}
		t.Run(truth.File, func(t *testing.T) {
			px := loadPNG(t, filepath.Join(filepath.Dir(path), truth.File))
			start := time.Now()
			found, why := FindRulers(px, nil)
			t.Logf("%d x %d px in %v", px.Width, px.Height, time.Since(start))
			if len(found) == 0 {
				t.Fatal(why)
			}
			r := found[0]
			t.Logf("%+v", r)
			if r.Unit != truth.Ruler.Unit || r.TickMM != 1 {
				t.Errorf("%v %s a tick", r.TickMM, r.Unit)
			}
			if e := r.MMPerPx/truth.MMPerPx[0] - 1; math.Abs(e) > 2e-4 {
				t.Errorf("scale off by %.3g", e)
			}
			if r.Ticks < truth.Ruler.Ticks*95/100 || r.Ticks > truth.Ruler.Ticks {
				t.Errorf("%d ticks of %d", r.Ticks, truth.Ruler.Ticks)
			}
			b := truth.Ruler.BoxPx
			want := []measure.Point{{b[0], b[1]}, {b[2], b[1]}, {b[2], b[3]}, {b[0], b[3]}}
			for i, p := range r.QuadPx { // within 0.7 mm: the rim added and a step of the walk
				if math.Hypot(p[0]-want[i][0], p[1]-want[i][1]) > 33 {
					t.Errorf("outline %v, want %v", r.QuadPx, want)
				}
			}
		})
	}
}
