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
		for n := range 4 {
			add(k.short, n+1, phantom.Options{Wood: k.wood, Cores: 6, DPI: 1200, Upright: n == 3}, nil)
		}
	}
	if name == "small" {
		return plans
	}
	for _, k := range kinds {
		for n := range 4 {
			add(k.short, n+5, phantom.Options{Wood: k.wood, Cores: 6, DPI: 1200}, nil)
		}
		add(k.short+"-plain", 1, phantom.Options{Wood: k.wood, Cores: 6, DPI: 1200, Plain: true}, nil)
		add(k.short+"-fine", 1, phantom.Options{Wood: k.wood, Cores: 4, DPI: 2400, LengthMM: 50}, nil)
		add(k.short+"-gray", 1, phantom.Options{Wood: k.wood, Cores: 4, DPI: 1200}, func(t *phantom.Tray) { t.Gray = true })
		add(k.short+"-deep", 1, phantom.Options{Wood: k.wood, Cores: 4, DPI: 1200}, func(t *phantom.Tray) { t.Bits = 16 })
	}
	for n := range 4 {
		add("mixed", n+1, phantom.Options{Cores: 6, DPI: 1200}, nil)
	}
	return plans
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
