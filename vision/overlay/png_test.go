package overlay

import (
	"bytes"
	"hash/adler32"
	"image"
	"image/color"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// noise is a picture that filters and compresses badly.
func noise(w, h int) *image.NRGBA {
	r := rand.New(rand.NewPCG(uint64(w), uint64(h)))
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for i := range img.Pix {
		img.Pix[i] = uint8(100 + r.IntN(60))
		if i%4 == 3 {
			img.Pix[i] = 255
		}
	}
	return img
}

// What is written is read back the same by the standard library's decoder,
// which checks every sum.
func TestPNGReadsBack(t *testing.T) {
	for _, c := range []struct {
		name string
		img  *image.NRGBA
	}{
		{"one pixel", noise(1, 1)},
		{"one band", noise(33, bandRows)},
		{"a row more", noise(33, bandRows+1)},
		{"several bands", noise(501, 3*bandRows-1)},
		{"a row", noise(4000, 1)},
		{"a column", noise(1, 1000)},
		{"one colour", ground(700, 400)},
		{"part of a picture", noise(300, 300).SubImage(image.Rect(17, 30, 211, 290)).(*image.NRGBA)},
	} {
		t.Run(c.name, func(t *testing.T) {
			var buf bytes.Buffer
			if err := EncodePNG(&buf, c.img); err != nil {
				t.Fatal(err)
			}
			got, err := png.Decode(&buf)
			if err != nil {
				t.Fatal(err)
			}
			if got.Bounds().Size() != c.img.Rect.Size() {
				t.Fatalf("size %v, want %v", got.Bounds().Size(), c.img.Rect.Size())
			}
			for y := range c.img.Rect.Dy() {
				for x := range c.img.Rect.Dx() {
					want := c.img.NRGBAAt(c.img.Rect.Min.X+x, c.img.Rect.Min.Y+y)
					if g := color.NRGBAModel.Convert(got.At(x, y)); g != want {
						t.Fatalf("pixel %d, %d is %v, want %v", x, y, g, want)
					}
				}
			}
		})
	}
}

func TestJoinSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.SliceOf(rapid.Byte()).Draw(t, "a"), rapid.SliceOf(rapid.Byte()).Draw(t, "b")
		got := joinSums(adler32.Checksum(a), adler32.Checksum(b), len(b))
		if want := adler32.Checksum(append(a, b...)); got != want {
			t.Fatalf("joined %08x, want %08x", got, want)
		}
	})
}

func TestWritePNGWholeOrNot(t *testing.T) {
	dir := t.TempDir()
	good := filepath.Join(dir, "tray.overlay.png")
	if err := WritePNG(good, ground(20, 10)); err != nil {
		t.Fatal(err)
	}
	if err := WritePNG(good, ground(30, 10)); err != nil {
		t.Fatalf("over an earlier picture: %v", err)
	}
	for name, c := range map[string]struct {
		path string
		img  *image.NRGBA
	}{
		"no folder":    {filepath.Join(dir, "none", "x.png"), ground(20, 10)},
		"no picture":   {filepath.Join(dir, "nil.png"), nil},
		"no pixels":    {filepath.Join(dir, "empty.png"), &image.NRGBA{}},
		"folder there": {dir, ground(20, 10)},
	} {
		if err := WritePNG(c.path, c.img); err == nil || !strings.HasPrefix(err.Error(), c.path+": ") {
			t.Errorf("%s: error %v, want one that names %s", name, err, c.path)
		}
	}
	left, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(left) != 1 || left[0].Name() != "tray.overlay.png" {
		t.Errorf("folder holds %v, want the one picture", left)
	}
}

func BenchmarkDraw(b *testing.B) {
	base, m := benchTray()
	b.ReportAllocs()
	for b.Loop() {
		Draw(base, 1, m)
	}
}

func BenchmarkEncodePNG(b *testing.B) {
	base, m := benchTray()
	img := Draw(base, 1, m)
	b.SetBytes(int64(len(img.Pix)))
	for b.Loop() {
		if err := EncodePNG(io.Discard, img); err != nil {
			b.Fatal(err)
		}
	}
}
