package look

import (
	"math"
	"strings"
	"testing"
)

// The ratios are the definition's (WCAG 2.2, W3C 2023, "contrast ratio"): 21
// between black and white, 1 between equals; #767676 is known as the lightest
// grey that reaches 4.5 on white (common practice, 4.54).
func TestContrast(t *testing.T) {
	for _, c := range []struct {
		name string
		a, b Colour
		want float64
	}{
		{"black on white", 0x000000, 0xffffff, 21},
		{"equal", 0x336699, 0x336699, 1},
		{"the lightest passing grey", 0x767676, 0xffffff, 4.54},
	} {
		if got := Contrast(c.a, c.b); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%s: contrast %.3f, want %.2f", c.name, got, c.want)
		}
	}
}

// Least contrasts, WCAG 2.2: 4.5 for text (1.4.3), 3 for marks (1.4.11).
const (
	textContrast = 4.5
	markContrast = 3.0
)

func TestTextReads(t *testing.T) {
	for _, c := range []struct {
		name    string
		on, ink Colour
	}{
		{"ink on paper", Paper, Ink},
		{"quiet ink on paper", Paper, Quiet},
		{"ink on its halo on the darkest ground it is used on", Halo.Over(0x7c7c7c, 0.9), Ink},
		{"paper on its halo on the lightest ground it is used on", Night.Over(0x7c7c7c, 0.9), Paper},
	} {
		if got := Contrast(c.on, c.ink); got < textContrast {
			t.Errorf("%s: contrast %.2f, want at least %.1f", c.name, got, textContrast)
		}
	}
}

// A line is seen if its ink differs enough from the wood, or, in dark wood,
// from its own halo, and the halo from the wood.
func TestMarksReadOnWood(t *testing.T) {
	woods := []struct {
		name string
		wood Colour
	}{
		{"lightest earlywood", 0xf2e6d2},
		{"pine earlywood", 0xe2c6a0},
		{"oak", 0x967452},
		{"pine latewood", 0x965c34},
		{"darkest latewood", 0x5a3420},
		{"wood under ink", 0x1c1820},
	}
	for _, w := range woods {
		halo := Halo.Over(w.wood, HaloStrength)
		plain := Contrast(Ink, w.wood)
		ringed := math.Min(Contrast(Ink, halo), Contrast(halo, w.wood))
		if got := math.Max(plain, ringed); got < markContrast {
			t.Errorf("%s (%s): plain %.2f, with halo %.2f, want at least %.1f", w.name, w.wood.CSS(), plain, ringed, markContrast)
		}
	}
}

// Ink is the complement of wood: its hue lies across from 20 to 40 degrees.
func TestInkIsTheComplementOfWood(t *testing.T) {
	r, g, b := float64(Ink>>16&255), float64(Ink>>8&255), float64(Ink&255)
	if b < g || g < r {
		t.Fatalf("ink %s is not blue", Ink.CSS())
	}
	if hue := 60 * (4 + (r-g)/(b-r)); hue < 200 || hue > 220 {
		t.Errorf("ink has hue %.0f, want 200 to 220", hue)
	}
}

func TestCSSHasEveryEntryOnce(t *testing.T) {
	css := CSS()
	for _, e := range Entries() {
		if n := strings.Count(css, "  --"+e.Name+": "+e.Value+";\n"); n != 1 {
			t.Errorf("%s is %d times in the style sheet, want once", e.Name, n)
		}
	}
}

func TestOver(t *testing.T) {
	for _, c := range []struct {
		strength float64
		want     Colour
	}{{0, 0x204060}, {1, 0xe0c0a0}, {0.5, 0x808080}} {
		if got := Colour(0xe0c0a0).Over(0x204060, c.strength); got != c.want {
			t.Errorf("strength %g: %s, want %s", c.strength, got.CSS(), c.want.CSS())
		}
	}
}
