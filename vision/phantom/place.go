package phantom

import (
	"math"
	"math/rand/v2"
)

// face is the ragged course of a broken end across the core.
type face struct {
	amp, freq, phase [3]float64
	reach            float64 // no part departs further
}

func newFace(r *rand.Rand, ampMM float64) face {
	var f face
	for i := range f.amp {
		f.amp[i] = ampMM * r.NormFloat64() / float64(i+1)
		f.freq[i] = between(r, 0.4, 1) * float64(1+2*i)
		f.phase[i] = between(r, 0, 2*math.Pi)
		f.reach += math.Abs(f.amp[i])
	}
	return f
}

func (f *face) at(v float64) float64 {
	var d float64
	for i := range f.amp {
		d += f.amp[i] * math.Sin(f.freq[i]*v+f.phase[i])
	}
	return d
}

// piece is a part of a core between breaks, laid rigidly.
type piece struct {
	id       int16   // of its pixels in a band, unique on the tray
	u0, u1   float64 // wood, on the axis
	lo, hi   face
	centre   float64 // of turning, in u
	move     float64 // along: laid a = u + move
	off      float64 // across
	cos, sin float64 // of the turn
}

// laid turns wood coordinates into laid ones, gaps included.
func (p *piece) laid(u, v float64) (a, b float64) {
	d := u - p.centre
	return p.centre + p.move + p.cos*d - p.sin*v, p.off + p.sin*d + p.cos*v
}

// wood is the inverse of laid.
func (p *piece) wood(a, b float64) (u, v float64) {
	da, db := a-p.centre-p.move, b-p.off
	return p.centre + p.cos*da + p.sin*db, p.cos*db - p.sin*da
}

const maxPieces = 16 // of one core

// lay is where a core's pieces are on the tray.
type lay struct {
	pieces   []piece
	length   float64 // laid, outer end to inner end of the wood
	cx, cy   float64
	cos, sin float64
	bow      float64
	half     float64 // of the bore
}

// newLay places the pieces of a core whose wood is length mm long.
func newLay(r *rand.Rand, c *Core, index int, length float64) *lay {
	l := &lay{cx: c.CentreMM[0], cy: c.CentreMM[1], bow: c.BowMM, half: c.BoreMM / 2}
	l.sin, l.cos = math.Sincos(c.AngleDeg * math.Pi / 180)
	endAmp := 0.35
	if c.BarkMM > 0 {
		endAmp = min(0.3, 0.15*c.BarkMM)
	}
	cur := piece{u0: -c.BarkMM, lo: newFace(r, endAmp), cos: 1}
	var move, off, turn float64
	finish := func(u1 float64, hi face) {
		cur.u1, cur.hi = u1, hi
		cur.centre = cur.u0
		cur.move, cur.off = move, off
		cur.sin, cur.cos = math.Sincos(turn * math.Pi / 180)
		cur.id = int16(index*maxPieces + len(l.pieces) + 1)
		l.pieces = append(l.pieces, cur)
	}
	for _, b := range c.Breaks {
		if b.AtMM <= cur.u0+0.5 || b.AtMM >= length-1 || len(l.pieces) == maxPieces-1 {
			continue
		}
		f := newFace(r, 0.2)
		finish(b.AtMM, f)
		next := b.AtMM
		if b.LostMM > 0 {
			next += b.LostMM
			f = newFace(r, 0.3)
		}
		move += b.OpeningMM + b.AtMM - next
		off += b.ShiftMM
		turn += b.TurnDeg
		cur = piece{u0: next, lo: f, cos: 1}
	}
	finish(length, newFace(r, 0.12))
	l.length = length + move
	return l
}

// onTray turns laid coordinates into mm on the tray.
func (l *lay) onTray(a, b float64) (x, y float64) {
	b += l.bowAt(a)
	a -= l.length / 2
	return l.cx + l.cos*a + l.sin*b, l.cy - l.sin*a + l.cos*b
}

// offTray is the inverse of onTray.
func (l *lay) offTray(x, y float64) (a, b float64) {
	x -= l.cx
	y -= l.cy
	a = l.cos*x - l.sin*y + l.length/2
	return a, l.sin*x + l.cos*y - l.bowAt(a)
}

func (l *lay) bowAt(a float64) float64 {
	t := a / l.length
	return l.bow * (4*t*(1-t) - 2.0/3)
}

// point turns wood coordinates on a piece into mm on the tray.
func (l *lay) point(p *piece, u, v float64) (x, y float64) { return l.onTray(p.laid(u, v)) }

// find returns the piece under a place on the tray, its wood coordinates and
// its depth below the core's edge in mm (negative outside; the nearest piece
// is given then).
func (l *lay) find(x, y float64) (p *piece, u, v, depth float64) {
	a, b := l.offTray(x, y)
	depth = math.Inf(-1)
	for i := range l.pieces {
		q := &l.pieces[i]
		qu, qv := q.wood(a, b)
		lo, hi := qu-q.u0, q.u1-qu
		// The faces matter near the ends only.
		if lo < q.lo.reach+3 {
			lo -= q.lo.at(qv)
		}
		if hi < q.hi.reach+3 {
			hi += q.hi.at(qv)
		}
		if d := min(l.half-math.Abs(qv), lo, hi); d > depth {
			p, u, v, depth = q, qu, qv, d
		}
	}
	return p, u, v, depth
}

// box returns the bounds on the tray in mm, widened by margin.
func (l *lay) box(margin float64) (x0, y0, x1, y1 float64) {
	x0, y0, x1, y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for i := range l.pieces {
		p := &l.pieces[i]
		for k := 0; k <= 16; k++ {
			u := lerp(p.u0-1, p.u1+1, float64(k)/16)
			for _, v := range []float64{-l.half, l.half} {
				x, y := l.point(p, u, v)
				x0, x1 = min(x0, x), max(x1, x)
				y0, y1 = min(y0, y), max(y1, y)
			}
		}
	}
	return x0 - margin, y0 - margin, x1 + margin, y1 + margin
}
