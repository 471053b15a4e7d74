package dating

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure/archive"
)

var update = flag.Bool("update", false, "write the golden files anew")

// The sites of the International Tree-Ring Data Bank (NOAA/WDS) in the reference
// material, each with one so far away that nothing can be in common.
func sites() []struct{ name, far string } {
	return []struct{ name, far string }{
		{"arge102", "mt119"}, {"az607", "lith031"}, {"az615", "germ148"}, {"bra009", "ut526"}, {"brit038", "mt120"}, {"che423", "ut526"},
		{"fl018", "che423"}, {"fran005", "mt119"}, {"germ148", "ut526"}, {"lith031", "wy039"}, {"mar047", "mt120"}, {"mt119", "lith031"},
		{"mt120", "mar047"}, {"neth011", "ut526"}, {"turk029", "mt119"}, {"ut526", "turk029"}, {"va006", "mar047"}, {"wy039", "mar047"},
	}
}

// treeOf takes the last character off ids that end in a core's letter or number.
func treeOf(id string) string {
	if n := len(id); n > 1 && strings.ContainsRune("abcdABCD123", rune(id[n-1])) {
		return id[:n-1]
	}
	return id
}

func datedSite(t *testing.T, name string) []Dated {
	t.Helper()
	c, err := archive.ReadFile(reference(t, "itrdb/"+name+".rwl"))
	if err != nil {
		t.Fatal(err)
	}
	var site []Dated
	for _, s := range c.Series {
		s.Meta.Tree = treeOf(s.ID)
		if d := NewDated(s); d.usable() {
			site = append(site, d)
		}
	}
	return site
}

func otherTrees(site []Dated, d Dated) []Dated {
	var rest []Dated
	for _, o := range site {
		if o.Tree != d.Tree {
			rest = append(rest, o)
		}
	}
	return rest
}

func masterOf(members []Dated) Master {
	m := NewMaster(members)
	m.Zeta = ZetaOf(members)
	return m
}

// perSite is how many series of a site take part.
const perSite = 15

// What can be dated, and how far the probabilities can be trusted, is a golden
// file: pieces of real series set against the other trees of their site, where
// their years are known, and against a site on another continent, where no
// placement is right; and real series into which one fault was put.
func TestAccuracy(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	all := map[string][]Dated{}
	for _, s := range sites() {
		all[s.name] = datedSite(t, s.name)
	}
	var report strings.Builder
	placingReport(&report, all)
	fmt.Fprintln(&report)
	faultReport(&report, all)
	heldTo(t, "testdata/accuracy.txt", report.String())
}

// tally counts answers by the probability they came with.
type tally struct{ n, right [11]int }

func (c *tally) add(p float64, right bool) {
	b := int(p * 10)
	if p >= 0.99 {
		b = 10
	}
	c.n[b]++
	if right {
		c.right[b]++
	}
}

func placingReport(w *strings.Builder, all map[string][]Dated) {
	fmt.Fprintln(w, "Placing pieces of series against the other trees of their site, and against a site far away")
	fmt.Fprintln(w, "rings  pieces  dated  wrongly  far pieces  dated")
	var c tally
	for _, rings := range []int{40, 60, 100} {
		n, dated, wrong, far, farDated := 0, 0, 0, 0, 0
		for _, s := range sites() {
			farMaster := masterOf(all[s.far])
			for i, d := range all[s.name] {
				rest := otherTrees(all[s.name], d)
				if i >= perSite || len(rest) < 3 {
					continue
				}
				master := masterOf(rest)
				for from := 0; from+rings <= len(d.Widths.V); from += rings {
					piece := Values{d.Widths.FirstYear + from, d.Widths.V[from : from+rings]}
					if overlapOf(piece, master.Pattern) < rings*3/4 {
						continue
					}
					p := Place(piece, master, DefaultPlaceOptions())
					right := len(p.Placements) > 0 && p.Placements[0].LastYear == piece.LastYear()
					c.add(p.Posterior, right)
					n++
					if p.Dated {
						dated++
						if !right {
							wrong++
						}
					}
					f := Place(piece, farMaster, DefaultPlaceOptions())
					c.add(f.Posterior, false)
					far++
					if f.Dated {
						farDated++
					}
				}
			}
		}
		fmt.Fprintf(w, "%5d  %6d  %5d  %7d  %10d  %5d\n", rings, n, dated, wrong, far, farDated)
	}
	fmt.Fprintln(w, "\nOf placements given these probabilities, so many are right (near and far together)")
	for b := range c.n {
		top := float64(b+1) / 10
		low := float64(b) / 10
		if b == 9 {
			top = 0.99
		}
		if b == 10 {
			low, top = 0.99, 1
		}
		fmt.Fprintf(w, "%.2f-%.2f  %5d  %.3f\n", low, top, c.n[b], float64(c.right[b])/math.Max(1, float64(c.n[b])))
	}
}

// withFault puts a fault in at ring i, counted from the oldest; the youngest
// ring keeps its year. year is where it should be found.
func withFault(w Values, kind FaultKind, i int, random *rand.Rand) (faulty Values, year int) {
	v := append([]float64(nil), w.V[:i]...)
	switch kind {
	case Missed:
		v = append(append(v, w.V[i]+w.V[i+1]), w.V[i+2:]...)
	case Absent:
		v = append(v, w.V[i+1:]...)
	case Invented:
		f := 0.3 + 0.4*random.Float64()
		v = append(append(v, w.V[i]*f, w.V[i]*(1-f)), w.V[i+1:]...)
	}
	faulty = Values{w.LastYear() - len(v) + 1, v}
	if kind == Invented {
		return faulty, faulty.FirstYear + i + 1
	}
	return faulty, faulty.FirstYear + i
}

// narrowest draws ten rings and returns the one whose year is narrowest in the other
// trees: rings are absent in such years (see TestAbsentRings).
func narrowest(w Values, master Master, random *rand.Rand) (ring int) {
	least := math.Inf(1)
	for range 10 {
		i := 25 + random.IntN(len(w.V)-50)
		if x := master.Pattern.At(w.FirstYear + i); x < least {
			ring, least = i, x
		}
	}
	return max(ring, 25)
}

func faultReport(w *strings.Builder, all map[string][]Dated) {
	random := rand.New(rand.NewPCG(1, 1))
	kinds := []FaultKind{Missed, Invented, Absent}
	type count struct{ n, found, kind, hold int }
	counts := map[FaultKind]*count{Missed: {}, Invented: {}, Absent: {}}
	patterns := map[FaultKind][]float64{}
	clean, alarms, windowsAll, low := 0, 0, 0, 0
	var c tally
	for _, s := range sites() {
		for i, d := range all[s.name] {
			rest := otherTrees(all[s.name], d)
			if i >= perSite || len(rest) < 3 || len(d.Widths.V) < 80 {
				continue
			}
			master := masterOf(rest)
			clean++
			for _, x := range suspectsAgainst(d.Widths, rest, nil) {
				if x.Posterior >= 0.5 {
					alarms++
				}
			}
			for _, h := range Hold(d.Widths, master, DefaultHoldOptions()) {
				windowsAll++
				if h.Probability < 0.5 {
					low++
				}
			}
			for _, kind := range kinds {
				ring := 25 + random.IntN(len(d.Widths.V)-50)
				if kind == Absent {
					ring = narrowest(d.Widths, master, random)
				}
				faulty, year := withFault(d.Widths, kind, ring, random)
				n := counts[kind]
				n.n++
				if kind != Absent {
					patterns[kind] = append(patterns[kind], Pattern(faulty).At(year))
				}
				found, named := false, false
				for _, x := range suspectsAgainst(faulty, rest, nil) {
					near := x.FromYear-2 <= year && year <= x.ToYear+2
					same := (x.Kind == Invented) == (kind == Invented)
					c.add(x.Posterior, near && x.Kind == kind)
					if near && same && x.Posterior >= 0.3 {
						found = true
						named = named || x.Kind == kind
					}
				}
				if found {
					n.found++
				}
				if named {
					n.kind++
				}
				for _, h := range Hold(faulty, master, DefaultHoldOptions()) {
					if h.ToYear < year && h.Probability < 0.5 {
						n.hold++
						break
					}
				}
			}
		}
	}
	fmt.Fprintln(w, "One fault put into each series, 25 rings or more from its ends (an absent ring in the narrowest of ten years), widths alone")
	fmt.Fprintln(w, "          series  found (within two years, at 0.3)  of the right kind  hold check below 0.5 inward of it")
	for _, kind := range kinds {
		n := counts[kind]
		fmt.Fprintf(w, "%-8s  %6d  %32d  %17d  %33d\n", kind, n.n, n.found, n.kind, n.hold)
	}
	fmt.Fprintf(w, "Series as they are: %d, with suspects of 0.5 or more: %d; windows of the hold check %d, below 0.5: %d\n", clean, alarms, windowsAll, low)
	for _, kind := range kinds[:2] {
		m, _ := Mean(patterns[kind])
		sd, _ := StandardDeviation(patterns[kind])
		fmt.Fprintf(w, "Pattern of a ring where a boundary is %s: mean %.2f, deviation %.2f\n", kind, m, sd)
	}
	fmt.Fprintln(w, "Of suspects given these probabilities, so many are of the right kind and within two years")
	for b := range c.n {
		fmt.Fprintf(w, "%.1f  %4d  %.2f\n", float64(b)/10, c.n[b], float64(c.right[b])/math.Max(1, float64(c.n[b])))
	}
}

// What is usual beforehand (usualZeta) is a little lower and wider than the
// agreement of single series with the other trees of the reference sites, since
// it serves for references of few series.
func TestUsualZeta(t *testing.T) {
	var z []float64
	for _, s := range sites() {
		site := datedSite(t, s.name)
		sum, depth := patternSums(site)
		for _, d := range site {
			rest, _ := without(sum, depth, site, d)
			if c := Correlate(d.Pattern, rest); c.OK && c.N >= 50 {
				z = append(z, math.Atanh(c.R))
			}
		}
	}
	mean, _ := Mean(z)
	sd, _ := StandardDeviation(z)
	t.Logf("%d series: mean %.3f, deviation %.3f", len(z), mean, sd)
	u := usualZeta()
	if u.Mean > mean || u.Mean < mean-0.15 || u.SD < sd || u.SD > sd+0.1 {
		t.Errorf("usual is %+v, measured mean %.3f, deviation %.3f", u, mean, sd)
	}
}

// suspectsAgainst sets a series, from the widths alone or with what a picture
// says of its rings, oldest first, against other trees.
func suspectsAgainst(w Values, rest []Dated, pictures []archive.RingPicture) []Suspect {
	return standAgainst(w, rest, pictures).Suspects(0)
}

func standAgainst(w Values, rest []Dated, pictures []archive.RingPicture) *Stand {
	s := seriesOf("x", "x", w)
	s.Pictures = pictures
	c := placer{witnesses: map[string]witness{}}
	for _, d := range rest {
		if q, ok := newSequence(seriesOf(d.ID, d.Tree, d.Widths)); ok {
			c.witnesses[d.ID] = q.witness()
		}
	}
	return newStandOf(s, c.stems(rest))
}

// heldTo holds a report to its file, or writes the file anew.
func heldTo(t *testing.T, path, report string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(report), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(report, "\n")); d != "" {
		t.Errorf("(-golden +now):\n%s", d)
	}
}
