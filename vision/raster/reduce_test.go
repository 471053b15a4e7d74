package raster

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// noise is a picture of random samples.
func noise(w, h, channels int, deep bool) Pixels {
	rng := rand.New(rand.NewPCG(1, 2))
	p := Pixels{Width: w, Height: h, Channels: channels}
	for range w * h * channels {
		if v := uint16(rng.Uint32()); deep {
			p.U16 = append(p.U16, v)
		} else {
			p.U8 = append(p.U8, uint8(v))
		}
	}
	return p
}

// Each pixel is the mean of its block, rounded, whatever depth and factor.
func TestReducedIsTheMean(t *testing.T) {
	for _, deep := range []bool{false, true} {
		for _, ch := range []int{1, 3} {
			for _, factor := range []int{1, 2, 3, 4, 7, 8, 260} {
				p := noise(3*factor+2, 2*factor+1, ch, deep)
				got, err := p.Reduced(factor)
				if err != nil {
					t.Fatal(err)
				}
				for i := range got.U8 {
					x, y, c := i/ch%got.Width, i/ch/got.Width, i%ch
					var sum float64
					for k := range factor * factor {
						at := ((y*factor+k/factor)*p.Width+x*factor+k%factor)*ch + c
						if deep {
							sum += float64(p.U16[at]) / 257
						} else {
							sum += float64(p.U8[at])
						}
					}
					if want := sum / float64(factor*factor); math.Abs(float64(got.U8[i])-want) > 0.5+1e-9 {
						t.Fatalf("deep %v, %d channels, by %d: sample %d is %d, its block's mean %.3f", deep, ch, factor, i, got.U8[i], want)
					}
				}
			}
		}
	}
}

func BenchmarkReduced(b *testing.B) {
	p := noise(4000, 1500, 3, false)
	for _, factor := range []int{2, 4} {
		b.Run(fmt.Sprintf("by-%d", factor), func(b *testing.B) {
			b.SetBytes(int64(len(p.U8)))
			for b.Loop() {
				if _, err := p.Reduced(factor); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
