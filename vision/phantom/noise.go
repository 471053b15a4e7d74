package phantom

import (
	"math"
	"math/rand/v2"
)

// newRand returns the random stream numbered id of a seed.
func newRand(seed uint64, id ...uint64) *rand.Rand {
	h := seed
	for _, v := range id {
		h = mix(h ^ mix(v+0x9e3779b97f4a7c15))
	}
	return rand.New(rand.NewPCG(seed, h))
}

// mix scrambles a word (the finaliser of splitmix64, Steele et al. 2014).
func mix(z uint64) uint64 {
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// hashNormal returns three nearly normal numbers of unit variance that depend
// on the key alone: sums of four uniform numbers of 5 bits each, so that one
// word serves three channels.
func hashNormal(key uint64) (a, b, c float32) {
	h := mix(key)
	const mean, inv = 62, 1 / 18.466 // 4 uniform on 0..31: sd sqrt(4*(32²-1)/12)
	part := func(s uint) float32 {
		w := h >> s
		return (float32(w&31+w>>5&31+w>>10&31+w>>15&31) - mean) * inv
	}
	return part(0), part(20), part(40)
}

const tileBits = 9
const tileSize = 1 << tileBits // of a noise tile, in cells

// tile is a square of correlated noise of unit variance that repeats.
type tile []float32

// newTile makes a tile correlated over about cu cells along the first axis
// and cv along the second.
func newTile(r *rand.Rand, cu, cv int) tile {
	t := make(tile, tileSize*tileSize)
	for i := range t {
		t[i] = float32(r.NormFloat64())
	}
	for range 2 {
		t = boxAlong(t, cu, 1, tileSize)
		t = boxAlong(t, cv, tileSize, 1)
	}
	return t.normalised()
}

// boxAlong averages n cells along the axis with the given step; lines lie
// across steps apart. It wraps round.
func boxAlong(t tile, n, step, across int) tile {
	if n < 2 {
		return t
	}
	out := make(tile, len(t))
	for l := range tileSize {
		base := l * across
		var sum float32
		for i := range n {
			sum += t[base+i*step]
		}
		for i := range tileSize {
			out[base+i*step] = sum
			sum += t[base+((i+n)&(tileSize-1))*step] - t[base+i*step]
		}
	}
	return out
}

func (t tile) normalised() tile {
	var s, q float64
	for _, v := range t {
		s += float64(v)
		q += float64(v) * float64(v)
	}
	n := float64(len(t))
	m := s / n
	k := 1 / math.Sqrt(q/n-m*m)
	for i, v := range t {
		t[i] = float32((float64(v) - m) * k)
	}
	return t
}

// at returns the noise at cell position (u, v), interpolated linearly.
func (t tile) at(u, v float32) float32 {
	// The offset keeps the truncation a floor for any position in use.
	u += 1 << 16
	v += 1 << 16
	iu, iv := int(u), int(v)
	fu, fv := u-float32(iu), v-float32(iv)
	u0, v0 := iu&(tileSize-1), (iv&(tileSize-1))<<tileBits
	u1, v1 := (iu+1)&(tileSize-1), ((iv+1)&(tileSize-1))<<tileBits
	top := t[v0|u0] + (t[v0|u1]-t[v0|u0])*fu
	bottom := t[v1|u0] + (t[v1|u1]-t[v1|u0])*fu
	return top + (bottom-top)*fv
}

// tiles are the noises a tray is textured with.
type tiles struct {
	grain  tile // hardly correlated
	streak tile // long along u
	fibre  tile // very long along u
	blotch tile // soft patches
}

func newTiles(seed uint64) *tiles {
	r := newRand(seed, 1)
	return &tiles{
		grain:  newTile(r, 2, 2),
		streak: newTile(r, 12, 2),
		fibre:  newTile(r, 48, 2),
		blotch: newTile(r, 24, 24),
	}
}

func clamp01(x float64) float64 {
	if x < 0 {
		return 0
	}
	if x > 1 {
		return 1
	}
	return x
}

func clampUnit(x float32) float32 {
	if x < 0 {
		return 0
	}
	if x > 1 {
		return 1
	}
	return x
}

// smooth goes from 0 at lo to 1 at hi with level ends; hi may be the smaller.
func smooth(lo, hi, x float64) float64 {
	t := clamp01((x - lo) / (hi - lo))
	return t * t * (3 - 2*t)
}

func lerp(a, b, t float64) float64 { return a + (b-a)*t }

func (c RGB) mix(d RGB, t float64) RGB {
	return RGB{lerp(c[0], d[0], t), lerp(c[1], d[1], t), lerp(c[2], d[2], t)}
}

func (c RGB) times(k float64) RGB { return RGB{c[0] * k, c[1] * k, c[2] * k} }

func (c RGB) luma() float64 { return 0.299*c[0] + 0.587*c[1] + 0.114*c[2] }

// between draws evenly from lo to hi.
func between(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

// logBetween draws from lo to hi, evenly in the logarithm.
func logBetween(r *rand.Rand, lo, hi float64) float64 {
	return math.Exp(between(r, math.Log(lo), math.Log(hi)))
}

func chance(r *rand.Rand, p float64) bool { return r.Float64() < p }

// poisson draws a count with the given mean (Knuth's product method, which is
// fine for the small means in use).
func poisson(r *rand.Rand, mean float64) int {
	if mean > 50 {
		return int(max(0, math.Round(mean+math.Sqrt(mean)*r.NormFloat64())))
	}
	limit, p, n := math.Exp(-mean), 1.0, 0
	for {
		p *= r.Float64()
		if p <= limit {
			return n
		}
		n++
	}
}
