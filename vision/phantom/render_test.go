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
		tray := smallTray(seed).filled()
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
