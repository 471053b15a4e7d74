package dating

import (
	"math"
	"strings"
	"testing"

	"pithward/measure/archive"
)

// Rings lost behind smeared wood are found by the other trees, however many there are,
// and wood that hides nothing is not accused.
func TestHiddenWood(t *testing.T) {
	for _, lost := range []int{0, 1, 2, 4} {
		for seed := range uint64(3) {
			all := doubtfulSite(8, 110, 0.99, seed)
			x := &all[1] // without a fault
			k := len(x.Widths) - 50
			wood := archive.Width(0)
			for i := range lost + 1 {
				wood += x.Widths[k-i]
			}
			x.Widths[k-lost] = wood
			x.Pictures[k-lost] = archive.RingPicture{Boundary: x.Pictures[k-lost].Boundary, Hidden: float64(wood) * 0.9, HiddenAt: 0.5}
			x.Widths = append(x.Widths[:k-lost+1:k-lost+1], x.Widths[k+1:]...)
			x.Pictures = append(x.Pictures[:k-lost+1:k-lost+1], x.Pictures[k+1:]...)
			x.FirstYear += lost
			st := NewStand(all, nil, 0)
			for i := range all {
				found := false
				for _, s := range st.Suspects(i) {
					switch {
					case s.Posterior < 0.5 || i == 0 && s.Place == "missed":
					case i == 1 && lost > 0 && s.Hidden == lost && s.Year == 2020-49 && strings.Contains(s.String(), "in the hidden wood"):
						found = true
					default:
						t.Errorf("%d lost, seed %d, tree %d: %s (%d hidden)", lost, seed, i, s, s.Hidden)
					}
				}
				if i == 1 && lost > 0 && !found {
					t.Errorf("%d lost, seed %d: not found", lost, seed)
				}
			}
		}
	}
}

// By the widths alone, a stretch of hidden wood holds as many boundaries as rings of
// the usual width have room in it.
func TestVeiledOdds(t *testing.T) {
	q := &sequence{sd: 0.3, width: []float64{1, 2, 4, 1}, level: []float64{0, 0, 0, 0}}
	for r, want := range []int{0, 1, 3} {
		best, most := 0, 1.0
		for n, o := range q.veiled(r, q.width[r]) {
			if o > most {
				best, most = n+1, o
			}
		}
		if best != want {
			t.Errorf("a ring of %g mm, usually 1 mm: %d boundaries, want %d", q.width[r], best, want)
		}
	}
	if q.veiled(3, 0.05) != nil {
		t.Error("a spot hides a boundary")
	}
	if math.IsInf(q.veiled(2, 4)[0], 0) {
		t.Error("infinite odds")
	}
}
