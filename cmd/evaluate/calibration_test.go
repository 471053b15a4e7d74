package main

import (
	"bytes"
	"strings"
	"testing"

	"pithward/measure"
	"pithward/vision/phantom"
	"pithward/vision/phantom/score"
)

// TestPrintCalibration: a reading that is right everywhere and says 0.75 of
// each boundary is out by a quarter.
func TestPrintCalibration(t *testing.T) {
	_, truth := phantom.Render(phantom.RandomTray(5, phantom.Options{Cores: 1, LengthMM: 15, DPI: 300, Plain: true}), 5)
	sd := 0.01
	c := measure.Core{Position: 1, PathPx: truth.Cores[0].CentrelinePx, Wood: &truth.Cores[0].Wood}
	for _, b := range truth.Cores[0].Boundaries {
		if b.Kind == phantom.KindRing && b.Hidden == nil {
			c.Boundaries = append(c.Boundaries, measure.Boundary{Kind: measure.RingBoundary, PointPx: b.PointPx, Probability: 0.75, StandardUncertaintyMM: &sd})
		}
	}
	m := measure.Measurement{Scale: measure.Scale{MMPerPx: &truth.MMPerPx}, Cores: []measure.Core{c}}
	var out bytes.Buffer
	printCalibration(&out, []group{{"here", judge([]trial{{truth: truth, found: m}}, score.Rule{})}})
	var row, bin []string
	for _, line := range strings.Split(out.String(), "\n") {
		switch f := strings.Fields(line); {
		case len(f) > 3 && f[0] == "here" && f[1] == "all":
			row = f
		case len(f) > 3 && f[0] == "0.7-0.8":
			bin = f
		}
	}
	if row == nil || row[5] != "1.0000" || row[7] != "0.2500" || row[len(row)-1] != "1.000" {
		t.Errorf("row for all woods: %v\n%s", row, out.String())
	}
	if bin == nil || bin[2] != "0.750" || bin[3] != "1.000" {
		t.Errorf("bin: %v\n%s", bin, out.String())
	}
}
