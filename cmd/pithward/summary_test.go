package main

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure"
)

// What a warning and a doubt both say is said to a person once.
func TestHeed(t *testing.T) {
	c := measure.Core{
		Warnings: []string{"the sheet says bark, but the picture does not show it", "remount it"},
		Doubts: []measure.Doubt{
			{Kind: measure.DoubtYears, Detail: "the sheet says bark, but the picture does not show it: no years until a person decides"},
			{Kind: "boundary", Detail: "ring boundary with probability 0.52"},
		},
	}
	want := []string{"remount it", "the sheet says bark, but the picture does not show it: no years until a person decides"}
	if d := cmp.Diff(want, heed(c)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestShown(t *testing.T) {
	for name, want := range map[string]string{
		"trays/Spruce 7, läng.tif": "trays/Spruce 7, läng.tif",
		"two\nlines.tif":           `"two\nlines.tif"`,
		"red\x1b[31m.tif":          `"red\x1b[31m.tif"`,
	} {
		if got := shown(name); got != want {
			t.Errorf("shown(%q) = %s, want %s", name, got, want)
		}
	}
	broken := summary("a\nb.tif", measure.Measurement{}, []string{"out/a\nb.json"})
	if n := strings.Count(broken, "\n"); n != 2 {
		t.Errorf("a summary of two lines takes %d:\n%s", n, broken)
	}
}
