package crop

import (
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"testing"

	"pithward/measure"
)

// pyramid writes the full-size tiles of a picture that is as bright as it is
// far right, and as blue as it is far down.
func pyramid(t *testing.T, w, h, tile int) string {
	t.Helper()
	dir := t.TempDir()
	const level = 7 // of 100 px
	if err := os.MkdirAll(filepath.Join(dir, "scan_files", fmt.Sprint(level)), 0o777); err != nil {
		t.Fatal(err)
	}
	for y := 0; y < h; y += tile {
		for x := 0; x < w; x += tile {
			part := image.Rect(x-1, y-1, x+tile+1, y+tile+1).Intersect(image.Rect(0, 0, w, h))
			img := image.NewRGBA(image.Rect(0, 0, part.Dx(), part.Dy()))
			for j := range part.Dy() {
				for i := range part.Dx() {
					img.SetRGBA(i, j, color.RGBA{uint8(2 * (part.Min.X + i)), uint8(2 * (part.Min.X + i)), uint8(2 * (part.Min.Y + j)), 255})
				}
			}
			f, err := os.Create(filepath.Join(dir, "scan_files", fmt.Sprint(level), fmt.Sprintf("%d_%d.jpg", x/tile, y/tile)))
			if err != nil {
				t.Fatal(err)
			}
			if err := jpeg.Encode(f, img, &jpeg.Options{Quality: 100}); err != nil {
				t.Fatal(err)
			}
			if err := f.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
	dzi := filepath.Join(dir, "scan.dzi")
	text := fmt.Sprintf(`<Image Format="jpg" Overlap="1" TileSize="%d"><Size Width="%d" Height="%d"/></Image>`, tile, w, h)
	if err := os.WriteFile(dzi, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	return dzi
}

func TestCut(t *testing.T) {
	p, err := Open(pyramid(t, 100, 80, 32))
	if err != nil {
		t.Fatal(err)
	}
	for _, degrees := range []float64{0, 90, 180, -30} {
		out, err := p.Cut(50, 40, degrees, 21, 11, color.Black)
		if err != nil {
			t.Fatal(err)
		}
		// A place of the crop lies, seen from its middle, where it lies on the scan,
		// turned.
		sin, cos := math.Sincos(degrees * math.Pi / 180)
		for _, d := range [][2]float64{{0, 0}, {3, 0}, {0, 4}, {-4, 2}} {
			i, j := 10+int(math.Round(d[0]*cos-d[1]*sin)), 5+int(math.Round(d[0]*sin+d[1]*cos))
			c := out.RGBAAt(i, j)
			wantR, wantB := 2*(50+d[0]), 2*(40+d[1])
			const slack = 4 // rounding to the crop's pixels, and JPEG
			if math.Abs(float64(c.G)-wantR) > slack || math.Abs(float64(c.B)-wantB) > slack {
				t.Errorf("turned by %g, %v from the middle: %v, want about %g, %g", degrees, d, c, wantR, wantB)
			}
		}
	}
	out, err := p.Cut(0, 0, 0, 11, 11, color.White)
	if err != nil || out.RGBAAt(0, 0).R != 255 || out.RGBAAt(9, 9).R > 20 {
		t.Errorf("at the corner: %v, %v", out.RGBAAt(0, 0), err)
	}
}

func TestOpenWhatIsNone(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"no XML":      "tiles",
		"no size":     `<Image Format="jpg" Overlap="1" TileSize="512"></Image>`,
		"huge":        `<Image Format="jpg" Overlap="1" TileSize="512"><Size Width="99999999" Height="5"/></Image>`,
		"another way": `<Image Format="png" Overlap="1" TileSize="512"><Size Width="9" Height="5"/></Image>`,
	} {
		path := filepath.Join(dir, "scan.dzi")
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(path); err == nil {
			t.Errorf("%s is opened", name)
		}
	}
	p, err := Open(pyramid(t, 100, 80, 32))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(p.dir); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Cut(50, 40, 0, 5, 5, color.Black); err == nil {
		t.Error("without tiles a crop is cut")
	}
}

// A piece along a path runs as the path does, bent or from right to left, its
// right-hand side below.
func TestAlong(t *testing.T) {
	p, err := Open(pyramid(t, 100, 80, 32))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range [][]measure.Point{
		{{20, 40}, {70, 40}}, {{70, 40}, {20, 40}}, {{40, 10}, {40, 70}}, {{10, 20}, {45, 30}, {80, 60}},
	} {
		out, err := p.Along(path, 11, color.Black)
		if err != nil {
			t.Fatal(err)
		}
		r := measure.NewRadius(path, nil)
		if want := int(math.Round(r.Length())); out.Rect.Dx() != want || out.Rect.Dy() != 11 {
			t.Fatalf("%v: %v", path, out.Rect)
		}
		for _, i := range []int{2, out.Rect.Dx() / 4, out.Rect.Dx() - 3} {
			at := (float64(i) + 0.5) * r.Length() / float64(out.Rect.Dx())
			a, b := r.Point(at-1), r.Point(at+1)
			l := math.Hypot(b[0]-a[0], b[1]-a[1])
			for _, j := range []int{0, 5, 10} { // 5 px to the left, on it, 5 px to the right
				x := r.Point(at)[0] - float64(j-5)*(b[1]-a[1])/l
				y := r.Point(at)[1] + float64(j-5)*(b[0]-a[0])/l
				c := out.RGBAAt(i, j)
				if math.Abs(float64(c.R)-2*x) > 4 || math.Abs(float64(c.B)-2*y) > 8 { // as the tiles' JPEG has them
					t.Errorf("%v at %d, %d: %v, want about %.0f, %.0f", path, i, j, c, 2*x, 2*y)
				}
			}
		}
	}
	for _, bad := range [][]measure.Point{{{5, 5}, {5, 5}}, {{0, 0}, {1e9, 0}}} {
		if _, err := p.Along(bad, 10, color.Black); err == nil {
			t.Errorf("%v was cut", bad)
		}
	}
}
