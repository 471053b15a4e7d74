package dating

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"pithward/measure"
	"pithward/measure/archive"
)

// FaultKind is what can be wrong with a ring of a series.
type FaultKind string

// The kinds. A missed boundary makes two rings one; an invented one makes one
// ring two; an absent ring is a year in which the radius grew no wood.
const (
	Missed   FaultKind = "missed"
	Invented FaultKind = "invented"
	Absent   FaultKind = "absent"
)

// Suspect is a place where a ring is probably missed, invented or absent, and
// what would come of it.
type Suspect struct {
	Kind FaultKind
	// Year is the ring, in the series' present years, within which a boundary
	// was missed, or which is invented, or between which and the next older one
	// a ring is absent.
	Year int
	// Place is the id of the boundary or candidate on the scan, "" where the
	// picture shows none; AtMM and PointPx say where to look.
	Place              string
	AtMM               *float64
	PointPx            *measure.Point
	PictureProbability *float64 // of the fault, by the picture alone
	FromYear, ToYear   int      // where it may be instead, in present years
	// AgreeFrom and AgreeTo are the years that the fault, once mended, makes
	// agree: the rings inward of it, as far as the next suspect. RBefore and
	// RAfter are their correlation with the other trees, with the faults further
	// out mended, and with this one mended too.
	AgreeFrom, AgreeTo int
	RBefore, RAfter    float64
	Posterior          float64 // that there is such a fault between FromYear and ToYear
	Here               float64 // that it is at this very place
	Hidden             int     // boundaries that wood in which nothing can be seen hides, most probably; 0: the place is no such wood
	place              int
}

// shown is the posterior below which a suspect is not listed (chosen).
const shown = 0.05

// Suspects looks for what was missed or invented in a doubtful series, and for
// absent rings, by what the picture and all other trees say together (see chain).
// The series may have many faults. It is in the order of Posterior; none, where
// the series cannot be used or where no other tree has its years.
func (st *Stand) Suspects(i int) []Suspect {
	r, ok := st.read(i)
	if !ok {
		return nil
	}
	return newSuspicion(st.sequence(i), &r.alignment, r.clue).list()
}

// suspicion turns posteriors into suspects.
type suspicion struct {
	q       *sequence
	a       *alignment
	clue    Values // means of the common signal
	present Values
}

func newSuspicion(q *sequence, a *alignment, c *clue) *suspicion {
	return &suspicion{q, a, c.values(), q.present()}
}

// mark is the posterior of a fault of one kind at one place.
type mark struct {
	place int
	ring  int // by which marks are neighbours
	p     float64
}

// list gathers the suspects of all kinds.
func (s *suspicion) list() []Suspect {
	var all []Suspect
	for _, kind := range []FaultKind{Missed, Invented, Absent} {
		all = append(all, s.clusters(kind, s.marks(kind))...)
	}
	s.agreement(all)
	slices.SortStableFunc(all, func(a, b Suspect) int { return cmp.Compare(b.Posterior, a.Posterior) })
	return all
}

// marks lists the posteriors of a kind. The guesses within a ring count as one
// place, the likeliest of them.
func (s *suspicion) marks(kind FaultKind) []mark {
	var out []mark
	for k, p := range s.q.places {
		if p.fixed {
			continue
		}
		ring := p.ring
		switch {
		case kind == Missed && p.guess():
			if n := len(out); n > 0 && out[n-1].ring == ring && s.q.places[out[n-1].place].guess() {
				if out[n-1].p += s.a.on[k]; s.a.on[k] > s.a.on[out[n-1].place] {
					out[n-1].place = k
				}
				continue
			}
			out = append(out, mark{k, ring, s.a.on[k]})
		case kind == Missed && !p.on:
			out = append(out, mark{k, ring, s.a.on[k]})
		case kind == Invented && p.on:
			out = append(out, mark{k, ring, 1 - s.a.on[k]})
		case kind == Absent && p.on:
			out = append(out, mark{k, ring, s.a.absent[k]})
		}
	}
	return out
}

// clusters gathers a fault's probability over neighbouring places, since time
// alone seldom tells the very year. Places that cannot be the same fault, their
// probabilities adding up to more than 1, stay apart.
func (s *suspicion) clusters(kind FaultKind, marks []mark) []Suspect {
	left := slices.Clone(marks)
	var out []Suspect
	for {
		peak := 0
		for i := range left {
			if left[i].p > left[peak].p {
				peak = i
			}
		}
		if len(left) == 0 || left[peak].p < shown/4 {
			return out
		}
		top := left[peak].p
		from, to, sum := peak, peak, top
		joins := func(i, beside int) bool {
			return i >= 0 && i < len(left) && left[i].p >= top/20 && sum+left[i].p <= 1.02 && max(left[i].ring-left[beside].ring, left[beside].ring-left[i].ring) <= 1
		}
		for joins(from-1, from) {
			from--
			sum += left[from].p
		}
		for joins(to+1, to) {
			to++
			sum += left[to].p
		}
		if sum >= shown {
			x := s.at(kind, left[peak])
			x.FromYear, x.ToYear = s.q.years[left[to].ring], s.q.years[left[from].ring]
			x.Posterior = math.Min(1, sum)
			out = append(out, x)
		}
		for i := from; i <= to; i++ {
			left[i].p = 0
		}
	}
}

// at describes a fault at one place.
func (s *suspicion) at(kind FaultKind, m mark) Suspect {
	p := s.q.places[m.place]
	x := Suspect{Kind: kind, Year: s.q.years[p.ring], Here: m.p, place: m.place}
	if p.seen != nil {
		at, point, picture := p.seen.AtMM, p.seen.PointPx, p.seen.Probability
		x.Place, x.AtMM, x.PointPx = p.seen.ID, &at, &point
		switch kind {
		case Missed:
			x.PictureProbability = &picture
		case Invented:
			picture = 1 - picture
			x.PictureProbability = &picture
		}
	} else if p.veiled != nil {
		x.Hidden = max(1, int(math.Round(s.a.many[m.place]/math.Max(s.a.on[m.place], 1e-9))))
	}
	if outer, inner, ok := s.around(m.place); ok && p.seen == nil {
		at := outer.AtMM + p.share*(inner.AtMM-outer.AtMM)
		point := measure.Point{outer.PointPx[0] + p.share*(inner.PointPx[0]-outer.PointPx[0]), outer.PointPx[1] + p.share*(inner.PointPx[1]-outer.PointPx[1])}
		x.AtMM, x.PointPx = &at, &point
	}
	return x
}

// around returns the boundaries of the ring that a place lies in, as far as the
// picture shows them.
func (s *suspicion) around(k int) (outer, inner archive.PicturePlace, ok bool) {
	for i := k; i >= 0; i-- {
		if p := s.q.places[i]; p.on && p.seen != nil {
			outer, ok = *p.seen, true
			break
		}
	}
	for i := k; ok && i < len(s.q.places); i++ {
		if p := s.q.places[i]; p.on {
			if p.seen == nil {
				break
			}
			return outer, *p.seen, true
		}
	}
	return outer, inner, false
}

// The stretch over which the agreement inward of a fault is judged, rings
// (chosen; few rings tell nothing, and many hold the next fault).
const (
	leastStretch = 15
	mostStretch  = 60
)

// agreement adds what each suspect would change.
func (s *suspicion) agreement(all []Suspect) {
	for i := range all {
		x := &all[i]
		first := s.q.inward(x.place)
		if x.Kind != Missed {
			first = s.q.places[x.place].ring + 1
		}
		last := min(len(s.q.years)-1, first+mostStretch-1)
		for _, o := range all {
			if r := s.q.places[o.place].ring; o.place > x.place && o.Posterior >= 0.5 && r-first+1 >= leastStretch {
				last = min(last, r)
			}
		}
		if first > last {
			continue
		}
		part := Values{FirstYear: s.q.years[last]}
		for year := part.FirstYear; year <= s.q.years[first]; year++ {
			part.V = append(part.V, s.present.At(year))
		}
		before := s.offsetAt(x.place)
		after := before + x.Kind.shift()*max(1, x.Hidden)
		_, x.RBefore, _ = fastCorrelation(part, s.clue, before)
		_, x.RAfter, _ = fastCorrelation(part, s.clue, after)
		x.AgreeFrom, x.AgreeTo = part.FirstYear+after, part.LastYear()+after
	}
}

// shift is the change of all older rings' years when the fault is mended.
func (k FaultKind) shift() int {
	if k == Invented {
		return 1
	}
	return -1
}

// offsetAt is the likely shift just outward of a place.
func (s *suspicion) offsetAt(k int) int {
	for i := k - 1; i > 0; i-- {
		if s.q.places[i].on && s.a.on[i] > 0.5 {
			return s.a.offset[i]
		}
	}
	return s.a.offset[0]
}

// String words a suspect for people.
func (x Suspect) String() string {
	var words string
	where := fmt.Sprintf("in the ring of %d", x.Year)
	if x.AtMM != nil {
		where = fmt.Sprintf("at %.2f mm", *x.AtMM)
	}
	picture := ""
	if x.PictureProbability != nil {
		picture = fmt.Sprintf(" (picture %.2f)", *x.PictureProbability)
	}
	switch {
	case x.Hidden > 1:
		words = fmt.Sprintf("%d boundaries in the hidden wood %s", x.Hidden, where)
	case x.Hidden == 1:
		words = "a boundary in the hidden wood " + where
	case x.Kind == Missed:
		words = "a boundary " + where + picture
	case x.Kind == Invented:
		words = "no boundary " + where + picture
		if x.AtMM == nil {
			words = fmt.Sprintf("the rings of %d and %d as one", x.Year, x.Year-1)
		}
	default:
		words = fmt.Sprintf("a ring absent between %d and %d", x.Year, x.Year-1)
		if x.AtMM != nil {
			words = "a ring absent " + where
		}
	}
	switch {
	case x.RBefore == 0 || x.RAfter == 0: // too few years in common to tell
	case x.RAfter > x.RBefore:
		words += fmt.Sprintf(" would make %d-%d agree (r %.2f to %.2f)", x.AgreeFrom, x.AgreeTo, x.RBefore, x.RAfter)
	default:
		words += fmt.Sprintf(" would not make %d-%d agree better (r %.2f to %.2f)", x.AgreeFrom, x.AgreeTo, x.RBefore, x.RAfter)
	}
	if x.Posterior > 0.99 { // nothing is certain
		return words + ": posterior above 0.99"
	}
	return words + fmt.Sprintf(": posterior %.2f", x.Posterior)
}
