package phantom

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"

	"pithward/measure"
	"pithward/measure/archive"
)

// WriteClass writes a class to grade into dir, which must exist: class.tif, a
// scan of a pine of Osmundvale that grew no ring in one year; key.json, an
// expert's measurement of it; and what a dozen students handed in, each with a
// fault that students make. Everybody is invented. It returns the students'
// files. Files of the same names are written over.
func WriteClass(dir string) ([]string, error) {
	r := newRand(demoSeed, 3)
	tray := classTray(r)
	pic, truth := Render(tray, demoSeed+9)
	if err := writeTIFFFile(filepath.Join(dir, "class.tif"), pic); err != nil {
		return nil, err
	}
	sum, err := measure.HashFile(filepath.Join(dir, "class.tif"))
	if err != nil {
		return nil, err
	}
	key := keyOf(truth, sum)
	if err := writeMeasurement(filepath.Join(dir, "key.json"), key); err != nil {
		return nil, err
	}
	var files []string
	for _, h := range handIns(r, key) {
		path := filepath.Join(dir, h.name)
		if err := h.write(path); err != nil {
			return nil, err
		}
		files = append(files, path)
	}
	return files, nil
}

// classTray holds one pine with narrow rings in hard years.
func classTray(r *rand.Rand) Tray {
	g := demoPine()
	g.Sensitivity = 0.2
	core := demoCore(r, measure.Conifer, demoYears(newRand(demoSeed, 7)), 2023, g, 78)
	core.omit(hardYear)
	core.Look.Chalk, core.Look.FalseRings = 0, 0.06
	t := newDemoTray("class", []string{"OSVP07A"}, []Core{core})
	a := newDemoArranger(r, &t)
	a.bare(&t.Cores[0])
	a.finishDemo("CLASS", "OSMUNDVALE 7")
	return t
}

// keyOf says of a scan's cores what is true of them, as a measurement.
func keyOf(t Truth, sum string) measure.Measurement {
	u := 0.0005
	m := measure.Measurement{Schema: measure.Schema,
		Scan: measure.Scan{File: t.File, SHA256: sum, WidthPx: t.WidthPx, HeightPx: t.HeightPx, BitDepth: t.Bits, Channels: 3, DeclaredDPI: t.TagDPI},
		Scale: measure.Scale{Source: measure.ScaleGiven, MMPerPx: &t.MMPerPx, RelativeStandardUncertainty: &u,
			RelativeStandardUncertaintyXY: &[2]float64{u, u}},
		Program: measure.Program{Version: "demo"}}
	m.Scan.File = t.Case + ".tif"
	for i, c := range t.Cores {
		m.Cores = append(m.Cores, keyCore(c, m.Scale, fmt.Sprintf("%.16s-%d", sum, i+1)))
	}
	return m
}

func keyCore(t CoreTruth, scale measure.Scale, uid string) measure.Core {
	wood, auto, sure, end := t.Wood, "given", 1.0, t.BarkEnd
	c := measure.Core{UID: uid, ID: t.ID, Position: t.Position, OutlinePx: t.OutlinePx, PathPx: t.CentrelinePx, Wood: &wood, WoodSource: &auto,
		WoodProbability: &sure, BarkEnd: &end, BarkEndProbability: &sure, BarkPresent: t.BarkPresent, PithPresent: t.PithPresent}
	length := measure.NewRadius(c.PathPx, scale.MMPerPx).Length()
	c.PathLengthMM = &length
	for _, b := range t.Boundaries {
		if b.Side >= 0 && b.Kind != KindEdge && b.Hidden == nil && len(b.LinePx) > 1 {
			kind := measure.RingBoundary
			if b.Kind == KindOuter {
				kind = measure.Outer
			}
			c.Boundaries = append(c.Boundaries, measure.Boundary{Kind: kind, PointPx: b.PointPx, LinePx: b.LinePx, TiltDeg: b.TiltDeg})
		}
	}
	finish(&c, scale)
	absent := 0
	for i := range c.Rings {
		y := t.OuterYear - i - absent
		for _, gone := range t.Absent {
			if y == gone {
				c.Absent = append(c.Absent, measure.Absent{AfterIndex: c.Rings[i].Index - 1, Year: &gone})
				absent++
				y--
			}
		}
		c.Rings[i].Year = &y
	}
	return c
}

// finish names a core's boundaries, lays them along its path and measures its
// rings.
func finish(c *measure.Core, scale measure.Scale) {
	radius := measure.NewRadius(c.PathPx, scale.MMPerPx)
	for i := range c.Boundaries {
		b := &c.Boundaries[i]
		at, u := radius.At(b.PointPx), 0.01
		b.ID, b.AtMM, b.Probability, b.StandardUncertaintyMM, b.Source = fmt.Sprintf("b%d", i+1), &at, 1, &u, "person"
	}
	c.MakeRings(scale, false)
}

func writeMeasurement(path string, m measure.Measurement) error {
	var b bytes.Buffer
	if err := measure.Encode(&b, m); err != nil {
		return err
	}
	return os.WriteFile(path, b.Bytes(), 0o644)
}

// handIn is what one student handed in: a measurement of the scan, widths, or
// nothing.
type handIn struct {
	name   string
	scan   *measure.Measurement
	widths []archive.Width // from the bark
	outer  int             // year of the first
}

// write writes it in the format that its name says.
func (h handIn) write(path string) error {
	switch {
	case h.scan != nil:
		return writeMeasurement(path, *h.scan)
	case h.widths == nil:
		return os.WriteFile(path, nil, 0o644)
	}
	w := slices.Clone(h.widths)
	slices.Reverse(w)
	s := archive.Series{ID: "OSVP07A", FirstYear: h.outer - len(w) + 1, Widths: w, Unit: archive.Thousandths}
	var b bytes.Buffer
	if _, err := archive.Write(&b, &archive.Collection{Series: []archive.Series{s}}, archive.FormatOf(path), archive.TucsonOptions{Unit: archive.Thousandths}); err != nil {
		return err
	}
	return os.WriteFile(path, b.Bytes(), 0o644)
}

// student draws what a student with a steady hand makes of the key.
type student struct {
	r   *rand.Rand
	key measure.Measurement
}

// onScan measures the scan along a radius beside the key's, by a share of its
// half breadth; change takes away, adds or moves boundaries.
func (s student) onScan(beside float64, change func([]measure.Boundary) []measure.Boundary) *measure.Measurement {
	m := s.key
	c := m.Cores[0]
	shift := beside * 2.0 / m.Scale.MMPerPx[1]
	c.PathPx = moved(c.PathPx, shift)
	c.Boundaries = nil
	radius := measure.NewRadius(c.PathPx, m.Scale.MMPerPx)
	for _, b := range change(slices.Clone(s.key.Cores[0].Boundaries)) {
		b.PointPx = radius.Nearest(alongLine(b.LinePx, b.PointPx, shift))
		at := radius.At(b.PointPx) + 0.008*s.r.NormFloat64()
		b.PointPx, b.LinePx = radius.Point(at), nil
		c.Boundaries = append(c.Boundaries, b)
	}
	finish(&c, m.Scale)
	c.Absent = slices.Clone(c.Absent)
	for k := range c.Absent {
		at := radius.At(s.key.Cores[0].Boundaries[c.Absent[k].AfterIndex].PointPx)
		c.Absent[k].AfterIndex = 0
		for _, b := range c.Boundaries[1:] {
			if *b.AtMM < at+0.2 {
				c.Absent[k].AfterIndex++
			}
		}
	}
	for i := range c.Rings {
		y := *s.key.Cores[0].Rings[0].Year - i
		for _, a := range c.Absent {
			if c.Rings[i].Index > a.AfterIndex {
				y--
			}
		}
		c.Rings[i].Year = &y
	}
	m.Cores = []measure.Core{c}
	return &m
}

// moved shifts a line down the scan by so many px.
func moved(line []measure.Point, by float64) []measure.Point {
	out := slices.Clone(line)
	for i := range out {
		out[i][1] += by
	}
	return out
}

// alongLine is where a boundary's course crosses a radius that lies lower by so
// many px.
func alongLine(line []measure.Point, p measure.Point, by float64) measure.Point {
	best, at := math.Inf(1), p
	for i := 1; i < len(line); i++ {
		for k := range 21 {
			t := float64(k) / 20
			q := measure.Point{line[i-1][0] + t*(line[i][0]-line[i-1][0]), line[i-1][1] + t*(line[i][1]-line[i-1][1])}
			if d := math.Abs(q[1] - p[1] - by); d < best {
				best, at = d, q
			}
		}
	}
	return at
}

// byHand measures widths from the bark, absent ring included.
func (s student) byHand(change func([]archive.Width) []archive.Width) []archive.Width {
	c := s.key.Cores[0]
	var w []archive.Width
	for _, r := range c.Rings {
		w = append(w, archive.Width(*r.WidthMM))
		for _, a := range c.Absent {
			if a.AfterIndex == r.Index {
				w = append(w, archive.Absent)
			}
		}
	}
	w = change(w)
	for i := range w {
		w[i] = archive.Width(math.Round(1000*float64(w[i])*(1+0.015*s.r.NormFloat64())) / 1000)
	}
	return w
}

// narrowest returns the numbers of the n narrowest rings that grew wood, widest
// first among them left out at the ends.
func narrowest(w []archive.Width, n int) []int {
	var at []int
	for i := 3; i < len(w)-3; i++ {
		if w[i] > 0 && w[i-1] > 0 && w[i+1] > 0 {
			at = append(at, i)
		}
	}
	slices.SortFunc(at, func(a, b int) int { return int(math.Copysign(1, float64(w[a]-w[b]))) })
	return at[:n]
}

// handIns lists what the class made of the key. A boundary is missed where a
// ring is narrow, a ring split where it is wide, as students do.
func handIns(r *rand.Rand, key measure.Measurement) []handIn {
	s := student{r, key}
	outer := *key.Cores[0].Rings[0].Year
	same := func(w []archive.Width) []archive.Width { return w }
	plain := s.byHand(same)
	narrow := narrowest(plain, 6)
	wide := len(plain) * 2 / 5
	merge := func(at ...int) func([]archive.Width) []archive.Width {
		return func(w []archive.Width) []archive.Width {
			slices.Sort(at)
			for _, i := range slices.Backward(at) {
				w[i] += w[i+1]
				w = slices.Delete(w, i+1, i+2)
			}
			return w
		}
	}
	boundary := func(i int) int { // of the key, inside ring i of the series
		for k := range plain[:i] {
			if plain[k] == 0 {
				return i // an absent ring has none
			}
		}
		return i + 1
	}
	drop := func(at ...int) func([]measure.Boundary) []measure.Boundary {
		return func(b []measure.Boundary) []measure.Boundary {
			slices.Sort(at)
			for _, i := range slices.Backward(at) {
				b = slices.Delete(b, i, i+1)
			}
			return b
		}
	}
	elvina := s.byHand(merge(narrow[0], narrow[3]))
	return []handIn{
		{name: "aldith.json", scan: s.onScan(0, drop())},
		{name: "bevis.json", scan: s.onScan(0.4, drop(boundary(narrow[0])))},
		{name: "corin.json", scan: s.onScan(-0.3, func(b []measure.Boundary) []measure.Boundary { return split(split(b, wide, 0.55), 12, 0.4) })},
		{name: "dunstan.json", scan: s.onScan(0.5, func(b []measure.Boundary) []measure.Boundary {
			b[20], b[41] = shifted(b, 20, 0.4), shifted(b, 41, -0.35)
			return drop(boundary(narrow[1]), boundary(narrow[0]))(b)
		})},
		{name: "elvina.rwl", widths: elvina, outer: outer},
		{name: "fenn.csv", widths: s.byHand(func(w []archive.Width) []archive.Width {
			for i := range w {
				w[i] *= 10
			}
			return w
		}), outer: outer},
		{name: "godiva.rwl", widths: s.byHand(func(w []archive.Width) []archive.Width { slices.Reverse(w); return w }), outer: outer},
		{name: "hale.rwl", widths: s.byHand(func(w []archive.Width) []archive.Width { return w[2:] }), outer: outer},
		{name: "ivo.csv", widths: s.byHand(merge(narrow[0]))[:len(plain)*11/20], outer: outer},
		{name: "jocosa.rwl", widths: other(r, len(plain)), outer: outer},
		{name: "kester.rwl", widths: s.byHand(func(w []archive.Width) []archive.Width {
			return slices.DeleteFunc(w, func(x archive.Width) bool { return x == archive.Absent })
		}), outer: outer},
		{name: "linnet.rwl", widths: elvina, outer: outer},
		{name: "merek.rwl"},
	}
}

// split puts a boundary into the ring inside boundary i, at a share of it.
func split(b []measure.Boundary, i int, share float64) []measure.Boundary {
	return slices.Insert(b, i+1, partWay(b[i], b[i+1], share))
}

// shifted returns boundary i moved towards the next (or, negative, the last) by
// a share of the ring.
func shifted(b []measure.Boundary, i int, share float64) measure.Boundary {
	if share < 0 {
		return partWay(b[i], b[i-1], -share)
	}
	return partWay(b[i], b[i+1], share)
}

// partWay is a boundary between two, at a share of the way.
func partWay(a, b measure.Boundary, share float64) measure.Boundary {
	out := a
	mix := func(p, q measure.Point) measure.Point {
		return measure.Point{p[0] + share*(q[0]-p[0]), p[1] + share*(q[1]-p[1])}
	}
	out.Kind, out.PointPx, out.LinePx = measure.RingBoundary, mix(a.PointPx, b.PointPx), nil
	for i := range min(len(a.LinePx), len(b.LinePx)) {
		out.LinePx = append(out.LinePx, mix(a.LinePx[i], b.LinePx[i]))
	}
	return out
}

// other is a core of another tree.
func other(r *rand.Rand, n int) []archive.Width {
	var out []archive.Width
	for _, w := range demoPine().under(r, make([]float64, n)) {
		out = append(out, archive.Width(math.Round(1000*w)/1000))
	}
	return out
}
