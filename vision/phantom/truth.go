package phantom

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"

	"pithward/measure"
)

// TruthSchema is the name and number of the truth format.
const TruthSchema = "truth/1"

// Truth is what is known of a picture: rendered, or traced by hand. Points are
// [x, y] in px, as in the measurement.
type Truth struct {
	Schema     string      `json:"schema"`
	Case       string      `json:"case"`
	File       string      `json:"file"`
	Seed       uint64      `json:"seed"`
	WidthPx    int         `json:"width_px"`
	HeightPx   int         `json:"height_px"`
	DPINominal float64     `json:"dpi_nominal"`
	TagDPI     *[2]float64 `json:"tag_dpi"`
	MMPerPx    [2]float64  `json:"mm_per_px"`
	ScaleKnown bool        `json:"scale_known"` // the picture or its tag tells the scale
	Ruler      *RulerTruth `json:"ruler"`
	Upright    bool        `json:"upright"`
	Bits       int         `json:"bits"`
	Gray       bool        `json:"gray"`
	Cores      []CoreTruth `json:"cores"`
}

// RulerTruth describes the ruler's first row of ticks.
type RulerTruth struct {
	Unit     string           `json:"unit"`
	Dual     bool             `json:"dual"` // two rows of ticks
	Material string           `json:"material"`
	Ticks    int              `json:"ticks"`
	FinestMM float64          `json:"finest_mm,omitempty"`
	LinePx   [2]measure.Point `json:"line_px"` // from the first tick to the last
	BoxPx    []float64        `json:"box_px"`  // left, top, right, bottom
	MMPerPx  float64          `json:"mm_per_px"`
}

// CoreTruth is what is known of one core.
type CoreTruth struct {
	ID            string            `json:"id"`
	Position      int               `json:"position"`
	Species       string            `json:"species"`
	Wood          measure.Wood      `json:"wood"`
	WidthMM       float64           `json:"width_mm"` // the core's breadth
	LengthMM      float64           `json:"length_mm"`
	OutlinePx     []measure.Point   `json:"outline_px"`
	PiecesPx      [][]measure.Point `json:"pieces_px"`
	CentrelinePx  []measure.Point   `json:"centreline_px"` // bark to pith
	CentrelineSMM []float64         `json:"centreline_s_mm"`
	MMPerPx       [2]float64        `json:"mm_per_px"`
	BarkEnd       measure.End       `json:"bark_end"`
	Bark          string            `json:"bark"` // present or absent
	BarkPresent   bool              `json:"bark_present"`
	BarkMM        float64           `json:"bark_mm"`
	OuterYear     int               `json:"outer_year"`
	Partial       bool              `json:"partial"` // the outermost ring was still growing
	Pith          string            `json:"pith"`    // past, missed
	PithPresent   bool              `json:"pith_present"`
	PithSMM       *float64          `json:"pith_s_mm"`
	PithPx        *measure.Point    `json:"pith_px"`
	PithRadiusMM  float64           `json:"pith_radius_mm"`
	PastPith      bool              `json:"past_pith"`
	RotationDeg   float64           `json:"rotation_deg"` // off the scan's axis
	Mounted       bool              `json:"mounted"`
	ToleranceMM   float64           `json:"annotation_tol_mm,omitempty"` // how well the truth is known
	Boundaries    []BoundaryTruth   `json:"boundaries"`
	Rings         []RingTruth       `json:"rings"`
	Absent        []int             `json:"absent"`
	Gaps          []GapTruth        `json:"gaps"`
	Ambiguous     []AmbiguousTruth  `json:"ambiguous"`
	Obscured      []ObscuredTruth   `json:"obscured"`
}

// The kinds of boundary in a truth: those of a measurement, and edge: a place
// that is neither right nor wrong.
const (
	KindOuter = "outer"
	KindRing  = "ring"
	KindInner = "inner"
	KindEdge  = "edge"
)

// HiddenUnder begins the reason of a boundary that is there but under something.
const HiddenUnder = "under a "

// BoundaryTruth is a true boundary.
type BoundaryTruth struct {
	Kind     string          `json:"kind"`
	K        int             `json:"k"`    // counted from the bark, 0 the wood's outer surface
	Side     int             `json:"side"` // 1 on the bark's side of the pith, -1 beyond it
	SMM      float64         `json:"s_mm"`
	PointPx  measure.Point   `json:"point_px"`
	LinePx   []measure.Point `json:"line_px"`
	TiltDeg  float64         `json:"tilt_deg"`
	Hidden   *string         `json:"hidden"`   // why it does not count; nil: it does
	Contrast *float64        `json:"contrast"` // bark side brighter than pith side, 0..1
	Piece    int             `json:"piece"`
}

// RingTruth is the wood between two boundaries, named by their K.
type RingTruth struct {
	Outer    int     `json:"outer"`
	Inner    int     `json:"inner"`
	WidthMM  float64 `json:"width_mm"` // as the contract defines it
	SeriesMM float64 `json:"series_mm"`
	Broken   bool    `json:"broken"`
	LostMM   float64 `json:"lost_mm"`
	Partial  bool    `json:"partial,omitempty"`
	Year     int     `json:"year,omitempty"` // 0: unknown
}

// GapTruth is a place where the core is parted.
type GapTruth struct {
	Kind   string  `json:"kind"`
	FromMM float64 `json:"from_mm"`
	ToMM   float64 `json:"to_mm"`
	LostMM float64 `json:"lost_mm"`
}

// ObscuredTruth is a stretch of standing wood in which no boundary can be seen.
type ObscuredTruth struct {
	Kind   string  `json:"kind"`
	FromMM float64 `json:"from_mm"`
	ToMM   float64 `json:"to_mm"`
}

// AmbiguousTruth is a place that looks like a boundary and is none.
type AmbiguousTruth struct {
	Kind    string          `json:"kind"`
	SMM     float64         `json:"s_mm"`
	PointPx measure.Point   `json:"point_px"`
	LinePx  []measure.Point `json:"line_px"`
}

// ReadTruth reads a truth file.
func ReadTruth(path string) (Truth, error) {
	var t Truth
	b, err := os.ReadFile(path)
	if err != nil {
		return t, err
	}
	if err := json.Unmarshal(b, &t); err != nil {
		return t, fmt.Errorf("%s: %w", path, err)
	}
	if t.Schema != TruthSchema {
		return t, fmt.Errorf("%s: schema %q, not %s: give a truth file", path, t.Schema, TruthSchema)
	}
	return t, nil
}

// Write writes the truth to a file.
func (t Truth) Write(path string) error {
	b, err := json.Marshal(t)
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(b, '\n'), 0o644)
}

func round(x float64, digits int) float64 {
	k := math.Pow(10, float64(digits))
	return math.Round(x*k) / k
}

func (s *scene) toPx(x, y float64) measure.Point {
	return measure.Point{round(x/s.mm[0], 3), round(y/s.mm[1], 3)}
}

// truth says what the scene holds; contrasts are taken from the picture.
func (s *scene) truth(p *Picture) Truth {
	t := Truth{Schema: TruthSchema, Case: s.tray.Name, File: s.tray.Name, Seed: s.seed,
		WidthPx: p.Width, HeightPx: p.Height, DPINominal: s.tray.DPI, MMPerPx: s.mm,
		ScaleKnown: s.tray.Ruler != nil || s.tray.TagDPI[0] > 0,
		Upright:    s.tray.Upright, Bits: p.Bits(), Gray: p.Channels == 1, Ruler: s.rulerTruth()}
	if s.tray.TagDPI[0] > 0 {
		tag := s.tray.TagDPI
		t.TagDPI = &tag
	}
	for _, c := range s.cores {
		t.Cores = append(t.Cores, s.coreTruth(c, p))
	}
	axis := 1
	if s.tray.Upright {
		axis = 0
	}
	slices.SortStableFunc(t.Cores, func(a, b CoreTruth) int {
		d := middle(a.CentrelinePx)[axis] - middle(b.CentrelinePx)[axis]
		return int(math.Copysign(math.Ceil(math.Abs(d)), d))
	})
	for i := range t.Cores {
		t.Cores[i].Position = i + 1
	}
	return t
}

func middle(l []measure.Point) measure.Point { return l[len(l)/2] }

func (s *scene) rulerTruth() *RulerTruth {
	if s.ruler == nil {
		return nil
	}
	r, sc := s.ruler.ruler, s.ruler.scales[0]
	n := len(sc.lengths)
	q := sc.inset + 0.5*r.Scales[0].ShortMM
	if sc.far {
		q = r.BreadthMM - q
	}
	x0, y0 := s.ruler.frame.from(0, q)
	x1, y1 := s.ruler.frame.from(float64(n-1)*sc.step, q)
	t := &RulerTruth{Unit: r.Scales[0].Unit, Dual: len(r.Scales) > 1, Material: r.Material, Ticks: n, FinestMM: sc.step,
		LinePx: [2]measure.Point{s.toPx(x0, y0), s.toPx(x1, y1)}}
	b := bounds(s.ruler.frame.quad(-r.MarginMM, 0, r.LengthMM+r.MarginMM, r.BreadthMM), 0)
	t.BoxPx = []float64{round(b[0]/s.mm[0], 1), round(b[1]/s.mm[1], 1), round(b[2]/s.mm[0], 1), round(b[3]/s.mm[1], 1)}
	px := math.Hypot(t.LinePx[1][0]-t.LinePx[0][0], t.LinePx[1][1]-t.LinePx[0][1])
	t.MMPerPx = float64(n-1) * sc.step / px
	return t
}

// centreline is a core's axis on the tray in mm, with the length along it.
type centreline struct{ x, y, s []float64 }

// axis lists the points of a core's axis, outer end of the wood to its inner
// end, across gaps.
func (c *coreScene) axis() centreline {
	var l centreline
	for i := range c.lay.pieces {
		p := &c.lay.pieces[i]
		u0 := max(p.u0+p.lo.at(0), 0)
		if i == 0 && c.core.BarkMM == 0 {
			u0 = p.lo.at(0) // the end is ragged
		}
		u1 := p.u1 + p.hi.at(0)
		if u1 <= u0 {
			continue // a chip of bark
		}
		n := max(2, int((u1-u0)/1)+1)
		for k := range n {
			x, y := c.lay.point(p, lerp(u0, u1, float64(k)/float64(n-1)), 0)
			l.add(x, y)
		}
	}
	return l
}

func (l *centreline) add(x, y float64) {
	var s float64
	if n := len(l.x); n > 0 {
		s = l.s[n-1] + math.Hypot(x-l.x[n-1], y-l.y[n-1])
	}
	l.x, l.y, l.s = append(l.x, x), append(l.y, y), append(l.s, s)
}

// project returns the length along the line of the point nearest to (x, y),
// and the line's direction there.
func (l *centreline) project(x, y float64) (s, dx, dy float64) {
	best := math.Inf(1)
	for i := 0; i+1 < len(l.x); i++ {
		ex, ey := l.x[i+1]-l.x[i], l.y[i+1]-l.y[i]
		n := ex*ex + ey*ey
		if n == 0 {
			continue
		}
		t := clamp01(((x-l.x[i])*ex + (y-l.y[i])*ey) / n)
		d := math.Hypot(x-l.x[i]-t*ex, y-l.y[i]-t*ey)
		if d < best {
			best, s = d, l.s[i]+t*math.Sqrt(n)
			dx, dy = ex/math.Sqrt(n), ey/math.Sqrt(n)
		}
	}
	return s, dx, dy
}

func (s *scene) coreTruth(c *coreScene, pic *Picture) CoreTruth {
	line := c.axis()
	k := c.core
	t := CoreTruth{ID: k.ID, Species: k.Species, Wood: k.Wood, WidthMM: k.BoreMM, MMPerPx: s.mm,
		BarkPresent: k.BarkMM > 0, BarkMM: k.BarkMM, Bark: "absent", OuterYear: k.OuterYear, Partial: k.Partial > 0,
		PithRadiusMM: k.PithMM, Mounted: k.Marks.Mounted, Pith: "missed", BarkEnd: endOf(k.AngleDeg),
		RotationDeg: round(math.Remainder(k.AngleDeg, 90), 3), Absent: append([]int{}, k.AbsentYears...), Gaps: []GapTruth{}, Ambiguous: []AmbiguousTruth{}, Obscured: []ObscuredTruth{}}
	if t.BarkPresent {
		t.Bark = "present"
	}
	for i := range line.x {
		t.CentrelinePx = append(t.CentrelinePx, s.toPx(line.x[i], line.y[i]))
		t.CentrelineSMM = append(t.CentrelineSMM, round(line.s[i], 5))
	}
	t.LengthMM = round(line.s[len(line.s)-1], 4)
	s.outlines(c, &t)
	s.pithTruth(c, &line, &t)
	s.gapTruths(c, &line, &t)
	s.boundaryTruths(c, &line, &t, pic)
	s.ambiguousTruths(c, &line, &t)
	s.obscuredTruths(c, &line, &t)
	t.Rings = ringTruths(&t, c)
	return t
}

func endOf(angle float64) measure.End {
	s, c := math.Sincos(angle * math.Pi / 180)
	switch {
	case math.Abs(c) >= math.Abs(s) && c > 0:
		return measure.Left
	case math.Abs(c) >= math.Abs(s):
		return measure.Right
	case s > 0:
		return measure.Bottom // the path runs upwards
	}
	return measure.Top
}

// outlines traces each piece, and the whole core round all of them.
func (s *scene) outlines(c *coreScene, t *CoreTruth) {
	var upper, lower []measure.Point
	h := c.lay.half
	for i := range c.lay.pieces {
		p := &c.lay.pieces[i]
		var up, down, out []measure.Point
		n := max(2, int((p.u1-p.u0)/4)+1)
		for k := range n {
			f := float64(k) / float64(n-1)
			up = append(up, s.toPx(c.lay.point(p, lerp(p.u0+p.lo.at(-h), p.u1+p.hi.at(-h), f), -h)))
			down = append(down, s.toPx(c.lay.point(p, lerp(p.u0+p.lo.at(h), p.u1+p.hi.at(h), f), h)))
		}
		upper, lower = append(upper, up...), append(lower, down...)
		out = append(out, up...)
		for k := 1; k < 8; k++ {
			v := lerp(-h, h, float64(k)/8)
			out = append(out, s.toPx(c.lay.point(p, p.u1+p.hi.at(v), v)))
		}
		slices.Reverse(down)
		out = append(out, down...)
		for k := 7; k > 0; k-- {
			v := lerp(-h, h, float64(k)/8)
			out = append(out, s.toPx(c.lay.point(p, p.u0+p.lo.at(v), v)))
		}
		t.PiecesPx = append(t.PiecesPx, out)
	}
	slices.Reverse(lower)
	t.OutlinePx = append(upper, lower...)
}

func (s *scene) pithTruth(c *coreScene, line *centreline, t *CoreTruth) {
	st := c.stem
	last := &c.lay.pieces[len(c.lay.pieces)-1]
	t.PastPith = st.pithU < c.length
	if !t.PastPith || math.Abs(st.pithV) > c.core.FlatMM/2-0.2 {
		return
	}
	x, y := c.lay.point(last, st.pithU, st.pithV)
	at := s.toPx(x, y)
	sm, _, _ := line.project(x, y)
	sm = round(sm, 4)
	t.Pith, t.PithPresent, t.PithPx, t.PithSMM = "past", true, &at, &sm
}

func (s *scene) gapTruths(c *coreScene, line *centreline, t *CoreTruth) {
	breaks := c.core.Breaks
	for i := 0; i+1 < len(c.lay.pieces); i++ {
		p, q := &c.lay.pieces[i], &c.lay.pieces[i+1]
		x0, y0 := c.lay.point(p, p.u1+p.hi.at(0), 0)
		x1, y1 := c.lay.point(q, q.u0+q.lo.at(0), 0)
		a, _, _ := line.project(x0, y0)
		b, _, _ := line.project(x1, y1)
		g := GapTruth{Kind: measure.Break, FromMM: round(a, 4), ToMM: round(b, 4), LostMM: round(q.u0-p.u1, 4)}
		for _, br := range breaks {
			if math.Abs(br.AtMM-p.u1) < 1e-9 {
				g.Kind = br.Kind
			}
		}
		t.Gaps = append(t.Gaps, g)
	}
}

const lineSamples = 9 // across the core

// curve traces rho across the core on the bark's side of the pith and gives
// its crossing with the axis; ok is false where the core does not hold it.
func (s *scene) curve(c *coreScene, rho float64) (pc *piece, u0 float64, pts [][2]float64, ok bool) {
	u0, ok = c.stem.along(rho, 0)
	if !ok {
		return nil, 0, nil, false
	}
	for i := range c.lay.pieces {
		p := &c.lay.pieces[i]
		if u0 >= p.u0+p.lo.at(0)-1e-9 && u0 <= p.u1+p.hi.at(0) {
			pc = p
		}
	}
	if pc == nil {
		return nil, 0, nil, false
	}
	// A small ring is traced as far as it turns towards the pith.
	h := c.core.FlatMM / 2 * 0.95
	hi, lo := min(h, c.stem.pithV+0.93*rho), max(-h, c.stem.pithV-0.93*rho)
	for i := range lineSamples {
		v := lerp(hi, lo, float64(i)/(lineSamples-1))
		u, ok := c.stem.along(rho, v)
		if !ok || u < pc.u0+pc.lo.at(v) || u > pc.u1+pc.hi.at(v) {
			continue
		}
		x, y := c.lay.point(pc, u, v)
		pts = append(pts, [2]float64{x, y})
	}
	return pc, u0, pts, len(pts) >= 2
}

func (s *scene) boundaryTruths(c *coreScene, line *centreline, t *CoreTruth, pic *Picture) {
	last := len(c.stem.radii) - 1
	for k, rho := range c.stem.radii {
		if k == 0 && !t.BarkPresent || rho > c.stem.outer+1e-9 {
			continue // lost with the outside
		}
		pc, u, pts, ok := s.curve(c, rho)
		if !ok {
			continue
		}
		x, y := c.lay.point(pc, u, 0)
		sm, dx, dy := line.project(x, y)
		b := BoundaryTruth{Kind: KindRing, K: k, Side: 1, SMM: round(sm, 4), PointPx: s.toPx(x, y), Piece: int(pc.id-1) % maxPieces}
		for _, q := range pts {
			b.LinePx = append(b.LinePx, s.toPx(q[0], q[1]))
		}
		b.TiltDeg = round(tiltOf(pts, dx, dy), 2)
		switch {
		case k == 0:
			b.Kind = KindOuter
		case k == last && t.PithPresent:
			b.Kind = KindInner
		case k == last:
			b.Kind = KindEdge
		}
		contrast := round(s.contrast(c, pc, k, pts, pic), 4)
		b.Contrast = &contrast
		b.Hidden = s.hiddenWhy(c, pc, k, u, &b)
		t.Boundaries = append(t.Boundaries, b)
	}
	s.beyondPith(c, line, t)
}

// beyondPith adds the boundaries that the core meets again beyond the pith,
// which are neither right nor wrong.
func (s *scene) beyondPith(c *coreScene, line *centreline, t *CoreTruth) {
	last := &c.lay.pieces[len(c.lay.pieces)-1]
	why := "beyond the pith"
	for k := len(c.stem.radii) - 1; k >= 0; k-- {
		var pts [][2]float64
		h := c.core.FlatMM / 2 * 0.95
		for i := range lineSamples {
			v := lerp(h, -h, float64(i)/(lineSamples-1))
			if u, ok := c.stem.beyond(c.stem.radii[k], v); ok && u < last.u1+last.hi.at(v) {
				x, y := c.lay.point(last, u, v)
				pts = append(pts, [2]float64{x, y})
			}
		}
		if len(pts) < 2 {
			continue
		}
		b := BoundaryTruth{Kind: KindEdge, K: k, Side: -1, Hidden: &why, Piece: len(c.lay.pieces) - 1}
		mid := pts[len(pts)/2]
		sm, dx, dy := line.project(mid[0], mid[1])
		b.SMM, b.PointPx = round(sm, 4), s.toPx(mid[0], mid[1])
		for _, q := range pts {
			b.LinePx = append(b.LinePx, s.toPx(q[0], q[1]))
		}
		b.TiltDeg = round(tiltOf(pts, dx, dy), 2)
		t.Boundaries = append(t.Boundaries, b)
	}
}

// tiltOf returns the angle of the line through the points (least squares) from
// the normal of the direction (dx, dy), anticlockwise as displayed.
func tiltOf(pts [][2]float64, dx, dy float64) float64 {
	// Along and across the path; across points to the left of the direction as
	// displayed (y down), so that leaning forward there is clockwise.
	var n, sa, sb, sab, sbb float64
	for _, p := range pts {
		a, b := p[0]*dx+p[1]*dy, p[0]*dy-p[1]*dx
		n, sa, sb, sab, sbb = n+1, sa+a, sb+b, sab+a*b, sbb+b*b
	}
	slope := (n*sab - sa*sb) / (n*sbb - sb*sb)
	return -math.Atan(slope) * 180 / math.Pi
}

// contrast compares the brightness on both sides of boundary k.
func (s *scene) contrast(c *coreScene, pc *piece, k int, pts [][2]float64, pic *Picture) float64 {
	in := min(0.15, 0.4*ringWidth(c.stem, k+1))
	out := min(0.15, 0.4*ringWidth(c.stem, k))
	var sum [2]float64
	var n [2]int
	for _, q := range pts {
		a, b := c.lay.offTray(q[0], q[1])
		u, v := pc.wood(a, b)
		phi := math.Atan2(v-c.stem.pithV, c.stem.pithU-u)
		for side, d := range [2]float64{out, -in} {
			for f := 0.25; f <= 1; f += 0.125 {
				x, y := c.lay.point(pc, u-d*f*math.Cos(phi), v+d*f*math.Sin(phi))
				ix, iy := int(x/s.mm[0]+0.5), int(y/s.mm[1]+0.5)
				if ix >= 0 && iy >= 0 && ix < pic.Width && iy < pic.Height {
					sum[side] += pic.luma(ix, iy)
					n[side]++
				}
			}
		}
	}
	if n[0] == 0 || n[1] == 0 {
		return 0
	}
	return (sum[0]/float64(n[0]) - sum[1]/float64(n[1])) / 255
}

// hiddenWhy says why a boundary does not count, or nil.
func (s *scene) hiddenWhy(c *coreScene, pc *piece, k int, u float64, b *BoundaryTruth) *string {
	why := ""
	lo, hi := pc.u0+pc.lo.at(0), pc.u1+pc.hi.at(0)
	near := min(u-lo, hi-u)
	switch {
	case math.Abs(b.TiltDeg) > 45 || len(b.LinePx) < lineSamples/2:
		why = "too oblique"
	case k > 0 && near < 0.12:
		why = "at a broken end"
	}
	for _, x := range c.veils {
		if u > x.from-0.05 && u < x.to+0.05 {
			why = HiddenUnder + x.kind
		}
	}
	if why == "" {
		return nil
	}
	return &why
}

// ambiguousTruths lists the false rings and the pencil lines on the core.
func (s *scene) ambiguousTruths(c *coreScene, line *centreline, t *CoreTruth) {
	add := func(kind string, x, y float64, pts [][2]float64) {
		sm, _, _ := line.project(x, y)
		a := AmbiguousTruth{Kind: kind, SMM: round(sm, 4), PointPx: s.toPx(x, y)}
		for _, q := range pts {
			a.LinePx = append(a.LinePx, s.toPx(q[0], q[1]))
		}
		t.Ambiguous = append(t.Ambiguous, a)
	}
	for i, y := range c.years {
		if y.falseAt == 0 || c.core.Wood != measure.Conifer {
			continue
		}
		rho := c.stem.radii[i+1] + y.falseAt*c.core.Widths[i]
		// A boundary would be taken to lie on either side of the band.
		for _, side := range []float64{0.5, -0.5} {
			if pc, u, pts, ok := s.curve(c, rho+side*y.falseMM); ok && rho < c.stem.outer {
				x, yy := c.lay.point(pc, u, 0)
				add("false ring", x, yy, pts)
			}
		}
	}
	for _, l := range c.lines {
		pc := c.pieceAt(l[0])
		x0, y0 := c.lay.point(pc, l[0], l[1])
		x1, y1 := c.lay.point(pc, l[2], l[3])
		add("pencil line", (x0+x1)/2, (y0+y1)/2, [][2]float64{{x0, y0}, {x1, y1}})
	}
}

// obscuredTruths lists the veiled stretches of the wood.
func (s *scene) obscuredTruths(c *coreScene, line *centreline, t *CoreTruth) {
	for _, x := range c.veils {
		from, to := max(x.from, 0), min(x.to, c.length)
		if from >= to {
			continue
		}
		a, _, _ := line.project(c.lay.point(c.pieceAt(from), from, 0))
		b, _, _ := line.project(c.lay.point(c.pieceAt(to), to, 0))
		t.Obscured = append(t.Obscured, ObscuredTruth{Kind: x.kind, FromMM: round(a, 3), ToMM: round(b, 3)})
	}
	slices.SortFunc(t.Obscured, func(a, b ObscuredTruth) int { return cmp.Compare(a.FromMM, b.FromMM) })
}

// yearOf returns the year of ring k (1 the outermost, grown up or not), or 0.
func (c *coreScene) yearOf(k int) int {
	year := c.core.OuterYear
	if year == 0 {
		return 0
	}
	if c.core.Partial > 0 {
		year++
	}
	for ; ; year-- {
		if slices.Contains(c.core.AbsentYears, year) {
			continue
		}
		if k--; k <= 0 {
			return year
		}
	}
}

// ringTruths measures the wood between successive boundaries as the contract
// says: length along the path, less open gaps, times the cosine of the mean
// tilt.
func ringTruths(t *CoreTruth, c *coreScene) []RingTruth {
	rings := []RingTruth{}
	for i := 0; i+1 < len(t.Boundaries); i++ {
		a, b := &t.Boundaries[i], &t.Boundaries[i+1]
		if b.Side < 0 {
			break
		}
		if b.K != a.K+1 && a.Piece == b.Piece {
			continue
		}
		r := RingTruth{Outer: a.K, Inner: b.K, Partial: a.K == 0 && c.core.Partial > 0}
		length := b.SMM - a.SMM
		for _, g := range t.Gaps {
			if g.FromMM >= a.SMM-1e-6 && g.ToMM <= b.SMM+1e-6 {
				length -= g.ToMM - g.FromMM
				r.Broken = true
				r.LostMM += g.LostMM
			}
		}
		r.Year = c.yearOf(b.K)
		tilt := (a.TiltDeg + b.TiltDeg) / 2 * math.Pi / 180
		r.WidthMM = round(length*math.Cos(tilt), 5)
		r.SeriesMM = round(r.WidthMM, 4)
		rings = append(rings, r)
	}
	return rings
}
