package dating

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pithward/measure/archive"
)

// madeStand grows widths with a common signal, one series a tree.
func madeStand(trees, years int, seed uint64) []Dated {
	random := rand.New(rand.NewPCG(seed, 7))
	signal := make([]float64, years)
	for t := range signal {
		signal[t] = random.NormFloat64()
	}
	var out []Dated
	for i := range trees {
		s := archive.Series{ID: fmt.Sprintf("RDG%02d", i+1), FirstYear: 1700}
		for t := range signal {
			growth := 1.5*math.Exp(-float64(t)/80) + 0.4
			s.Widths = append(s.Widths, archive.Width(growth*math.Exp(0.25*signal[t]+0.2*random.NormFloat64())))
		}
		out = append(out, NewDated(s))
	}
	return out
}

func TestPlace(t *testing.T) {
	stand := madeStand(9, 250, 1)
	master := masterOf(stand[1:])
	piece := Values{1, stand[0].Widths.V[80:150]} // true years 1780 to 1849
	tests := []struct {
		name   string
		w      Values
		master Master
		dated  bool
		says   string
	}{
		{"at its years, whatever it is numbered", piece, master, true, ""},
		{"in a stand it is not of", piece, masterOf(madeStand(8, 250, 2)), false, "that none is right has"},
		{"too few rings", Values{1, piece.V[:20]}, master, false, "at least 30 are needed"},
		{"does not vary", Values{1, make([]float64, 60)}, master, false, "do not vary"},
		{"no reference", piece, Master{}, false, "no dated series"},
		{"a reference too short", piece, masterOf([]Dated{{Pattern: Values{0, stand[1].Pattern.V[:15]}}}), false, "shorter than"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := Place(tt.w, tt.master, DefaultPlaceOptions())
			if p.Dated != tt.dated || !strings.Contains(p.Reason, tt.says) || (p.Reason == "") != tt.dated {
				t.Fatalf("dated %v (%q), want %v saying %q; best %+v", p.Dated, p.Reason, tt.dated, tt.says, p.Placements)
			}
			if tt.dated && p.Placements[0].LastYear != 1849 {
				t.Errorf("last year %d, want 1849", p.Placements[0].LastYear)
			}
		})
	}
}

// The statistics shown beside a placement are the published ones: against a
// single reference series they are those of the golden pairs.
func TestPlacementShowsPublishedStatistics(t *testing.T) {
	stand := madeStand(2, 200, 3)
	p := Place(stand[0].Widths, NewMaster(stand[1:]), DefaultPlaceOptions())
	best := p.Placements[0]
	a, b := stand[0].Widths, stand[1].Widths
	closeOptional(t, "t after Baillie & Pilcher", best.TBailliePilcher, optional(Correlate(BailliePilcher(a), BailliePilcher(b)).T()), simple, 0)
	closeOptional(t, "t after Hollstein", best.THollstein, optional(Correlate(Hollstein(a), Hollstein(b)).T()), simple, 0)
	closeOptional(t, "Gleichläufigkeit", best.Gleichlaeufigkeit, optional(Gleichlaufig(a, b).Classic()), simple, 0)
	if len(p.Placements) < 5 {
		t.Errorf("%d placements listed, want at least 5", len(p.Placements))
	}
}

// All posteriors, with that of none, are 1 together; they fall; and moving the
// years of the series, or of the reference, moves the answer alone.
func TestPlaceProperty(t *testing.T) {
	stand := madeStand(5, 150, 4)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(35, 90).Draw(t, "rings")
		from := rapid.IntRange(0, 150-n).Draw(t, "from")
		moved := rapid.IntRange(-2000, 2000).Draw(t, "moved")
		own := rapid.IntRange(-100, 100).Draw(t, "own")
		w := Values{own, stand[0].Widths.V[from : from+n]}
		master := masterOf(stand[1:])
		o := DefaultPlaceOptions()
		o.Keep = 1 << 20
		p := Place(w, master, o)
		sum := p.NoneOf
		for k, x := range p.Placements {
			sum += x.Posterior
			if k > 0 && x.Posterior > p.Placements[k-1].Posterior {
				t.Fatal("placements are not in order")
			}
		}
		if len(p.Placements) != p.Tried || math.Abs(sum-1) > 1e-9 {
			t.Fatalf("%d of %d placements, together %g", len(p.Placements), p.Tried, sum)
		}
		master.Pattern, master.Curve = master.Pattern.Moved(moved), master.Curve.Moved(moved)
		for i := range master.Trees {
			master.Trees[i] = master.Trees[i].Moved(moved)
		}
		q := Place(w, master, o)
		for k := range q.Placements {
			q.Placements[k].LastYear -= moved
		}
		if d := cmp.Diff(p, q, cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-9 })); d != "" {
			t.Fatalf("another era, another answer:\n%s", d)
		}
	})
}

// TestTreesThatDisagree: three trees of a made stand date a piece; where one of
// them, then two, are moved by a year, the date is no longer sure, and the
// reason names them.
func TestTreesThatDisagree(t *testing.T) {
	stand := madeStand(6, 150, 12)
	piece := Values{0, stand[0].Widths.V[30:100]}
	for _, tt := range []struct {
		name  string
		moved []int // of the reference trees, years
		dated bool
	}{
		{"all as they are", []int{0, 0, 0}, true},
		{"one of three a year off", []int{0, 1, 0}, false},
		{"on either side of the truth, none at it", []int{-1, 1, 1}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var members []Dated
			for i, by := range tt.moved {
				d := stand[i+1]
				d.Widths, d.Pattern, d.index = d.Widths.Moved(by), d.Pattern.Moved(by), d.index.Moved(by)
				members = append(members, d)
			}
			p := Place(piece, NewMaster(members), DefaultPlaceOptions())
			if p.Dated != tt.dated {
				t.Fatalf("dated %v with %.4f: %s", p.Dated, p.Posterior, p.Reason)
			}
			if !tt.dated && !strings.Contains(p.Reason, "different years") {
				t.Errorf("the reason does not say that the trees disagree: %s", p.Reason)
			}
		})
	}
}

func TestHold(t *testing.T) {
	stand := madeStand(9, 250, 5)
	master := masterOf(stand[1:])
	w := stand[0].Widths
	for _, h := range Hold(w, master, DefaultHoldOptions()) {
		if h.Probability < 0.9 || h.ToYear-h.FromYear+1 < minWindow {
			t.Errorf("a right dating: %+v", h)
		}
	}
	for _, shift := range []int{-3, 1, 7} {
		for _, h := range Hold(w.Moved(shift), master, DefaultHoldOptions()) {
			if h.Probability > 0.1 || h.BestOffset != -shift || h.BestOffsetProbability < 4*h.Probability {
				t.Errorf("dated %d years too young: %+v", shift, h)
			}
		}
	}
	faulty, year := withFault(w, Absent, 120, rand.New(rand.NewPCG(1, 1)))
	for _, h := range Hold(faulty, master, DefaultHoldOptions()) {
		if h.FromYear > year && h.Probability < 0.9 || h.ToYear < year && (h.Probability > 0.1 || h.BestOffset != -1) {
			t.Errorf("a ring absent after %d: %+v", year, h)
		}
	}
	if h := Hold(Values{1700, w.V[:10]}, master, DefaultHoldOptions()); h != nil {
		t.Errorf("ten rings: %+v", h)
	}
}

// The window is longer where the agreement is weaker or more power is wanted, as
// the sample size for a correlation is.
func TestWindowLength(t *testing.T) {
	o := DefaultHoldOptions()
	// n = 3 + ((q(1 - 0.05/40) + q(0.95)) / 0.5)^2 with q = 3.0233 and 1.6449
	if n := windowLength(0.5, o); n != 91 {
		t.Errorf("%d years at zeta 0.5, want 91", n)
	}
	stronger, more := windowLength(0.9, o), HoldOptions{Power: 0.99, Reach: 20}
	if stronger >= 91 || windowLength(0.5, more) <= 91 {
		t.Errorf("%d years at zeta 0.9, %d at power 0.99", stronger, windowLength(0.5, more))
	}
}

func TestSuspects(t *testing.T) {
	stand := madeStand(9, 250, 6)
	w := stand[0].Widths
	for _, s := range suspectsAgainst(w, stand[1:], nil) {
		if s.Posterior > 0.3 {
			t.Errorf("a right series: %+v", s)
		}
	}
	for _, kind := range []FaultKind{Missed, Invented, Absent} {
		t.Run(string(kind), func(t *testing.T) {
			faulty, year := withFault(w, kind, 130, rand.New(rand.NewPCG(2, 2)))
			found := suspectsAgainst(faulty, stand[1:], nil)
			if len(found) == 0 {
				t.Fatal("no suspects")
			}
			s := found[0]
			if (s.Kind == Invented) != (kind == Invented) || year < s.FromYear-1 || year > s.ToYear+1 || s.RAfter < s.RBefore+0.3 {
				t.Errorf("%+v, want %s at %d", s, kind, year)
			}
			if s.AtMM != nil || s.PictureProbability != nil {
				t.Errorf("the picture says something where there is none: %+v", s)
			}
		})
	}
}

// What the picture says decides between places that time alone cannot tell.
func TestSuspectsByPicture(t *testing.T) {
	stand := madeStand(9, 250, 8)
	faulty, year := withFault(stand[0].Widths, Missed, 130, rand.New(rand.NewPCG(3, 3)))
	pictures := make([]archive.RingPicture, len(faulty.V))
	for k := range pictures {
		pictures[k] = archive.RingPicture{Boundary: &archive.PicturePlace{Probability: 0.999, AtMM: float64(200 - k), Share: 1}}
	}
	w := stand[0].Widths.V
	place := archive.PicturePlace{ID: "c1", AtMM: 12.5, Probability: 0.31, Share: w[131] / (w[130] + w[131])}
	pictures[year-faulty.FirstYear].Candidates = []archive.PicturePlace{place}
	s := suspectsAgainst(faulty, stand[1:], pictures)[0]
	if s.Kind != Missed || s.Year != year || s.Place != "c1" || s.AtMM == nil || *s.AtMM != place.AtMM || *s.PictureProbability != place.Probability {
		t.Errorf("%+v, want a boundary missed in %d at %g mm", s, year, place.AtMM)
	}
	t.Log(s)
}

// The transform takes trend, scale and autocorrelation off, and knows absent
// from missing rings.
func TestPattern(t *testing.T) {
	stand := madeStand(1, 200, 9)
	w := stand[0].Widths
	p := Pattern(w)
	scaled := Values{w.FirstYear, make([]float64, len(w.V))}
	for k, x := range w.V {
		scaled.V[k] = 3 * x
	}
	for k, x := range Pattern(scaled).V {
		if !math.IsNaN(x) && math.Abs(x-p.V[k]) > 1e-9 {
			t.Fatalf("year %d changes with the scale", w.FirstYear+k)
		}
	}
	if ac, _ := Autocorrelation(p.V); math.Abs(ac) > 0.15 {
		t.Errorf("autocorrelation %g", ac)
	}
	w.V[100] = 0
	w.V[120] = math.NaN()
	p = Pattern(w)
	if p.V[100] > -2 || !math.IsNaN(p.V[120]) {
		t.Errorf("absent ring %g, missing ring %g", p.V[100], p.V[120])
	}
	if Pattern(Values{0, []float64{1, 1, 1, 1, 1}}).Defined() != 0 {
		t.Error("a flat series has a pattern")
	}
}

// A suspect is worded with r only where r could be computed, and never as an
// improvement where it is none.
func TestSuspectWords(t *testing.T) {
	at := 43.21
	for _, c := range []struct {
		before, after float64
		want          string
	}{
		{0.18, 0.64, "a boundary at 43.21 mm would make 1850-1934 agree (r 0.18 to 0.64): posterior 0.93"},
		{0.64, 0.18, "a boundary at 43.21 mm would not make 1850-1934 agree better (r 0.64 to 0.18): posterior 0.93"},
		{0, 0, "a boundary at 43.21 mm: posterior 0.93"},
	} {
		x := Suspect{Kind: Missed, AtMM: &at, AgreeFrom: 1850, AgreeTo: 1934, RBefore: c.before, RAfter: c.after, Posterior: 0.93}
		if got := x.String(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
