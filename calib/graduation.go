package calib

import (
	"fmt"
	"math"
	"slices"

	"pithward/vision/raster"
)

// graduation is a way rulers are divided: tick number k, counted from a mark
// of the highest level, is the longer the more of the levels divide it.
type graduation struct {
	name   string
	unit   string
	tickMM float64
	levels []int // rising, each dividing the next
	// clear tells that the pattern alone decides the step. Where it is not,
	// the declared resolution must agree.
	clear bool
}

// graduations lists what is told apart. Inch rulers halve, metric ones go by
// fives and tens. Without the mark of the whole inch the step of an inch
// ruler is open by a factor of two, so the levels must reach up to it; in
// eighths alone they are too few to be sure that they do.
var graduations = []graduation{
	{"mm, longer at 5 and 10", "mm", 1, []int{5, 10}, true},
	{"half mm, longer at 1, 5 and 10 mm", "mm", 0.5, []int{2, 10, 20}, true},
	{"mm, longer at 10", "mm", 1, []int{10}, false},
	{"mm, longer at 5", "mm", 1, []int{5}, false},
	{"half mm, longer at 1 and 5 mm", "mm", 0.5, []int{2, 10}, false},
	{"1/8 inch", "inch", MMPerInch / 8, []int{2, 4, 8}, false},
	{"1/16 inch", "inch", MMPerInch / 16, []int{2, 4, 8, 16}, true},
	{"1/32 inch", "inch", MMPerInch / 32, []int{2, 4, 8, 16, 32}, true},
	{"1/64 inch", "inch", MMPerInch / 64, []int{2, 4, 8, 16, 32, 64}, true},
	// The same patterns as in mm: only the declared resolution can tell.
	{"1/10 inch", "inch", MMPerInch / 10, []int{5, 10}, false},
	{"1/20 inch", "inch", MMPerInch / 20, []int{2, 10, 20}, false},
}

// class returns how many of the levels divide k.
func (g graduation) class(k int) int {
	for i := len(g.levels) - 1; i >= 0; i-- {
		if k%g.levels[i] == 0 {
			return i + 1
		}
	}
	return 0
}

func (g graduation) top() int { return g.levels[len(g.levels)-1] }

// pattern is how well a graduation explains the lengths of ticks.
type pattern struct {
	graduation
	phase   int       // the number, modulo the top level, of a top mark
	length  []float64 // median by class
	bic     float64   // Schwarz 1978: -2 log likelihood + parameters x log n; lower is better
	misfit  float64   // share of ticks nearer to another class's length
	problem string    // why it cannot be relied on; empty: it can
}

const (
	outlierShare = 0.08 // of ticks whose length says nothing: covered, worn, touching a digit
	maxMisfit    = 0.2
	minTicks     = 17  // an inch in sixteenths, end to end; 1.7 cm
	sameLength   = 5.  // standard deviations within which lengths count as alike
	clearBIC     = 15. // far beyond "very strong" evidence (10; Kass & Raftery 1995)
)

// lengths is the data of a pattern: ticks' numbers and lengths, the least
// spread a length can have, and the range an outlier may lie in.
type lengths struct {
	k      []int
	l      []float64
	floor  float64
	within float64
}

// fit fits a graduation with the given phase.
func (d lengths) fit(g graduation, phase int) pattern {
	p := pattern{graduation: g, phase: phase, length: make([]float64, len(g.levels)+1)}
	byClass := make([][]float64, len(g.levels)+1)
	class := make([]int, len(d.k))
	for i, k := range d.k {
		c := g.class(mod(k-phase, g.top()))
		class[i] = c
		byClass[c] = append(byClass[c], d.l[i])
	}
	for c, v := range byClass {
		if len(v) == 0 {
			p.bic = math.Inf(1)
			return p
		}
		// The upper of two middle ones: dirt and wear cut ticks short.
		slices.Sort(v)
		p.length[c] = v[len(v)/2]
		if c > 0 && p.length[c] <= p.length[c-1] {
			p.bic = math.Inf(1) // a higher mark is longer, always
			return p
		}
	}
	res := make([]float64, len(d.l))
	for i, l := range d.l {
		res[i] = math.Abs(l - p.length[class[i]])
	}
	sd := max(d.floor, 1.4826*medianOf(res))
	p.bic = float64(len(p.length)+1)*math.Log(float64(len(d.k))) + 2*math.Log(float64(g.top()))
	var wrong int
	for i, r := range res {
		p.bic -= 2 * logDensity(r, sd, d.within)
		if nearest(d.l[i], p.length) != class[i] {
			wrong++
		}
	}
	p.misfit = float64(wrong) / float64(len(d.k))
	p.problem = p.doubt(byClass, sd)
	p.clear = p.clear && d.topSure(p, sd)
	return p
}

// fitBest fits a graduation with the phase that suits it best.
func (d lengths) fitBest(g graduation) pattern {
	best := pattern{bic: math.Inf(1)}
	for phase := range g.top() {
		if p := d.fit(g, phase); p.bic < best.bic {
			best = p
		}
	}
	return best
}

// topSure tells that the longest marks are the highest level there is, and not
// of two that look alike for want of a neighbour: at least two are seen, and on
// an inch ruler, where the next level up would be every second one, two an odd
// number of times apart and none longer still.
func (d lengths) topSure(p pattern, sd float64) bool {
	n, odd := 0, [2]bool{}
	for i, k := range d.k {
		at := mod(k-p.phase, 2*p.top())
		if at%p.top() != 0 {
			continue
		}
		over := d.l[i] - p.length[len(p.levels)]
		switch {
		case math.Abs(over) <= sameLength*sd:
			n++
			odd[at/p.top()] = true
		case over > 0 && p.unit == "inch":
			return false
		}
	}
	return n >= 2 && (p.unit != "inch" || odd[0] && odd[1])
}

// logDensity of a residual: normal, with a share of outliers anywhere.
func logDensity(r, sd, within float64) float64 {
	normal := math.Exp(-0.5*(r/sd)*(r/sd)) / (sd * math.Sqrt(2*math.Pi))
	return math.Log((1-outlierShare)*normal + outlierShare/within)
}

func nearest(l float64, of []float64) int {
	best := 0
	for c, m := range of {
		if math.Abs(l-m) < math.Abs(l-of[best]) {
			best = c
		}
	}
	return best
}

// doubt says why a pattern cannot be relied on, or "". The lengths of byClass
// are in order.
func (p pattern) doubt(byClass [][]float64, sd float64) string {
	for c := 1; c < len(p.length); c++ {
		if p.length[c]-p.length[c-1] < max(2.5*sd, 0.06*p.length[len(p.length)-1]) {
			return "the longer ones do not grow step by step"
		}
	}
	for c, all := range byClass {
		same := 0
		for _, l := range all {
			if math.Abs(l-p.length[c]) <= sameLength*sd {
				same++
			}
		}
		if 2*same < len(all) {
			return "some that should be alike differ in length"
		}
	}
	if p.misfit > maxMisfit {
		return fmt.Sprintf("%.0f %% of them have the wrong length", 100*p.misfit)
	}
	return ""
}

// flat is the pattern without levels: all ticks alike.
func (d lengths) flat() (bic float64) {
	m := medianOf(d.l)
	res := make([]float64, len(d.l))
	for i, l := range d.l {
		res[i] = math.Abs(l - m)
	}
	sd := max(d.floor, 1.4826*medianOf(res))
	bic = 2 * math.Log(float64(len(d.l)))
	for _, r := range res {
		bic -= 2 * logDensity(r, sd, d.within)
	}
	return bic
}

// read decides the graduation from tick lengths. stepAsDeclared is the step in
// mm by the resolution tag, 0 where there is none worth believing.
func (d lengths) read(stepAsDeclared float64) (pattern, string) {
	if len(d.k) < minTicks {
		return pattern{}, fmt.Sprintf("only %d of them are clear", len(d.k))
	}
	flat := d.flat()
	all := make([]pattern, len(graduations))
	raster.InParallel(len(all), func(i int) { all[i] = d.fitBest(graduations[i]) })
	best := pattern{bic: math.Inf(1)}
	for _, p := range all {
		if p.bic < best.bic {
			best = p
		}
	}
	switch {
	case best.bic > flat-clearBIC:
		return pattern{}, "their lengths follow no graduation"
	case best.problem != "":
		return pattern{}, best.problem
	}
	// Rivals as good as the best that would mean another step.
	var agree []pattern
	for _, p := range all {
		if p.problem == "" && p.bic < best.bic+clearBIC {
			agree = append(agree, p)
		}
	}
	return choose(agree, stepAsDeclared)
}

// choose settles between graduations that explain the lengths alike: by the
// declared resolution where it fits one of them within 2 %, else only if the
// pattern alone is clear and has no clear rival.
func choose(all []pattern, declared float64) (pattern, string) {
	var byTag, clear []pattern
	for _, p := range all {
		if near(declared/p.tickMM, 1) {
			byTag = append(byTag, p)
		}
		if p.clear {
			clear = append(clear, p)
		}
	}
	for _, set := range [][]pattern{byTag, clear} {
		if len(set) == 0 {
			continue
		}
		best := set[0]
		for _, p := range set[1:] {
			if p.tickMM != best.tickMM {
				return pattern{}, "their pattern fits " + best.name + " and " + p.name + " alike"
			}
			if p.bic < best.bic {
				best = p
			}
		}
		if ratio := declared / best.tickMM; best.unit == "inch" && (near(ratio, 2) || near(ratio, 0.5)) {
			return pattern{}, "they look like " + best.name + ", but the resolution tag says half or twice that"
		}
		return best, ""
	}
	return pattern{}, "too few of the longest are seen to tell what they stand for"
}

// near tells that a ratio is the wanted one within 2 %: more than a scanner's
// axis or a ruler errs by, less than lies between two graduations.
func near(ratio, want float64) bool { return math.Abs(ratio/want-1) < 0.02 }

func mod(a, n int) int { return ((a % n) + n) % n }
