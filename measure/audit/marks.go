package audit

import (
	"math"
	"slices"
	"strings"

	"pithward/measure"
)

// Surroundings are what a picture of a place shows: the wood lies with its
// radius along the picture, bark to the right, and the program's reading can be
// drawn beside each observer's.
type Surroundings struct {
	InwardDeg float64  `json:"inward_deg"` // direction of the radius inward, degrees clockwise from x as displayed
	BreadthPx float64  `json:"breadth_px"` // of the core
	Program   []Mark   `json:"program"`
	Observers []Marked `json:"observers"` // as in the place's views
}

// Marked are an observer's marks.
type Marked struct {
	Observer string `json:"observer"`
	Marks    []Mark `json:"marks"`
}

// Mark is a boundary or rejected candidate near a place.
type Mark struct {
	LinePx      []measure.Point `json:"line_px"` // its course across the core
	Probability float64         `json:"probability"`
	Candidate   bool            `json:"candidate"`
	Person      bool            `json:"person"` // set or vouched for by a person
	Here        bool            `json:"here"`   // it is the place itself
}

// Around returns the surroundings of a place, as far as reachPx along the
// radius on either side. The scans are all that were audited.
func Around(scans []Scan, p Place, reachPx float64) Surroundings {
	var s Surroundings
	i := slices.IndexFunc(scans, func(s Scan) bool { return s.Run == p.Run })
	if i < 0 {
		return s
	}
	scan := scans[i]
	for _, c := range scan.Reading.Cores {
		if c.UID != p.Core || len(c.PathPx) < 2 {
			continue
		}
		r := measure.NewRadius(c.PathPx, nil)
		at := r.At(p.PointPx)
		a, b := r.Point(at-reachPx/2), r.Point(at+reachPx/2)
		s.InwardDeg = math.Atan2(b[1]-a[1], b[0]-a[0]) * 180 / math.Pi
		s.BreadthPx = c.Breadth()
		s.Program = marks(c, names{scan.Reading.Cores, Observed{}}, p, reachPx)
	}
	for _, v := range p.Views {
		for _, o := range scan.Observers {
			if o.Name != v.Observer {
				continue
			}
			n := names{scan.Reading.Cores, o}
			all := []Mark{}
			for _, c := range o.Edited.Measurement.Cores {
				all = append(all, marks(c, n, p, reachPx)...)
			}
			s.Observers = append(s.Observers, Marked{o.Name, all})
		}
	}
	return s
}

// marks lists what a core has near a place.
func marks(c measure.Core, n names, p Place, reachPx float64) []Mark {
	all := []Mark{}
	near := func(q measure.Point) bool { return math.Hypot(q[0]-p.PointPx[0], q[1]-p.PointPx[1]) <= reachPx }
	here := func(id string) bool {
		core, name := n.read(c.UID, id)
		return core == p.Core && name == p.Target
	}
	for _, b := range c.Boundaries {
		if near(b.PointPx) {
			all = append(all, Mark{LinePx: b.LinePx, Probability: b.Probability, Person: b.Source == "person", Here: here(b.ID)})
		}
	}
	for _, x := range c.Candidates {
		setAside := strings.HasPrefix(x.ID, "was-") // by measuring by hand: no claim of anybody's
		if !setAside && near(x.PointPx) && (x.Probability > measure.NotableFrom || here(x.ID)) {
			all = append(all, Mark{LinePx: c.Course(x.PointPx, x.TiltDeg), Probability: x.Probability, Candidate: true, Here: here(x.ID)})
		}
	}
	return all
}
