package main

import (
	"encoding/gob"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"

	"pithward/vision/phantom"
)

// trayOf renders one tray and reads its cores, or takes them from the folder
// an earlier run kept them in.
func trayOf(cache string, seed uint64, kind int) ([]sample, error) {
	path := filepath.Join(cache, fmt.Sprintf("%d-%d.gob", seed, kind))
	if cache != "" {
		if got, err := load(path); err == nil {
			return got, nil
		}
	}
	rng := rand.New(rand.NewPCG(seed, 7))
	tray := phantom.RandomTray(seed, trayOptions(kind, rng))
	for i := range tray.Cores { // more hidden wood than is usual, to learn it by
		if rng.Float64() < 0.4 {
			tray.Cores[i].Marks.Smears = 4 * rng.Float64()
		}
	}
	p, t := phantom.Render(tray, seed)
	got := samplesOf(pixelsOf(p), t, rng)
	if cache == "" {
		return got, nil
	}
	return got, store(path, got)
}

func load(path string) ([]sample, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var out []sample
	err = gob.NewDecoder(f).Decode(&out)
	return out, err
}

func store(path string, s []sample) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.Create(path + ".part")
	if err != nil {
		return err
	}
	defer f.Close()
	if err := gob.NewEncoder(f).Encode(s); err != nil {
		return err
	}
	return os.Rename(path+".part", path)
}
