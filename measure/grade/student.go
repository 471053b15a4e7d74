package grade

import (
	"fmt"
	"math"
	"slices"

	"pithward/measure"
)

// Key is what students are held to: what one expert measured, or several. The
// first numbers the rings. Where another differs, a student who does as that
// one did is not marked down.
type Key struct {
	Work
	rubric  Rubric
	faults  [][]Fault           // of each other expert, against the first
	widths  []map[int][]float64 // of each other expert: by ring of the first
	experts []Work
}

// NewKey makes a key. The error says which expert cannot be held against the
// first, and why.
func NewKey(rubric Rubric, first Work, others ...Work) (*Key, error) {
	if from, _ := years(first); from != nil && *from == 1 {
		first = first.undated()
	}
	k := &Key{Work: first, rubric: rubric, experts: others}
	switch {
	case len(first.standing()) < 2:
		return nil, fmt.Errorf("%s: a key needs at least two rings", first.Name)
	case first.absurd():
		return nil, fmt.Errorf("%s: its widths or places lie beyond any wood", first.Name)
	}
	for _, o := range others {
		r := k.Student(o)
		for _, f := range r.Faults {
			if f.Kind == WrongCore || f.Kind == Unreadable {
				return nil, fmt.Errorf("%s is no other measurement of the core of %s: %s", o.Name, first.Name, f.Detail)
			}
		}
		widths := map[int][]float64{}
		for i, j := range r.View.Ring {
			if j >= 0 && r.View.StudentRings[i].WidthMM > 0 {
				widths[j] = append(widths[j], r.View.StudentRings[i].WidthMM)
			}
		}
		k.faults, k.widths = append(k.faults, r.Faults), append(k.widths, widths)
	}
	return k, nil
}

// fewest is the number of rings below which a file is called partial whatever
// the key has, and covers the share of the key below which it is: chosen.
const (
	fewest = 5
	covers = 0.7
)

// Student compares one student's work with the key and marks it.
func (k *Key) Student(w Work) Result {
	res := Result{Name: w.Name, File: w.File, FullMark: k.rubric.FullMark, Faults: []Fault{}, Parts: []Part{}, Warnings: slices.Clone(w.Warnings)}
	if res.Warnings == nil {
		res.Warnings = []string{}
	}
	res.View.KeyRings = k.Rings
	switch {
	case w.Fault != "":
	case len(w.standing()) == 0:
		w.Fault = "it holds no ring"
	case w.absurd():
		w.Fault = "its widths or places lie beyond any wood"
	}
	if w.Fault != "" {
		res.refuse(Unreadable, 1, "Nothing can be graded: "+w.Fault+".")
		return res
	}
	if len(w.standing()) < fewest {
		res.Warnings = append(res.Warnings, fmt.Sprintf("only %d rings", len(w.standing())))
	}
	w = w.undate(k.Work)
	if k.Places != nil && w.Places != nil && k.Places.Scan != "" && k.Places.Scan == w.Places.Scan && len(k.Places.Bounds) > 1 && len(w.Places.Bounds) > 1 {
		k.byPlaces(&res, w)
	} else {
		k.byWidths(&res, w)
	}
	res.tidy()
	return res
}

// tidy rounds what is written: probabilities and lengths to a millionth.
func (r *Result) tidy() {
	r.Certainty = round(r.Certainty, 1e6)
	for _, v := range []*float64{r.WidthBiasMM, r.WidthMAEMM, r.WidthRMSEMM} {
		if v != nil {
			*v = round(*v, 1e6)
		}
	}
	for _, list := range [][]Fault{r.Faults, r.Excused} {
		for i := range list {
			list[i].Certainty = round(list[i].Certainty, 1e6)
			if list[i].AtMM != nil {
				*list[i].AtMM = round(*list[i].AtMM, 1e6)
			}
		}
	}
}

// refuse gives no mark, with the reason.
func (r *Result) refuse(kind Kind, sure float64, why string) {
	r.Certainty = sure
	r.Faults = append(r.Faults, Fault{Kind: kind, Certainty: sure, Detail: why})
}

// ownCore is the share of boundaries that must lie on the key's core: chosen.
const ownCore = 0.5

func (k *Key) byPlaces(res *Result, w Work) {
	g := newGround(k.Places)
	if share := g.on(w.Places.Bounds); share < ownCore {
		res.By = "places"
		res.refuse(WrongCore, 1, fmt.Sprintf("Another core was measured: %.0f %% of the boundaries do not lie on the key's.", 100*(1-share)))
		return
	}
	if !g.inwards(w.Places.Bounds) {
		w = w.flipped()
		res.Faults = append(res.Faults, reversedFault(1))
	}
	k.judge(res, g.compare(w.Places.Bounds, k.rubric.Tolerance), w)
}

func reversedFault(sure float64) Fault {
	return Fault{Kind: Reversed, Certainty: sure, Detail: "The rings stand in the wrong order, from pith to bark: they were turned round and then compared."}
}

// factors are what widths are multiplied by when a unit is mistaken: tenths,
// hundredths and thousandths of a mm, inches, and a scan's resolution halved or
// doubled (common practice).
var factors = []float64{10, 100, 1000, 25.4, 2.54, 2, 0.1, 0.01, 0.001, 1 / 25.4, 1 / 2.54, 0.5}

// Logs of the chances of what may be wrong with a whole file: chosen, 5 in 100
// for each.
const logOdd = -3.0

// try is one way to take a student's file.
type try struct {
	aligned
	work     Work
	factor   float64
	reversed bool
	log      float64
}

// read finds how a student's widths are to be taken: as they are, turned round,
// or in another unit. ok is false for lists that cannot be aligned.
func (k *Key) read(w Work) (best try, ok bool) {
	key := widthsOf(k.Work)
	attempt := func(factor float64, reversed bool, prior float64) {
		t := try{work: w.scaled(factor), factor: factor, reversed: reversed}
		if reversed {
			t.work = t.work.flipped()
		}
		a, can := align(key, widthsOf(t.work))
		if !can {
			return
		}
		t.aligned, t.log = a, a.own+prior
		if !ok || t.log > best.log {
			best, ok = t, true
		}
	}
	attempt(1, false, 0)
	if !ok || best.own > 0 {
		return best, ok
	}
	attempt(1, true, logOdd)
	ratio := usual(widthsOf(w)) / usual(key)
	for _, f := range factors {
		if math.Abs(math.Log(ratio/f)) < math.Log(1.9) {
			attempt(f, false, logOdd)
			attempt(f, true, 2*logOdd)
		}
	}
	if math.Abs(math.Log(ratio)) > math.Log(1.15) && best.own < 0 {
		attempt(ratio, false, 2*logOdd)
	}
	return best, ok
}

func widthsOf(w Work) (out []float64) {
	for _, r := range w.Rings {
		if !r.absent() {
			out = append(out, r.WidthMM)
		}
	}
	return out
}

// scaleWarn is from what common factor on the scale is questioned: chosen, well
// above what rulers and tags differ by.
const scaleWarn = 0.03

func (k *Key) byWidths(res *Result, w Work) {
	t, ok := k.read(w)
	if !ok {
		res.refuse(Unreadable, 1, fmt.Sprintf("Nothing can be graded: %d rings cannot be compared with the key's %d.", len(w.Rings), len(k.Rings)))
		return
	}
	own := 1 / (1 + math.Exp(-t.log))
	if own < 0.5 {
		res.By = "widths"
		res.refuse(WrongCore, 1-own, "This is not the key's core: its pattern of wide and narrow rings cannot be found in the key.")
		return
	}
	if t.factor != 1 {
		res.Faults = append(res.Faults, Fault{Kind: Units, Certainty: own, Detail: unitWords(t.factor)})
	}
	if t.reversed {
		res.Faults = append(res.Faults, reversedFault(own))
	}
	c := t.compare(k.rubric.Tolerance)
	c.sure *= own
	if r := t.a.residuals(t.path); len(r) >= 10 && t.factor == 1 {
		if m := median(r); abs(m) > scaleWarn {
			res.Warnings = append(res.Warnings, fmt.Sprintf("widths are %.1f %% %s than the key's throughout: is the scale right?", 100*abs(math.Expm1(m)), map[bool]string{true: "larger", false: "smaller"}[m > 0]))
		}
	}
	k.judge(res, c, t.work)
}

// unitWords says what a factor means.
func unitWords(factor float64) string {
	times, what := factor, "larger"
	if factor < 1 {
		times, what = 1/factor, "smaller"
	}
	why := "the resolution or the unit is wrong"
	switch round(times, 1000) {
	case 25.4:
		why = "inches were taken for millimetres, or the other way round"
	case 2.54:
		why = "centimetres and inches were taken for one another"
	case 10, 100, 1000:
		why = "the unit is wrong"
	case 2:
		why = "the resolution was taken as half or twice what it is"
	}
	return fmt.Sprintf("All widths are %.4g times %s than the key's: %s. They were put right and then compared.", times, what, why)
}

// judge tells faults, widths and mark from a comparison.
func (k *Key) judge(res *Result, c comparison, w Work) {
	f := newFinder(c, k.Work, w)
	res.By, res.Certainty = c.by, c.sure
	whole := len(res.Faults)
	res.Faults = append(res.Faults, f.faults()...)
	res.View.Key, res.View.Student, res.View.Partner = c.key, c.student, c.partner
	res.View.StudentRings, res.View.Ring = w.Rings, f.ringOf()
	for _, j := range c.partner {
		if j >= 0 {
			res.Matched++
		}
	}
	if f.fromFirst < 0 {
		res.refuse(WrongCore, 1, "No boundary lies where the key has one.")
		return
	}
	k.excuse(res, whole, f)
	for _, x := range res.Faults {
		switch x.Kind {
		case Missed:
			res.Missed++
		case Invented:
			res.Invented++
		}
	}
	if have := float64(res.Matched) / float64(len(c.key)); have < covers {
		res.Warnings = append(res.Warnings, fmt.Sprintf("partial: it has %d of the key's %d boundaries", res.Matched, len(c.key)))
	}
	dated := k.dated() && w.dated()
	if k.dated() && !dated {
		res.Warnings = append(res.Warnings, "it has no years: the dating is not marked")
	}
	k.rubric.mark(res, len(c.key), k.widthErrors(res, f), dated)
}

// widthErrors compares the widths of rings that both have: bias, mean absolute
// and root mean square error, mm. Where experts differ only what lies outside
// their range is an error. It returns the mean absolute error in percent of the
// mean width.
func (k *Key) widthErrors(res *Result, f *finder) *float64 {
	var n, bias, size, square, mean float64
	for i, j := range res.View.Ring {
		if j < 0 || f.sw.Rings[i].WidthMM <= 0 || f.kw.Rings[j].WidthMM <= 0 {
			continue
		}
		lo, hi := f.kw.Rings[j].WidthMM, f.kw.Rings[j].WidthMM
		mean += lo
		for _, e := range k.widths {
			for _, x := range e[j] {
				lo, hi = min(lo, x), max(hi, x)
			}
		}
		x := f.sw.Rings[i].WidthMM
		d := max(0, x-hi) + min(0, x-lo)
		n++
		bias, size, square = bias+d, size+abs(d), square+d*d
	}
	if n == 0 {
		return nil
	}
	percent := 100 * size / mean
	if f.mm {
		bias, size, square = bias/n, size/n, math.Sqrt(square/n)
		res.WidthBiasMM, res.WidthMAEMM, res.WidthRMSEMM = &bias, &size, &square
	}
	return &percent
}

// excuse sets faults aside that an expert commits too, and slips that follow
// from them.
func (k *Key) excuse(res *Result, whole int, f *finder) {
	keep := slices.Clone(res.Faults[:whole])
	spared := map[int]bool{} // rings whose fault was excused
	for _, x := range res.Faults[whole:] {
		why := ""
		for e, faults := range k.faults {
			if slices.ContainsFunc(faults, func(y Fault) bool { return f.same(x, y) }) {
				why = fmt.Sprintf("the experts do not agree here: %s has it so too", k.experts[e].Name)
			}
		}
		if x.Kind == Slip && x.Caused && spared[*x.KeyRing] {
			why = "it follows from a place where the experts do not agree"
		}
		if why == "" {
			keep = append(keep, x)
			continue
		}
		if x.KeyRing != nil && x.Kind != Slip {
			spared[*x.KeyRing] = true
		}
		x.Excused = why
		res.Excused = append(res.Excused, x)
	}
	res.Faults = keep
}

// same tells whether an expert differs from the key as the student does.
func (f *finder) same(student, expert Fault) bool {
	if student.Kind != expert.Kind || student.KeyRing == nil || expert.KeyRing == nil {
		return false
	}
	switch student.Kind {
	case StartsLate, StartsEarly:
		return expert.Rings >= student.Rings
	case EndsLate, EndsEarly:
		return expert.Rings >= student.Rings
	case Slip:
		return *student.KeyRing == *expert.KeyRing && *student.YearsShifted == *expert.YearsShifted
	case Invented, Displaced:
		j := slices.IndexFunc(f.kr, func(r int) bool { return r == *expert.KeyRing-1 })
		reach := 0.1
		if j >= 0 && j+1 < len(f.key) {
			reach = max(reach, (f.key[j+1]-f.key[j])/4)
		}
		return *student.KeyRing == *expert.KeyRing && abs(student.At-expert.At) <= reach
	}
	return *student.KeyRing == *expert.KeyRing
}

// PathLength is the length of the key's radius, mm (px without a scale).
func (p *Places) PathLength() float64 {
	return measure.NewRadius(p.PathPx, p.MMPerPx).Length()
}

// Pick returns the work that is most likely of the key's core: on the key's scan
// the one that lies on it, else the one of its id, else the one whose widths fit
// best. There must be at least one.
func Pick(key Work, id string, works []Work, ids []string) Work {
	if len(works) == 1 {
		return works[0]
	}
	best, at := math.Inf(-1), 0
	for i, w := range works {
		var worth float64
		switch {
		case key.Places != nil && w.Places != nil && key.Places.Scan == w.Places.Scan:
			worth = 1e9 * newGround(key.Places).on(w.Places.Bounds)
		case ids[i] == id && id != "":
			worth = 1e8
		default:
			a, ok := align(widthsOf(key), widthsOf(w))
			if worth = math.Inf(-1); ok {
				worth = a.own
			}
		}
		if worth > best {
			best, at = worth, i
		}
	}
	return works[at]
}
