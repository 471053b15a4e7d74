package vision

import (
	"strings"
	"testing"

	"pithward/measure"
)

// What is given wins; that the picture speaks against it is a warning.
func TestGivenWarnings(t *testing.T) {
	for _, tt := range []struct {
		name             string
		bark             measure.End
		upright          bool
		woodSource       string
		barkProb, woodPr float64
		want             string // parts, separated by ;
	}{
		{"nothing given", "", false, "auto", 0.1, 0.01, ""},
		{"both agree", measure.Left, false, "given", 0.98, 0.99, ""},
		{"a standing core", measure.Top, true, "given", 0.98, 0.99, ""},
		{"the other end", measure.Left, false, "auto", 0.13, 1, "bark taken to be left as given, but"},
		{"an end of standing cores", measure.Top, false, "auto", 0.98, 1, "bark top was given, but the core lies"},
		{"an end of lying cores", measure.Right, true, "auto", 0.98, 1, "bark right was given, but the core stands"},
		{"another wood", "", false, "given", 0.98, 0.003, "wood taken to be ring-porous as given, but"},
		{"a wood in doubt", "", false, "given", 0.98, 0.3, ""},
		{"end and wood", measure.Left, false, "given", 0.2, 0.01, "bark taken;wood taken"},
	} {
		wood := measure.RingPorous
		c := measure.Core{Wood: &wood, WoodSource: &tt.woodSource, WoodProbability: &tt.woodPr, BarkEndProbability: &tt.barkProb}
		got := givenWarnings(c, tt.upright, measure.Settings{BarkEnd: tt.bark})
		var want []string
		if tt.want != "" {
			want = strings.Split(tt.want, ";")
		}
		if len(got) != len(want) {
			t.Errorf("%s: %q", tt.name, got)
			continue
		}
		for i := range want {
			if !strings.HasPrefix(got[i], want[i]) {
				t.Errorf("%s: %q, want %q", tt.name, got[i], want[i])
			}
		}
	}
}
