package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"pithward/measure"
	"pithward/vision/phantom"
)

// trial is one picture with its truth, and the measurement once there is one.
type trial struct {
	name, picture string
	truth         phantom.Truth
	found         measure.Measurement
	fault         string // why there is no measurement
}

// plan is one tray of a suite.
type plan struct {
	name string
	seed uint64
	draw func(seed uint64) phantom.Tray
}

// suite lists the trays of a suite. Sheets are not given, so that wood kind and
// bark end have to be told from the picture.
func suite(name string, seed uint64) []plan {
	kinds := []struct {
		short string
		wood  measure.Wood
	}{{"con", measure.Conifer}, {"rip", measure.RingPorous}, {"dip", measure.DiffusePorous}}
	var plans []plan
	add := func(short string, n int, o phantom.Options, vary func(*phantom.Tray)) {
		id := uint64(len(plans) + 1)
		plans = append(plans, plan{fmt.Sprintf("%s-%02d", short, n), seed*1000 + id, func(seed uint64) phantom.Tray {
			t := phantom.RandomTray(seed, o)
			if vary != nil {
				vary(&t)
			}
			return t
		}})
	}
	if name == "big" {
		return []plan{{"big-01", seed * 1000, phantom.BigTray}}
	}
	for _, k := range kinds {
		for n, dpi := range []float64{1200, 1200, 600, 1200} {
			add(k.short, n+1, phantom.Options{Wood: k.wood, Cores: 6, DPI: dpi, Upright: n == 3}, nil)
		}
		add(k.short+"-fine", 1, phantom.Options{Wood: k.wood, Cores: 3, DPI: 2400, LengthMM: 50}, nil)
	}
	if name == "small" {
		return plans
	}
	for _, k := range kinds {
		for n := range 4 {
			add(k.short, n+5, phantom.Options{Wood: k.wood, Cores: 6, DPI: 1200}, nil)
		}
		add(k.short+"-plain", 1, phantom.Options{Wood: k.wood, Cores: 6, DPI: 1200, Plain: true}, nil)
		add(k.short+"-fine", 2, phantom.Options{Wood: k.wood, Cores: 4, DPI: 2400, LengthMM: 50}, nil)
		add(k.short+"-medium", 1, phantom.Options{Wood: k.wood, Cores: 5, DPI: 800}, nil)
		add(k.short+"-medium", 2, phantom.Options{Wood: k.wood, Cores: 5, DPI: 1600}, nil)
		add(k.short+"-gray", 1, phantom.Options{Wood: k.wood, Cores: 4, DPI: 1200}, func(t *phantom.Tray) { t.Gray = true })
		add(k.short+"-deep", 1, phantom.Options{Wood: k.wood, Cores: 4, DPI: 1200}, func(t *phantom.Tray) { t.Bits = 16 })
	}
	for n := range 4 {
		add("mixed", n+1, phantom.Options{Cores: 6, DPI: 1200}, nil)
	}
	for n, r := range rulers() { // every ruler, whatever chance draws above
		add("ruler", n+1, phantom.Options{Cores: 2, LengthMM: 50, DPI: []float64{600, 1200}[n%2]}, func(t *phantom.Tray) { r(t.Ruler) })
	}
	for n, m := range marks() { // every disturbance, plenty of it
		add("marked", n+1, phantom.Options{Cores: 3, LengthMM: 60}, func(t *phantom.Tray) {
			for i := range t.Cores {
				m(&t.Cores[i])
			}
		})
	}
	return plans
}

// rulers lists ways to set a ruler up: each material with each unit.
func rulers() []func(*phantom.Ruler) {
	var out []func(*phantom.Ruler)
	for _, material := range []string{"plastic", "paper", "steel"} {
		for _, finest := range []phantom.RulerScale{{Unit: "mm", Finest: 1}, {Unit: "mm", Finest: 0.5}, {Unit: "inch", Finest: 1.0 / 16}, {Unit: "inch", Finest: 1.0 / 32}} {
			out = append(out, func(r *phantom.Ruler) {
				s := &r.Scales[0]
				r.Scales, r.Material, s.Unit, s.Finest = r.Scales[:1], material, finest.Unit, finest.Finest
				if r.TickMM = 0.15; finest.Finest < 1 {
					r.TickMM = 0.1
				}
			})
		}
	}
	return out
}

// marks lists what may disturb a core, each more than is usual.
func marks() []func(*phantom.Core) {
	return []func(*phantom.Core){
		func(c *phantom.Core) { c.Marks.Smears = 4 },
		func(c *phantom.Core) { c.Marks.Cracks, c.Marks.Checks = 6, 6 },
		func(c *phantom.Core) { c.Marks.BorerMarks, c.Marks.Scratches = 3, 1 },
		func(c *phantom.Core) { c.Marks.PencilLines, c.Marks.PencilDots = 4, true },
		func(c *phantom.Core) {
			c.Breaks = []phantom.Break{{AtMM: 15, OpeningMM: 0.3, Kind: measure.Crack}, {AtMM: 30, OpeningMM: 1, Kind: measure.Break, ShiftMM: 0.2, TurnDeg: 0.5}}
		},
	}
}

// render makes the suite's pictures in the folder asked for.
func render(ctx context.Context, o options, talk io.Writer) ([]trial, error) {
	plans := slices.DeleteFunc(suite(o.suite, o.seed), func(p plan) bool { return !strings.Contains(p.name, o.only) })
	var trials []trial
	start := time.Now()
	for i, p := range plans {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		t, err := p.make(o)
		if err != nil {
			return nil, err
		}
		trials = append(trials, t)
		fmt.Fprintf(talk, "\r%d of %d trays rendered", i+1, len(plans))
	}
	fmt.Fprintf(talk, "\r%d trays in %.0f s       \n", len(plans), time.Since(start).Seconds())
	return trials, nil
}

// make renders the tray, or takes what is there.
func (p plan) make(o options) (trial, error) {
	t := trial{name: p.name, picture: filepath.Join(o.dir, fmt.Sprintf("%s-%d.tif", p.name, o.seed))}
	truthPath := strings.TrimSuffix(t.picture, ".tif") + ".truth.json"
	if o.reuse {
		truth, err := phantom.ReadTruth(truthPath)
		if err == nil && truth.Seed == p.seed {
			t.truth = truth
			return t, nil
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return t, err
		}
	}
	tray := p.draw(p.seed)
	tray.Name = p.name
	pic, truth := phantom.Render(tray, p.seed)
	truth.File = filepath.Base(t.picture)
	t.truth = truth
	f, err := os.Create(t.picture)
	if err != nil {
		return t, err
	}
	if err := pic.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}); err != nil {
		f.Close()
		return t, err
	}
	if err := f.Close(); err != nil {
		return t, err
	}
	// The truth goes last: with it the picture counts as done.
	return t, truth.Write(truthPath)
}

// given reads the folders below dir, or dir itself, that hold a picture and
// its truth.
func given(dir string) ([]trial, error) {
	paths, err := filepath.Glob(filepath.Join(dir, "*", "truth.json"))
	if err != nil {
		return nil, err
	}
	if here := filepath.Join(dir, "truth.json"); len(paths) == 0 {
		paths = []string{here}
	}
	var trials []trial
	for _, p := range paths {
		truth, err := phantom.ReadTruth(p)
		if err != nil {
			return nil, fmt.Errorf("%w: give a folder with truth.json, or one of such folders", err)
		}
		trials = append(trials, trial{name: truth.Case, picture: filepath.Join(filepath.Dir(p), truth.File), truth: truth})
	}
	return trials, nil
}
