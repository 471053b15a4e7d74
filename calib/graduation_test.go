package calib

import (
	"math/rand/v2"
	"strings"
	"testing"
)

// drawn makes the lengths of n ticks of a scale from number first on; noise is
// their scatter, lost the share left out, cut the share that is cut short.
func drawn(s scale, first, n int, noise, lost, cut float64, rng *rand.Rand) lengths {
	d := lengths{floor: 0.04, within: 12}
	g := graduation{levels: s.levels}
	for k := first; k < first+n; k++ {
		if rng.Float64() < lost {
			continue
		}
		l := s.length[g.class(mod(k, s.levels[len(s.levels)-1]))] + noise*rng.NormFloat64()
		if rng.Float64() < cut {
			l *= rng.Float64()
		}
		d.k, d.l = append(d.k, k-first-17), append(d.l, l) // numbered from elsewhere
	}
	return d
}

// The markings of metric and inch rules: fives and tens, halves of halves
// (common practice).
func TestReadGraduation(t *testing.T) {
	tens := scale{step: 1, levels: []int{10}, length: []float64{3, 5}}
	fives := scale{step: 1, levels: []int{5}, length: []float64{3, 5}}
	alike := scale{step: 1, levels: []int{5}, length: []float64{3, 3}}
	threes := scale{step: 1, levels: []int{3, 12}, length: []float64{3, 4, 6}}
	halfAsInch := inchScale(16)
	halfAsInch.length[4] = halfAsInch.length[3] // half and whole inches alike
	tests := []struct {
		name     string
		scale    scale
		first, n int
		declared float64 // step in mm by the tag; 0: none
		want     string  // graduation, or part of the refusal
		step     float64
	}{
		{"mm", mmScale(), 3, 80, 0, "mm, longer at 5 and 10", 1},
		{"mm, short", mmScale(), 8, 23, 0, "mm, longer at 5 and 10", 1},
		{"mm with a tag that says so", mmScale(), 0, 80, 1.005, "mm, longer at 5 and 10", 1},
		{"mm with a tag of another picture", mmScale(), 0, 80, 2.1, "mm, longer at 5 and 10", 1},
		{"tenths of an inch by the tag", mmScale(), 0, 80, 2.54, "1/10 inch", 2.54},
		{"half mm", halfScale(), 7, 90, 0, "half mm, longer at 1, 5 and 10 mm", 0.5},
		{"sixteenths", inchScale(16), 5, 60, 0, "1/16 inch", 1.5875},
		{"sixteenths, one inch from end to end", inchScale(16), 0, 17, 0, "1/16 inch", 1.5875},
		{"thirty-seconds", inchScale(32), 5, 100, 0, "1/32 inch", 0.79375},
		{"sixty-fourths", inchScale(64), 5, 200, 0, "1/64 inch", 0.396875},
		{"thirty-seconds without a second inch mark", inchScale(32), 8, 40, 0, "too few of the longest", 0},
		{"thirty-seconds without a second inch mark, with tag", inchScale(32), 8, 40, 0.79, "1/32 inch", 0.79375},
		{"eighths", inchScale(8), 0, 40, 0, "too few of the longest", 0},
		{"eighths with tag", inchScale(8), 0, 40, 3.18, "1/8 inch", 3.175},
		{"half and whole inches alike", halfAsInch, 0, 60, 0, "too few of the longest", 0},
		{"half and whole inches alike, with tag", halfAsInch, 0, 60, 1.59, "too few of the longest", 0},
		{"sixteenths, but the tag says thirty-seconds", inchScale(16), 0, 60, 0.794, "half or twice", 0},
		{"only tens", tens, 0, 60, 0, "too few of the longest", 0},
		{"only tens, with tag", tens, 0, 60, 1, "mm, longer at 10", 1},
		{"only fives", fives, 0, 60, 0, "too few of the longest", 0},
		{"all alike", alike, 0, 60, 0, "follow no graduation", 0},
		{"every third", threes, 0, 60, 0, "", 0},
		{"too few", mmScale(), 0, 12, 0, "only 12", 0},
	}
	for _, tc := range tests {
		for _, wear := range []struct {
			name      string
			lost, cut float64
		}{{"clean", 0, 0}, {"worn", 0.05, 0.04}} {
			if wear.lost > 0 && tc.n < 30 {
				continue
			}
			t.Run(tc.name+"/"+wear.name, func(t *testing.T) {
				rng := rand.New(rand.NewPCG(uint64(tc.n), 9))
				d := drawn(tc.scale, tc.first, tc.n, 0.03, wear.lost, wear.cut, rng)
				p, why := d.read(tc.declared)
				switch {
				case tc.step == 0 && why == "":
					t.Errorf("read as %s", p.name)
				case tc.step == 0 && !strings.Contains(why, tc.want):
					t.Errorf("refused with %q, want %q", why, tc.want)
				case tc.step > 0 && (why != "" || p.name != tc.want || p.tickMM != tc.step):
					t.Errorf("read as %q (%v mm), refused with %q", p.name, p.tickMM, why)
				}
			})
		}
	}
}

// Whatever the lengths of marks that are no ruler's, no graduation is read.
func TestNoGraduationInChance(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range 300 {
		n := 20 + rng.IntN(150)
		d := lengths{floor: 0.04, within: 12}
		kinds := 1 + rng.IntN(4)
		for k := range n {
			l := 6 * rng.Float64()
			if i%2 == 0 { // of a few lengths, like letters
				l = 2 + 1.5*float64(rng.IntN(kinds)) + 0.05*rng.NormFloat64()
			}
			d.k, d.l = append(d.k, k), append(d.l, l)
		}
		if p, why := d.read(1); why == "" {
			t.Errorf("case %d, %d marks: read as %s", i, n, p.name)
		}
	}
}
