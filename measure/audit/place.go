package audit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"pithward/measure"
	"pithward/measure/match"
)

// The kinds of place beside those of a boundary ("outer", "ring", "inner").
const (
	Candidate = "candidate" // considered and rejected by the program
	Added     = "added"     // set by a person where the program saw nothing
)

// Place is where the program read a boundary, where it considered one and
// rejected it, or where a person set one.
type Place struct {
	Scan        string        `json:"scan"`
	Run         int64         `json:"run"`
	Core        string        `json:"core"` // uid
	ID          string        `json:"id"`   // of the core
	Target      string        `json:"target"`
	Kind        string        `json:"kind"`
	Ring        *int          `json:"ring"` // index of the ring outside it, as it was read; nil: none
	Year        *int          `json:"year"` // of that ring
	AtMM        *float64      `json:"at_mm"`
	PointPx     measure.Point `json:"point_px"`
	Taken       bool          `json:"taken"`       // the program took it for a boundary
	Probability *float64      `json:"probability"` // by the program, that a boundary is there; nil: it saw nothing
	Doubt       float64       `json:"doubt"`       // by the program, the probability that it is wrong here
	Cost        float64       `json:"cost"`        // expected number of rings misdated if it is left
	Views       []View        `json:"views"`       // of everybody who has begun the core
}

// View is what an observer makes of a place.
type View struct {
	Observer string         `json:"observer"`
	Boundary bool           `json:"boundary"` // there is one
	Decided  bool           `json:"decided"`  // by an edit of this place, or by measuring the core by hand; else left as it was
	Signed   bool           `json:"signed"`   // the core is signed off
	PointPx  *measure.Point `json:"point_px"` // where the observer has it
	ByHand   bool           `json:"by_hand"`  // the observer measured the core by hand, without the program's boundaries
	Moved    bool           `json:"moved"`    // the observer has moved it
	ShiftMM  *float64       `json:"shift_mm"` // how far inward; nil: it was not moved, or there is no scale
	Acts     []Act          `json:"acts"`     // the edits that hold, oldest first
}

// Act is an edit of a place.
type Act struct {
	Event string            `json:"event"` // uuid
	Kind  measure.EventKind `json:"kind"`
	UTC   time.Time         `json:"utc"`
	Why   string            `json:"why"`
}

// Changed tells whether an observer made something else of the place than the
// program.
func (p Place) Changed() bool { return slices.ContainsFunc(p.Views, p.changedBy) }

func (p Place) changedBy(v View) bool { return v.Decided && (v.Boundary != p.Taken || v.Moved) }

// Decided tells whether anybody has decided about the place.
func (p Place) Decided() bool {
	return slices.ContainsFunc(p.Views, func(v View) bool { return v.Decided })
}

// Doubtful tells whether the program asks for a person here.
func (p Place) Doubtful() bool {
	return p.Taken && p.Doubt > 1-measure.DoubtfulBelow || !p.Taken && p.Doubt > measure.NotableFrom
}

// Where says which place of its core it is, by its years or rings and its kind.
func (p Place) Where() string {
	side := "inward of"
	if p.Kind == Candidate {
		side = "in"
	}
	switch {
	case p.Kind == string(measure.Outer):
		return "outer end"
	case p.Kind == string(measure.Inner):
		return "pith"
	case p.Year != nil:
		return fmt.Sprintf("%s %d", side, *p.Year)
	case p.Ring != nil:
		return fmt.Sprintf("%s ring %d", side, *p.Ring)
	}
	return "outermost"
}

// samePx is how far apart two observers may set a boundary that the program
// did not see, and mean the same: chosen, as for places of two readings of one
// picture.
const samePx = 4.0

// placesOf lists the places of a scan, core after core.
func placesOf(s Scan) []Place {
	var all []Place
	for _, c := range s.Reading.Cores {
		all = append(all, placesRead(s, c)...)
	}
	at := map[string]int{}
	for i, p := range all {
		at[key(p.Core, p.Target)] = i
	}
	for _, o := range s.Observers {
		all = addViews(s, o, all, at)
	}
	all = slices.DeleteFunc(all, func(p Place) bool { return p.Kind == Candidate && !p.Doubtful() && !p.Decided() })
	for i := range all {
		if all[i].Views == nil {
			all[i].Views = []View{}
		}
	}
	return all
}

// key names a place within a scan.
func key(core, target string) string { return core + "\x00" + target }

// placesRead lists the boundaries and candidates of a core as it was read.
func placesRead(s Scan, c measure.Core) []Place {
	var out []Place
	radius := measure.NewRadius(c.PathPx, nil)
	for i, b := range c.Boundaries {
		p := Place{Target: b.ID, Kind: string(b.Kind), AtMM: b.AtMM, PointPx: b.PointPx, Taken: true, Doubt: 1 - b.Probability}
		p.Probability = &c.Boundaries[i].Probability
		p.Cost = p.Doubt * float64(len(c.Rings)-i+1)
		if i > 0 {
			p.Ring, p.Year = &c.Rings[i-1].Index, c.Rings[i-1].Year
		}
		out = append(out, p)
	}
	for i, x := range c.Candidates {
		p := Place{Target: x.ID, Kind: Candidate, AtMM: x.AtMM, PointPx: x.PointPx, Probability: &c.Candidates[i].Probability, Doubt: x.Probability}
		n, _ := slices.BinarySearchFunc(c.Boundaries, radius.At(x.PointPx), func(b measure.Boundary, at float64) int { return cmp.Compare(radius.At(b.PointPx), at) })
		p.Cost = p.Doubt * float64(len(c.Boundaries)-n+1)
		if n > 0 && n <= len(c.Rings) {
			p.Ring, p.Year = &c.Rings[n-1].Index, c.Rings[n-1].Year
		}
		out = append(out, p)
	}
	for i := range out {
		out[i].Scan, out[i].Run, out[i].Core, out[i].ID = s.Reading.Scan.File, s.Run, c.UID, c.ID
	}
	return out
}

// addViews gives every place the view of an observer who has begun its core,
// and adds the places that the observer alone has.
func addViews(s Scan, o Observed, all []Place, at map[string]int) []Place {
	n := names{s.Reading.Cores, o}
	kept := map[string]has{}
	stage := map[string]measure.Stage{} // of cores as they were read
	blank := map[string]bool{}          // measured by hand
	acts := n.acts()
	for _, c := range o.Edited.Measurement.Cores {
		state := o.Edited.States[c.UID]
		for _, b := range c.Boundaries {
			core, id := n.read(c.UID, b.ID)
			kept[key(core, id)] = has{c, b.PointPx}
			stage[core] = state.Stage
		}
		if core := n.origin(c.UID); state.Blank {
			blank[core] = true
			for id, target := range byHand(s, n, core, c, at) {
				kept[key(core, target)] = kept[key(core, id)]
				acts[key(core, target)] = acts[key(core, id)]
				at[key(core, id)] = at[key(core, target)]
			}
		}
		stage[n.origin(c.UID)] = state.Stage
	}
	for i := range all {
		p := &all[i]
		st, there := stage[p.Core]
		h, boundary := kept[key(p.Core, p.Target)]
		done := acts[key(p.Core, p.Target)]
		if !there || st == measure.Untouched || p.Kind == Added {
			continue
		}
		hand := blank[p.Core]
		v := View{Observer: o.Name, Boundary: boundary, Decided: len(done) > 0 || hand && st == measure.SignedOff, ByHand: hand, Signed: st == measure.SignedOff, Acts: fill(done)}
		if boundary {
			v.PointPx, v.Moved = &h.at, !hand && slices.ContainsFunc(done, func(a Act) bool { return a.Kind == measure.Move })
			v.ShiftMM = h.shift(p.PointPx, o.Edited.Measurement.Scale.MMPerPx, v.Moved)
		}
		p.Views = append(p.Views, v)
	}
	for _, c := range o.Edited.Measurement.Cores {
		for _, b := range c.Boundaries {
			core, id := n.read(c.UID, b.ID)
			if _, known := at[key(core, id)]; known {
				continue
			}
			v := View{Observer: o.Name, Boundary: true, Decided: true, ByHand: blank[core], Signed: o.Edited.States[c.UID].Stage == measure.SignedOff, PointPx: &b.PointPx, Acts: fill(acts[key(core, id)])}
			all = addPlace(s, all, c, core, b, v)
		}
	}
	return all
}

// byHand finds what the program had where an observer set boundaries by hand:
// for each that is the same as one it read or considered, that one's name.
func byHand(s Scan, n names, core string, c measure.Core, at map[string]int) map[string]string {
	i := slices.IndexFunc(s.Reading.Cores, func(x measure.Core) bool { return x.UID == core })
	if i < 0 {
		return nil
	}
	read := s.Reading.Cores[i]
	radius := measure.NewRadius(read.PathPx, s.Reading.Scale.MMPerPx)
	var own []string
	var places []measure.Point
	taken := map[string]bool{} // again, by name
	for _, b := range c.Boundaries {
		_, id := n.read(c.UID, b.ID)
		if _, known := at[key(core, id)]; known {
			taken[id] = true
			continue
		}
		own, places = append(own, id), append(places, b.PointPx)
	}
	found := map[string]string{}
	pair := func(names []string, points []measure.Point) {
		a, b := along(radius, points), along(radius, places)
		for k, j := range match.Within(a, b, tolerance(radius, a, b)) {
			if j >= 0 && found[own[j]] == "" {
				found[own[j]] = names[k]
			}
		}
	}
	var names []string
	var points []measure.Point
	for _, b := range read.Boundaries {
		if !taken[b.ID] {
			names, points = append(names, b.ID), append(points, b.PointPx)
		}
	}
	pair(names, points)
	names, points = nil, nil
	for _, x := range read.Candidates {
		if !taken[x.ID] {
			names, points = append(names, x.ID), append(points, x.PointPx)
		}
	}
	pair(names, points)
	return found
}

func fill(acts []Act) []Act { return append([]Act{}, acts...) }

// addPlace adds a boundary that the program did not see, or a view to one that
// another observer has set in the same place.
func addPlace(s Scan, all []Place, c measure.Core, core string, b measure.Boundary, v View) []Place {
	for i := range all {
		p := &all[i]
		mine := slices.ContainsFunc(p.Views, func(w View) bool { return w.Observer == v.Observer })
		if p.Kind == Added && p.Core == core && !mine && math.Hypot(p.PointPx[0]-b.PointPx[0], p.PointPx[1]-b.PointPx[1]) <= samePx {
			p.Views = append(p.Views, v)
			return all
		}
	}
	p := Place{Scan: s.Reading.Scan.File, Run: s.Run, Core: core, ID: c.ID, Target: b.ID, Kind: Added, AtMM: b.AtMM, PointPx: b.PointPx, Views: []View{v}}
	if i := slices.IndexFunc(c.Boundaries, func(x measure.Boundary) bool { return x.ID == b.ID }); i > 0 {
		p.Ring, p.Year = &c.Rings[i-1].Index, c.Rings[i-1].Year
	}
	return append(all, p)
}

// has is a boundary that an observer has.
type has struct {
	core measure.Core
	at   measure.Point
}

// shift returns how far inward a boundary was moved, mm; nil if it was not, or
// there is no scale.
func (h has) shift(from measure.Point, mmPerPx *[2]float64, moved bool) *float64 {
	if !moved || mmPerPx == nil {
		return nil
	}
	r := measure.NewRadius(h.core.PathPx, mmPerPx)
	d := r.At(h.at) - r.At(from)
	return &d
}

// names tells what the places of an edited scan were called when it was read.
type names struct {
	cores []measure.Core // as it was read
	o     Observed
}

// origin returns the core that a core was part of when it was read: one that
// was split off bears the name of the event.
func (n names) origin(core string) string {
	for range n.o.Events { // a split core may be split again
		i := slices.IndexFunc(n.o.Events, func(e measure.Event) bool { return e.Kind == measure.Split && e.UUID == core })
		if i < 0 {
			break
		}
		core = n.o.Events[i].Core
	}
	return core
}

// read returns the core and name that a place had when it was read: joining
// puts the other core's uid before it, measuring by hand calls what was set
// aside "was-".
func (n names) read(core, id string) (string, string) {
	if parts := strings.Split(id, ":"); len(parts) > 1 {
		core, id = parts[len(parts)-2], parts[len(parts)-1]
	}
	return n.origin(core), strings.TrimPrefix(id, "was-")
}

// acts returns the edits of every place that hold and had an effect.
func (n names) acts() map[string][]Act {
	out := map[string][]Act{}
	for _, e := range n.o.holding() {
		core, id := n.read(e.Core, e.Target)
		switch e.Kind {
		case measure.Add:
			core, id = n.read(e.Core, e.UUID)
		case measure.Remove, measure.Move, measure.Accept:
		case measure.Bark, measure.Pith:
			core, id = n.origin(e.Core), n.end(e)
		default:
			continue
		}
		k := key(core, id)
		out[k] = append(out[k], Act{e.UUID, e.Kind, e.UTC, e.Why})
	}
	return out
}

// end names the boundary that an edit of bark or pith is about: the one that
// was read, or else the edit itself.
func (n names) end(e measure.Event) string {
	kind := measure.Outer
	if e.Kind == measure.Pith {
		kind = measure.Inner
	}
	for _, c := range n.cores {
		if c.UID != n.origin(e.Core) {
			continue
		}
		for _, b := range c.Boundaries {
			if b.Kind == kind {
				return b.ID
			}
		}
	}
	return e.UUID
}

// holding returns the events that no undo takes back and that found something
// to act on.
func (o Observed) holding() []measure.Event {
	return slices.DeleteFunc(measure.Effective(o.Events), func(e measure.Event) bool {
		return slices.ContainsFunc(o.Edited.Void, func(v measure.Void) bool { return v.Event == e.UUID })
	})
}

// changes counts what each observer did to the boundaries of each core.
func changes(places []Place) map[[2]string]Changes {
	out := map[[2]string]Changes{}
	for _, p := range places {
		for _, v := range p.Views {
			k := [2]string{p.Core, v.Observer}
			n := out[k]
			switch {
			case !v.Decided:
			case v.ByHand && v.Boundary && p.Taken:
				n.ByHand++
			case v.Boundary && !p.Taken:
				n.Added++
			case !v.Boundary && p.Taken:
				n.Removed++
			case v.Moved:
				n.Moved++
			case v.Boundary:
				n.Accepted++
			}
			out[k] = n
		}
	}
	return out
}
