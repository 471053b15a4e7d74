package vision

import (
	"math"

	"pithward/measure"
	"pithward/vision/raster"
)

// bar is an object on the overview: a core or a piece of one, several that
// touch, or a mount. Lengths are overview px.
type bar struct {
	centre       measure.Point
	dir          measure.Point // unit vector along it, to the right or (standing) down
	first, last  float64       // its extent along dir, from centre
	upper, lower float64       // its extent across
	breadth      float64       // the median across it
	area         int
}

func (b bar) length() float64 { return b.last - b.first + 1 }

// along returns a place's coordinates in the bar's frame: along it from the
// centre, and across (to the right of dir as displayed).
func (b bar) along(p measure.Point) (u, v float64) {
	x, y := p[0]-b.centre[0], p[1]-b.centre[1]
	return x*b.dir[0] + y*b.dir[1], -x*b.dir[1] + y*b.dir[0]
}

// place is the inverse of along.
func (b bar) place(u, v float64) measure.Point {
	return measure.Point{b.centre[0] + u*b.dir[0] - v*b.dir[1], b.centre[1] + u*b.dir[1] + v*b.dir[0]}
}

// barOf measures the pixels of one blob along its principal axis, from second
// moments.
func barOf(labels []int32, w int, b blob) bar {
	out := bar{area: b.area}
	out.centre, out.dir = principal(labels, w, b)
	out.extend(labels, w, b)
	return out
}

// each calls do for every pixel of a blob.
func (b blob) each(labels []int32, w int, do func(x, y int)) {
	for y := b.box.Min.Y; y < b.box.Max.Y; y++ {
		for x := b.box.Min.X; x < b.box.Max.X; x++ {
			if labels[y*w+x] == b.label {
				do(x, y)
			}
		}
	}
}

func principal(labels []int32, w int, b blob) (centre, dir measure.Point) {
	var n, sx, sy, sxx, sxy, syy float64
	b.each(labels, w, func(x, y int) {
		fx, fy := float64(x-b.box.Min.X), float64(y-b.box.Min.Y)
		n++
		sx, sy = sx+fx, sy+fy
		sxx, sxy, syy = sxx+fx*fx, sxy+fx*fy, syy+fy*fy
	})
	mx, my := sx/n, sy/n
	cxx, cxy, cyy := sxx/n-mx*mx, sxy/n-mx*my, syy/n-my*my
	theta := 0.5 * math.Atan2(2*cxy, cxx-cyy)
	dir = measure.Point{math.Cos(theta), math.Sin(theta)}
	if math.Abs(dir[0]) >= math.Abs(dir[1]) && dir[0] < 0 || math.Abs(dir[0]) < math.Abs(dir[1]) && dir[1] < 0 {
		dir = measure.Point{-dir[0], -dir[1]}
	}
	return measure.Point{mx + float64(b.box.Min.X), my + float64(b.box.Min.Y)}, dir
}

// extend sets the extents and the breadth along b's direction.
func (b *bar) extend(labels []int32, w int, of blob) {
	reach := int(math.Hypot(float64(of.box.Dx()), float64(of.box.Dy()))) + 2
	count := make([]int, 2*reach)
	b.first, b.last, b.upper, b.lower = math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	of.each(labels, w, func(x, y int) {
		u, v := b.along(measure.Point{float64(x), float64(y)})
		b.first, b.last = math.Min(b.first, u), math.Max(b.last, u)
		b.upper, b.lower = math.Min(b.upper, v), math.Max(b.lower, v)
		count[int(math.Round(u))+reach]++
	})
	var all []float64
	for _, n := range count {
		if n > 0 {
			all = append(all, float64(n))
		}
	}
	b.breadth = median(all)
}

// mask tells which pixels outside avoid stand out.
func (g *ground) mask(t tint, avoid mask) mask {
	out := newMask(t.w, t.h)
	coloured := t.ch[1] != nil
	raster.InParallel(t.h, func(y int) {
		ground := g.row(y)
		for x := range t.w {
			i := y*t.w + x
			if avoid.on[i] != 0 {
				continue
			}
			c := [3]float32{t.ch[0][i]}
			if coloured {
				c[1], c[2] = t.ch[1][i], t.ch[2][i]
			}
			if g.stands(c, ground(x), coloured) {
				out.on[i] = 255
			}
		}
	})
	return out
}

// objects tells which pixels are part of an object: those that stand out and
// those where the lightness varies as it does not on the ground, since gray
// wood may be as light as the ground. spread is roughSpread's. Thin marks and specks
// are left out, holes closed.
func (g *ground) objects(t tint, spread []float32, avoid mask) (mask, error) {
	out := g.mask(t, avoid)
	rough := g.rough(t, spread, avoid)
	rough, err := rough.morph(erode, roughSide, roughSide)
	if err != nil {
		return mask{}, err
	}
	for i, v := range rough.on {
		out.on[i] |= v
	}
	if out, err = out.closed(3, 3); err != nil {
		return mask{}, err
	}
	stroke := strokeOf(t)
	broad, err := out.opened(stroke, stroke)
	if err != nil {
		return mask{}, err
	}
	if err := out.fillHoles(broad, avoid); err != nil {
		return mask{}, err
	}
	return out.opened(stroke, stroke)
}

// strokeOf is how broad, in overview px, handwriting may be (chosen: a core of
// 3 mm is broader on a picture of half a metre).
func strokeOf(t tint) int { return max(3, max(t.w, t.h)/300) }

// roughSide is the side of the window in which the lightness's spread is taken.
const roughSide = 5

// roughSpread is the spread of the lightness, less even slopes, round each pixel.
func roughSpread(t tint) []float32 {
	return localSpread(lessMean(t.ch[0], t.w, t.h), t.w, t.h, roughSide)
}

// rough tells where the lightness spreads, within a window, far more than on
// the ground.
func (g *ground) rough(t tint, spread []float32, avoid mask) mask {
	var usual []float64
	step := max(1, int(math.Sqrt(float64(t.w*t.h)/40000)))
	for y := step / 2; y < t.h; y += step {
		for x := step / 2; x < t.w; x += step {
			if i := y*t.w + x; avoid.on[i] == 0 && g.distance(t, x, y) < 3 {
				usual = append(usual, float64(spread[i]))
			}
		}
	}
	limit := float32(math.Max(2, 5*median(usual)))
	out := newMask(t.w, t.h)
	for i, s := range spread {
		if s > limit && avoid.on[i] == 0 {
			out.on[i] = 255
		}
	}
	return out
}

// lessMean takes from each pixel the mean of itself and its eight neighbours,
// so that even slopes, such as shadows, vanish.
func lessMean(v []float32, w, h int) []float32 {
	out := make([]float32, len(v))
	for y := 1; y < h-1; y++ {
		a, b, c := v[(y-1)*w:y*w], v[y*w:(y+1)*w], v[(y+1)*w:(y+2)*w]
		row := out[y*w : (y+1)*w]
		left, mid := a[0]+b[0]+c[0], a[1]+b[1]+c[1]
		for x := 1; x < w-1; x++ {
			right := a[x+1] + b[x+1] + c[x+1]
			row[x] = b[x] - (left+mid+right)/9
			left, mid = mid, right
		}
	}
	return out
}

// localSpread is the standard deviation of v in a square window round each
// pixel, 0 near the rim.
func localSpread(v []float32, w, h, side int) []float32 {
	out := make([]float32, len(v))
	sum, square := make([]float32, w), make([]float32, w)
	r := side / 2
	n := float32(side * side)
	for y := range h {
		for x := range w {
			a := v[y*w+x]
			sum[x] += a
			square[x] += a * a
			if y >= side {
				b := v[(y-side)*w+x]
				sum[x] -= b
				square[x] -= b * b
			}
		}
		if y < side-1 {
			continue
		}
		var s, q float32
		row := out[(y-r)*w : (y-r+1)*w]
		for x := range w {
			s, q = s+sum[x], q+square[x]
			if x >= side {
				s, q = s-sum[x-side], q-square[x-side]
			}
			if x >= side-1 {
				m := s / n
				row[x-r] = float32(math.Sqrt(max(0, float64(q/n-m*m))))
			}
		}
	}
	return out
}

// ruledShare is the part of the picture from which on what strokes enclose is
// ground with lines drawn on it, such as a cutting mat, and no objects whose rims
// alone stand out (chosen: trays are mostly ground).
const ruledShare = 0.25

// fillHoles fills what the mask encloses, unless it is large: a tray's frame
// encloses everything. broad is the mask without strokes. Avoided pixels are no
// hole.
func (k mask) fillHoles(broad, avoid mask) error {
	rest := newMask(k.w, k.h)
	for i, v := range k.on {
		if v == 0 && avoid.on[i] == 0 {
			rest.on[i] = 255
		}
	}
	labels, holes, err := rest.blobs(1)
	if err != nil {
		return err
	}
	var within, ruled []blob
	area := 0
	for _, b := range holes {
		switch {
		case b.box.Min.X == 0 || b.box.Min.Y == 0 || b.box.Max.X == k.w || b.box.Max.Y == k.h || b.area >= k.w*k.h/50:
		case b.within(labels, broad):
			within = append(within, b)
		default:
			ruled = append(ruled, b)
			area += b.area
		}
	}
	if float64(area) < ruledShare*float64(k.w*k.h) {
		within = append(within, ruled...)
	}
	for _, b := range within {
		b.each(labels, k.w, func(x, y int) { k.on[y*k.w+x] = 255 })
	}
	return nil
}

// within tells whether most of the pixels next to a blob belong to the mask.
func (b blob) within(labels []int32, k mask) bool {
	n, all := 0, 0
	b.each(labels, k.w, func(x, y int) {
		for _, i := range [4]int{y*k.w + x - 1, y*k.w + x + 1, (y-1)*k.w + x, (y+1)*k.w + x} {
			if labels[i] != b.label {
				all++
				if k.on[i] != 0 {
					n++
				}
			}
		}
	})
	return 2*n > all
}

// findBars returns the objects of a mask, of some size at least.
func findBars(objects mask, stroke int) ([]bar, error) {
	labels, found, err := objects.blobs(4 * stroke * stroke)
	if err != nil {
		return nil, err
	}
	bars := make([]bar, 0, len(found))
	for _, b := range found {
		bars = append(bars, barOf(labels, objects.w, b))
	}
	straighten(bars, labels, objects.w, found)
	return bars, nil
}

// straighten gives stubs, which have no clear direction of their own, that of
// the nearest long bar, or of the picture's axis along which most bars lie.
func straighten(bars []bar, labels []int32, w int, of []blob) {
	lying := 0.0
	var long []bar
	for _, b := range bars {
		if b.length() > 2*b.breadth {
			long = append(long, b)
			lying += b.length() * (math.Abs(b.dir[0]) - math.Abs(b.dir[1]))
		}
	}
	main := measure.Point{1, 0}
	if lying < 0 {
		main = measure.Point{0, 1}
	}
	for i := range bars {
		b := &bars[i]
		if b.length() > 2*b.breadth {
			continue
		}
		b.dir = main
		near := math.Inf(1)
		for _, c := range long {
			u, v := c.along(b.centre)
			d := math.Hypot(math.Max(0, math.Max(c.first-u, u-c.last)), v)
			if d < near && c.dir[0]*main[0]+c.dir[1]*main[1] > 0.9 {
				near, b.dir = d, c.dir
			}
		}
		b.extend(labels, w, of[i])
	}
}
