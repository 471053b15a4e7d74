package phantom

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// past returns how far the core goes on past the pith.
func (c *Core) past() float64 {
	if c.PastMM > 0 {
		return c.PastMM
	}
	return 3
}

// extent returns about how long the core lies, bark and gaps included.
func (c *Core) extent() float64 {
	l := c.LengthMM
	if l <= 0 {
		l = c.PithMM + c.past() - c.OuterLostMM
		for _, w := range c.Widths {
			l += w
		}
		l *= 1 + c.Shape.Eccentric
	}
	l += c.BarkMM
	for _, b := range c.Breaks {
		l += b.OpeningMM
	}
	return l
}

const (
	trayMargin = 8.0  // mm kept free round everything
	closeBy    = 2.5  // the same on a tray that is to hold little but wood
	labelRoom  = 24.0 // mm at the left for labels beside cores
)

// Arrange lays the cores below one another (or side by side on an upright
// tray), bare or in mounts, with a ruler and labels, and sets the tray's size.
func Arrange(r *rand.Rand, t *Tray, o Options) {
	a := &arranger{r: r, t: t, o: o}
	var longest float64
	for i := range t.Cores {
		longest = max(longest, t.Cores[i].extent())
	}
	a.margin = trayMargin
	if o.Close {
		a.margin = closeBy
	}
	a.left, a.width = a.margin, longest+2*a.margin+6
	a.at = a.margin
	if !o.Plain {
		if !o.Close {
			a.width += 20 // the mounts are longer than their cores
			a.labelled = chance(r, 0.4)
		}
		a.mountShare = []float64{0, 0, 1, 1, 0.5}[r.IntN(5)]
	}
	if a.labelled {
		a.left += labelRoom
		a.width += labelRoom
	}
	for i := 0; i < len(t.Cores); {
		n := 1
		if chance(r, a.mountShare) {
			if i+1 < len(t.Cores) && chance(r, 0.25) {
				n = 2
			}
			a.mount(t.Cores[i : i+n])
		} else {
			a.bare(&t.Cores[i])
		}
		i += n
	}
	if !o.NoRuler && !o.Close {
		a.ruler()
	}
	if !o.Plain && !o.Close && chance(r, 0.4) {
		a.trayLabel()
	}
	a.close()
}

// arranger holds how far a tray is filled.
type arranger struct {
	r           *rand.Rand
	t           *Tray
	o           Options
	margin      float64 // kept free round everything
	left, width float64 // where cores may begin, and the tray's width
	at          float64 // filled down to here
	labelled    bool
	mountShare  float64
}

// put lays a core with its middle at y and returns the middle of what is seen.
func (a *arranger) put(c *Core, x, y, angle float64) {
	c.AngleDeg = angle
	shift := c.BarkMM / 2 // the wood's middle is off that of wood and bark
	if math.Cos(angle*math.Pi/180) < 0 {
		shift = -shift
	}
	c.CentreMM = [2]float64{x + shift, y}
}

func (a *arranger) facing() float64 {
	if chance(a.r, 0.5) {
		return 180
	}
	return 0
}

// turn draws a small rotation for something of the given length.
func (a *arranger) turn(length float64) float64 {
	if a.o.Plain {
		return 0
	}
	limit := min(1.4, 1.5/length*180/math.Pi)
	if chance(a.r, 0.12) {
		limit = 3 // laid carelessly
	}
	return between(a.r, -limit, limit)
}

func (a *arranger) bare(c *Core) {
	l := c.extent()
	turn := a.turn(l)
	room := c.BoreMM/2 + math.Abs(c.BowMM) + l/2*math.Abs(math.Sin(turn*math.Pi/180))
	x := a.left + l/2 + 1 + a.r.Float64()*(a.width-a.margin-a.left-l-2)
	y := a.at + room + 2
	a.put(c, x, y, a.facing()+turn)
	if a.labelled {
		a.label(c.ID, y)
	}
	a.at = y + room + between(a.r, 2, 6)
}

// mount lays one core, or two touching ones, in a wooden mount.
func (a *arranger) mount(cores []Core) {
	r := a.r
	var longest, bow, sum float64
	for i := range cores {
		c := &cores[i]
		c.Marks.Mounted = true
		c.BowMM *= 0.35 // glued straight
		c.BoreMM = c.FlatMM
		longest = max(longest, c.extent())
		bow = max(bow, math.Abs(c.BowMM))
		sum += c.BoreMM
	}
	m := Mount{BreadthMM: sum + 2*bow + between(r, 4, 16), Grain: between(r, 0.015, 0.05), GlueMM: logBetween(r, 0.04, 0.35)}
	m.LengthMM = min(longest+between(r, 4, 34), a.width-a.left-a.margin-1)
	m.LengthMM = max(m.LengthMM, longest+1)
	m.Colour = a.mountColour(&cores[0])
	m.Glue = []RGB{{74, 52, 36}, {168, 138, 92}, {206, 190, 150}, {54, 42, 34}}[r.IntN(4)]
	turn := a.turn(m.LengthMM)
	room := m.BreadthMM/2 + m.LengthMM/2*math.Abs(math.Sin(turn*math.Pi/180))
	y := a.at + room + 0.5
	m.CentreMM = [2]float64{a.left + m.LengthMM/2 + a.r.Float64()*max(0, a.width-a.margin-a.left-m.LengthMM), y}
	m.AngleDeg = turn
	f := newFrame(m.CentreMM, turn)
	off := -sum/2 + between(r, -1.5, 1.5)
	dark := between(r, 0.5, 0.85)
	for i := range cores {
		c := &cores[i]
		l := c.extent()
		q := off + c.BoreMM/2
		off += c.BoreMM
		p := between(r, -0.5, 0.5) * (m.LengthMM - l - 1)
		x, yy := f.from(p, q)
		angle := a.facing() + turn
		a.put(c, x, yy, angle)
		g := Groove{OffMM: q, FromMM: p - l/2, ToMM: p + l/2, BreadthMM: c.BoreMM + math.Abs(c.BowMM),
			CoreMM: [2]float64{p - l/2, p + l/2}, Dark: dark}
		if chance(r, 0.6) { // the groove runs on beyond the core
			g.FromMM, g.ToMM = -m.LengthMM/2-1, m.LengthMM/2+1
		}
		m.Grooves = append(m.Grooves, g)
	}
	a.t.Mounts = append(a.t.Mounts, m)
	switch {
	case a.labelled:
		a.label(cores[0].ID, y)
	case !a.o.Close && chance(r, 0.4):
		a.writing(&m, f, cores)
	}
	a.at = y + room + between(r, 0.5, 5)
}

// mountColour is that of cheap softwood, beech or board, often close to the
// core's.
func (a *arranger) mountColour(c *Core) RGB {
	r := a.r
	if chance(r, 0.5) {
		return c.Look.Early.mix(c.Look.Late, between(r, 0.1, 0.5)).times(between(r, 0.92, 1.05))
	}
	k := []RGB{{222, 192, 148}, {196, 158, 116}, {164, 128, 92}, {208, 180, 146}, {120, 92, 66}}[r.IntN(5)]
	return k.times(between(r, 0.9, 1.05))
}

// writing puts an id on the mount itself, clear of the cores.
func (a *arranger) writing(m *Mount, f frame, cores []Core) {
	room := m.BreadthMM
	for _, g := range m.Grooves {
		room = min(room, m.BreadthMM/2-math.Abs(g.OffMM)-g.BreadthMM/2)
	}
	h := min(room*0.8, 3.5)
	if h < 1.5 {
		return
	}
	x, y := f.from(between(a.r, -0.4, 0.2)*m.LengthMM, m.BreadthMM/2-h*1.15)
	a.t.Labels = append(a.t.Labels, Label{AtMM: [2]float64{x, y}, AngleDeg: m.AngleDeg, LengthMM: 16, BreadthMM: h,
		Ink: RGB{54, 54, 62}, Lines: []string{cores[0].ID}, Bare: true})
}

// label puts a paper beside a core.
func (a *arranger) label(id string, y float64) {
	r := a.r
	h := between(r, 4, 7)
	a.t.Labels = append(a.t.Labels, Label{AtMM: [2]float64{trayMargin - 2 + between(r, 0, 3), y - h/2 + between(r, -0.7, 0.7)},
		AngleDeg: between(r, -2, 2), LengthMM: between(r, 15, 20), BreadthMM: h, Paper: paper(r), Ink: RGB{40, 40, 48},
		Lines: []string{id}})
}

func paper(r *rand.Rand) RGB {
	return []RGB{{246, 246, 242}, {238, 234, 222}, {232, 232, 236}, {244, 232, 160}}[r.IntN(4)]
}

// ruler puts the ruler below the cores, or standing to their right.
func (a *arranger) ruler() {
	standing := !a.o.Plain && a.at > 60 && chance(a.r, 0.15)
	if standing {
		u := RandomRuler(a.r, a.at-trayMargin, a.o)
		lean := u.LengthMM * math.Abs(math.Sin(u.AngleDeg*math.Pi/180))
		u.AngleDeg += 90 // the zero at the bottom
		u.AtMM = [2]float64{a.width - trayMargin + 4 + lean, a.at - u.MarginMM}
		a.width = u.AtMM[0] + u.BreadthMM + lean + trayMargin
		a.t.Ruler = u
		return
	}
	u := RandomRuler(a.r, a.width-2*trayMargin, a.o)
	rise := u.LengthMM * math.Abs(math.Sin(u.AngleDeg*math.Pi/180))
	u.AtMM = [2]float64{trayMargin + u.MarginMM, a.at + 3}
	if u.AngleDeg > 0 {
		u.AtMM[1] += rise
	}
	a.at += 3 + rise + u.BreadthMM + 4
	a.t.Ruler = u
}

// trayLabel puts a paper with the tray's name at the bottom, sometimes over
// part of the ruler.
func (a *arranger) trayLabel() {
	r := a.r
	l := Label{LengthMM: between(r, 26, 48), BreadthMM: between(r, 9, 15), AngleDeg: between(r, -2, 2), Paper: paper(r), Ink: RGB{30, 30, 34},
		Lines: []string{fmt.Sprintf("TRAY %02d", 1+r.IntN(60)), fmt.Sprintf("PLOT %c%d", 'A'+rune(r.IntN(8)), 1+r.IntN(20))}}
	x := between(r, trayMargin, a.width-trayMargin-l.LengthMM)
	if a.t.Ruler != nil && math.Abs(a.t.Ruler.AngleDeg) < 45 && chance(r, 0.4) {
		u := a.t.Ruler
		y := u.AtMM[1] + u.BreadthMM*0.35
		if u.Scales[0].FarEdge {
			y = u.AtMM[1] - l.BreadthMM*0.4
		}
		l.AtMM = [2]float64{x, max(y, 1)}
		a.at = max(a.at, l.AtMM[1]+l.BreadthMM)
	} else {
		l.AtMM = [2]float64{x, a.at + 2}
		a.at += l.BreadthMM + 5
	}
	a.t.Labels = append(a.t.Labels, l)
}

// close sets the tray's size, and turns it where the cores shall stand.
func (a *arranger) close() {
	t := a.t
	w, h := a.width, a.at+a.margin
	if t.Upright {
		turn := func(at *[2]float64, angle *float64) {
			*at = [2]float64{at[1], w - at[0]}
			*angle += 90
		}
		for i := range t.Cores {
			turn(&t.Cores[i].CentreMM, &t.Cores[i].AngleDeg)
		}
		for i := range t.Mounts {
			turn(&t.Mounts[i].CentreMM, &t.Mounts[i].AngleDeg)
		}
		for i := range t.Labels {
			turn(&t.Labels[i].AtMM, &t.Labels[i].AngleDeg)
		}
		if t.Ruler != nil {
			turn(&t.Ruler.AtMM, &t.Ruler.AngleDeg)
		}
		w, h = h, w
	}
	t.WidthPx, t.HeightPx = int(w/t.MMPerPx[0]), int(h/t.MMPerPx[1])
}
