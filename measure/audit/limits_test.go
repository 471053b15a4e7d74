package audit

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Peak expiratory flow rate of 17 people, l/min, by a large and by a mini
// meter, two readings each (Bland & Altman 1986, Lancet 327, table 1; from memory).
var peakFlow = []struct{ large, largeAgain, mini, miniAgain float64 }{
	{494, 490, 512, 525}, {395, 397, 430, 415}, {516, 512, 520, 508}, {434, 401, 428, 444}, {476, 470, 500, 500}, {557, 611, 600, 625},
	{413, 415, 364, 460}, {442, 431, 380, 390}, {650, 638, 658, 642}, {433, 429, 445, 432}, {417, 420, 432, 420}, {656, 633, 626, 605},
	{267, 275, 260, 227}, {478, 492, 477, 467}, {178, 165, 259, 268}, {423, 372, 350, 370}, {427, 421, 451, 443},
}

// The worked example of Bland & Altman (1986), digits as printed there (from
// memory): mean difference -2.1, standard deviation 38.8 l/min; limits, by two
// standard deviations, -79.7 and 75.5; 95 % confidence limits of the mean -22.0
// and 17.8, of the lower limit -114.3 and -45.1, of the upper 40.9 and 110.1. The
// paper rounds the deviation to 38.8 first, hence half a digit and 0.2.
func TestBlandAltmanPeakFlow(t *testing.T) {
	var d []float64
	for _, p := range peakFlow {
		d = append(d, p.large-p.mini)
	}
	l := LimitsOf(d)
	near := func(what string, got, want, within float64) {
		t.Helper()
		if math.Abs(got-want) > within {
			t.Errorf("%s %.3f, printed %g", what, got, want)
		}
	}
	near("mean", l.Mean, -2.1, 0.05)
	near("SD", l.SD, 38.8, 0.05)
	two := (2 - z95) * l.SD // the paper's two deviations, ours 1.96
	near("lower", *l.Lower-two, -79.7, 0.2)
	near("upper", *l.Upper+two, 75.5, 0.2)
	near("mean, from", l.MeanCI[0], -22.0, 0.2)
	near("mean, to", l.MeanCI[1], 17.8, 0.2)
	near("lower, from", l.LowerCI[0]-two, -114.3, 0.2)
	near("lower, to", l.LowerCI[1]-two, -45.1, 0.2)
	near("upper, from", l.UpperCI[0]+two, 40.9, 0.2)
	near("upper, to", l.UpperCI[1]+two, 110.1, 0.2)
}

// The coefficients of repeatability of the two meters, 43.2 and 56.4 l/min, are
// twice the root mean square of the differences between readings (Bland &
// Altman 1986; from memory); ours are 1.96 times.
func TestRepeatabilityPeakFlow(t *testing.T) {
	var large, mini []float64
	for _, p := range peakFlow {
		large, mini = append(large, p.largeAgain-p.large), append(mini, p.miniAgain-p.mini)
	}
	for _, tt := range []struct {
		d    []float64
		want float64
	}{{large, 43.2}, {mini, 56.4}} {
		rms := LimitsOf(tt.d).Repeatability / z95
		if got := 2 * math.Round(10*rms) / 10; math.Abs(got-tt.want) > 1e-9 { // the paper rounds before it doubles
			t.Errorf("repeatability %.2f, printed %g", got, tt.want)
		}
	}
}

func TestLimitsOfFew(t *testing.T) {
	if LimitsOf(nil) != nil {
		t.Error("limits of nothing")
	}
	if l := LimitsOf([]float64{0.5}); l.N != 1 || l.Mean != 0.5 || l.Lower != nil || l.MeanCI != nil {
		t.Errorf("of one: %+v", l)
	}
}

// Shifting all differences shifts the limits and nothing else; turning the
// comparison round mirrors them.
func TestLimitsMove(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SliceOfN(rapid.Float64Range(-10, 10), 2, 30).Draw(t, "d")
		by := rapid.Float64Range(-5, 5).Draw(t, "by")
		moved, turned := make([]float64, len(d)), make([]float64, len(d))
		for i, v := range d {
			moved[i], turned[i] = v+by, -v
		}
		a, b, c := LimitsOf(d), LimitsOf(moved), LimitsOf(turned)
		const slack = 1e-9 // of rounding
		if math.Abs(*a.Lower+by-*b.Lower) > slack || math.Abs(a.SD-b.SD) > slack || math.Abs(*c.Upper+*a.Lower) > slack {
			t.Fatalf("%+v, moved by %g %+v, turned %+v", a, by, b, c)
		}
	})
}

// Newcombe 1998 (Stat. Med. 17, 857-872), table I, method 3, the score limits
// of 81 in 263, 15 in 148, none in 20 and 1 in 29 (from memory).
func TestWilson(t *testing.T) {
	for _, tt := range []struct {
		k, n      int
		low, high float64
	}{{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718}} {
		if low, high := wilson(tt.k, tt.n); math.Abs(low-tt.low) > 5e-5 || math.Abs(high-tt.high) > 5e-5 {
			t.Errorf("%d of %d: %.5f to %.5f, printed %g to %g", tt.k, tt.n, low, high, tt.low, tt.high)
		}
	}
}
