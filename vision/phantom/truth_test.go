package phantom

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pithward/measure"
)

// blankTruth gives the truth of a tray without painting it.
func blankTruth(t Tray, seed uint64) Truth {
	t = t.filled()
	return newScene(&t, seed).truth(newPicture(&Tray{WidthPx: 1, HeightPx: 1}))
}

// TestWidthsAddUp: at zero tilt the widths and the gaps add up to the span
// between the outermost and the innermost boundary; with tilt to no more.
func TestWidthsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64Range(0, 1<<40).Draw(t, "seed")
		for _, c := range blankTruth(RandomTray(seed, Options{Cores: 1, LengthMM: 25, DPI: 600}), seed).Cores {
			var last *BoundaryTruth
			for i := range c.Boundaries {
				if c.Boundaries[i].Side > 0 {
					last = &c.Boundaries[i]
				}
			}
			if last == nil || len(c.Rings) == 0 {
				continue
			}
			var straight, tilted float64 // by undoing the cosine, and as it is
			steps := map[int]float64{}
			for _, b := range c.Boundaries {
				if b.Side > 0 {
					steps[b.K] = b.TiltDeg
				}
			}
			for _, r := range c.Rings {
				straight += r.WidthMM / math.Cos((steps[r.Outer]+steps[r.Inner])/2*math.Pi/180)
				tilted += r.WidthMM
			}
			span := last.SMM - c.Boundaries[0].SMM
			for _, g := range c.Gaps {
				if g.FromMM > c.Boundaries[0].SMM && g.ToMM < last.SMM {
					span -= g.ToMM - g.FromMM
				}
			}
			if math.Abs(straight-span) > 0.001*float64(len(c.Rings))+0.001 {
				t.Fatalf("widths along the path sum to %.4f mm, the span is %.4f mm", straight, span)
			}
			if tilted > span+0.001*float64(len(c.Rings)) {
				t.Fatalf("widths sum to %.4f mm, more than the span of %.4f mm", tilted, span)
			}
		}
	})
}

// TestWidthsAreTheStems: on a straight core through the pith of a round stem
// the measured widths are the stem's.
func TestWidthsAreTheStems(t *testing.T) {
	c := Core{ID: "a", Wood: measure.Conifer, Widths: []float64{1, 0.5, 2, 0.25, 3, 1, 1}, PithMM: 0.5, BoreMM: 5, FlatMM: 4.5, BarkMM: 2,
		CentreMM: [2]float64{20, 10}, AngleDeg: 180, Look: RandomLook(newRand(1), measure.Conifer)}
	tr := blankTruth(Tray{WidthPx: 2000, HeightPx: 1000, Cores: []Core{c}}, 3)
	var got []float64
	for _, r := range tr.Cores[0].Rings {
		got = append(got, math.Round(r.WidthMM*1000)/1000)
	}
	if d := cmp.Diff(c.Widths, got); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
	b := tr.Cores[0].Boundaries
	if b[0].Kind != KindOuter || b[7].Kind != KindInner || !tr.Cores[0].PithPresent {
		t.Errorf("ends are %s and %s, pith %v", b[0].Kind, b[7].Kind, tr.Cores[0].PithPresent)
	}
	if tr.Cores[0].BarkEnd != measure.Right {
		t.Errorf("bark at the %s, want right", tr.Cores[0].BarkEnd)
	}
}

// TestGapsAndBreaks: a break's opening is a gap and no wood; lost wood is.
func TestGapsAndBreaks(t *testing.T) {
	widths := make([]float64, 30)
	for i := range widths {
		widths[i] = 1
	}
	c := Core{ID: "a", Wood: measure.Conifer, Widths: widths, PithMM: 0.5, BoreMM: 5, FlatMM: 4.5, BarkMM: 1, LengthMM: 25,
		CentreMM: [2]float64{20, 10}, Look: RandomLook(newRand(1), measure.Conifer),
		Breaks: []Break{{AtMM: 5.5, OpeningMM: 0.7, Kind: measure.Crack}, {AtMM: 15.5, OpeningMM: 1.5, Kind: measure.Lost, LostMM: 3}}}
	k := blankTruth(Tray{WidthPx: 2000, HeightPx: 1000, Cores: []Core{c}}, 3).Cores[0]
	if len(k.Gaps) != 2 || k.Gaps[0].Kind != measure.Crack || k.Gaps[1].Kind != measure.Lost {
		t.Fatalf("gaps %+v, want a crack and a loss", k.Gaps)
	}
	if d := k.Gaps[0].ToMM - k.Gaps[0].FromMM; math.Abs(d-0.7) > 0.001 {
		t.Errorf("the crack is open by %.3f mm, want 0.7", d)
	}
	if d := k.LengthMM - (25 + 0.7 + 1.5 - 3); math.Abs(d) > 0.8 { // ends are ragged
		t.Errorf("length %.2f mm", k.LengthMM)
	}
	lost := 0
	for _, r := range k.Rings {
		if r.LostMM > 0 {
			lost++
			if r.Inner-r.Outer < 3 {
				t.Errorf("ring %d to %d spans 3 mm of lost wood", r.Outer, r.Inner)
			}
		} else if math.Abs(r.WidthMM-1) > 0.02 {
			t.Errorf("ring %d is %.3f mm wide, want 1", r.Outer, r.WidthMM)
		}
	}
	if lost != 1 {
		t.Errorf("%d rings touch the loss, want 1", lost)
	}
}

// TestTiltSign: positive is anticlockwise as displayed, whichever way the core
// lies.
func TestTiltSign(t *testing.T) {
	// A line that leans to the right going up is turned clockwise.
	right := [][2]float64{{0, 10}, {1, 0}}
	for _, dir := range []float64{1, -1} {
		if got := tiltOf(right, dir, 0); math.Abs(got+math.Atan(0.1)*180/math.Pi) > 1e-9 {
			t.Errorf("direction %g: tilt %g, want -5.7", dir, got)
		}
	}
	// On an upright core a line that rises to the right is turned
	// anticlockwise from level.
	for _, dir := range []float64{1, -1} {
		if got := tiltOf([][2]float64{{0, 0}, {10, -1}}, 0, dir); math.Abs(got-math.Atan(0.1)*180/math.Pi) > 1e-9 {
			t.Errorf("upright, direction %g: tilt %g, want 5.7", dir, got)
		}
	}
}

// TestRulerTicks finds the printed ticks in the picture and compares their
// spacing with the truth's scale.
func TestRulerTicks(t *testing.T) {
	for name, u := range map[string]Ruler{
		"mm":   {Scales: []RulerScale{{Unit: "mm", Finest: 1, ShortMM: 3}}},
		"inch": {Scales: []RulerScale{{Unit: "inch", Finest: 1.0 / 16, ShortMM: 3}}},
	} {
		t.Run(name, func(t *testing.T) {
			u.LengthMM, u.BreadthMM, u.MarginMM, u.TickMM = 76.2, 12, 3, 0.15
			u.AtMM, u.Body, u.Ink = [2]float64{6, 6}, RGB{240, 240, 240}, RGB{20, 20, 20}
			tray := Tray{WidthPx: 2200, HeightPx: 600, DPI: 600, MMPerPx: [2]float64{0.0424, 0.0421}, Ruler: &u,
				Scanner: Scanner{BlurPx: 0.8, Noise: 1}}
			p, tr := Render(tray, 5)
			y := int(tr.Ruler.LinePx[0][1])
			var at []float64 // centre of gravity of each dark run
			var mass, moment float64
			for x := int(u.AtMM[0]/0.0424) - 20; x < int((u.AtMM[0]+u.LengthMM)/0.0424)+20; x++ {
				if d := 225 - p.luma(x, y); d > 0 {
					mass, moment = mass+d, moment+d*float64(x)
				} else if mass > 200 {
					at, mass, moment = append(at, moment/mass), 0, 0
				} else {
					mass, moment = 0, 0
				}
			}
			if len(at) != tr.Ruler.Ticks {
				t.Fatalf("%d ticks seen, the truth has %d", len(at), tr.Ruler.Ticks)
			}
			first, last := at[0], at[len(at)-1]
			if math.Abs(first-tr.Ruler.LinePx[0][0]) > 0.15 || math.Abs(last-tr.Ruler.LinePx[1][0]) > 0.15 {
				t.Errorf("ticks from %.2f to %.2f px, the truth says %v", first, last, tr.Ruler.LinePx)
			}
			got := float64(len(at)-1) * tr.Ruler.FinestMM / (last - first)
			if math.Abs(got/tr.Ruler.MMPerPx-1) > 1e-4 || math.Abs(tr.Ruler.MMPerPx-0.0424) > 1e-5 {
				t.Errorf("%.6f mm per px seen, truth %.6f", got, tr.Ruler.MMPerPx)
			}
		})
	}
}

// TestSensitivity: mean sensitivity (Douglass 1920: the mean of
// 2|b-a|/(b+a)) comes out as asked for.
func TestSensitivity(t *testing.T) {
	for _, want := range []float64{0.15, 0.25, 0.4} {
		w := Growth{MeanMM: 1, Sensitivity: want, AR1: 0.4, Juvenile: 1}.Widths(newRand(3), 4000)
		var sum float64
		for i := 1; i < len(w); i++ {
			sum += 2 * math.Abs(w[i]-w[i-1]) / (w[i] + w[i-1])
		}
		if got := sum / float64(len(w)-1); math.Abs(got-want) > 0.06*want {
			t.Errorf("sensitivity %.3f, want %.2f", got, want)
		}
	}
}

// TestSharpSideFacesBark: in a conifer the bark's side of a boundary is the
// brighter, in the picture as in the truth's contrast.
func TestSharpSideFacesBark(t *testing.T) {
	_, tr := Render(RandomTray(9, Options{Wood: measure.Conifer, Cores: 2, LengthMM: 20, Plain: true}), 9)
	n, bright := 0, 0
	for _, c := range tr.Cores {
		for _, b := range c.Boundaries {
			if b.Kind == KindRing && b.Hidden == nil {
				n++
				if *b.Contrast > 0.02 {
					bright++
				}
			}
		}
	}
	if n < 10 || float64(bright) < 0.95*float64(n) {
		t.Errorf("%d of %d boundaries are brighter towards the bark", bright, n)
	}
}

// TestReadsTracedTruth reads the hand-traced files, whose layout this is.
func TestReadsTracedTruth(t *testing.T) {
	path := filepath.Join("..", "..", "..", "shared", "real", "pine-015", "truth.json")
	if _, err := os.Stat(path); err != nil {
		t.Skip("the traced strips are not here")
	}
	tr, err := ReadTruth(path)
	if err != nil {
		t.Fatal(err)
	}
	c := tr.Cores[0]
	if len(c.Boundaries) < 22 || c.BarkEnd != measure.Left || *c.Boundaries[0].Hidden == "" || c.PithSMM == nil {
		t.Errorf("read %+v", c)
	}
}

func TestReadTruthRefuses(t *testing.T) {
	for name, body := range map[string]string{"no JSON": "x", "another schema": `{"schema":"truth/2"}`} {
		path := filepath.Join(t.TempDir(), "truth.json")
		if err := os.WriteFile(path, []byte(body), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadTruth(path); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
