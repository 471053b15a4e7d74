package evidence

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"pithward/vision/strip"
)

// FindGaps looks for openings across the whole breadth of a core: a path from
// rim to rim on which nearly every row shows the ground, by its tones beyond
// the core's ends, or a dark deeper than any wood's. It returns them as
// columns from low to high. Cracks that stop within the wood, marks and dots
// do not reach from rim to rim.
func FindGaps(raw *strip.Strip, ground []strip.Tone, pxPerMM float64) [][2]float64 {
	g := newGroundMap(raw, ground, pxPerMM)
	var out [][2]float64
	for range mostGaps {
		mid, score := g.best(0.6 * pxPerMM)
		if score < gapScoreWide {
			break
		}
		o := g.open(mid)
		wide := o.to-o.from > 0.3*pxPerMM && o.even > 0.85
		drawn := o.dark && o.wander < 0.02*pxPerMM && !wide // a pencil's line is straight, a crack is not
		if (score > gapScore || wide) && !drawn {
			out = append(out, [2]float64{o.from, o.to})
		}
	}
	if float64(len(out)) > math.Max(4, 5*float64(raw.Cols)/pxPerMM/100) {
		return nil // so many are no gaps: the ground looks like part of the wood
	}
	return joined(out, 0.1*pxPerMM)
}

// mostGaps bounds the openings looked at in one core.
const mostGaps = 24

// best returns the column of the middle row through which the best path goes,
// ends of the core apart, and its score.
func (g *groundMap) best(margin float64) (mid int, score float64) {
	score = math.Inf(-1)
	for u, s := range g.through() {
		if float64(u) > margin && float64(u) < float64(g.raw.Cols)-margin && s > score {
			mid, score = u, s
		}
	}
	return mid, score
}

// joined sorts openings and makes one of those closer than near.
func joined(gaps [][2]float64, near float64) [][2]float64 {
	slices.SortFunc(gaps, func(a, b [2]float64) int { return cmp.Compare(a[0], b[0]) })
	var out [][2]float64
	for _, g := range gaps {
		if n := len(out); n > 0 && g[0]-out[n-1][1] < near {
			out[n-1][1] = math.Max(out[n-1][1], g[1])
			continue
		}
		out = append(out, g)
	}
	return out
}

// The least mean log likelihood ratio, limited to -2..2, along the best path
// through a gap, and through one over 0.3 mm wide (chosen on rendered cores).
const (
	gapScore     = 1.3
	gapScoreWide = 0.9
)

// groundMap holds, for every cell of a strip, how much more it looks like
// ground than like wood.
type groundMap struct {
	raw  *strip.Strip
	llr  []float32
	jump int     // columns a gap may move from row to row
	deep float32 // darker than any wood of this core
}

// tones is a histogram of brightness and colour, smoothed.
type tones [44][86]float32

func (t *tones) cell(light, brown float32) (int, int) {
	return max(0, min(43, int(light/6))), max(0, min(85, int(brown/6+43)))
}

// add counts one tone, spread over the cells next to it.
func (t *tones) add(light, brown, weight float32) {
	i, j := t.cell(light, brown)
	for di := -1; di <= 1; di++ {
		for dj := -1; dj <= 1; dj++ {
			if i+di >= 0 && i+di < len(t) && j+dj >= 0 && j+dj < len(t[0]) {
				t[i+di][j+dj] += weight / float32(1+abs(float32(di))+abs(float32(dj)))
			}
		}
	}
}

func newGroundMap(raw *strip.Strip, ground []strip.Tone, pxPerMM float64) *groundMap {
	g := &groundMap{raw: raw, llr: make([]float32, len(raw.Light)), jump: int(math.Max(2, 0.12*pxPerMM))}
	var wood, under tones
	for _, t := range ground {
		under.add(t.Light, t.Brown, 1/float32(len(ground)))
	}
	var darkness [256]int
	var plain tones
	at := make([][2]uint8, len(raw.Light)) // each cell's tone
	for i, l := range raw.Light {
		var brown float32
		if raw.Brown != nil {
			brown = raw.Brown[i]
		}
		a, b := plain.cell(l, brown)
		at[i] = [2]uint8{uint8(a), uint8(b)}
		plain[a][b] += 1 / float32(len(raw.Light))
		darkness[max(0, min(255, int(l)))]++
	}
	for a := range plain {
		for b, n := range plain[a] {
			if n > 0 {
				wood.add(6*float32(a)+1, 6*float32(b-43)+1, n)
			}
		}
	}
	g.deep = darker(darkness[:], len(raw.Light)/500) - 12
	var ratio tones
	for a := range ratio {
		for b := range ratio[a] {
			ratio[a][b] = -2
			if len(ground) > 0 { // a colour that is also common in this wood proves nothing
				p := math.Log(float64(under[a][b]+1e-5)/float64(wood[a][b]+1e-4)) - 1.5
				ratio[a][b] = float32(math.Max(-2, math.Min(2, p)))
			}
		}
	}
	for i, l := range raw.Light {
		g.llr[i] = ratio[at[i][0]][at[i][1]]
		if l < g.deep {
			g.llr[i] = 2
		}
	}
	return g
}

// darker returns the brightness below which `count` cells lie.
func darker(histogram []int, count int) float32 {
	sum := 0
	for l, n := range histogram {
		if sum += n; sum >= count {
			return float32(l)
		}
	}
	return 0
}

// through returns for each column the mean score of the best path from rim to
// rim that crosses the middle row there.
func (g *groundMap) through() []float64 {
	rows, cols := g.raw.Rows, g.raw.Cols
	mid := rows / 2
	up := g.sweep(0, mid, 1)
	down := g.sweep(rows-1, mid, -1)
	out := make([]float64, cols)
	for u := range out {
		out[u] = float64(up[u]+down[u]-g.llr[mid*cols+u]) / float64(rows)
	}
	return out
}

// sweep returns the best sum of scores of paths from one rim to a row.
func (g *groundMap) sweep(from, to, step int) []float32 {
	cols := g.raw.Cols
	score := append([]float32(nil), g.llr[from*cols:(from+1)*cols]...)
	next := make([]float32, cols)
	for r := from + step; r != to+step; r += step {
		best := slidingMax(score, g.jump)
		for u := range next {
			next[u] = best[u] + g.llr[r*cols+u]
		}
		score, next = next, score
	}
	return score
}

// slidingMax returns the largest value within reach of each place.
func slidingMax(x []float32, reach int) []float32 {
	out := make([]float32, len(x))
	queue := make([]int, 0, len(x)) // indices, values falling
	head := 0
	for i := 0; i < len(x)+reach; i++ {
		if i < len(x) {
			for len(queue) > head && x[queue[len(queue)-1]] <= x[i] {
				queue = queue[:len(queue)-1]
			}
			queue = append(queue, i)
		}
		if at := i - reach; at >= 0 && at < len(x) {
			for queue[head] < at-reach {
				head++
			}
			out[at] = x[queue[head]]
		}
	}
	return out
}

// opening is what a gap looks like.
type opening struct {
	from, to float64 // columns, on average over the rows
	wander   float64 // deviation of its middle from a straight line, px
	even     float64 // share of the rows in which it shows the ground
	dark     bool    // it is known by depth of dark alone, not by the ground's tones
}

// open follows a gap from a column of the middle row to both rims: in each row
// the run of ground-like cells around the path. It takes the gap off the map.
func (g *groundMap) open(mid int) opening {
	cols := g.raw.Cols
	var rows, middle []float64
	var width, dark, n float64
	for _, step := range []int{1, -1} {
		u := mid
		for r := g.raw.Rows/2 + min(0, step); r >= 0 && r < g.raw.Rows; r += step {
			row := g.llr[r*cols : (r+1)*cols]
			u = highest(row, u, g.jump)
			if row[u] <= 0 {
				g.erase(r, u, u) // or the same path would be found again
				continue
			}
			a, b := u, u
			for a > 0 && row[a-1] > -0.3 {
				a--
			}
			for b+1 < cols && row[b+1] > -0.3 {
				b++
			}
			width += float64(b - a + 1)
			if g.raw.Light[r*cols+u] < g.deep {
				dark++
			}
			n++
			u = (a + b) / 2
			g.erase(r, a, b)
			rows, middle = append(rows, float64(r)), append(middle, float64(a+b)/2)
		}
	}
	if n < 3 {
		return opening{from: float64(mid), to: float64(mid)}
	}
	alpha, beta := stat.LinearRegression(rows, middle, nil, false)
	var square float64
	for i := range rows {
		d := middle[i] - alpha - beta*rows[i]
		square += d * d
	}
	at := alpha + beta*float64(g.raw.Rows)/2
	return opening{at - width/n/2, at + width/n/2, math.Sqrt(square / n), n / float64(g.raw.Rows), dark > 0.7*n}
}

func highest(row []float32, u, reach int) int {
	best := u
	for k := max(0, u-reach); k <= min(len(row)-1, u+reach); k++ {
		if row[k] > row[best] {
			best = k
		}
	}
	return best
}

// erase marks a run of a row, and a little around it, as wood.
func (g *groundMap) erase(r, from, to int) {
	row := g.llr[r*g.raw.Cols : (r+1)*g.raw.Cols]
	for u := max(0, from-g.jump); u <= min(len(row)-1, to+g.jump); u++ {
		row[u] = -2
	}
}
