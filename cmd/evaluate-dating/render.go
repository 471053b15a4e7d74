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
	At     float64     `json:"at"` // mm from the core's outer end to the boundary
	P      float64     `json:"p"`  // its probability
	On     bool        `json:"on,omitempty"`
	Unseen bool        `json:"unseen,omitempty"` // no place stands for it
	False  []seenFalse `json:"false,omitempty"`
}

type seenFalse struct {
	Share float64 `json:"share"` // of the ring's width outward of it
	P     float64 `json:"p"`
	On    bool    `json:"on,omitempty"`
}

// renderSites draws the cores of sites from their widths, lets pithward measure
// the pictures, and tells what it read.
func renderSites(ctx context.Context, sites []site, dir string, talk io.Writer) (all []glance, err error) {
	for i, s := range sites {
		picture := filepath.Join(dir, fmt.Sprintf("site%d.tif", i+1))
		tray := trayOf(s, uint64(i+1))
		pic, truth := phantom.Render(tray, uint64(i+1))
		fmt.Fprintf(talk, "%s: rendered, %d x %d px\n", s.name, pic.Width, pic.Height)
		if err := writePicture(picture, pic); err != nil {
			return nil, err
		}
		cmd := exec.CommandContext(ctx, "bin/pithward", "measure", picture, "--out", dir, "--overwrite")
		if said, err := cmd.CombinedOutput(); err != nil {
			return nil, fmt.Errorf("bin/pithward measure %s: %w: %s(build it first: make build)", picture, err, said)
		}
		m, err := readMeasurement(filepath.Join(dir, fmt.Sprintf("site%d.json", i+1)))
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
	t.Name, t.Cores, t.Mounts, t.Labels, t.Ruler, t.OtherRuler = fmt.Sprintf("site%d", seed), nil, nil, nil, nil, nil
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
		ring := seenRing{Unseen: true}
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

func writeGlances(path string, all []glance) error {
	text, err := json.Marshal(all)
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(text, '\n'), 0o644)
}

// apart takes one site of each file, as far as they go.
func apart(sites []site, n int) (out []site) {
	seen := map[string]bool{}
	for _, s := range sites {
		file, _, _ := strings.Cut(s.name, " ")
		if !seen[file] && len(out) < n {
			seen[file] = true
			out = append(out, s)
		}
	}
	return out
}

func renderAnew(sites []site, talk io.Writer) error {
	dir, err := os.MkdirTemp("", "evaluate-dating-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	all, err := renderSites(context.Background(), sites, dir, talk)
	if err != nil {
		return err
	}
	return writeGlances("cmd/evaluate-dating/rendered.json", all)
}
