package phantom

import "math"

// finisher turns a painted band into pixels as the scanner would.
type finisher struct {
	s       *scene
	kernel  []float32 // half of it, from the middle
	wide    []float32 // of the unsharp mask
	line    []float32
	blurred []float32
	column  []float32 // stripes of the sensor
	fall    []float32 // vignette along x
}

func newFinisher(s *scene) *finisher {
	t := s.tray
	f := &finisher{s: s, kernel: gauss(t.Scanner.BlurPx), line: make([]float32, 3*t.WidthPx)}
	if t.Scanner.Sharpen > 0 {
		f.wide = gauss(1.2)
	}
	f.column, f.fall = make([]float32, t.WidthPx), make([]float32, t.WidthPx)
	for x := range t.WidthPx {
		a, _, _ := hashNormal(s.seed ^ uint64(x)<<20)
		f.column[x] = a * float32(t.Scanner.Banding)
		d := 2*float64(x)/float64(t.WidthPx) - 1
		f.fall[x] = float32(1 - t.Scanner.Vignette*d*d*d*d)
	}
	return f
}

// gauss returns half a normalised Gaussian kernel, its middle first.
func gauss(sd float64) []float32 {
	if sd < 0.2 {
		return []float32{1}
	}
	n := min(int(math.Ceil(3*sd)), bandMargin/2)
	k := make([]float32, n+1)
	var sum float64
	for i := range k {
		v := math.Exp(-float64(i*i) / (2 * sd * sd))
		k[i] = float32(v)
		sum += v
		if i > 0 {
			sum += v
		}
	}
	for i := range k {
		k[i] /= float32(sum)
	}
	return k
}

// blurRows runs the kernel along each row, repeating the end pixels.
func (f *finisher) blurRows(b *band, k []float32) {
	n := 3 * b.w
	for y := b.y0; y < b.y1; y++ {
		row := b.row(y)
		line := f.line
		for i := range n {
			line[i] = row[i] * k[0]
		}
		for j := 1; j < len(k); j++ {
			d := 3 * j
			w := k[j]
			if n <= 2*d {
				continue
			}
			for i := d; i < n-d; i++ {
				line[i] += w * (row[i-d] + row[i+d])
			}
			for i := range d {
				line[i] += w * (row[i%3] + row[i+d])
				e := n - 1 - i
				line[e] += w * (row[n-3+e%3] + row[e-d])
			}
		}
		copy(row, line)
	}
}

// blurColumns runs the kernel down the columns of rows y0 <= y < y1 into out.
func blurColumns(b *band, k []float32, y0, y1 int, out []float32) {
	n := 3 * b.w
	for y := y0; y < y1; y++ {
		dst := out[(y-y0)*n : (y-y0+1)*n]
		mid := b.row(y)
		for i, v := range mid {
			dst[i] = v * k[0]
		}
		for j := 1; j < len(k); j++ {
			up, down := b.row(y-j), b.row(y+j)
			w := k[j]
			for i := range dst {
				dst[i] += w * (up[i] + down[i])
			}
		}
	}
}

// finish writes band i into the picture.
func (f *finisher) finish(b *band, i int, p *Picture) {
	sc := &f.s.tray.Scanner
	if sc.Noise > 0 {
		f.addNoise(b, float32(sc.Noise), 1)
	}
	reach := len(f.kernel) - 1
	f.blurRows(b, f.kernel)
	y0, y1 := b.y0+reach, b.y1-reach
	need := (y1 - y0) * b.w * 3
	if cap(f.blurred) < need {
		f.blurred = make([]float32, need)
	}
	blurColumns(b, f.kernel, y0, y1, f.blurred[:need])
	copy(b.rgb[reach*b.w*3:], f.blurred[:need])
	if f.wide != nil {
		f.sharpen(b, y0, y1, float32(sc.Sharpen))
	}
	if sc.PixelNoise > 0 {
		f.addNoise(b, float32(sc.PixelNoise), 2)
	}
	for y := i * bandRows; y < min((i+1)*bandRows, p.Height); y++ {
		f.store(b.row(y), p, y)
	}
}

// sharpen adds back what a wider blur takes away. It needs two more rows of
// margin on each side.
func (f *finisher) sharpen(b *band, y0, y1 int, strength float32) {
	n := 3 * b.w
	keep := append([]float32(nil), b.rgb...)
	f.blurRows(b, f.wide)
	reach := len(f.wide) - 1
	a, e := y0+reach, y1-reach
	out := f.blurred[:(e-a)*n]
	blurColumns(b, f.wide, a, e, out)
	copy(b.rgb, keep)
	dst := b.rgb[(a-b.y0)*n:]
	for i, v := range out {
		dst[i] += strength * (dst[i] - v)
	}
}

// addNoise adds noise that grows with brightness, as photon noise does.
func (f *finisher) addNoise(b *band, sd float32, pass uint64) {
	seed := mix(f.s.seed ^ pass<<60)
	for y := b.y0; y < b.y1; y++ {
		row := b.row(y)
		key := seed ^ uint64(int64(y)+1<<20)<<24
		for x := range b.w {
			r, g, bl := hashNormal(key ^ uint64(x))
			px := row[3*x : 3*x+3]
			px[0] += sd * (0.55 + 0.003*px[0]) * r
			px[1] += sd * (0.55 + 0.003*px[1]) * g
			px[2] += sd * (0.65 + 0.003*px[2]) * bl
		}
	}
}

// store quantises a row.
func (f *finisher) store(row []float32, p *Picture, y int) {
	gain := f.s.tray.Scanner.Gain
	gr, gg, gb := float32(gain[0]), float32(gain[1]), float32(gain[2])
	for x := range p.Width {
		k := f.fall[x]
		r := row[3*x]*k*gr + f.column[x]
		g := row[3*x+1]*k*gg + f.column[x]
		b := row[3*x+2]*k*gb + f.column[x]
		if p.Channels == 1 {
			p.set(y*p.Width+x, 0.299*r+0.587*g+0.114*b)
			continue
		}
		i := 3 * (y*p.Width + x)
		p.set(i, r)
		p.set(i+1, g)
		p.set(i+2, b)
	}
}
