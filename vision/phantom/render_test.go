package phantom

import (
	"bytes"
	"math"
	"reflect"
	"testing"
)

// smallTray is quick to render and has every kind of wood over a few seeds.
func smallTray(seed uint64) Tray {
	return RandomTray(seed, Options{Cores: 2, LengthMM: 18, DPI: 600})
}

func TestSameSeedSameBytes(t *testing.T) {
	a, ta := Render(smallTray(3), 3)
	b, tb := Render(smallTray(3), 3)
	if !bytes.Equal(a.U8, b.U8) {
		t.Error("two renders of one seed differ in their pixels")
	}
	if !reflect.DeepEqual(ta, tb) {
		t.Error("two renders of one seed differ in their truth")
	}
	if c, _ := Render(smallTray(4), 4); bytes.Equal(a.U8, c.U8) {
		t.Error("another seed gives the same pixels")
	}
}

// TestBoundariesLieOnRings checks that every boundary's line lies where the
// ring coordinate is that boundary's radius.
func TestBoundariesLieOnRings(t *testing.T) {
	for seed := range uint64(8) {
		o := Options{Cores: 2, LengthMM: 18, DPI: 600, Upright: seed%3 == 1}
		tray := RandomTray(seed, o).filled()
		s := newScene(&tray, seed)
		_, truth := Render(tray, seed)
		for _, c := range s.cores {
			var ct CoreTruth
			for _, k := range truth.Cores {
				if k.ID == c.core.ID {
					ct = k
				}
			}
			if len(ct.Boundaries) < 3 {
				t.Errorf("seed %d core %s: only %d boundaries", seed, ct.ID, len(ct.Boundaries))
			}
			for _, b := range ct.Boundaries {
				for _, q := range b.LinePx {
					pc := &c.lay.pieces[b.Piece]
					u, v := pc.wood(c.lay.offTray(q[0]*s.mm[0], q[1]*s.mm[1]))
					if d := c.stem.rho(u, v) - c.stem.radii[b.K]; math.Abs(d) > 1e-4 {
						t.Errorf("seed %d core %s boundary %d: rho off by %g mm", seed, ct.ID, b.K, d)
					}
				}
			}
		}
	}
}

// TestDepthAndGray: 16 bits carry the same picture as 8, gray that of colour.
func TestDepthAndGray(t *testing.T) {
	tray := RandomTray(6, Options{Cores: 1, LengthMM: 10, DPI: 300})
	rgb, _ := Render(tray, 6)
	tray.Bits, tray.Gray = 16, true
	deep, _ := Render(tray, 6)
	if deep.Bits() != 16 || deep.Channels != 1 || len(deep.U16) != rgb.Width*rgb.Height {
		t.Fatalf("%d bits, %d channels, %d samples", deep.Bits(), deep.Channels, len(deep.U16))
	}
	for y := range rgb.Height {
		for x := range rgb.Width {
			if d := rgb.luma(x, y) - deep.luma(x, y); math.Abs(d) > 1.01 { // three roundings, and clipping
				if b := rgb.luma(x, y); b > 5 && b < 235 {
					t.Fatalf("pixel (%d, %d): %g and %g", x, y, b, deep.luma(x, y))
				}
			}
		}
	}
}

// TestClose: a close tray holds the same cores on less ground, each of them
// whole.
func TestClose(t *testing.T) {
	for seed := range uint64(2) {
		o := Options{Cores: 4, LengthMM: 40, DPI: 300, Wild: true}
		wide := RandomTray(seed, o)
		o.Close = true
		tray := RandomTray(seed, o)
		if a, b := tray.WidthPx*tray.HeightPx, wide.WidthPx*wide.HeightPx; 3*a > 2*b {
			t.Errorf("seed %d: %d px, without Close %d", seed, a, b)
		}
		_, truth := Render(tray, seed)
		for _, c := range truth.Cores {
			for _, p := range c.CentrelinePx {
				if p[0] < 0 || p[1] < 0 || p[0] > float64(truth.WidthPx) || p[1] > float64(truth.HeightPx) {
					t.Fatalf("seed %d: core %d leaves the picture at %v", seed, c.Position, p)
				}
			}
		}
	}
}
