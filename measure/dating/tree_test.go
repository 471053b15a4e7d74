package dating

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pithward/measure/archive"
)

// radiiOf are n radii of one invented tree, whose rings vary alike. Radius 0 lacks the
// boundary between rings 50 and 51 from the bark; the picture shows it faintly.
func radiiOf(n int, seed uint64) []archive.Series {
	r := rand.New(rand.NewPCG(seed, 9))
	common := make([]float64, 100)
	for k := range common {
		common[k] = 0.3 * r.NormFloat64()
	}
	var all []archive.Series
	for i := range n {
		var widths []archive.Width // from the bark
		var pictures []archive.RingPicture
		for k, v := range common {
			w := archive.Width(0.8 * math.Exp(v+0.1*r.NormFloat64()))
			if i == 0 && k == 51 {
				last := len(widths) - 1
				share := float64(widths[last] / (widths[last] + w))
				pictures[last].Candidates = []archive.PicturePlace{{ID: "missed", Probability: 0.2, Share: share}}
				widths[last] += w
				continue
			}
			widths = append(widths, w)
			pictures = append(pictures, archive.RingPicture{Boundary: &archive.PicturePlace{ID: "b", Probability: 0.99, Share: 1}})
		}
		s := archive.Series{ID: "OAK" + string(rune('A'+i)), Meta: archive.Meta{Tree: "OAK"}}
		for k := len(widths) - 1; k >= 0; k-- {
			s.Widths, s.Pictures = append(s.Widths, widths[k]), append(s.Pictures, pictures[k])
		}
		s.FirstYear = 2021 - len(s.Widths)
		all = append(all, s)
	}
	return all
}

// The radii of one tree are set against each other without any other tree: the fault
// of one is named, and its sister, which is as it should be, is the less likely way.
func TestRadiiWithinTree(t *testing.T) {
	for _, n := range []int{2, 3} {
		for seed := range uint64(4) {
			trees := NewStand(radiiOf(n, seed), nil, 0).Trees()
			if len(trees) != 1 || len(trees[0].Radii) != n || trees[0].RBetween == nil || trees[0].R != nil {
				t.Fatalf("%d radii, seed %d: %+v", n, seed, trees)
			}
			found := 0
			for _, p := range trees[0].Partings {
				if p.Posterior < 0.5 {
					continue
				}
				found++
				if w := p.Ways[0]; w.Series != "OAKA" || w.Place != "missed" || w.PosteriorHere < 0.5 {
					t.Errorf("%d radii, seed %d: %s: %s (%s)", n, seed, w.Series, w.Words, w.Place)
				}
				sum := 0.0
				for _, w := range p.Ways {
					sum += w.Posterior
				}
				if sum > 1 || math.Abs(sum-p.Posterior) > 1e-9 {
					t.Errorf("%d radii, seed %d: ways of %.3f in a parting of %.3f", n, seed, sum, p.Posterior)
				}
			}
			if found != 1 {
				t.Errorf("%d radii, seed %d: %d partings", n, seed, found)
			}
		}
	}
}

// The years of a parting are those of ways that are worth a thought, or of the likeliest
// where none is.
func TestYearsOfAParting(t *testing.T) {
	st := NewStand(radiiOf(2, 1), nil, 0)
	way := func(series, from, to int, posterior float64) lead {
		return lead{series, Suspect{Kind: Missed, Year: from, FromYear: from, ToYear: to, Posterior: posterior}}
	}
	for _, tt := range []struct {
		ways     []lead
		from, to int
	}{
		{[]lead{way(0, 1958, 1958, 0.96), way(1, 1925, 1981, 0.3)}, 1958, 1958}, // 0.017 beside the other
		{[]lead{way(0, 1958, 1958, 0.6), way(1, 1955, 1957, 0.5)}, 1955, 1958},
		{[]lead{way(0, 1950, 1960, 0.02), way(1, 1958, 1970, 0.05)}, 1958, 1970},
	} {
		if p := st.parting(tt.ways); p.FromYear != tt.from || p.ToYear != tt.to {
			t.Errorf("%v: %d to %d, want %d to %d", tt.ways, p.FromYear, p.ToYear, tt.from, tt.to)
		}
	}
}

// A core that names no tree is not taken for one of the tree that is called like it.
func TestCoreCalledLikeATree(t *testing.T) {
	all := radiiOf(3, 1)
	all[1].ID, all[1].Meta.Tree = "OAK", ""
	var got []string
	for _, tree := range NewStand(all, nil, 0).Trees() {
		got = append(got, tree.Tree+": "+strings.Join(tree.Radii, " "))
	}
	if want := []string{"OAK: OAKA OAKC", "OAK (core of no tree): OAK"}; !slices.Equal(got, want) {
		t.Errorf("trees %q, want %q", got, want)
	}
}

// A radius without years is dated by its sister where there is no other tree.
func TestDatedByItsTree(t *testing.T) {
	all := radiiOf(2, 3)
	all[1].Floating, all[1].FirstYear = true, 1
	st := NewStand(all, nil, 0)
	if s := st.Standing(1, 0.99); s.Standing != Undatable {
		t.Errorf("by other trees, of which there are none, it is %s", s.Standing)
	}
	if s, ok := st.StandingInTree(1, 0.95); !ok || s.Standing != Stands || *s.LastYear != 2020 {
		t.Errorf("by its tree: %+v", s)
	}
	if _, ok := st.StandingInTree(0, 0.99); ok {
		t.Error("set against a sister without years")
	}
}

// A ring missed or invented in one of two radii of archive trees, by the widths alone:
// whether it is seen that they part, and in which of them it is sought first. Without a
// picture little but the odd width tells which of two radii is wrong.
func TestRadiiOfArchiveTrees(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	var out strings.Builder
	fmt.Fprintln(&out, "One fault put into one of two radii of a tree, 25 rings or more from its ends, widths alone, no other tree asked")
	fmt.Fprintln(&out, "          trees  parting of 0.5 within three years  likeliest way right  partings of 0.5 elsewhere  as they are: partings of 0.5")
	for _, kind := range []FaultKind{Missed, Invented} {
		var trees, seen, right, elsewhere, clean int
		for _, name := range []string{"az607", "che423", "fl018", "mar047", "va006", "wy039"} {
			pairs := map[string][]Dated{}
			var order []string
			for _, d := range datedSite(t, name) {
				if len(pairs[d.Tree]) == 0 {
					order = append(order, d.Tree)
				}
				pairs[d.Tree] = append(pairs[d.Tree], d)
			}
			n := 0
			for _, tree := range order {
				p := pairs[tree]
				if n == 8 || len(p) < 2 || len(p[0].Widths.V) < 80 || p[1].Widths.FirstYear > p[0].Widths.FirstYear+20 || p[1].Widths.LastYear() < p[0].Widths.LastYear() {
					continue
				}
				n++
				trees++
				other := seriesOf(p[1].ID, tree, p[1].Widths)
				clean += len(probable(NewStand([]archive.Series{seriesOf(p[0].ID, tree, p[0].Widths), other}, nil, 0)))
				faulty, year := withFault(p[0].Widths, kind, 25+r.IntN(len(p[0].Widths.V)-50), r)
				found := false
				for _, x := range probable(NewStand([]archive.Series{seriesOf(p[0].ID, tree, faulty), other}, nil, 0)) {
					if found || x.FromYear-3 > year || x.ToYear+3 < year {
						elsewhere++
						continue
					}
					found = true
					seen++
					if w := x.Ways[0]; w.Series == p[0].ID && (w.Kind == Invented) == (kind == Invented) {
						right++
					}
				}
			}
		}
		fmt.Fprintf(&out, "%-8s  %5d  %34d  %19d  %25d  %28d\n", kind, trees, seen, right, elsewhere, clean)
	}
	heldTo(t, "testdata/trees.txt", out.String())
}

// probable are the probable partings of a stand of one tree.
func probable(st *Stand) (out []Parting) {
	for _, p := range st.Trees()[0].Partings {
		if p.Posterior >= 0.5 {
			out = append(out, p)
		}
	}
	return out
}
