package dating

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"pithward/measure/archive"
)

// withoutZeros is a series as somebody would have measured it who saw no absent ring:
// the zeros are gone, and older rings a year too young. zeros are the present years
// between which and the next older one a ring is absent.
func withoutZeros(s archive.Series) (read archive.Series, zeros map[int]bool) {
	zeros = map[int]bool{}
	var widths []archive.Width
	shift := 0
	for i := len(s.Widths) - 1; i >= 0; i-- {
		if s.Widths[i] == archive.Absent {
			zeros[s.FirstYear+i+1+shift] = true
			shift++
			continue
		}
		widths = append([]archive.Width{s.Widths[i]}, widths...)
	}
	read = s
	read.Widths, read.FirstYear = widths, s.FirstYear+shift
	return read, zeros
}

// Rings that dendrochronologists found absent in series of the International Tree-Ring
// Data Bank (0 in the decadal files) are taken out of one series at a time, and sought
// by the other trees. Of series without such rings every fourth is looked at.
func TestAbsentRings(t *testing.T) {
	var out strings.Builder
	fmt.Fprintln(&out, "Zeros of archive series, dropped from one series at a time and sought by the other trees, widths alone")
	fmt.Fprintln(&out, "          zeros  at the very year  within two years  of the right kind  suspects of 0.5 and more elsewhere  rings")
	var c tally
	for _, name := range []string{"az607", "az615", "mar047", "mt119", "mt120", "ut526", "wy039"} {
		f, err := archive.ReadFile(reference(t, "itrdb/"+name+".rwl"))
		if err != nil {
			t.Fatal(err)
		}
		var all []archive.Series
		for _, s := range f.Series {
			if n, _, _ := s.Counts(); n >= 60 {
				s.Meta.Tree = treeOf(s.ID)
				all = append(all, s.Trim())
			}
		}
		var zeros, place, near, kind, elsewhere, rings int
		for k, s := range all {
			read, gone := withoutZeros(s)
			if len(gone) == 0 && k%4 > 0 {
				continue
			}
			var rest []archive.Series
			for _, o := range all {
				if o.Meta.Tree != s.Meta.Tree {
					rest = append(rest, o)
				}
			}
			zeros, rings = zeros+len(gone), rings+len(read.Widths)
			found := map[int]bool{}
			for _, x := range NewStand([]archive.Series{read}, rest, 0).Suspects(0) {
				if x.Kind == Absent {
					c.add(x.Here, gone[x.Year])
				}
				if x.Posterior < 0.5 {
					continue
				}
				if x.Kind == Absent && gone[x.Year] {
					place++
				}
				right := false
				for _, z := range slices.Sorted(maps.Keys(gone)) {
					if x.Kind != Invented && !found[z] && x.FromYear-2 <= z && z <= x.ToYear+2 {
						found[z], right = true, true
						near++
						if x.Kind == Absent {
							kind++
						}
						break
					}
				}
				if !right {
					elsewhere++
				}
			}
		}
		fmt.Fprintf(&out, "%-8s  %5d  %16d  %16d  %17d  %34d  %5d\n", name, zeros, place, near, kind, elsewhere, rings)
	}
	fmt.Fprintln(&out, "Of absent rings given these probabilities at the very year, so many are")
	for b := range c.n {
		if c.n[b] > 0 {
			fmt.Fprintf(&out, "%.1f  %4d  %.2f\n", float64(b)/10, c.n[b], float64(c.right[b])/float64(c.n[b]))
		}
	}
	heldTo(t, "testdata/absent.txt", out.String())
}
