package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pithward/measure"
	"pithward/vision/phantom"
)

func TestCallsThatAreWrong(t *testing.T) {
	for name, args := range map[string][]string{
		"unknown flag":  {"-what"},
		"argument":      {"tray.tif"},
		"unknown suite": {"-suite", "huge"},
		"tolerance":     {"-tol-mm", "-1"},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := parse(args, io.Discard); !errors.Is(err, errUsage) {
				t.Errorf("got %v, want a wrong call", err)
			}
		})
	}
}

// TestSuitesDiffer: names are unique, and another seed gives other trays.
func TestSuites(t *testing.T) {
	for name, n := range map[string]int{"small": 15, "full": 66, "big": 1} {
		seen, seeds := map[string]bool{}, map[uint64]bool{}
		for _, seed := range []uint64{1, 2} {
			plans := suite(name, seed)
			if len(plans) != n {
				t.Errorf("%s has %d trays, want %d", name, len(plans), n)
			}
			for _, p := range plans {
				if seeds[p.seed] {
					t.Errorf("%s: seed %d is drawn twice", name, p.seed)
				}
				seeds[p.seed] = true
				if seed == 1 && seen[p.name] {
					t.Errorf("%s: %s is named twice", name, p.name)
				}
				seen[p.name] = true
			}
		}
	}
}

// TestRun lets a stand-in for the program copy a prepared result, and reads
// the report. The stand-in finds each ring boundary but the first.
func TestRun(t *testing.T) {
	dir := t.TempDir()
	_, truth := phantom.Render(phantom.RandomTray(5, phantom.Options{Cores: 1, LengthMM: 15, DPI: 300, Plain: true}), 5)
	truth.File = "tray.tif"
	if err := truth.Write(filepath.Join(dir, "truth.json")); err != nil {
		t.Fatal(err)
	}
	c := measure.Core{Position: 1, PathPx: truth.Cores[0].CentrelinePx, Wood: &truth.Cores[0].Wood, BarkEnd: &truth.Cores[0].BarkEnd}
	n := 0
	for _, b := range truth.Cores[0].Boundaries {
		if b.Kind != phantom.KindRing || b.Hidden != nil {
			continue
		}
		if n++; n > 1 {
			c.Boundaries = append(c.Boundaries, measure.Boundary{Kind: measure.RingBoundary, PointPx: b.PointPx, Probability: 0.99})
		}
	}
	m := measure.Measurement{Schema: measure.Schema, Scale: measure.Scale{MMPerPx: &truth.MMPerPx}, Cores: []measure.Core{c}}
	result, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	prepared := filepath.Join(dir, "prepared.json")
	program := filepath.Join(dir, "program")
	script := "#!/bin/sh\ncp " + prepared + " \"$3/tray.json\"\n"
	for path, b := range map[string][]byte{prepared: result, program: []byte(script)} {
		if err := os.WriteFile(path, b, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	var out bytes.Buffer
	err = run(context.Background(), []string{"-truth", dir, "-bin", program, "-dir", filepath.Join(dir, "work")}, &out, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	var row []string
	for _, line := range strings.Split(out.String(), "\n") {
		if f := strings.Fields(line); len(f) > 9 && f[0] == "all" && row == nil {
			row = f
		}
	}
	// wood, cores, found, wood, bark end, bark, pith, boundaries, precision.
	if len(row) < 9 || row[1] != "1" || row[2] != "100.0" || row[8] != "1.0000" {
		t.Errorf("row for all woods: %v\n%s", row, out.String())
	}
	if want := "-1"; len(row) > 12 && row[12] != want {
		t.Errorf("count error %s, want %s", row[12], want)
	}
}

func TestNoProgram(t *testing.T) {
	dir := t.TempDir()
	if err := (phantom.Truth{Schema: phantom.TruthSchema, File: "a.tif"}).Write(filepath.Join(dir, "truth.json")); err != nil {
		t.Fatal(err)
	}
	err := run(context.Background(), []string{"-truth", dir, "-bin", filepath.Join(dir, "none")}, io.Discard, io.Discard)
	if err == nil || !strings.Contains(err.Error(), "make build") {
		t.Errorf("got %v, want to be told to build the program", err)
	}
}
