package vision

import "math"

// texture holds how strongly the lightness changes along and across a band, and,
// once asked for, its averages for every hop columns over a window of columns and a
// few rows. Rings across the band make it change along; the grain of a mount, that
// runs with the band, makes it change across.
type texture struct {
	along, across []float32 // at each cell of the band
	w, nk, rows   int
	hop, window   int
	u0, u1        int
	gu, gv        []float32 // averages of along and across, nk a row
}

// textureSide is how many rows or columns are averaged along a line before the
// difference across it is taken.
const textureSide = 5

// newTexture looks at the columns from u0 up to u1, where the object lies: its
// ends are steps along the band, but no rings.
func newTexture(b *band, hop, window, u0, u1 int) texture {
	t := texture{w: b.w, nk: (b.w + hop - 1) / hop, rows: b.h, hop: hop, window: window, u0: u0, u1: u1}
	t.along, t.across = changes(b)
	return t
}

// average takes the means that cross compares, once.
func (t *texture) average() {
	if t.gu == nil {
		t.gu, t.gv = t.averaged(t.along), t.averaged(t.across)
	}
}

// changes returns the square change of lightness at each cell: along the band
// of the mean of some rows, and across it of the mean of some columns.
func changes(b *band) (along, across []float32) {
	n := b.w * b.h
	along, across = make([]float32, n), make([]float32, n)
	rows := columnMeans(b, textureSide)
	const r = textureSide / 2
	for v := r; v < b.h-r; v++ {
		p := rows[v*b.w : (v+1)*b.w]
		out := along[v*b.w : (v+1)*b.w]
		for u := 1; u < b.w-1; u++ {
			d := p[u+1] - p[u-1]
			out[u] = d * d
		}
	}
	light := b.ch[0]
	for v := r; v < b.h-r; v++ {
		up, down := light[(v-1)*b.w:v*b.w], light[(v+1)*b.w:(v+2)*b.w]
		out := across[v*b.w : (v+1)*b.w]
		var sum float32
		for u := range b.w {
			sum += down[u] - up[u]
			if u >= textureSide {
				sum -= down[u-textureSide] - up[u-textureSide]
			}
			if u >= textureSide-1 {
				out[u-r] = sum * sum / (textureSide * textureSide)
			}
		}
	}
	return along, across
}

// columnMeans averages side rows round each cell.
func columnMeans(b *band, side int) []float32 {
	light := b.ch[0]
	out := make([]float32, len(light))
	sum := make([]float32, b.w)
	for v := range b.h {
		for u := range b.w {
			sum[u] += light[v*b.w+u]
			if v >= side {
				sum[u] -= light[(v-side)*b.w+u]
			}
		}
		if v >= side-1 {
			row := out[(v-side/2)*b.w : (v-side/2+1)*b.w]
			for u := range row {
				row[u] = sum[u] / float32(side)
			}
		}
	}
	return out
}

// averaged takes means of e over the window, every hop columns.
func (t *texture) averaged(e []float32) []float32 {
	out := make([]float32, t.nk*t.rows)
	sum := make([]float64, t.w+1)
	for v := range t.rows {
		boxAt(out[v*t.nk:(v+1)*t.nk], e[v*t.w:(v+1)*t.w], sum, t.hop, t.window, t.u0, t.u1)
	}
	return out
}

// cross is 1 where all change is along the band, -1 where all is across it,
// over the rows v-reach to v+reach.
func (t *texture) cross(k, v, reach int) float64 {
	var a, b, n float32
	for d := max(0, v-reach); d <= min(t.rows-1, v+reach); d++ {
		a, b, n = a+t.gu[d*t.nk+k], b+t.gv[d*t.nk+k], n+1
	}
	return crossOf(a/n, b/n)
}

// featureless is the change, in square grey levels, below which a surface has
// no texture and is no wood (chosen: half the noise of a scan reduced so far).
const featureless = 0.3

func crossOf(along, across float32) float64 {
	return float64((along - across - featureless) / (along + across + featureless))
}

// plainness is the median change of lightness from cell to cell over the mean,
// between rows and columns: printed paper is plain but for its letters, wood
// is rough all over. It is that of the whole stretch or, if more, of its usual
// window as long as the rows are many, the stronger texture counting more: a
// strip of tape across a core says little, and neither does the blank part of a
// label. It is 1 where nothing changes.
func (t *texture) plainness(b *band, row func(u int) (v0, v1 int), u0, u1 int) float64 {
	u0, u1 = max(0, u0), min(b.w, u1)
	if u1 <= u0 {
		return 1
	}
	v0, v1 := row((u0 + u1) / 2)
	n := max(1, (u1-u0)/max(1, v1-v0))
	each, strength := make([]float64, n), make([]float64, n)
	for i := range each {
		each[i], strength[i] = t.plainIn(b, row, u0+(u1-u0)*i/n, u0+(u1-u0)*(i+1)/n)
	}
	whole, _ := t.plainIn(b, row, u0, u1)
	return math.Max(whole, weightedMedian(each, strength))
}

// plainIn is the plainness of one window of columns, and the root mean square
// change in it, grey levels.
func (t *texture) plainIn(b *band, row func(u int) (v0, v1 int), u0, u1 int) (plain, strength float64) {
	var all []float64
	sum := 0.0
	for u := u0; u < u1; u += 2 {
		v0, v1 := row(u)
		for v := max(0, v0); v < min(b.h, v1); v += 2 {
			e := float64(t.along[v*b.w+u] + t.across[v*b.w+u])
			all = append(all, e)
			sum += e
		}
	}
	if sum == 0 {
		return 1, 0
	}
	mean := sum / float64(len(all))
	return median(all) / mean, math.Sqrt(mean)
}
