package dating

import (
	"math"
	"slices"

	"pithward/measure/archive"
)

// sequence is a series as places along its wood, from the youngest ring to the
// oldest: the boundaries accepted at present and the places where another may
// be. Any choice of the places is a reading of the series.
type sequence struct {
	id, core string
	series   archive.Series // trimmed
	floating bool
	places   []place
	years    []int     // present year of each ring, the youngest first
	width    []float64 // of each ring, mm; NaN: not measured
	level    []float64 // natural logarithm of the usual width round each ring
	sd       float64   // of the logarithm of a width round it
	unknown  []int     // rings without a width outward of each ring
}

// place is where a boundary is or may be.
type place struct {
	at    float64 // mm of wood inward of the series' outer end
	odds  float64 // of a boundary here against none, before time is asked
	on    bool    // accepted at present
	fixed bool    // an end of the series, which is not in doubt
	ring  int     // an accepted boundary's outer ring; the ring that another place lies in
	skip  int     // years known to be without a ring, between an accepted boundary's two rings
	share float64 // of the ring's width outward of the place
	ratio float64 // of a guess: what its odds owe to its ring being two rather than one
	plain float64 // of a guess: its odds without that
	whole float64 // of the guess in the middle: the odds of all guesses in its ring
	// veiled are the odds that wood in which nothing can be seen hides one boundary,
	// two and so on, against none; nil for any other place.
	veiled []float64
	seen   *archive.PicturePlace
}

// guess tells whether the place is one that no picture shows, but that a
// boundary could be at all the same.
func (p place) guess() bool { return !p.on && p.seen == nil }

// The model of a reading before time is asked; chosen but where said otherwise.
const (
	levelPeriod = 15    // years of which the usual width passes half
	farOff      = 5.0   // deviations at which a width is cut off
	tailFreedom = 5.0   // of the logarithms of widths round their level
	noRing      = -3.0  // the anomaly of a year known to be without a ring
	unseenPrior = 0.014 // a boundary missed where the picture shows no candidate: measured, 237 of 16417 on rendered cores, without stretches of three and more
	missedPrior = 0.001 // the same in a ring of a file that comes without picture
	inventPrior = 0.001 // a boundary of such a file that is none
	absentPrior = 0.002 // an absent ring, a year, as long as nothing is known of the stand
	absentRings = 200.  // for so many rings: sites differ by far, from none to one in forty
	// An absent ring is likelier in a year that is narrow elsewhere: by exp(-1.7 m - 1.9)
	// of the site's rate, m being the mean anomaly of the other trees. Fitted to the zeros
	// of mt119 and az615 of the International Tree-Ring Data Bank and of the oldest
	// years of ut526, mt120 and wy039, none of them in the table of cmd/evaluate-dating.
	absentSlope = 1.7
	absentUsual = 1.9
	mostAbsent  = 0.6
	// and in years that are not narrow: 13 zeros of 23 614 rings where m is above 0.
	absentAnywhere = 0.0005
	personOdds     = 2000 // of a boundary that a person has set or confirmed
	sureOdds       = 1e4  // of what a picture calls certain
)

// guessShares are where in a ring a boundary is tried that no picture shows;
// middleGuess stands for all of them.
func guessShares() []float64 { return []float64{0.15, 0.3, middleGuess, 0.6, 0.75, 0.9} }

const middleGuess = 0.45

// newSequence lays a series out. ok is false where it has fewer than ten rings
// with a width, or they do not vary.
func newSequence(s archive.Series) (q *sequence, ok bool) {
	s = s.Trim()
	q = &sequence{id: s.ID, core: s.Core, series: s, floating: s.Floating}
	var skips []int
	var pictures []archive.RingPicture
	for k := len(s.Widths) - 1; k >= 0; k-- {
		w := s.Widths[k]
		if w == archive.Absent && len(skips) > 0 {
			skips[len(skips)-1]++
			continue
		}
		q.years, skips = append(q.years, s.FirstYear+k), append(skips, 0)
		width := math.NaN()
		if w.Measured() && w > 0 {
			width = float64(w)
		}
		q.width = append(q.width, width)
		p := archive.RingPicture{}
		if s.Pictures != nil {
			p = s.Pictures[k]
		}
		pictures = append(pictures, p)
	}
	if len(defined(q.width)) < 10 {
		return nil, false
	}
	q.level, q.sd = usual(q.width)
	q.even()
	if !(q.sd > 0.02) {
		return nil, false
	}
	q.lay(skips, pictures)
	return q, true
}

// usual returns the level of the logarithms of widths, by a spline that single
// odd rings do not bend, and their deviation from it.
func usual(width []float64) (level []float64, sd float64) {
	logs := make([]float64, len(width))
	for i, w := range width {
		logs[i] = math.Log(w)
	}
	lambda := SplineLambda(levelPeriod)
	level = Spline(logs, lambda)
	for range 2 {
		sd = middleDeviation(logs, level)
		tame := slices.Clone(logs)
		for i := range tame {
			tame[i] = math.Max(level[i]-2*sd, math.Min(level[i]+2*sd, tame[i]))
		}
		level = Spline(tame, lambda)
	}
	return level, middleDeviation(logs, level)
}

// even sets the deviation so that the anomalies have a variance of 1.
func (q *sequence) even() {
	for range 3 {
		var sum, n float64
		for r, w := range q.width {
			if x := q.x(r, w); x == x {
				sum, n = sum+x*x, n+1
			}
		}
		q.sd *= math.Sqrt(sum / n)
	}
}

// middleDeviation is the standard deviation of values round a level, by the
// median of the distances.
func middleDeviation(values, level []float64) float64 {
	d := make([]float64, len(values))
	for i := range d {
		d[i] = math.Abs(values[i] - level[i])
	}
	m, _ := Median(d)
	return m / 0.674490 // quartile of the normal distribution
}

// lay puts the places in order.
func (q *sequence) lay(skips []int, pictures []archive.RingPicture) {
	last := len(q.years) - 1
	q.places = []place{{on: true, fixed: true, ring: -1}}
	at, unknown := 0.0, 0
	for r := range q.years {
		q.unknown = append(q.unknown, unknown)
		w := q.width[r]
		if math.IsNaN(w) {
			unknown++
			w = math.Exp(q.level[r])
		} else {
			q.layWithin(r, at, w, pictures[r])
		}
		at += w
		p := place{at: at, on: true, fixed: r == last, ring: r, skip: skips[r], share: 1, seen: pictures[r].Boundary}
		switch {
		case p.seen == nil && r < last:
			p.odds = q.plainOdds(r)
		case p.seen != nil && p.seen.ByPerson:
			p.odds = personOdds
		case p.seen != nil:
			p.odds = odds(p.seen.Probability)
		}
		q.places = append(q.places, p)
	}
	q.unknown = append(q.unknown, unknown)
}

// layWithin adds the places within ring r, which begins at a length and has a
// width.
func (q *sequence) layWithin(r int, at, width float64, picture archive.RingPicture) {
	first := len(q.places)
	for i := range picture.Candidates {
		x := &picture.Candidates[i]
		q.places = append(q.places, place{at: at + x.Share*width, odds: odds(x.Probability), ring: r, share: x.Share, seen: x})
	}
	prior := missedPrior
	if picture.Boundary != nil {
		prior = unseenPrior
	}
	shares := guessShares()
	plain, whole, middle := prior/float64(len(shares)), 0.0, 0
	for _, f := range shares {
		if f == middleGuess {
			middle = len(q.places)
		}
		ratio := q.splitRatio(r, f)
		whole += plain * ratio
		q.places = append(q.places, place{at: at + f*width, odds: plain * ratio, ratio: ratio, plain: plain, ring: r, share: f})
	}
	q.places[middle].whole = whole
	if v := q.veiled(r, picture.Hidden); v != nil {
		q.places = append(q.places, place{at: at + picture.HiddenAt*width, odds: 1, veiled: v, ring: r, share: picture.HiddenAt})
	}
	slices.SortStableFunc(q.places[first:], func(a, b place) int {
		if a.at < b.at {
			return -1
		}
		return 1
	})
}

func odds(p float64) float64 {
	return math.Max(1/sureOdds, math.Min(sureOdds, p/(1-math.Min(p, 1-1e-9))))
}

// splitRatio is the density of a ring being two, parted at a share, against
// being one: widths are log-normal round the level.
func (q *sequence) splitRatio(r int, share float64) float64 {
	x, a, b := q.x(r, q.width[r]), q.x(r, share*q.width[r]), q.x(r, (1-share)*q.width[r])
	return math.Min(1e3, math.Exp((x*x-a*a-b*b)/2)/(q.sd*share*(1-share)*math.Sqrt(2*math.Pi)))
}

// plainOdds are those of the boundary between ring r and the next older one,
// from the widths alone.
func (q *sequence) plainOdds(r int) float64 {
	a, b := q.width[r], q.width[r+1]
	if math.IsNaN(a) || math.IsNaN(b) {
		return 1 / inventPrior
	}
	f := a / (a + b)
	x, y, z := q.x(r, a+b), q.x(r, a), q.x(r, b)
	ratio := q.sd * f * (1 - f) * math.Sqrt(2*math.Pi) * math.Exp((y*y+z*z-x*x)/2)
	return 1 / (inventPrior * math.Min(1e3, ratio))
}

// x is the anomaly of a width at ring r, in standard deviations.
func (q *sequence) x(r int, width float64) float64 { return anomaly(width, q.level[r], q.sd) }

// anomaly sets a width's logarithm against its level, drawn in so that what
// follows Student's t with tailFreedom degrees of freedom becomes about normal:
// -2 log of the one density is the square of the other's argument.
func anomaly(width, level, sd float64) float64 {
	x := (math.Log(width) - level) / sd
	if x != x {
		return x
	}
	x = math.Max(-farOff, math.Min(farOff, x))
	return math.Copysign(math.Sqrt((tailFreedom+1)*math.Log1p(x*x/tailFreedom)), x)
}

// anomaly is that of the ring between two places; NaN where its width is not
// known.
func (q *sequence) anomaly(i, j int) float64 {
	from, to := q.inward(i), q.places[j].ring
	if q.unknown[to+1] > q.unknown[from] {
		return math.NaN()
	}
	return q.x((from+to)/2, q.places[j].at-q.places[i].at)
}

// inward is the present ring just inward of a place.
func (q *sequence) inward(i int) int {
	if q.places[i].on {
		return q.places[i].ring + 1
	}
	return q.places[i].ring
}

// yearInward is the present year just inward of a place.
func (q *sequence) yearInward(i int) int {
	r := q.inward(i)
	if r == len(q.years) {
		return q.years[r-1] - 1
	}
	return q.years[r]
}

// present returns the anomalies of the series as it is read at present.
func (q *sequence) present() Values {
	n := q.years[0] - q.years[len(q.years)-1] + 1
	v := Values{q.years[len(q.years)-1], make([]float64, n)}
	for k := range v.V {
		v.V[k] = noRing // years known to be without a ring
	}
	for r, y := range q.years {
		x := math.NaN()
		if !math.IsNaN(q.width[r]) {
			x = q.x(r, q.width[r])
		}
		v.V[y-v.FirstYear] = x
	}
	return v
}
