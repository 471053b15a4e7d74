package vision

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/png"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// savePNG writes a picture into the test's folder and returns its path.
func savePNG(t testing.TB, m image.Image) string {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "scan.png")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Every depth and colour comes out with its values in place: the picture is
// written by the standard library, so that the two decoders check each other.
func TestReadScanKeepsDepthAndColour(t *testing.T) {
	const w, h = 37, 23
	r := image.Rect(0, 0, w, h)
	rgb, gray := image.NewNRGBA(r), image.NewGray(r)
	rgb16, gray16 := image.NewNRGBA64(r), image.NewGray16(r)
	at := func(x, y, c int) uint16 { return uint16((x*1777 + y*613 + c*21313) % 65536) }
	for y := range h {
		for x := range w {
			rgb.Set(x, y, color.NRGBA{uint8(at(x, y, 2) >> 8), uint8(at(x, y, 1) >> 8), uint8(at(x, y, 0) >> 8), 255})
			rgb16.Set(x, y, color.NRGBA64{at(x, y, 2), at(x, y, 1), at(x, y, 0), 65535})
			gray.Set(x, y, color.Gray{uint8(at(x, y, 0) >> 8)})
			gray16.Set(x, y, color.Gray16{at(x, y, 0)})
		}
	}
	for name, c := range map[string]struct {
		pic             image.Image
		channels, depth int
	}{
		"8-bit colour":  {rgb, 3, 8},
		"16-bit colour": {rgb16, 3, 16},
		"8-bit gray":    {gray, 1, 8},
		"16-bit gray":   {gray16, 1, 16},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := ReadScan(savePNG(t, c.pic))
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			px := s.Pixels()
			if px.Width != w || px.Height != h || px.Channels != c.channels || px.Depth() != c.depth {
				t.Fatalf("read %d x %d, %d channels, %d bits", px.Width, px.Height, px.Channels, px.Depth())
			}
			for y := range h {
				for x := range w {
					for ch := range px.Channels {
						i := (y*w+x)*px.Channels + ch
						if px.U16 != nil && px.U16[i] != at(x, y, ch) || px.U8 != nil && px.U8[i] != uint8(at(x, y, ch)>>8) {
							t.Fatalf("x %d y %d channel %d differs", x, y, ch)
						}
					}
				}
			}
		})
	}
}

func TestReadScanRefuses(t *testing.T) {
	if _, err := ReadScan(filepath.Join(t.TempDir(), "none.png")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	path := filepath.Join(t.TempDir(), "bad.png")
	for name, data := range map[string][]byte{
		"empty":     nil,
		"text":      []byte("not a picture"),
		"signature": []byte("\x89PNG\r\n\x1a\n"),
	} {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := ReadScan(path)
		if err == nil {
			s.Close()
			t.Errorf("%s: read as a picture", name)
		} else if !strings.Contains(err.Error(), "bad.png") {
			t.Errorf("%s: error names no file: %v", name, err)
		}
	}
}

// A reduced scan holds the mean of each block, also of 16 bits and where the
// factor does not divide the sides.
func TestReduced(t *testing.T) {
	const w, h, f = 31, 22, 4
	m := image.NewGray16(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			binary.BigEndian.PutUint16(m.Pix[y*m.Stride+2*x:], uint16((x*x*37+y*911)%65536))
		}
	}
	s, err := ReadScan(savePNG(t, m))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	o, err := s.Reduced(f)
	if err != nil {
		t.Fatal(err)
	}
	if o.Width != w/f || o.Height != h/f || o.Depth() != 8 {
		t.Fatalf("reduced to %d x %d, %d bits", o.Width, o.Height, o.Depth())
	}
	for y := range o.Height {
		for x := range o.Width {
			sum := 0.0
			for dy := range f {
				for dx := range f {
					sum += float64(s.Pixels().At(x*f+dx, y*f+dy, 0))
				}
			}
			if got := float64(o.At(x, y, 0)); got < sum/(f*f)-1.01 || got > sum/(f*f)+1.01 {
				t.Fatalf("x %d y %d: %g, want %g", x, y, got, sum/(f*f))
			}
		}
	}
	if _, err := s.Reduced(23); err == nil {
		t.Error("reduced by more than its height")
	}
	if _, err := s.Reduced(0); err == nil {
		t.Error("reduced by 0")
	}
	if v, _ := s.Overview(10); v.Factor != 4 || v.Width != 7 {
		t.Errorf("overview of at most 10: factor %d, width %d", v.Factor, v.Width)
	}
	x, y := o.ToScan(0, 2)
	if x != 1.5 || y != 9.5 {
		t.Errorf("centre of the first block at %g, %g", x, y)
	}
	if x, y = o.FromScan(x, y); x != 0 || y != 2 {
		t.Errorf("not back at 0, 2 but %g, %g", x, y)
	}
}

func TestClosedScanHasNoPixels(t *testing.T) {
	s, err := ReadScan(savePNG(t, image.NewGray(image.Rect(0, 0, 5, 5))))
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	s.Close()
	if px := s.Pixels(); px.Width != 0 || px.U8 != nil {
		t.Errorf("pixels after close: %d wide", px.Width)
	}
	if _, err := s.Reduced(1); err == nil {
		t.Error("a closed scan was reduced")
	}
}
