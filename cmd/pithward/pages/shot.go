package pages

import (
	"cmp"
	"image"
	"math"
	"slices"

	"pithward/measure"
	"pithward/measure/dating/draw"
	"pithward/measure/grade"
	"pithward/vision/overlay"
)

// Shot is a place of the key's core to show: a stretch of the axis of
// grade.View, and the wood of it where there is a scan.
type Shot struct {
	from, to float64
	point    float64
	// PathPx is where the stretch lies on the scan and BreadthPx how broad it is;
	// nil without a scan. Who makes the page cuts it out as Wood.
	PathPx    []measure.Point
	BreadthPx float64
	Wood      image.Image
}

// Sizes of a shot: chosen so that some rings to either side of a fault show.
const (
	shotRings  = 7   // of the usual width
	shotShape  = 4.0 // length to breadth
	leastShot  = 1.5 // mm
	mostShot   = 12  // mm
	pageFaults = draw.MostPlaces
)

// shown picks the faults that get a picture: those with a place, without slips
// that have a picture already, the costliest first and then in order.
func shown(r grade.Result) []int {
	cost := map[int]float64{}
	for _, p := range r.Parts {
		for _, l := range p.Lost {
			if l.Fault != nil {
				cost[*l.Fault] += l.Points
			}
		}
	}
	var list []int
	for i, f := range r.Faults {
		if f.KeyRing != nil && !f.Caused {
			list = append(list, i)
		}
	}
	slices.SortStableFunc(list, func(a, b int) int { return cmp.Compare(cost[b], cost[a]) })
	list = list[:min(len(list), pageFaults)]
	slices.Sort(list)
	return list
}

// aim lays a shot round a place on the key's axis, within the wood where there
// is a scan.
func aim(key grade.Work, v grade.View, at float64) Shot {
	i, _ := slices.BinarySearch(v.Key, at)
	lo, hi := max(0, i-3), min(len(v.Key)-1, i+3)
	long := shotRings * (v.Key[hi] - v.Key[lo]) / float64(max(1, hi-lo))
	if key.Places == nil || key.Places.MMPerPx != nil {
		long = max(leastShot, min(mostShot, long))
	}
	s := Shot{from: at - long/2, to: at + long/2, point: at}
	if p := key.Places; p != nil && len(p.PathPx) > 1 && len(p.Bounds) == len(v.Key) {
		s.lay(p, v)
	}
	return s
}

// lay finds the shot's stretch on the scan. The axis of a comparison by places
// runs along the path; by widths it leaves gaps out, so that it is stretched
// between the key's boundaries.
func (s *Shot) lay(p *grade.Places, v grade.View) {
	r := measure.NewRadius(p.PathPx, p.MMPerPx)
	last := len(v.Key) - 1
	least := v.Key[0] - r.At(p.Bounds[0].PointPx)
	most := v.Key[last] + r.Length() - r.At(p.Bounds[last].PointPx)
	s.within(least, most)
	along := func(at float64) float64 {
		j, _ := slices.BinarySearch(v.Key, at)
		switch {
		case j == 0:
			return at - least
		case j > last:
			return r.Length() - most + at
		}
		a, b := r.At(p.Bounds[j-1].PointPx), r.At(p.Bounds[j].PointPx)
		return a + (b-a)*(at-v.Key[j-1])/max(v.Key[j]-v.Key[j-1], 1e-9)
	}
	from, to := along(s.from), along(s.to)
	if to-from < 1e-6 {
		return
	}
	const steps = 24
	for k := range steps + 1 {
		s.PathPx = append(s.PathPx, r.Point(from+(to-from)*float64(k)/steps))
	}
	s.BreadthPx = lineLength(s.PathPx) / shotShape
	if p.BreadthPx > 0 {
		s.BreadthPx = min(s.BreadthPx, p.BreadthPx)
	}
}

// within shifts a shot so that it lies between two places, shortened if it must.
func (s *Shot) within(least, most float64) {
	long := min(s.to-s.from, most-least)
	s.from = max(least, min(most-long, s.from))
	s.to = s.from + long
}

func lineLength(line []measure.Point) (sum float64) {
	for i := 1; i < len(line); i++ {
		sum += math.Hypot(line[i][0]-line[i-1][0], line[i][1]-line[i-1][1])
	}
	return sum
}

// bounds returns the key's boundaries and the student's as a shot shows them.
func (s Shot) bounds(key grade.Work, r grade.Result) (upper, lower []draw.Bound) {
	wrongKey, wrongStudent := map[int]bool{}, map[int]bool{}
	v := r.View
	for _, f := range r.Faults {
		for j, at := range v.Key {
			if at == f.At && (f.Kind == grade.Missed || f.Kind == grade.Displaced) {
				wrongKey[j] = true
			}
		}
	}
	for i, j := range v.Partner {
		wrongStudent[i] = j < 0
	}
	for j, at := range v.Key {
		if s.holds(at) {
			upper = append(upper, s.course(at, wrongKey[j], placeOf(key.Places, j, len(v.Key))))
		}
	}
	for i, at := range v.Student {
		if s.holds(at) {
			lower = append(lower, s.course(at, wrongStudent[i], nil))
		}
	}
	return upper, lower
}

func (s Shot) holds(at float64) bool { return at >= s.from && at <= s.to }

func placeOf(p *grade.Places, j, n int) *grade.Bound {
	if p == nil || len(p.Bounds) != n {
		return nil
	}
	return &p.Bounds[j]
}

// course is a boundary as it runs over the shot's wood; straight without a line
// of its own.
func (s Shot) course(at float64, faulty bool, b *grade.Bound) draw.Bound {
	if s.Wood == nil || b == nil || len(b.LinePx) < 2 {
		return draw.Straight(at, faulty)
	}
	place := overlay.Along(s.PathPx, s.BreadthPx/2)
	long := lineLength(s.PathPx)
	out := draw.Bound{Faulty: faulty}
	for _, p := range b.LinePx {
		q := place(p)
		out.Course = append(out.Course, [2]float64{s.from + (s.to-s.from)*q[0]/long, q[1] / s.BreadthPx})
	}
	slices.SortStableFunc(out.Course, func(a, b [2]float64) int { return cmp.Compare(a[1], b[1]) })
	return out
}

// picture returns what to draw of a shot.
func (s Shot) picture(key grade.Work, r grade.Result, unit string) draw.Marked {
	upper, lower := s.bounds(key, r)
	return draw.Marked{Wood: s.Wood, From: s.from, To: s.to, Upper: upper, Lower: lower, Names: [2]string{"key", "you"}, Unit: unit, Point: s.point}
}

// Skeleton draws the skeleton plots of key and student, each at its own years;
// without years, counted back from the bark. PNG; nil without rings.
func (s *Sheet) Skeleton() ([]byte, error) {
	name, r := s.result.Name, s.result
	if !s.HasSkeleton() {
		return nil, nil
	}
	dated := func(rings []grade.Ring) bool { return len(rings) > 0 && rings[0].Year != nil }
	both := dated(r.View.KeyRings) && dated(r.View.StudentRings)
	strokes := func(rings []grade.Ring) (out []draw.Stroke) {
		for i, s := range grade.Skeleton(rings) {
			year := -i
			if both && rings[i].Year != nil {
				year = *rings[i].Year
			}
			out = append(out, draw.Stroke{Year: year, Height: s.Height, Wide: s.Wide, Absent: s.Absent})
		}
		return out
	}
	title := "Skeleton plot: " + name
	if !both {
		title += ", rings counted from the bark"
	}
	return draw.Skeleton(draw.PNG, plotLook(), title, [2]string{"key", name}, strokes(r.View.KeyRings), strokes(r.View.StudentRings))
}

// ringRows turns the class into what is drawn of it.
func ringRows(c grade.ByRing) (rows []draw.RingRow, unit string) {
	value := func(v *float64) float64 {
		if v == nil {
			return math.NaN()
		}
		return *v
	}
	for _, v := range c.Rings {
		row := draw.RingRow{Year: -v.KeyRing, Key: value(v.KeyMM), Low: value(v.LowMM), Mid: value(v.MedianMM), High: value(v.HighMM)}
		if v.Year != nil {
			row.Year = *v.Year
		} else {
			unit = "ring"
		}
		if c.Students > 0 {
			row.Missed, row.Split = float64(v.Missed)/float64(c.Students), float64(v.Invented)/float64(c.Students)
		}
		rows = append(rows, row)
	}
	if unit != "" {
		for i, v := range c.Rings {
			rows[i].Year = -v.KeyRing
		}
	}
	return rows, unit
}
