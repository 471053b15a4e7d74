package dating

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"pithward/measure/archive"
)

// A page shows a core with the others, names the fault, and tries what mends it.
func TestViewAndTry(t *testing.T) {
	for _, kind := range []FaultKind{Missed, Invented, Absent} {
		t.Run(string(kind), func(t *testing.T) {
			stand := madeStand(9, 250, 6)
			ring := 130
			if kind == Absent { // rings are absent in years that are narrow elsewhere
				for i := 110; i < 150; i++ {
					if stand[1].Widths.V[i]*stand[2].Widths.V[i] < stand[1].Widths.V[ring]*stand[2].Widths.V[ring] {
						ring = i
					}
				}
			}
			faulty, year := withFault(stand[0].Widths, kind, ring, rand.New(rand.NewPCG(2, 2)))
			var all []archive.Series
			all = append(all, pictured(seriesOf("a", "A", faulty)))
			for k, d := range stand[1:] {
				all = append(all, seriesOf(fmt.Sprintf("s%d", k), "", d.Widths))
			}
			st := NewStand(all, nil, 0)
			i, ok := st.Find("a")
			if !ok {
				t.Fatal("not found")
			}
			v := st.View(i)
			if v.Tree != "A" || len(v.Sisters) != 8 || v.R == nil || v.FirstYear != faulty.FirstYear || len(v.Own.Index) != len(faulty.V) {
				t.Errorf("tree %q, %d sisters, r %v, first year %d", v.Tree, len(v.Sisters), v.R, v.FirstYear)
			}
			if len(v.Suspects) == 0 {
				t.Fatal("no suspects")
			}
			s := v.Suspects[0]
			if (s.Kind == Invented) != (kind == Invented) || s.FromYear > year+2 || s.ToYear < year-2 {
				t.Errorf("%s, want %s at %d", s.Words, kind, year)
			}
			tried, err := st.Try(i, []Change{{Kind: s.Kind, Place: s.Place, AtMM: s.AtMM, Year: &s.Year}})
			if err != nil {
				t.Fatal(err)
			}
			if *tried.RBefore != *v.R || *tried.RAfter < *v.R+0.05 || *tried.InwardRAfter < *tried.InwardRBefore+0.3 {
				t.Errorf("r %.2f to %.2f, inward %.2f to %.2f", *tried.RBefore, *tried.RAfter, *tried.InwardRBefore, *tried.InwardRAfter)
			}
			if want := faulty.FirstYear + kind.shift(); tried.Own.FirstYear != want {
				t.Errorf("begins in %d, want %d", tried.Own.FirstYear, want)
			}
			if _, err := st.Try(i, []Change{{Kind: Missed, Place: "nothing"}}); err == nil {
				t.Error("a change that finds nothing is no error")
			}
		})
	}
}

// pictured gives a series a picture that shows its boundaries plainly.
func pictured(s archive.Series) archive.Series {
	for k := range s.Widths {
		at := float64(len(s.Widths) - k)
		s.Pictures = append(s.Pictures, archive.RingPicture{Boundary: &archive.PicturePlace{ID: fmt.Sprintf("b%d", k), AtMM: at, Probability: 0.97, Share: 1}})
	}
	return s
}
