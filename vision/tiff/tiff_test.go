package tiff

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/image/tiff/lzw"

	"pithward/vision/header"
	"pithward/vision/phantom"
	"pithward/vision/raster"
)

// decodeFile decodes a file in memory; ok tells whether it is one that Decode
// takes.
func decodeFile(file []byte) (px raster.Pixels, ok bool, err error) {
	r := bytes.NewReader(file)
	h, err := header.Read("file.tif", r, r.Size())
	if err != nil || !Takes(h) {
		return px, false, err
	}
	px = raster.Pixels{Width: h.Width, Height: h.Height, Channels: h.DecodedChannels()}
	if h.Bits == 16 {
		px.U16 = make([]uint16, px.Width*px.Height*px.Channels)
	} else {
		px.U8 = make([]uint8, px.Width*px.Height*px.Channels)
	}
	return px, true, Decode(r, h, px)
}

// grain is a picture that is neither all noise nor all even.
func grain(w, h, channels, bits int) *phantom.Picture {
	rng := rand.New(rand.NewPCG(1, 2))
	p := &phantom.Picture{Width: w, Height: h, Channels: channels}
	for i := range w * h * channels {
		v := uint16(i/7%900*60) + uint16(rng.IntN(1+i%400))
		if bits == 16 {
			p.U16 = append(p.U16, v)
		} else {
			p.U8 = append(p.U8, uint8(v>>8))
		}
	}
	return p
}

func tiffOf(t testing.TB, p *phantom.Picture, o phantom.TIFFOptions) []byte {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "picture.tif"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := p.WriteTIFF(f, o); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(f.Name())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// What was written is read, over all kinds that the renderer writes. The image
// library reads the same files, and more, to the same bytes: see TestReadTIFF
// in package vision.
func TestDecode(t *testing.T) {
	for _, channels := range []int{1, 3} {
		for _, bits := range []int{8, 16} {
			p := grain(701, 503, channels, bits)
			for _, compression := range []phantom.Compression{phantom.None, phantom.LZW, phantom.Deflate} {
				for _, predictor := range []bool{false, true} {
					if predictor && compression == phantom.None {
						continue
					}
					t.Run(fmt.Sprint(channels, bits, compression, predictor), func(t *testing.T) {
						px, ok, err := decodeFile(tiffOf(t, p, phantom.TIFFOptions{Compression: compression, Predictor: predictor}))
						if err != nil || !ok {
							t.Fatalf("taken %v, %v", ok, err)
						}
						if want := p.Pixels(); !bytes.Equal(px.Bytes(), want.Bytes()) {
							t.Error("read otherwise than written")
						}
					})
				}
			}
		}
	}
}

// Broken data end in an error or in some picture, never in a panic.
func TestDecodeBroken(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, compression := range []phantom.Compression{phantom.LZW, phantom.Deflate} {
		file := tiffOf(t, grain(200, 100, 3, 8), phantom.TIFFOptions{Compression: compression})
		for range 300 {
			broken := bytes.Clone(file)
			for range 3 {
				broken[rng.IntN(len(broken))] = byte(rng.Uint32())
			}
			if px, ok, err := decodeFile(broken); err == nil && ok && px.Width < 1 {
				t.Error("no picture and no error")
			}
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, c := range []phantom.Compression{phantom.None, phantom.LZW, phantom.Deflate} {
		f.Add(tiffOf(f, grain(20, 10, 3, 8), phantom.TIFFOptions{Compression: c}))
	}
	f.Fuzz(func(_ *testing.T, file []byte) {
		if h, err := header.Read("file.tif", bytes.NewReader(file), int64(len(file))); err == nil && h.DecodedBytes() < 1<<24 {
			_, _, _ = decodeFile(file)
		}
	})
}

// lzwExample is the worked example of ISO 32000-1:2008 (PDF), 7.4.4.2, whose
// LZW is TIFF's; given from memory.
var lzwExample = []byte{0x80, 0x0b, 0x60, 0x50, 0x22, 0x0c, 0x0c, 0x85, 0x01}

func TestLZWExample(t *testing.T) {
	want := []byte{45, 45, 45, 45, 45, 65, 45, 45, 45, 66}
	got := make([]byte, len(want))
	if err := unLZW(got, lzwExample); err != nil || !bytes.Equal(got, want) {
		t.Errorf("%v, %v, want %v", got, err, want)
	}
	if err := unLZW(make([]byte, 11), lzwExample); err == nil {
		t.Error("11 bytes of 10")
	}
}

// FuzzLZW compares with golang.org/x/image/tiff/lzw, on data it can read.
func FuzzLZW(f *testing.F) {
	f.Add(lzwExample)
	f.Add([]byte{0x80, 0x00, 0x01, 0x02})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, src []byte) {
		r := lzw.NewReader(bytes.NewReader(src), lzw.MSB, 8)
		defer r.Close()
		want, _ := io.ReadAll(io.LimitReader(r, 1<<20))
		got := make([]byte, len(want))
		if err := unLZW(got, src); err == nil && !bytes.Equal(got, want) {
			t.Errorf("% x is\n% x, want\n% x", src, got, want)
		}
	})
}

// Whole tables full of codes, cleared again and again, as real strips have
// them.
func TestLZWLong(t *testing.T) {
	for _, bits := range []int{8, 16} {
		p := grain(3000, 80, 3, bits)
		px, ok, err := decodeFile(tiffOf(t, p, phantom.TIFFOptions{Compression: phantom.LZW}))
		if err != nil || !ok || !bytes.Equal(px.Bytes(), p.Pixels().Bytes()) {
			t.Errorf("%d bits: taken %v, %v, or read otherwise than written", bits, ok, err)
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	smooth, wood := grain(4000, 1500, 3, 8), grain(4000, 1500, 3, 8)
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range wood.U8 { // a scan's noise, a few grey levels
		wood.U8[i] = uint8(150 + 40*math.Sin(float64(i)/4000) + 2.5*rng.NormFloat64())
	}
	for _, c := range []struct {
		name string
		p    *phantom.Picture
		kind phantom.Compression
	}{{"plain", wood, phantom.None}, {"LZW", wood, phantom.LZW}, {"smooth-LZW", smooth, phantom.LZW}, {"deflate", wood, phantom.Deflate}} {
		b.Run(c.name, func(b *testing.B) {
			file := tiffOf(b, c.p, phantom.TIFFOptions{Compression: c.kind})
			b.SetBytes(int64(len(c.p.U8)))
			for b.Loop() {
				if _, ok, err := decodeFile(file); err != nil || !ok {
					b.Fatal(ok, err)
				}
			}
		})
	}
}
