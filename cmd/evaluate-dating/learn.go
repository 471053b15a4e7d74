package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"pithward/measure"
	"pithward/vision/phantom"
	"pithward/vision/phantom/score"
)

// learn gathers from a folder of cmd/evaluate, measured trays with their truth,
// what probabilities the reader gives to boundaries that it misses and to false
// ones that it accepts.
func learn(dir string) (pictures, error) {
	p := pictures{Source: "rendered trays of cmd/evaluate, read by pithward"}
	files, err := filepath.Glob(filepath.Join(dir, "*.truth.json"))
	if err != nil {
		return p, err
	}
	missed, places := 0, 0
	for _, f := range files {
		truth, err := phantom.ReadTruth(f)
		if err != nil {
			return p, err
		}
		name := strings.TrimSuffix(filepath.Base(f), ".truth.json") + ".json"
		m, err := readMeasurement(filepath.Join(dir, "measured", name))
		if err != nil {
			return p, err
		}
		for _, c := range score.Of(m, truth, score.Rule{}).Cores {
			if float64(len(c.Missed)) > hopeless*float64(c.True) {
				continue
			}
			missed += len(c.Missed)
			for _, b := range c.Boundaries {
				if places++; !b.Right {
					p.Accepted = append(p.Accepted, limited(b.Probability))
				}
			}
			for _, s := range c.Spare {
				if s.Right {
					p.Missed = append(p.Missed, limited(s.Probability))
				}
			}
		}
	}
	if len(p.Missed) == 0 || len(p.Accepted) == 0 {
		return p, fmt.Errorf("%s: no faults in %d boundaries to learn from: measure more trays", dir, places)
	}
	p.Unseen = math.Max(0, 1-float64(len(p.Missed))/float64(missed))
	slices.Sort(p.Missed)
	slices.Sort(p.Accepted)
	return p, nil
}

// hopeless is the share of boundaries missed from which a core is measured by
// hand, not searched for single faults (chosen).
const hopeless = 0.1

// limited keeps a probability to three digits, and from 0 and 1.
func limited(p float64) float64 { return math.Max(0.02, math.Min(0.99, math.Round(p*1000)/1000)) }

func readMeasurement(path string) (measure.Measurement, error) {
	f, err := os.Open(path)
	if err != nil {
		return measure.Measurement{}, err
	}
	defer f.Close()
	m, err := measure.Decode(f)
	if err != nil {
		return m, fmt.Errorf("%s: %w", path, err)
	}
	return m, nil
}

func writePictures(path string, p pictures) error {
	text, err := json.Marshal(p)
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(text, '\n'), 0o644)
}
