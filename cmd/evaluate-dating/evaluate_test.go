package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden file anew")

// What the search restores on one site of the model is a golden file, so that a
// change which makes it worse shows; the whole table is testdata/table.txt.
func TestSmall(t *testing.T) {
	var p pictures
	if err := json.Unmarshal(learned, &p); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	l, err := readLooks()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range conditions(p, l) {
		if c.name == "random" || c.name == "unseen" {
			continue // tell little more, and take as long
		}
		if err := evaluate([]site{modelSite(1)}, c, options{seed: 1}, &out, io.Discard); err != nil {
			t.Fatal(err)
		}
	}
	const path = "testdata/small.txt"
	if *update {
		if err := os.WriteFile(path, out.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(out.String(), "\n")); d != "" {
		t.Errorf("(-golden +now):\n%s", d)
	}
}

// A reading has the faults it says it has.
func TestReadings(t *testing.T) {
	c := pictures{Missed: []float64{0.2}, Accepted: []float64{0.8}}
	dropped, added, n := 0, 0, 0
	for seed := range uint64(20) {
		tree := modelSite(2).trees[0]
		r := c.read(tree, random(seed))
		n += len(tree.widths)
		for _, f := range r.places {
			if f.kind == "missed" {
				dropped++
			} else {
				added++
			}
		}
		if r.count != len(tree.widths)-len(r.places)+2*count(r.places, "invented") {
			t.Fatalf("%d boundaries, %d faults, %d rings", r.count, len(r.places), len(tree.widths))
		}
	}
	if d := float64(dropped) / float64(n); d < 0.04 || d > 0.06 {
		t.Errorf("%.3f dropped", d)
	}
	if d := float64(added) / float64(n); d < 0.013 || d > 0.027 {
		t.Errorf("%.3f added", d)
	}
}

func count(all []fault, kind string) (n int) {
	for _, f := range all {
		if string(f.kind) == kind {
			n++
		}
	}
	return n
}

func random(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 1)) }
