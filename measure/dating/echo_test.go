package dating

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pithward/measure/archive"
)

// doubtfulSite is trees with a strong common signal, read without a fault but for
// tree 0, which lacks a boundary that the picture shows faintly. Every boundary has
// the probability p.
func doubtfulSite(trees, years int, p float64, seed uint64) []archive.Series {
	r := rand.New(rand.NewPCG(seed, 4))
	common := make([]float64, years)
	for k := range common {
		common[k] = 0.3 * r.NormFloat64()
	}
	var all []archive.Series
	for t := range trees {
		s := archive.Series{ID: fmt.Sprintf("T%d", t), Meta: archive.Meta{Tree: fmt.Sprintf("T%d", t)}}
		var widths []archive.Width // from the bark
		var pictures []archive.RingPicture
		add, missed := 0.0, (*archive.PicturePlace)(nil)
		for k, v := range common {
			w := 0.64 * math.Exp(v+0.12*r.NormFloat64())
			if t == 0 && k == 44 {
				add, missed = w, &archive.PicturePlace{ID: "missed", Probability: 0.3}
				continue
			}
			x := archive.RingPicture{Boundary: &archive.PicturePlace{ID: fmt.Sprintf("b%d", k), Probability: p, Share: 1}}
			if missed != nil {
				missed.Share = add / (add + w)
				x.Candidates = []archive.PicturePlace{*missed}
			}
			widths, pictures = append(widths, archive.Width(add+w)), append(pictures, x)
			add, missed = 0, nil
		}
		for k := len(widths) - 1; k >= 0; k-- {
			s.Widths, s.Pictures = append(s.Widths, widths[k]), append(s.Pictures, pictures[k])
		}
		s.FirstYear = 2020 - len(s.Widths) + 1
		all = append(all, s)
	}
	return all
}

// Trees whose boundaries are all a little in doubt do not persuade each other of a
// fault that none of them has.
func TestNoEcho(t *testing.T) {
	for _, p := range []float64{0.99, 0.97, 0.93} {
		for seed := range uint64(4) {
			all := doubtfulSite(7, 110, p, seed)
			st := NewStand(all, nil, 0)
			for i := range all {
				found := false
				for _, x := range st.Suspects(i) {
					if x.Here < 0.5 {
						continue
					}
					if i == 0 && x.Place == "missed" {
						found = true
						continue
					}
					t.Errorf("boundaries of %g, seed %d, tree %d: %s, here %.2f", p, seed, i, x, x.Here)
				}
				if i == 0 && !found {
					t.Errorf("boundaries of %g, seed %d: what was missed is not found", p, seed)
				}
			}
		}
	}
}
