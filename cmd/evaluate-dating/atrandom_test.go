package main

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// What was read of rendered cores lies where their widths put it: ring by
// ring (the logarithms correlate; stems are not round, and readings have errors).
func TestRenderedRings(t *testing.T) {
	const archives = "../../../shared/reference/itrdb"
	if _, err := os.Stat(archives); err != nil {
		t.Skip("no archive files at ", archives)
	}
	sites, err := readSites(archives, false)
	if err != nil {
		t.Fatal(err)
	}
	l, err := readLooks()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, s := range sites {
		of := l.rendered(s.name)
		for _, x := range s.trees {
			g, ok := of[x.name]
			if !ok {
				continue
			}
			n++
			var own, seen []float64
			from := 0.0
			for _, w := range x.widths {
				if k := len(own); w > 0 && k < len(g.Rings) && g.Rings[k].At > from {
					own, seen = append(own, math.Log(w)), append(seen, math.Log(g.Rings[k].At-from))
					from = g.Rings[k].At
				}
			}
			if r := stat.Correlation(own, seen, nil); len(own) < len(x.widths)*3/4 || r < 0.85 {
				t.Errorf("%s %s: %d rings, r %.2f with the widths they were drawn from", s.name, x.name, len(own), r)
			}
		}
	}
	if n < 150 {
		t.Errorf("%d cores", n)
	}
}

// Faults at random come at the rates asked for, and a dropped boundary stays a
// candidate as probable as it was.
func TestAtRandom(t *testing.T) {
	l, err := readLooks()
	if err != nil {
		t.Fatal(err)
	}
	dropped, added, rings := 0, 0, 0
	for seed := range uint64(5) {
		s := modelSite(2)
		cores, rendered := l.readSite(s, faults{}, random(seed))
		if rendered || len(cores) != siteCores {
			t.Fatalf("%d cores, rendered %v", len(cores), rendered)
		}
		for _, c := range cores {
			rings += siteYears
			for _, f := range c.places {
				switch {
				case f.own:
				case f.kind == "missed":
					dropped++
				default:
					added++
				}
			}
			if text, err := json.Marshal(c.series.Pictures); err != nil || len(text) == 0 {
				t.Fatal(err)
			}
		}
	}
	if d := float64(dropped) / float64(rings); d < 0.04 || d > 0.06 {
		t.Errorf("%.3f dropped", d)
	}
	if d := float64(added) / float64(rings); d < 0.015 || d > 0.025 {
		t.Errorf("%.3f added", d)
	}
}
