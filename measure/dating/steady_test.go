package dating

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pithward/measure/archive"
)

// seriesOf turns widths back into a series.
func seriesOf(id, tree string, w Values) archive.Series {
	s := archive.Series{ID: id, FirstYear: w.FirstYear}
	s.Meta.Tree = tree
	for _, v := range w.V {
		if math.IsNaN(v) {
			s.Widths = append(s.Widths, archive.Missing)
			continue
		}
		s.Widths = append(s.Widths, archive.Width(v))
	}
	return s
}

// faultyReference draws a few trees of a site and a span of 90 to 130 years,
// and puts a ring missed or invented into two in five of them, as a first
// measuring leaves them. ok is false where the site has too few long series.
func faultyReference(site []Dated, random *rand.Rand) (reference []archive.Series, piece archive.Series, last int, ok bool) {
	order := random.Perm(len(site))
	target := site[order[0]]
	if len(target.Widths.V) < 140 {
		return nil, piece, 0, false
	}
	from := random.IntN(len(target.Widths.V) - 120)
	rings := 60 + random.IntN(40)
	w := Values{target.Widths.FirstYear + from, target.Widths.V[from : from+rings]}
	last = w.LastYear()
	trees := map[string]bool{target.Tree: true}
	want := 3 + random.IntN(4)
	for _, i := range order[1:] {
		d := site[i]
		young := min(d.Widths.LastYear(), last+20+random.IntN(30))
		old := max(d.Widths.FirstYear, last-50-random.IntN(40))
		if trees[d.Tree] || young-old < 80 || len(reference) == want {
			continue
		}
		trees[d.Tree] = true
		r := Values{old, d.Widths.V[old-d.Widths.FirstYear : young-d.Widths.FirstYear+1]}
		if random.Float64() < 0.4 {
			r, _ = withFault(r, []FaultKind{Missed, Invented}[random.IntN(2)], 10+random.IntN(len(r.V)-30), random)
		}
		reference = append(reference, seriesOf(d.ID, d.Tree, r))
	}
	piece = seriesOf("piece", "piece", w)
	piece.Floating = true
	return reference, piece, last, len(reference) >= 3
}

// TestFaultyReferences: where some of the reference series hold a fault of their
// own, as automatic readings do before they are checked, dates must still be
// right as often as they claim. Real series (International Tree-Ring Data Bank,
// NOAA/WDS), faults made.
func TestFaultyReferences(t *testing.T) {
	if testing.Short() {
		t.Skip("places some hundreds of pieces")
	}
	random := rand.New(rand.NewPCG(5, 8))
	const each = 250 // pieces a site
	var tried, dated, wrong int
	var talk string
	for _, s := range sites() {
		site := datedSite(t, s.name)
		for range each {
			reference, piece, last, ok := faultyReference(site, random)
			if !ok {
				continue
			}
			r, err := Crossdate(context.Background(), []archive.Series{piece}, reference, Options{Place: DefaultPlaceOptions()})
			if err != nil {
				t.Fatal(err)
			}
			tried++
			if got := r.Series[0]; got.Decision == DecisionDated {
				dated++
				if *got.LastYear != last {
					wrong++
					talk += fmt.Sprintf("%s: dated %d with %.4f, true %d, %d references\n", s.name, *got.LastYear, got.Posterior, last, len(reference))
				}
			}
		}
	}
	t.Logf("%d pieces, %d dated, %d of them wrongly\n%s", tried, dated, wrong, talk)
	if float64(wrong) > 0.01*float64(dated) {
		t.Errorf("%d of %d dates are wrong, more than the 1 in 100 that 0.99 allows", wrong, dated)
	}
}

// TestSingleTree measures how a tree's agreement with one other tree compares
// with its agreement with the mean of all others, Fisher's z, site by site
// (International Tree-Ring Data Bank, NOAA/WDS): what singleTree rests on.
func TestSingleTree(t *testing.T) {
	var ratios []float64
	for _, s := range sites() {
		site := datedSite(t, s.name)
		site = site[:min(25, len(site))]
		var pair, mean agreement
		for i, a := range site {
			mean.add(Correlate(a.Pattern, NewMaster(otherTrees(site, a)).Pattern))
			for _, b := range site[i+1:] {
				if b.Tree != a.Tree {
					pair.add(Correlate(a.Pattern, b.Pattern))
				}
			}
		}
		ratios = append(ratios, pair.sum/pair.n/(mean.sum/mean.n))
	}
	if got, _ := Median(ratios); math.Abs(got-Zeta{Mean: 1}.singleTree().Mean) > 0.02 {
		t.Errorf("a single tree agrees by %.3f of the mean of all", got)
	}
}

// agreement adds up Fisher's z of correlations over 50 years and more.
type agreement struct{ sum, n float64 }

func (m *agreement) add(c Correlation) {
	if c.OK && c.N >= 50 {
		m.sum += math.Atanh(math.Min(0.99, c.R))
		m.n++
	}
}
