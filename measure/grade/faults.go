package grade

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"pithward/measure"
)

// finder tells the faults from a comparison.
type finder struct {
	comparison
	kw, sw    Work
	kr, sr    []int // of each ring that grew wood, by its boundaries: its index in the work
	pair      []int // of each of the student's boundaries: the key's it is or was meant to be, or -1
	of        []int // of each of the key's: the student's, or -1
	mm        bool  // there is a scale
	hasAt     bool  // the key has places
	placed    bool  // compared by places
	found     []Fault
	causes    []cause
	fromFirst int // the key's and student's first and last boundaries that are paired
	toLast    int
}

// cause is a fault that shifts the count of rings, at a place in the key: a
// boundary's number, or half way between two; -1 before the first ring.
type cause struct {
	at       float64
	shift    int
	optional bool // at the bark end years may be right all the same
	keyRing  int
	fault    int // index in found
}

func newFinder(c comparison, key, student Work) *finder {
	f := &finder{comparison: c, kw: key, sw: student, kr: key.standing(), sr: student.standing()}
	f.hasAt = key.Places != nil
	f.placed = c.by == "places"
	f.mm = !f.placed || key.Places.MMPerPx != nil
	f.pair, f.of = slices.Clone(c.partner), make([]int, len(c.key))
	for j := range f.of {
		f.of[j] = -1
	}
	f.fromFirst, f.toLast = -1, -1
	for i := range f.pair {
		if f.pair[i] < 0 {
			f.pair[i] = c.displaced[i]
		}
		if j := f.pair[i]; j >= 0 {
			f.of[j] = i
			if f.fromFirst < 0 {
				f.fromFirst = i
			}
			f.toLast = i
		}
	}
	return f
}

// faults lists them from bark to pith.
func (f *finder) faults() []Fault {
	if f.fromFirst < 0 {
		return nil
	}
	f.ends()
	f.boundaries()
	f.absentRings()
	f.slips()
	if f.placed {
		f.gaps()
	}
	slices.SortStableFunc(f.found, func(a, b Fault) int { return cmp.Compare(a.At, b.At) })
	return f.found
}

// ringNumber is the number of the key's ring that grew wood, counted as people do.
func (f *finder) ringNumber(r int) int {
	return f.kr[max(0, min(len(f.kr)-1, r))] + 1
}

// ringWords names a ring for a student.
func (f *finder) ringWords(number int) string {
	if y := f.kw.Rings[number-1].Year; y != nil {
		return "the ring of " + yearText(*y)
	}
	return fmt.Sprintf("ring %d", number)
}

func yearText(year int) string {
	if year <= 0 {
		return fmt.Sprintf("%d BC", 1-year)
	}
	return fmt.Sprint(year)
}

// add notes a fault at a ring (from 1) and a place on the axis.
func (f *finder) add(x Fault, number int, at float64) int {
	x.KeyRing = &number
	x.Year = f.kw.Rings[number-1].Year
	x.At = at
	if f.hasAt && f.kw.Places.MMPerPx != nil {
		mm := f.pathMM(at)
		x.AtMM = &mm
	}
	f.found = append(f.found, x)
	return len(f.found) - 1
}

// pathMM turns a place on the axis into a length along the key's path. By
// widths the axis is wood alone, so that it is stretched between boundaries.
func (f *finder) pathMM(at float64) float64 {
	if f.placed {
		return at
	}
	r := measure.NewRadius(f.kw.Places.PathPx, f.kw.Places.MMPerPx)
	j, _ := slices.BinarySearch(f.key, at)
	j = max(1, min(len(f.key)-1, j))
	a, b := r.At(f.kw.Places.Bounds[j-1].PointPx), r.At(f.kw.Places.Bounds[j].PointPx)
	return a + (b-a)*(at-f.key[j-1])/max(f.key[j]-f.key[j-1], 1e-9)
}

func (f *finder) keyPoint(j int) *measure.Point {
	if !f.hasAt {
		return nil
	}
	return &f.kw.Places.Bounds[j].PointPx
}

func (f *finder) studentPoint(i int) *measure.Point {
	if !f.placed {
		return nil
	}
	return &f.sw.Places.Bounds[i].PointPx
}

// ends tells what is left out or too much at bark and pith.
func (f *finder) ends() {
	late, early, beyond, short := 0, 0, 0, 0
	for j := range f.pair[f.fromFirst] {
		if f.key[j] < f.student[0] {
			late++
		}
	}
	for i := range f.fromFirst {
		if f.student[i] < f.key[0] {
			early++
		}
	}
	for j := f.pair[f.toLast] + 1; j < len(f.key); j++ {
		if f.key[j] > f.student[len(f.student)-1] {
			short++
		}
	}
	for i := f.toLast + 1; i < len(f.student); i++ {
		if f.student[i] > f.key[len(f.key)-1] {
			beyond++
		}
	}
	last := len(f.key) - 1
	if late > 0 {
		i := f.add(Fault{Kind: StartsLate, Rings: late, Certainty: f.keySure[0], PointPx: f.keyPoint(0),
			Detail: fmt.Sprintf("The outermost %s %s not measured: the radius begins at the bark.", rings(late), was(late))}, f.ringNumber(0), f.key[0])
		f.causes = append(f.causes, cause{-1, late, true, f.ringNumber(0), i})
	}
	if early > 0 {
		i := f.add(Fault{Kind: StartsEarly, Rings: early, Certainty: f.studentSure[0], PointPx: f.studentPoint(0),
			Detail: fmt.Sprintf("%s %s measured outside the outermost complete ring: is it bark, or a ring still growing?", capital(rings(early)), was(early))}, f.ringNumber(0), f.key[0])
		f.causes = append(f.causes, cause{-1, -early, true, f.ringNumber(0), i})
	}
	if short > 0 {
		f.add(Fault{Kind: EndsEarly, Rings: short, Certainty: f.keySure[last], PointPx: f.keyPoint(last),
			Detail: fmt.Sprintf("The innermost %s %s not measured.", rings(short), was(short))}, f.ringNumber(last-short), f.key[last-short])
	}
	if beyond > 0 {
		f.add(Fault{Kind: EndsLate, Rings: beyond, Certainty: f.studentSure[len(f.student)-1], PointPx: f.studentPoint(len(f.student) - 1),
			Detail: fmt.Sprintf("%s %s measured beyond the last ring of the key.", capital(rings(beyond)), was(beyond))}, f.ringNumber(last-1), f.key[last])
	}
}

func rings(n int) string {
	if n == 1 {
		return "ring"
	}
	return fmt.Sprintf("%d rings", n)
}

func was(n int) string {
	if n == 1 {
		return "was"
	}
	return "were"
}

func capital(s string) string {
	if s == "ring" {
		return "One ring"
	}
	return s
}

// boundaries tells what was missed, invented and set beside its place.
func (f *finder) boundaries() {
	for j := range f.key {
		if f.of[j] >= 0 || f.key[j] < f.student[0] || f.key[j] > f.student[len(f.student)-1] {
			continue
		}
		number := f.ringNumber(j - 1)
		i := f.add(Fault{Kind: Missed, Certainty: f.keySure[j], PointPx: f.keyPoint(j),
			Detail: fmt.Sprintf("The boundary inside %s is missing: two rings were measured as one.", f.ringWords(number))}, number, f.key[j])
		f.causes = append(f.causes, cause{float64(j), 1, false, number, i})
	}
	for i, j := range f.pair {
		switch {
		case j >= 0 && f.partner[i] < 0:
			f.misplaced(i, j)
		case j < 0 && f.student[i] >= f.key[0] && f.student[i] <= f.key[len(f.key)-1]:
			r, _ := slices.BinarySearch(f.key, f.student[i])
			number := f.ringNumber(r - 1)
			k := f.add(Fault{Kind: Invented, Certainty: f.studentSure[i], PointPx: f.studentPoint(i),
				Detail: fmt.Sprintf("%s was split in two: there is no boundary here.", capitalised(f.ringWords(number)))}, number, f.student[i])
			f.causes = append(f.causes, cause{max(0, float64(r)-0.5), -1, false, number, k})
		}
	}
}

func capitalised(s string) string {
	if s == "" {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}

func (f *finder) misplaced(i, j int) {
	off := f.student[i] - f.key[j]
	where := "towards the pith"
	if off < 0 {
		where = "towards the bark"
	}
	unit := "mm"
	if !f.mm {
		unit = "px"
	}
	number := f.ringNumber(j - 1)
	what := "The boundary inside " + f.ringWords(number)
	if j == 0 {
		what = "The outer end of " + f.ringWords(number)
	}
	f.add(Fault{Kind: Displaced, Certainty: f.studentSure[i], PointPx: f.keyPoint(j), StudentPx: f.studentPoint(i),
		Detail: fmt.Sprintf("%s lies %.2f %s too far %s.", what, math.Abs(off), unit, where)}, number, f.key[j])
}

// absentRings compares the years without wood, boundary by boundary.
func (f *finder) absentRings() {
	at := func(list []int, j int) int { // absent rings at a boundary
		if j <= 0 || j >= len(list) {
			return 0
		}
		return list[j] - list[j-1] - 1
	}
	for j := range f.key {
		if f.key[j] <= f.student[0] || f.key[j] >= f.student[len(f.student)-1] {
			continue // not measured
		}
		have, i := 0, f.of[j]
		if i >= 0 {
			have = at(f.sr, i)
		}
		for k := range at(f.kr, j) - have {
			number := f.kr[j-1] + 2 + have + k
			n := f.add(Fault{Kind: AbsentMissed, Certainty: 1, PointPx: f.keyPoint(j),
				Detail: fmt.Sprintf("%s is absent on this radius: a year without wood belongs here.", capitalised(f.ringWords(number)))}, number, f.key[j])
			f.causes = append(f.causes, cause{float64(j), 1, false, number, n})
		}
	}
	for i := range f.student {
		j, more := f.pair[i], at(f.sr, i)
		if j >= 0 {
			more -= at(f.kr, j)
		}
		for range more {
			r := j
			if j < 0 {
				r, _ = slices.BinarySearch(f.key, f.student[i])
			}
			number := f.ringNumber(r - 1)
			n := f.add(Fault{Kind: AbsentInvented, Certainty: 1, PointPx: f.studentPoint(i),
				Detail: fmt.Sprintf("An absent ring was put in next to %s; the key has none there.", f.ringWords(number))}, number, f.student[i])
			f.causes = append(f.causes, cause{float64(r), -1, false, number, n})
		}
	}
}

// slips follows the difference of years from bark to pith along the rings that
// both have whole, and finds where it changes.
func (f *finder) slips() {
	offset, last := 0, -1.0
	for r := range f.kr {
		i := f.of[r]
		if i < 0 || i >= len(f.sr) || f.of[r+1] != i+1 {
			continue
		}
		k, s := f.kw.Rings[f.kr[r]].Year, f.sw.Rings[f.sr[i]].Year
		if k == nil || s == nil {
			continue
		}
		if now := *s - *k; now != offset {
			f.slip(now-offset, last, r)
			offset = now
		}
		last = float64(r) + 1
	}
}

// slip notes a change of the years between two places, the second the outer
// boundary of ring r: one for each fault that shifted the count, if these
// explain it.
func (f *finder) slip(change int, from float64, r int) {
	var sum, sure int
	var here []cause
	for _, c := range f.causes {
		if c.at >= from && c.at <= float64(r) {
			here = append(here, c)
			sum += c.shift
			if !c.optional {
				sure += c.shift
			}
		}
	}
	if sum != change { // the years are right in spite of rings left out at the bark
		here, sum = slices.DeleteFunc(here, func(c cause) bool { return c.optional }), sure
	}
	if sum != change || len(here) == 0 {
		f.addSlip(change, f.ringNumber(r), f.key[r], 1, false)
		return
	}
	same := !slices.ContainsFunc(here, func(c cause) bool { return (c.shift > 0) != (change > 0) })
	for _, c := range here {
		by := change
		if same {
			by = c.shift
		} else if (c.shift > 0) != (change > 0) {
			continue
		}
		f.addSlip(by, c.keyRing, f.found[c.fault].At, f.found[c.fault].Certainty, true)
		if !same {
			return
		}
	}
}

func (f *finder) addSlip(by, number int, at, sure float64, caused bool) {
	way, n := "young", by
	if by < 0 {
		way, n = "old", -by
	}
	years := "year"
	if n > 1 {
		years = "years"
	}
	words := fmt.Sprintf("From %s on, all older rings are dated %d %s too %s.", f.ringWords(number), n, years, way)
	if caused {
		words = fmt.Sprintf("The dating slips here: all older rings are dated %d %s too %s.", n, years, way)
	}
	f.add(Fault{Kind: Slip, YearsShifted: &by, Certainty: sure, Caused: caused, Detail: words}, number, at)
}

// gaps compares the places where the core parted.
func (f *finder) gaps() {
	if f.kw.Places.MMPerPx == nil {
		return
	}
	r := measure.NewRadius(f.kw.Places.PathPx, f.kw.Places.MMPerPx)
	middle := func(s measure.Stretch) float64 { return (r.At(s.FromPx) + r.At(s.ToPx)) / 2 }
	const near = 1.0 // mm: chosen, as gaps are wide and their edges ragged
	has := func(list []measure.Stretch, at float64) bool {
		return slices.ContainsFunc(list, func(s measure.Stretch) bool { return abs(middle(s)-at) < near })
	}
	note := func(s measure.Stretch, kind Kind, words string) {
		at := middle(s)
		i, _ := slices.BinarySearch(f.key, at)
		p := s.FromPx
		f.add(Fault{Kind: kind, Certainty: 1, PointPx: &p, Detail: words}, f.ringNumber(i-1), at)
	}
	measured := func(at float64) bool { return at > f.student[0] && at < f.student[len(f.student)-1] }
	for _, g := range f.kw.Places.Gaps {
		if measured(middle(g)) && !has(f.sw.Places.Gaps, middle(g)) {
			note(g, GapMissed, "The core parts here, and the opening was measured as wood.")
		}
	}
	for _, g := range f.sw.Places.Gaps {
		if !has(f.kw.Places.Gaps, middle(g)) {
			note(g, GapInvented, "A gap was marked where the core does not part.")
		}
	}
}

// ringOf returns for each of the student's rings the key's ring that it is, or
// -1: both its boundaries are the key's, and neighbours there.
func (f *finder) ringOf() []int {
	out := make([]int, len(f.sw.Rings))
	for i := range out {
		out[i] = -1
	}
	for i := 0; i+1 < len(f.partner); i++ {
		if j := f.partner[i]; j >= 0 && f.partner[i+1] == j+1 {
			out[f.sr[i]] = f.kr[j]
		}
	}
	return out
}
