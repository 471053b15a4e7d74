package overlay

import (
	"image"
	"math"
	"slices"

	"pithward/measure"
	"pithward/vision/overlay/look"
	"pithward/vision/raster"
)

// cell is the side in px of the squares in which room is kept.
const cell = 4

// room knows what a picture's places are like: which hold wood, how dark and
// how busy they are, and what has been put there. Sums over any rectangle come
// from tables of running sums, so that thousands of places can be tried.
type room struct {
	w, h  int // cells
	wood  []int32
	light []float64 // brightness 0..255
	power []float64 // its square
	taken []image.Rectangle
}

// newRoom looks at a picture that holds cores with the given wood: each a list
// of closed outlines and of lines, in px of the picture.
func newRoom(img *image.NRGBA, wood []woodArea) *room {
	r := &room{w: (img.Rect.Dx() + cell - 1) / cell, h: (img.Rect.Dy() + cell - 1) / cell}
	n := (r.w + 1) * (r.h + 1)
	r.light, r.power = make([]float64, n), make([]float64, n)
	seen := make([]float64, r.w*r.h)
	raster.InParallel(r.h, func(y int) {
		for x := range r.w {
			seen[y*r.w+x] = cellLight(img, x*cell, y*cell)
		}
	})
	for y := range r.h {
		var light, power float64
		for x, v := range seen[y*r.w : (y+1)*r.w] {
			light, power = light+v, power+v*v
			i := (y+1)*(r.w+1) + x + 1
			r.light[i], r.power[i] = r.light[i-r.w-1]+light, r.power[i-r.w-1]+power
		}
	}
	r.setWood(wood)
	return r
}

// cellLight is the brightness of a cell, from some of its pixels.
func cellLight(img *image.NRGBA, x0, y0 int) float64 {
	var sum, n int
	for y := y0; y < min(y0+cell, img.Rect.Dy()); y += 2 {
		for x := x0; x < min(x0+cell, img.Rect.Dx()); x += 2 {
			p := img.Pix[y*img.Stride+4*x:]
			sum += 299*int(p[0]) + 587*int(p[1]) + 114*int(p[2])
			n++
		}
	}
	return float64(sum) / float64(1000*n)
}

// woodArea is where one core lies.
type woodArea struct {
	outline []measure.Point
	lines   [][]measure.Point // path and boundaries, should the outline be missing or too small
}

func (r *room) setWood(wood []woodArea) {
	held := make([]bool, r.w*r.h)
	for _, a := range wood {
		r.markInside(held, a.outline)
		r.markLine(held, closed(a.outline))
		for _, l := range a.lines {
			r.markLine(held, l)
		}
	}
	r.wood = make([]int32, (r.w+1)*(r.h+1))
	for y := 0; y < r.h; y++ {
		var sum int32
		for x := 0; x < r.w; x++ {
			if held[y*r.w+x] {
				sum++
			}
			i := (y+1)*(r.w+1) + x + 1
			r.wood[i] = r.wood[i-r.w-1] + sum
		}
	}
}

// markInside marks the cells whose middle lies inside the outline (even-odd).
func (r *room) markInside(held []bool, outline []measure.Point) {
	_, y0, _, y1 := box(outline)
	var cross []float64
	for y := max(0, int(y0/cell)); y < r.h && float64(y*cell) <= y1; y++ {
		mid := (float64(y) + 0.5) * cell
		cross = cross[:0]
		for i, a := range outline {
			b := outline[(i+1)%len(outline)]
			if (a[1] <= mid) != (b[1] <= mid) {
				cross = append(cross, a[0]+(mid-a[1])/(b[1]-a[1])*(b[0]-a[0]))
			}
		}
		slices.Sort(cross)
		for i := 0; i+1 < len(cross); i += 2 {
			from, to := int(max(0, cross[i]/cell)), int(min(float64(r.w-1), cross[i+1]/cell))
			for x := from; x <= to; x++ {
				held[y*r.w+x] = true
			}
		}
	}
}

// markLine marks the cells along a line and their neighbours.
func (r *room) markLine(held []bool, line []measure.Point) {
	l := layer{w: r.w * cell, h: r.h * cell}
	for i := 1; i < len(line); i++ {
		a, b, ok := l.clip(line[i-1], line[i], cell)
		if !ok {
			continue
		}
		n := math.Ceil(distance(a, b)/cell) + 1
		for k := 0.0; k <= n; k++ {
			p := between(a, b, k/n)
			cx, cy := int(math.Floor(p[0]/cell)), int(math.Floor(p[1]/cell))
			for y := max(0, cy-1); y <= min(r.h-1, cy+1); y++ {
				for x := max(0, cx-1); x <= min(r.w-1, cx+1); x++ {
					held[y*r.w+x] = true
				}
			}
		}
	}
}

// cells returns the rectangle of cells that a rectangle of px touches, cut to
// the picture.
func (r *room) cells(x0, y0, x1, y1 float64) (ax, ay, bx, by int) {
	lim := func(v float64, n int) int { return int(max(0, min(float64(n), v))) }
	return lim(math.Floor(x0/cell), r.w), lim(math.Floor(y0/cell), r.h),
		lim(math.Ceil(x1/cell), r.w), lim(math.Ceil(y1/cell), r.h)
}

func sum[T int32 | float64](t []T, stride, ax, ay, bx, by int) T {
	return t[by*stride+bx] - t[ay*stride+bx] - t[by*stride+ax] + t[ay*stride+ax]
}

// ground returns the mean brightness of a rectangle and how much it varies.
func (r *room) ground(x0, y0, x1, y1 float64) (mean, sd float64) {
	ax, ay, bx, by := r.cells(x0, y0, x1, y1)
	n := float64((bx - ax) * (by - ay))
	if n <= 0 {
		return 255, 0
	}
	mean = sum(r.light, r.w+1, ax, ay, bx, by) / n
	square := sum(r.power, r.w+1, ax, ay, bx, by) / n
	return mean, math.Sqrt(max(0, square-mean*mean))
}

// dark tells whether what is drawn in a rectangle must be light to be seen.
func (r *room) dark(x0, y0, x1, y1 float64) bool {
	mean, _ := r.ground(x0, y0, x1, y1)
	return mean < look.DarkBelow
}

// free tells whether a rectangle lies in the picture, off all wood and off
// what was placed before.
func (r *room) free(rect image.Rectangle) bool {
	if rect.Min.X < 0 || rect.Min.Y < 0 || rect.Max.X > r.w*cell || rect.Max.Y > r.h*cell {
		return false
	}
	ax, ay, bx, by := r.cells(float64(rect.Min.X), float64(rect.Min.Y), float64(rect.Max.X), float64(rect.Max.Y))
	if sum(r.wood, r.w+1, ax, ay, bx, by) > 0 {
		return false
	}
	for _, t := range r.taken {
		if t.Overlaps(rect) {
			return false
		}
	}
	return true
}

func (r *room) take(rect image.Rectangle) { r.taken = append(r.taken, rect) }

// wish says where a note would like to be.
type wish struct {
	near  measure.Point // as near to this as can be
	flush float64       // and with its left or right side at this x; NaN: no matter
	reach float64       // at most this far, px
	bare  float64       // px kept clear round it
	em    float64
}

// place finds the best free place for a note of w by h px, and its cost, in
// ems of distance or the like. Busy ground costs: labels and rulers are not
// covered while there is quiet ground near.
func (r *room) place(w, h int, want wish) (at image.Point, cost float64, ok bool) {
	if !sanePoint(want.near) {
		return at, 0, false
	}
	cost = math.Inf(1)
	bare := int(want.bare)
	x0, x1 := span(want.near[0]-float64(w), want.near[0], want.reach, r.w*cell)
	y0, y1 := span(want.near[1]-float64(h), want.near[1], want.reach, r.h*cell)
	for y := y0; y <= y1; y += cell {
		for x := x0; x <= x1; x += cell {
			c := want.far(x, y, w, h)
			if c >= cost {
				continue
			}
			rect := image.Rect(x, y, x+w, y+h)
			if !r.free(rect.Inset(-bare)) {
				continue
			}
			_, sd := r.ground(float64(x), float64(y), float64(x+w), float64(y+h))
			if c += max(0, sd-4) / 8; c < cost {
				at, cost, ok = rect.Min, c, true
			}
		}
	}
	return at, cost, ok
}

// far returns what distance and bad alignment cost a note at (x, y).
func (w wish) far(x, y, width, height int) float64 {
	l, t := float64(x), float64(y)
	r, b := l+float64(width), t+float64(height)
	dx := max(0, max(l-w.near[0], w.near[0]-r))
	dy := max(0, max(t-w.near[1], w.near[1]-b))
	d := math.Sqrt(dx*dx + dy*dy)
	if d > w.reach {
		return math.Inf(1)
	}
	cost := d / w.em
	if !math.IsNaN(w.flush) {
		cost += 0.3 * min(math.Abs(l-w.flush), math.Abs(r-w.flush)) / w.em
	}
	if t > w.near[1] {
		cost += 0.6 // above rather than below
	}
	return cost
}

// closed returns the outline with its first point repeated at the end.
func closed(outline []measure.Point) []measure.Point {
	if len(outline) == 0 {
		return nil
	}
	return append(slices.Clone(outline), outline[0])
}
