package main

import (
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
