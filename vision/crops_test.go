package vision

import (
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pithward/measure"
)

// A crop shows the wood along its path, bark at the left, whichever way the
// core lies on the scan.
func TestWriteCrops(t *testing.T) {
	dir := t.TempDir()
	img := image.NewNRGBA(image.Rect(0, 0, 400, 300))
	for y := range 300 {
		for x := range 400 {
			img.SetNRGBA(x, y, color.NRGBA{R: uint8(x / 2), G: uint8(y / 2), B: 60, A: 255})
		}
	}
	f, err := os.Create(filepath.Join(dir, "tray.png"))
	if err != nil {
		t.Fatal(err)
	}
	if err := png.Encode(f, img); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	s, err := ReadScan(f.Name())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	out := filepath.Join(dir, "crop.jpg")
	if err := WriteCrops(s, []measure.Crop{{PathPx: []measure.Point{{300, 150}, {100, 150}}, BreadthPx: 41, File: out}}); err != nil {
		t.Fatal(err)
	}
	g, err := os.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer g.Close()
	crop, err := jpeg.Decode(g)
	if err != nil {
		t.Fatal(err)
	}
	if size := crop.Bounds().Size(); size.X < 200 || size.X > 201 || size.Y != 41 {
		t.Errorf("crop of %v px, want 201 by 41", size)
	}
	left, _, _, _ := crop.At(5, 20).RGBA()
	right, _, _, _ := crop.At(195, 20).RGBA()
	if l, r := int(left>>8), int(right>>8); l < 142 || l > 154 || r < 47 || r > 58 { // 295/2 and 105/2
		t.Errorf("red %d at the left, %d at the right: turned?", l, r)
	}
	for _, bad := range []measure.Crop{{}, {PathPx: []measure.Point{{0, 0}, {1e9, 0}}, BreadthPx: 40}, {PathPx: []measure.Point{{0, 0}, {50, 0}}, BreadthPx: 1e6}} {
		if err := WriteCrops(s, []measure.Crop{bad}); err == nil || !strings.Contains(err.Error(), "cannot be cut") {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}
