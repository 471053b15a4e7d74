package dating

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

	"pithward/measure"
	"pithward/measure/archive"
)

// ReportSchema is the name and number of the format of a Report.
const ReportSchema = "pithward/dating/1"

// Options are the choices in crossdating series.
type Options struct {
	Place PlaceOptions
	Hold  bool // check the years the series have, too
	HoldOptions
	// Sapwood is the regional figure for the number of sapwood rings; nil: none
	// given, and then no felling is estimated.
	Sapwood *Range
	// TreeChars is how many characters of an id name the tree, for series that
	// do not name it; 0: every such series is a tree of its own.
	TreeChars int
}

// Range is a smallest and largest number.
type Range struct {
	From int `json:"from"`
	To   int `json:"to"`
}

// Report is what came of crossdating; it is what --json prints.
type Report struct {
	Schema   string         `json:"schema"`
	Series   []SeriesReport `json:"series"`
	Warnings []string       `json:"warnings"`
}

// SeriesReport is one series of a Report. Unknown is null.
type SeriesReport struct {
	ID         string            `json:"id"`
	Tree       string            `json:"tree,omitempty"`
	N          int               `json:"n"`
	Decision   string            `json:"decision"` // "dated" or "undated"
	FirstYear  *int              `json:"first_year"`
	LastYear   *int              `json:"last_year"`
	Posterior  float64           `json:"posterior"`
	NoneOf     float64           `json:"none_of_these"`
	Tried      int               `json:"placements_tried"`
	Against    string            `json:"against"` // "other trees", "own tree" or "nothing"
	References int               `json:"reference_series"`
	Reason     string            `json:"reason"` // why it is undated and what would be needed
	Placements []PlacementReport `json:"placements"`
	OwnTree    []PlacementReport `json:"own_tree_placements"` // against the other radii of its tree
	Hold       []WindowReport    `json:"hold"`
	Suspects   []SuspectReport   `json:"suspects"`
	Death      *Death            `json:"death"` // nil for undated series
	Warnings   []string          `json:"warnings"`
}

// The decisions.
const (
	DecisionDated   = "dated"
	DecisionUndated = "undated"
)

// PlacementReport is one placement.
type PlacementReport struct {
	LastYear                int      `json:"last_year"`
	Overlap                 int      `json:"overlap"`
	R                       float64  `json:"r"` // of the patterns
	TBailliePilcher         *float64 `json:"t_baillie_pilcher"`
	THollstein              *float64 `json:"t_hollstein"`
	Gleichlaeufigkeit       *float64 `json:"gleichlaeufigkeit"` // 0 to 1, ties by half
	GleichlaeufigkeitChance *float64 `json:"gleichlaeufigkeit_chance"`
	Posterior               float64  `json:"posterior"`
}

// WindowReport is one window of the hold check.
type WindowReport struct {
	FromYear              int     `json:"from_year"`
	ToYear                int     `json:"to_year"`
	Probability           float64 `json:"probability"`
	BestOffset            int     `json:"best_offset"`
	BestOffsetProbability float64 `json:"best_offset_probability"`
	R                     float64 `json:"r"`
}

// SuspectReport is one suspect, as Suspect.
type SuspectReport struct {
	Kind               FaultKind      `json:"kind"`
	Year               int            `json:"year"`
	AtMM               *float64       `json:"at_mm"`
	PictureProbability *float64       `json:"picture_probability"`
	FromYear           int            `json:"from_year"`
	ToYear             int            `json:"to_year"`
	RBefore            float64        `json:"r_before"`
	RAfter             float64        `json:"r_after"`
	Posterior          float64        `json:"posterior"`
	PosteriorHere      float64        `json:"posterior_here"` // that it is at this very place
	Core               string         `json:"core,omitempty"` // uid
	Place              string         `json:"place,omitempty"`
	PointPx            *measure.Point `json:"point_px"`
	AgreeFromYear      int            `json:"agree_from_year"` // the years it would make agree
	AgreeToYear        int            `json:"agree_to_year"`
	Hidden             int            `json:"hidden_boundaries,omitempty"` // in wood where nothing can be seen, most probably
	Words              string         `json:"words"`
}

func suspectReport(x Suspect, core string) SuspectReport {
	return SuspectReport{x.Kind, x.Year, x.AtMM, x.PictureProbability, x.FromYear, x.ToYear, x.RBefore, x.RAfter, x.Posterior, x.Here,
		core, x.Place, x.PointPx, x.AgreeFrom, x.AgreeTo, x.Hidden, x.String()}
}

// Death is what a dated series says of its tree's death.
type Death struct {
	// NotBefore is the year of the outermost ring.
	NotBefore int `json:"not_before"`
	// UnderBark tells whether that ring lies under the bark; null: not known.
	UnderBark *bool `json:"under_bark"`
	// Sapwood rings counted, and the year of the outermost heartwood ring.
	SapwoodRings *int `json:"sapwood_rings"`
	Heartwood    *int `json:"outermost_heartwood_year"`
	// Felling is an estimate from the regional figure the user gave.
	Felling *Range `json:"felling"`
}

// Crossdate places every series on the references: first on the other radii of
// its tree, where there are some, then on the other trees together. With no
// references the series with years are the references of each other. A series
// is never set against itself: references with its id, its tree or its very
// widths are left out. The series are done on as many processors as there are.
func Crossdate(ctx context.Context, series, references []archive.Series, o Options) (Report, error) {
	r := Report{Schema: ReportSchema, Series: make([]SeriesReport, len(series)), Warnings: []string{}}
	own := references == nil
	if own {
		references = series
	}
	var known []Dated
	witnesses := map[string]witness{}
	for _, s := range references {
		switch d := newDatedIn(s, o.TreeChars); {
		case s.Floating && own:
		case s.Floating:
			r.Warnings = append(r.Warnings, fmt.Sprintf("reference %s has no years: left out", s.ID))
		case s.Quantity != archive.RingWidth && s.Quantity != archive.Index:
			r.Warnings = append(r.Warnings, fmt.Sprintf("reference %s holds %s: left out", s.ID, s.Quantity))
		case !d.usable():
			r.Warnings = append(r.Warnings, fmt.Sprintf("reference %s is too short, or does not vary: left out", s.ID))
		default:
			known = append(known, d)
			if q, ok := newSequence(s); ok {
				witnesses[s.ID] = q.witness()
			}
		}
	}
	c := placer{known: known, witnesses: witnesses, zeta: ZetaOf(known), o: o}
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i, s := range series {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			r.Series[i] = c.one(s)
			return nil
		})
	}
	return r, group.Wait()
}

func newDatedIn(s archive.Series, treeChars int) Dated {
	if s.Meta.Tree == "" && treeChars > 0 {
		s.Meta.Tree = string([]rune(s.ID)[:min(treeChars, len([]rune(s.ID)))])
	}
	return NewDated(s)
}

// placer is what all series of a call have in common.
type placer struct {
	known     []Dated
	witnesses map[string]witness // of known, by id
	zeta      Zeta
	o         Options
}

// one does one series.
func (c placer) one(s archive.Series) SeriesReport {
	s = s.Trim()
	d := newDatedIn(s, c.o.TreeChars)
	r := SeriesReport{ID: s.ID, Tree: s.Meta.Tree, Decision: DecisionUndated, Placements: []PlacementReport{}, OwnTree: []PlacementReport{},
		Hold: []WindowReport{}, Suspects: []SuspectReport{}, Warnings: []string{}}
	if s.Quantity != archive.RingWidth {
		r.Warnings = append(r.Warnings, fmt.Sprintf("it holds %s, not ring widths", s.Quantity))
	}
	tree, others, left := c.split(d)
	for _, l := range left {
		r.Warnings = append(r.Warnings, fmt.Sprintf("reference %s is this series itself: left out", l))
	}
	master := c.master(others)
	placing := Place(d.Widths, master, c.o.Place)
	r.N, r.Against, r.References = placing.N, "other trees", len(others)
	if len(others) == 0 {
		r.Against = "nothing"
	}
	if len(tree) > 0 {
		first := Place(d.Widths, c.master(tree), c.o.Place)
		r.OwnTree = placementReports(first.Placements)
		placing = reconcile(first, placing, &r, len(tree))
		if r.Against == "own tree" {
			master = c.master(tree)
		}
	}
	r.take(placing)
	c.check(s, d, others, master, placing, &r)
	return r
}

// split parts the references into other radii of the tree and other trees, and
// names those that are the series itself.
func (c placer) split(d Dated) (tree, others []Dated, left []string) {
	for _, k := range c.known {
		switch {
		case k.ID == d.ID:
			if !sameNumbers(k.Widths.V, d.Widths.V) {
				left = append(left, k.ID+" (by its id)")
			}
		case sameNumbers(k.Widths.V, d.Widths.V):
			left = append(left, k.ID+" (by its widths)")
		case k.Tree == d.Tree:
			tree = append(tree, k)
		default:
			others = append(others, k)
		}
	}
	return tree, others, left
}

func sameNumbers(a, b []float64) bool {
	return slices.EqualFunc(a, b, func(x, y float64) bool { return x == y || math.IsNaN(x) && math.IsNaN(y) })
}

func (c placer) master(members []Dated) Master {
	m := NewMaster(members)
	m.Zeta = c.zeta
	if len(members) < 5 {
		m.Zeta = usualZeta()
	}
	return m
}

// reconcile settles what the tree's other radii and the other trees say
// together: either may date the series; if both do, they must agree.
func reconcile(tree, others Placing, r *SeriesReport, radii int) Placing {
	switch {
	case tree.Dated && others.Dated && tree.Placements[0].LastYear != others.Placements[0].LastYear:
		others.Dated = false
		others.Reason = fmt.Sprintf("the other radii of its tree put its last ring at %d, the other trees at %d: look for a ring missed or invented in one of the radii",
			tree.Placements[0].LastYear, others.Placements[0].LastYear)
	case tree.Dated && !others.Dated:
		r.Against, r.References = "own tree", radii
		if len(others.Placements) > 0 {
			r.Warnings = append(r.Warnings, fmt.Sprintf("the other trees do not date it by themselves: %s", others.Reason))
		}
		return tree
	}
	return others
}

// take puts a placing into the report.
func (r *SeriesReport) take(p Placing) {
	r.Posterior, r.NoneOf, r.Tried, r.Reason = p.Posterior, p.NoneOf, p.Tried, p.Reason
	r.Placements = placementReports(p.Placements)
	if !p.Dated {
		return
	}
	r.Decision = DecisionDated
}

func placementReports(all []Placement) []PlacementReport {
	out := make([]PlacementReport, len(all))
	for i, p := range all {
		out[i] = PlacementReport(p)
	}
	return out
}

// check adds what depends on years: those found, or with --hold those the series
// has.
func (c placer) check(s archive.Series, d Dated, others []Dated, master Master, p Placing, r *SeriesReport) {
	w := d.Widths
	if p.Dated {
		w = d.Widths.Moved(p.Placements[0].LastYear - d.Widths.LastYear())
		first, last := w.FirstYear, w.LastYear()
		r.FirstYear, r.LastYear = &first, &last
		r.Death = deathOf(s, last, c.o.Sapwood)
	}
	switch {
	case c.o.Hold && s.Floating:
		r.Warnings = append(r.Warnings, "it has no years that could be checked")
	case c.o.Hold:
		for _, h := range Hold(d.Widths, master, c.o.HoldOptions) {
			r.Hold = append(r.Hold, WindowReport{h.FromYear, h.ToYear, h.Probability, h.BestOffset, h.BestOffsetProbability, h.R})
		}
		if len(r.Hold) == 0 {
			r.Warnings = append(r.Warnings, "it has too few years in common with the reference for a check of its dating")
		}
		if p.Dated && p.Placements[0].LastYear != d.Widths.LastYear() {
			r.Warnings = append(r.Warnings, fmt.Sprintf("its own years end in %d, its best placement in %d", d.Widths.LastYear(), p.Placements[0].LastYear))
		}
		w = d.Widths
	}
	if !p.Dated && (!c.o.Hold || s.Floating) {
		return
	}
	s.FirstYear, s.Floating = w.FirstYear, false
	for _, x := range newStandOf(s, c.stems(others)).Suspects(0) {
		r.Suspects = append(r.Suspects, suspectReport(x, s.Core))
	}
}

// stems puts references together by tree.
func (c placer) stems(members []Dated) []stem {
	at := map[string]int{}
	var all []stem
	for _, m := range members {
		if _, ok := at[m.Tree]; !ok {
			at[m.Tree] = len(all)
			all = append(all, stem{name: m.Tree})
		}
		if w, ok := c.witnesses[m.ID]; ok {
			all[at[m.Tree]].dated = append(all[at[m.Tree]].dated, w)
		}
	}
	return all
}

// deathOf says what is known of a tree's death from its outermost ring's year.
func deathOf(s archive.Series, last int, sapwood *Range) *Death {
	d := &Death{NotBefore: last, UnderBark: s.Meta.Bark, SapwoodRings: s.Meta.Sapwood}
	if s.Meta.Sapwood == nil {
		return d
	}
	heartwood := last - *s.Meta.Sapwood
	d.Heartwood = &heartwood
	if sapwood != nil && (d.UnderBark == nil || !*d.UnderBark) {
		d.Felling = &Range{max(last, heartwood+sapwood.From), max(last, heartwood+sapwood.To)}
	}
	return d
}
