package phantom

import "math"

// splat is a soft-edged ellipse painted over what lies below: a pore, a ray,
// a resin duct, a speck of dust. Places and lengths are in px.
type splat struct {
	x, y, a, b float32 // centre and semi-axes
	cos, sin   float32 // direction of a
	colour     [3]float32
	alpha      float32
	soft       float32 // breadth of the edge in px
	id         int16   // painted on this piece of wood only; 0: on anything
}

// reach returns how far the splat extends in x and y.
func (s *splat) reach() (dx, dy float32) {
	a, b := s.a+s.soft, s.b+s.soft
	ac, as, bc, bs := a*s.cos, a*s.sin, b*s.cos, b*s.sin
	return float32(math.Sqrt(float64(ac*ac+bs*bs))) + 1, float32(math.Sqrt(float64(as*as+bc*bc))) + 1
}

// paint blends the splat into the rows the band holds.
func (s *splat) paint(bd *band) {
	dx, dy := s.reach()
	y0, y1 := max(int(s.y-dy), bd.y0), min(int(s.y+dy)+1, bd.y1-1)
	x0, x1 := max(int(s.x-dx), 0), min(int(s.x+dx)+1, bd.w-1)
	ia, ib := 1/max(s.a, 0.3), 1/max(s.b, 0.3)
	// A thin splat keeps its area: it is drawn at least 0.3 px half broad.
	alpha := s.alpha * min(1, s.a*ia) * min(1, s.b*ib)
	edge := min(s.a, s.b)
	edge = max(edge, 0.3) / max(s.soft, 0.5)
	for y := y0; y <= y1; y++ {
		row := bd.row(y)
		ids := bd.ids[(y-bd.y0)*bd.w : (y-bd.y0+1)*bd.w]
		fy := float32(y) - s.y
		for x := x0; x <= x1; x++ {
			if s.id != 0 && ids[x] != s.id {
				continue
			}
			fx := float32(x) - s.x
			p, q := (fx*s.cos+fy*s.sin)*ia, (fy*s.cos-fx*s.sin)*ib
			d := p*p + q*q
			if d > 6 {
				continue
			}
			// (1-d)/2 is about the distance inside the rim, in semi-axes.
			k := clampUnit((1-d)*0.5*edge+0.5) * alpha
			if k <= 0 {
				continue
			}
			px := row[3*x : 3*x+3]
			px[0] += (s.colour[0] - px[0]) * k
			px[1] += (s.colour[1] - px[1]) * k
			px[2] += (s.colour[2] - px[2]) * k
		}
	}
}

func (c RGB) f32() [3]float32 { return [3]float32{float32(c[0]), float32(c[1]), float32(c[2])} }
