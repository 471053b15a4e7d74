package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"pithward/measure"
	"pithward/measure/match"
	"pithward/vision/phantom"
	"pithward/vision/phantom/score"
)

// glance is what pithward read of a rendered core, ring by ring from the bark.
type glance struct {
	Site    string     `json:"site"`
	Tree    string     `json:"tree"`
	Rings   []seenRing `json:"rings"`
	LeftOut *hardCore  `json:"left_out,omitempty"`
}

// hardCore is why a core takes no part: too many boundaries missed, so that it
// is measured by hand.
type hardCore struct {
	Missed int `json:"missed"`
	True   int `json:"true"`
}

// seenRing is a ring and what was read of the boundary at its inner end, and of
// places within it where none is.
type seenRing struct {
	At     float64 // mm from the core's outer end to the boundary
	P      float64 // its probability
	On     bool    // accepted
	Unseen bool    // no place stands for it
	Hidden bool    // it lies in a stretch that was read as obscured
	False  []seenFalse
}

type seenFalse struct {
	Share float64 // of the ring's width outward of it
	P     float64
	On    bool
}

// MarshalJSON writes a ring as a short list: the place in micrometres, the boundary's
// standing, and place in the ring (thousandths) and standing of what is false
// within it. A standing is the probability in ten thousandths, negative where the
// place was rejected, 0 where there is none, and -10000 where none is in a stretch
// read as obscured.
func (s seenRing) MarshalJSON() ([]byte, error) {
	standing := func(p float64, on bool) int {
		n := int(math.Round(p * 1e4))
		if on {
			return n
		}
		return -n
	}
	list := []int{int(math.Round(s.At * 1000)), standing(s.P, s.On)}
	switch {
	case s.Unseen && s.Hidden:
		list[1] = -10000
	case s.Unseen:
		list[1] = 0
	}
	for _, f := range s.False {
		list = append(list, int(math.Round(f.Share*1000)), standing(f.P, f.On))
	}
	return json.Marshal(list)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (s *seenRing) UnmarshalJSON(text []byte) error {
	var list []int
	if err := json.Unmarshal(text, &list); err != nil {
		return err
	}
	if len(list) < 2 || len(list)%2 != 0 {
		return fmt.Errorf("a ring is a list of pairs, not %s", text)
	}
	p := func(n int) float64 { return math.Abs(float64(n)) / 1e4 }
	*s = seenRing{At: float64(list[0]) / 1000, P: p(list[1]), On: list[1] > 0}
	if list[1] == 0 || list[1] == -10000 {
		s.P, s.Unseen, s.Hidden = 0, true, list[1] != 0
	}
	for k := 2; k < len(list); k += 2 {
		s.False = append(s.False, seenFalse{float64(list[k]) / 1000, p(list[k+1]), list[k+1] > 0})
	}
	return nil
}

// renderSite draws the cores of a site from their widths, lets pithward measure the
// picture, and tells what it read.
func renderSite(ctx context.Context, s site, seed uint64, dir string, talk io.Writer) (all []glance, err error) {
	picture := filepath.Join(dir, "site.tif")
	pic, truth := phantom.Render(trayOf(s, seed), seed)
	fmt.Fprintf(talk, "%s: rendered, %d x %d px\n", s.name, pic.Width, pic.Height)
	if err := writePicture(picture, pic); err != nil {
		return nil, err
	}
	cmd := exec.CommandContext(ctx, "bin/pithward", "measure", picture, "--out", dir, "--overwrite")
	if said, err := cmd.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("bin/pithward measure %s: %w: %s(build it first: make build)", picture, err, said)
	}
	m, err := readMeasurement(filepath.Join(dir, "site.json"))
	if err != nil {
		return nil, err
	}
	judged := score.Of(m, truth, score.Rule{})
	fmt.Fprintf(talk, "%s: %d of %d cores found\n", s.name, len(judged.Cores), len(s.trees))
	for _, c := range judged.Cores {
		g := glanceAt(c)
		g.Site = s.name
		fmt.Fprintf(talk, "  %s: %d of %d boundaries missed\n", g.Tree, len(c.Missed), c.True)
		all = append(all, g)
	}
	return all, nil
}

func writePicture(path string, pic *phantom.Picture) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := pic.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// trayOf lays the cores of a site on a tray: conifers of any look, with bark,
// without breaks, that stop short of the pith.
func trayOf(s site, seed uint64) phantom.Tray {
	r := rand.New(rand.NewPCG(seed, 91))
	o := phantom.Options{Wood: measure.Conifer, Cores: 1, DPI: 1200, LengthMM: 60}
	t := phantom.RandomTray(seed+500, o)
	t.Name, t.Cores, t.Mounts, t.Labels, t.Ruler, t.OtherRuler = "site", nil, nil, nil, nil, nil
	for _, x := range s.trees {
		c := phantom.RandomCore(r, measure.Conifer, o)
		c.ID, c.OuterYear, c.Widths, c.AbsentYears = x.name, x.year, nil, nil
		c.LengthMM, c.OuterLostMM, c.Partial, c.Breaks = 0, 0, 0, nil
		c.BarkMM, c.PithMissMM = 1+2*r.Float64(), 4*r.Float64()-2
		for k, w := range x.widths {
			if w == 0 {
				c.AbsentYears = append(c.AbsentYears, x.year-k)
				continue
			}
			c.Widths = append(c.Widths, w)
			c.LengthMM += w
		}
		w := math.Max(0.3, c.Widths[len(c.Widths)-1])
		c.LengthMM += w / 2
		for range 12 {
			c.Widths = append(c.Widths, w)
		}
		t.Cores = append(t.Cores, c)
	}
	phantom.Arrange(r, &t, o)
	return t
}

// glanceAt sets what was read of a core against its truth.
func glanceAt(c score.Core) glance {
	g := glance{Tree: c.Truth.ID}
	if float64(len(c.Missed)) > hopeless*float64(c.True) {
		g.LeftOut = &hardCore{len(c.Missed), c.True}
		return g
	}
	line := measure.NewRadius(c.Truth.CentrelinePx, &c.Truth.MMPerPx)
	outer, truth := trueBoundaries(c.Truth, line)
	if len(truth) == 0 {
		g.LeftOut = &hardCore{len(c.Missed), c.True}
		return g
	}
	places := readPlaces(c.Found, line, outer)
	partner := partners(places, outer, truth, math.Sqrt(c.Truth.MMPerPx[0]*c.Truth.MMPerPx[1]))
	taken := map[int]bool{}
	for _, i := range partner {
		taken[i] = true
	}
	from := outer
	for k, at := range truth {
		ring := seenRing{Unseen: true, Hidden: hidden(c.Found, line.Point(at), c.Truth.MMPerPx)}
		if i := partner[k]; i >= 0 {
			at = places[i].at
			ring = seenRing{P: places[i].p, On: places[i].on}
		}
		ring.At = math.Round(1000*(at-outer)) / 1000
		for i, m := range places {
			if !taken[i] && m.at > from && m.at < at {
				ring.False = append(ring.False, seenFalse{math.Round(1000*(m.at-from)/(at-from)) / 1000, m.p, m.on})
			}
		}
		g.Rings = append(g.Rings, ring)
		from = at
	}
	return g
}

// hidden tells whether a place lies in a stretch that was read as obscured.
func hidden(c *measure.Core, p measure.Point, mmPerPx [2]float64) bool {
	at := measure.NewRadius(c.PathPx, &mmPerPx).At(p)
	for _, o := range c.Obscured {
		if o.FromMM != nil && o.ToMM != nil && *o.FromMM <= at && at <= *o.ToMM {
			return true
		}
	}
	return false
}

// trueBoundaries returns the lengths along the true centreline of the wood's
// outer surface and of the boundaries inward of it, none left out: those under
// a stain are there too. There are none where the surface is lost.
func trueBoundaries(t *phantom.CoreTruth, line *measure.Radius) (outer float64, inward []float64) {
	outer = math.NaN()
	for _, b := range t.Boundaries {
		switch s := line.At(b.PointPx); {
		case b.Kind == phantom.KindOuter:
			outer = s
		case b.Side >= 0 && b.K == len(inward)+1 && b.K <= siteYears:
			inward = append(inward, s)
		}
	}
	if math.IsNaN(outer) {
		return outer, nil
	}
	return outer, inward
}

// readPlaces returns the places of a reading inward of a length, the accepted
// ones first.
func readPlaces(c *measure.Core, line *measure.Radius, outer float64) (places []mark) {
	put := func(p measure.Point, probability float64, on bool) {
		if s := line.At(p); s > outer {
			places = append(places, mark{at: s, p: limited4(probability), on: on})
		}
	}
	for _, b := range c.Boundaries {
		if b.Kind == measure.RingBoundary {
			put(b.PointPx, b.Probability, true)
		}
	}
	for _, x := range c.Candidates {
		put(x.PointPx, x.Probability, false)
	}
	return places
}

// partners returns for each true boundary the place read there, or -1: accepted
// places are matched first, candidates with the boundaries left.
func partners(places []mark, outer float64, truth []float64, pxMM float64) []int {
	partner := make([]int, len(truth))
	for k := range partner {
		partner[k] = -1
	}
	for _, on := range []bool{true, false} {
		var at, want []float64
		var of, left []int
		for i, m := range places {
			if m.on == on {
				at, of = append(at, m.at), append(of, i)
			}
		}
		for k, s := range truth {
			if partner[k] < 0 {
				want, left = append(want, s), append(left, k)
			}
		}
		near := func(i, _ int) float64 { return match.Tolerance(pxMM, narrowerBeside(outer, truth, left[i])) }
		for i, j := range match.Within(want, at, near) {
			if j >= 0 {
				partner[left[i]] = of[j]
			}
		}
	}
	return partner
}

// narrowerBeside is the narrower of the rings beside boundary k, mm.
func narrowerBeside(outer float64, truth []float64, k int) float64 {
	from := outer
	if k > 0 {
		from = truth[k-1]
	}
	w := truth[k] - from
	if k+1 < len(truth) {
		w = math.Min(w, truth[k+1]-truth[k])
	}
	return w
}

// limited4 keeps a probability to four digits, and from 0 and 1.
func limited4(p float64) float64 {
	return math.Max(0.0001, math.Min(0.9999, math.Round(p*1e4)/1e4))
}

// writeGlances writes a core a line.
func writeGlances(path string, all []glance) error {
	var lines []string
	for _, g := range all {
		line, err := json.Marshal(g)
		if err != nil {
			return err
		}
		lines = append(lines, string(line))
	}
	return os.WriteFile(path, []byte("["+strings.Join(lines, ",\n")+"]\n"), 0o644)
}

func renderAnew(sites []site, talk io.Writer) error {
	dir, err := os.MkdirTemp("", "evaluate-dating-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	var all []glance
	for i, s := range sites {
		of, err := renderSite(context.Background(), s, uint64(i+1), dir, talk)
		if err != nil {
			return err
		}
		all = append(all, of...)
		if err := writeGlances("cmd/evaluate-dating/rendered.json", all); err != nil {
			return err
		}
	}
	return nil
}
