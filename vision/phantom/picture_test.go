package phantom

import (
	"bytes"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/image/tiff"
)

// noisePicture has every byte value and runs of equal ones.
func noisePicture(w, h, channels, bits int) *Picture {
	t := Tray{WidthPx: w, HeightPx: h, Gray: channels == 1, Bits: bits, TagDPI: [2]float64{1200, 1198.5}}
	p := newPicture(&t)
	r := newRand(7)
	for i := range w * h * channels {
		v := r.Uint32()
		if i/(w*channels)%3 == 1 {
			v = uint32(i/40) * 9
		}
		if p.U16 != nil {
			p.U16[i] = uint16(v)
		} else {
			p.U8[i] = uint8(v)
		}
	}
	return p
}

// TestTIFFReference reads what WriteTIFF writes with golang.org/x/image/tiff.
func TestTIFFReference(t *testing.T) {
	for _, channels := range []int{1, 3} {
		for _, bits := range []int{8, 16} {
			for name, o := range map[string]TIFFOptions{
				"none": {}, "deflate": {Compression: Deflate}, "lzw": {Compression: LZW},
				"lzw predictor": {Compression: LZW, Predictor: true}, "deflate predictor": {Compression: Deflate, Predictor: true},
			} {
				p := noisePicture(1021, 211, channels, bits)
				path := filepath.Join(t.TempDir(), "a.tif")
				f, err := os.Create(path)
				if err != nil {
					t.Fatal(err)
				}
				if err := p.WriteTIFF(f, o); err != nil {
					t.Fatal(err)
				}
				if _, err := f.Seek(0, 0); err != nil {
					t.Fatal(err)
				}
				got, err := tiff.Decode(f)
				f.Close()
				if err != nil {
					t.Fatalf("%s, %d x %d bit: %v", name, channels, bits, err)
				}
				samePixels(t, p, got)
			}
		}
	}
}

func TestPNGReference(t *testing.T) {
	for _, channels := range []int{1, 3} {
		for _, bits := range []int{8, 16} {
			p := noisePicture(301, 77, channels, bits)
			var b bytes.Buffer
			if err := p.WritePNG(&b); err != nil {
				t.Fatal(err)
			}
			got, err := png.Decode(&b)
			if err != nil {
				t.Fatal(err)
			}
			samePixels(t, p, got)
		}
	}
}

func samePixels(t *testing.T, want *Picture, got image.Image) {
	t.Helper()
	if got.Bounds() != want.Bounds() {
		t.Fatalf("bounds %v, want %v", got.Bounds(), want.Bounds())
	}
	for y := range want.Height {
		for x := range want.Width {
			r, g, b, _ := want.At(x, y).RGBA()
			r1, g1, b1, _ := got.At(x, y).RGBA()
			if r != r1 || g != g1 || b != b1 {
				t.Fatalf("pixel (%d, %d): %04x %04x %04x, want %04x %04x %04x", x, y, r1, g1, b1, r, g, b)
			}
		}
	}
}
