package vision

import (
	"encoding/xml"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// The rules are those of the Deep Zoom File Format Overview (Microsoft): the
// top level is ceil(log2(longest side)), each level below half of it, rounded
// up, down to one pixel; tiles are named column_row and repeat
// Overlap px of each neighbour.
func TestWriteTiles(t *testing.T) {
	dir := t.TempDir()
	img := image.NewNRGBA(image.Rect(0, 0, 1201, 700))
	for y := range 700 {
		for x := range 1201 {
			img.SetNRGBA(x, y, color.NRGBA{R: uint8(x / 5), G: uint8(y / 3), B: 60, A: 255})
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
	if err := WriteTiles(t.Context(), s, dir, func(string, int, int) {}); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "scan.dzi"))
	if err != nil {
		t.Fatal(err)
	}
	var dzi struct {
		XMLName           xml.Name
		Format            string `xml:",attr"`
		TileSize, Overlap int    `xml:",attr"`
		SizeXML           struct {
			Width  int `xml:",attr"`
			Height int `xml:",attr"`
		} `xml:"Size"`
	}
	if err := xml.Unmarshal(text, &dzi); err != nil {
		t.Fatal(err)
	}
	if dzi.XMLName.Space != "http://schemas.microsoft.com/deepzoom/2008" || dzi.Format != "jpg" || dzi.TileSize != 512 || dzi.Overlap != 1 || dzi.SizeXML.Width != 1201 || dzi.SizeXML.Height != 700 {
		t.Errorf("%s", text)
	}
	for _, tt := range []struct {
		tile          string
		width, height int
		x, y          int     // of a pixel in the tile
		ofX, ofY      float64 // its middle on the scan
	}{
		{"11/0_0.jpg", 513, 513, 100, 100, 100, 100},
		{"11/2_1.jpg", 178, 189, 77, 89, 1100, 600},
		{"10/1_0.jpg", 90, 350, 39, 300, 1100.5, 600.5},
		{"9/0_0.jpg", 301, 175, 275, 150, 1101.5, 601.5},
		{"0/0_0.jpg", 1, 1, 0, 0, math.NaN(), math.NaN()}, // edges that were repeated weigh too much to say
	} {
		got := readJPEG(t, filepath.Join(dir, "scan_files", tt.tile))
		if got.Bounds().Dx() != tt.width || got.Bounds().Dy() != tt.height {
			t.Errorf("%s is %v, want %d x %d", tt.tile, got.Bounds(), tt.width, tt.height)
			continue
		}
		c := color.NRGBAModel.Convert(got.At(tt.x, tt.y)).(color.NRGBA)
		// A level of compression and rounding; a pixel of the scan is a fifth.
		if math.Abs(float64(c.R)-tt.ofX/5) > 4 || math.Abs(float64(c.G)-tt.ofY/3) > 4 {
			t.Errorf("%s at %d, %d: %v, want red %.0f, green %.0f", tt.tile, tt.x, tt.y, c, tt.ofX/5, tt.ofY/3)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "scan_files", "12")); err == nil {
		t.Error("there is a level above the scan's own")
	}
}

func readJPEG(t *testing.T, path string) image.Image {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := jpeg.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	return img
}
