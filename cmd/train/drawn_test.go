package main

import (
	"math/rand/v2"
	"testing"
)

// TestDrawCore: at every boundary drawn the light falls towards the pith.
func TestDrawCore(t *testing.T) {
	for seed := range uint64(6) {
		px, truth := drawCore(rand.New(rand.NewPCG(seed, 13)))
		wrong := 0
		bs := truth.Cores[0].Boundaries
		for _, b := range bs {
			x := int(b.PointPx[0])
			var fall int
			for y := px.Height/2 - 8; y < px.Height/2+8; y++ {
				row := px.U8[3*y*px.Width:]
				fall += int(row[3*(x-3)+2]) - int(row[3*(x+2)+2])
			}
			if fall <= 0 {
				wrong++
			}
		}
		if len(bs) < 8 || wrong > 0 {
			t.Errorf("seed %d: the light does not fall at %d of %d boundaries", seed, wrong, len(bs))
		}
	}
}
