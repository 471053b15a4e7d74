// Command train remakes vision/evidence/model.json from rendered cores: what a
// boundary looks like in each kind of wood, how to tell the kinds and the bark
// end apart, how rings follow each other, and how probabilities are calibrated.
//
//	go run ./cmd/train -trays 120 -out vision/evidence/model.json
//
// Column nets learn on the first part of the seeds, all that builds on them on
// the second, so that no stage is judged on what an earlier one has seen.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"log"
	"math"
	"math/rand/v2"
	"os"
	"time"

	"pithward/measure"
	"pithward/vision/evidence"
	"pithward/vision/phantom"
)

func main() {
	trays := flag.Int("trays", 120, "rendered trays")
	seed := flag.Uint64("seed", 1000, "first seed")
	cache := flag.String("cache", "", "folder that keeps what was read of the rendered trays")
	out := flag.String("out", "vision/evidence/model.json", "where the model goes")
	flag.Parse()
	log.SetFlags(0)
	if err := run(*trays, *seed, *cache, *out); err != nil {
		log.Fatal("train: ", err)
	}
}

func run(trays int, seed uint64, cache, out string) error {
	start := time.Now()
	m := &evidence.Model{Column: map[measure.Wood]*evidence.Net{}, Context: map[measure.Wood]*evidence.Net{},
		Prior: map[measure.Wood]measure.Prior{}, Place: map[measure.Wood]evidence.Placing{},
		Calibration: map[measure.Wood][2]float64{}}
	first, err := render(cache, trays*3/5, seed)
	if err != nil {
		return err
	}
	log.Printf("%d cores for the columns, %.0f s", len(first), time.Since(start).Seconds())
	learnColumns(m, first)
	learnWood(m, first)
	first = nil
	second, err := render(cache, trays*2/5, seed+100000)
	if err != nil {
		return err
	}
	log.Printf("%d cores for the context, %.0f s", len(second), time.Since(start).Seconds())
	half := len(second) / 2
	for _, w := range evidence.Woods {
		m.Prior[w] = measure.DefaultPrior
	}
	learnContext(m, second[:half])
	learnBark(m, second[:half])
	learnPrior(m, second[half:])
	learnPlace(m, second[half:])
	learnCalibration(m, second[half:])
	report(m, second[half:])
	b, err := json.Marshal(rounded(m))
	if err != nil {
		return err
	}
	log.Printf("done after %.0f s", time.Since(start).Seconds())
	return os.WriteFile(out, append(b, '\n'), 0o644)
}

// render draws trays of all kinds of wood and conditions and reads their cores.
func render(cache string, trays int, seed uint64) ([]sample, error) {
	var out []sample
	for i := range trays {
		got, err := trayOf(cache, seed+uint64(i), i)
		if err != nil {
			return nil, err
		}
		out = append(out, got...)
	}
	return out, nil
}

// trayOptions cycles through the kinds of wood and draws the resolution.
func trayOptions(i int, rng *rand.Rand) phantom.Options {
	o := phantom.Options{Wood: evidence.Woods[i%len(evidence.Woods)], Cores: 5}
	o.DPI = []float64{1200, 1200, 1200, 600, 800, 1600, 2400}[rng.IntN(7)]
	if o.DPI > 2000 {
		o.Cores, o.LengthMM = 4, 40
	}
	return o
}

func of(samples []sample, w measure.Wood) []*sample {
	var out []*sample
	for i := range samples {
		if samples[i].Wood == w {
			out = append(out, &samples[i])
		}
	}
	return out
}

func learnColumns(m *evidence.Model, samples []sample) {
	for _, w := range evidence.Woods {
		rng := rand.New(rand.NewPCG(11, 3))
		var data []example
		for _, s := range of(samples, w) {
			data = append(data, s.columns(rng, 0.08)...)
		}
		m.Column[w] = fit(data, 1, fitting{hidden: 24, epochs: 20, rate: 3e-3, decay: 2e-3, noise: 0.03, drop: 0.03, seed: 5})
		log.Printf("%s: %d columns", w, len(data))
	}
}

func learnWood(m *evidence.Model, samples []sample) {
	var data []example
	for i := range samples {
		s := &samples[i]
		for k, w := range evidence.Woods {
			if s.Wood == w {
				data = append(data, example{s.Features.Sum, k, 1})
			}
		}
	}
	m.Wood = fit(data, len(evidence.Woods), fitting{hidden: 8, epochs: 400, rate: 3e-3, decay: 1e-2, noise: 0.04, drop: 0.2, seed: 6})
}

func learnContext(m *evidence.Model, samples []sample) {
	for _, w := range evidence.Woods {
		var data []example
		for _, s := range of(samples, w) {
			r := m.First(s.Features, w, s.Span)
			if len(r.Candidates) == 0 {
				continue
			}
			labels := s.matched(r.Candidates)
			for i, x := range evidence.SecondLook(s.Features, r.Candidates, r.Inference, s.PerMM, s.Dir) {
				if labels[i] >= 0 {
					data = append(data, example{x, labels[i], 1})
				}
			}
		}
		m.Context[w] = fit(data, 1, fitting{hidden: 16, epochs: 30, rate: 3e-3, decay: 6e-3, noise: 0.04, drop: 0.05, seed: 8})
		log.Printf("%s: %d candidates", w, len(data))
	}
}

// learnBark learns to weigh the signs of the bark end. The rendered cores are
// cut out along their true axes; in a tray an end may lie: a mount's groove or
// a stain looks like bark, bark has crumbled. So every core is also shown
// without what its ends look like, and, now and then, with it the wrong way
// round.
func learnBark(m *evidence.Model, samples []sample) {
	const first, last = 2, 4 // the signs that tell what the ends look like
	var data []example
	for i := range samples {
		s := &samples[i]
		signs := signsOf(m, s)
		for _, turn := range []float32{1, -1} {
			class := 0
			if float32(s.Dir)*turn > 0 {
				class = 1
			}
			for _, ends := range []struct{ sign, weight float32 }{{1, 1}, {0, 0.6}, {-1, 0.25}} {
				x := make([]float32, len(signs))
				for k, v := range signs {
					x[k] = turn * v
					if k >= first && k <= last {
						x[k] *= ends.sign
					}
				}
				data = append(data, example{x, class, ends.weight})
			}
		}
	}
	m.Bark = fit(data, 1, fitting{hidden: 4, epochs: 100, rate: 5e-3, decay: 1e-2, noise: 0.03, drop: 0.1, seed: 9})
}

func signsOf(m *evidence.Model, s *sample) [evidence.BarkCount]float32 {
	whole := s.Whole
	woods := m.WoodProbabilities(s.Features)
	return evidence.BarkSigns(s.Course, s.Low, s.High, m.Better(s.Features, whole, woods), s.PerMM)
}

// learnPrior chooses, for each kind of wood, the prior under which the most
// boundaries are right. Weights under 0.6 and a bias would gain a little on
// rendered cores and lose much on other pictures: on the traced real wood a
// bias of 1.5 that was best here let in 30 boundaries on 168.
func learnPrior(m *evidence.Model, samples []sample) {
	for _, w := range evidence.Woods {
		best, top := measure.DefaultPrior, -1.0
		for _, weight := range []float64{0.6, 0.8, 1.0} {
			for _, spread := range []float64{0.35, 0.45} {
				m.Prior[w] = measure.Prior{Spread: spread, Weight: weight}
				if f := score(m, of(samples, w)).f1(); f > top {
					best, top = m.Prior[w], f
				}
			}
		}
		m.Prior[w] = best
	}
}

// counts are right, invented and missed boundaries.
type counts struct{ right, invented, missed int }

func (c counts) f1() float64 {
	return 2 * float64(c.right) / math.Max(1, float64(2*c.right+c.invented+c.missed))
}

func score(m *evidence.Model, samples []*sample) counts {
	var c counts
	for _, s := range samples {
		r := m.ReadFrom(s.Features, s.proposed(m), s.Wood, s.Span)
		c.add(s, r)
	}
	return c
}

func (c *counts) add(s *sample, r evidence.Reading) {
	labels := s.matched(r.Candidates)
	var total, got int
	for _, b := range s.Boundaries {
		if !b.Hidden {
			total++
		}
	}
	for _, k := range r.Accepted {
		switch labels[k] {
		case 1:
			got++
		case 0:
			c.invented++
		}
	}
	c.right += got
	c.missed += total - got
}

func learnPlace(m *evidence.Model, samples []sample) {
	for _, w := range evidence.Woods {
		m.Place[w] = evidence.Placing{}
		off := deviations(m, of(samples, w))
		mid := median(off)
		for i := range off {
			off[i] = math.Abs(off[i] - mid)
		}
		p := evidence.Placing{OffsetMM: -mid, DeviationMM: 1.4826 * median(off)}
		if w == measure.Conifer {
			p.OffsetMM = 0
		}
		m.Place[w] = p
	}
}

// deviations returns how far the right boundaries lie from the true ones,
// towards the pith, in mm.
func deviations(m *evidence.Model, samples []*sample) []float64 {
	var out []float64
	for _, s := range samples {
		r := m.ReadFrom(s.Features, s.proposed(m), s.Wood, s.Span)
		labels := s.matched(r.Candidates)
		for _, k := range r.Accepted {
			if labels[k] != 1 {
				continue
			}
			u, _ := m.Locate(s.Features, r, k, s.Wood, s.Span)
			out = append(out, (u-s.nearest(u))*float64(s.Dir)/s.PerMM)
		}
	}
	return out
}

func (s *sample) nearest(u float64) float64 {
	best := math.Inf(1)
	for _, b := range s.Boundaries {
		if math.Abs(b.U-u) < math.Abs(best-u) {
			best = b.U
		}
	}
	return best
}

// learnCalibration fits slope and offset of the log odds (Platt 1999).
func learnCalibration(m *evidence.Model, samples []sample) {
	for _, w := range evidence.Woods {
		delete(m.Calibration, w)
		var data []example
		for _, s := range of(samples, w) {
			r := m.ReadFrom(s.Features, s.proposed(m), w, s.Span)
			labels := s.matched(r.Candidates)
			for i, p := range r.Probability {
				if labels[i] >= 0 && p > 0.005 {
					p = math.Max(1e-6, math.Min(1-1e-6, p))
					data = append(data, example{[]float32{float32(math.Log(p / (1 - p)))}, labels[i], 1})
				}
			}
		}
		m.Calibration[w] = platt(data)
	}
}

// platt fits p = 1/(1+exp(-(a x + b))) by Newton's method.
func platt(data []example) [2]float64 {
	a, b := 1.0, 0.0
	for range 50 {
		var ga, gb, haa, hab, hbb float64
		for _, e := range data {
			x := float64(e.x[0])
			p := 1 / (1 + math.Exp(-(a*x + b)))
			d, w := p-float64(e.class), p*(1-p)+1e-9
			ga, gb = ga+d*x, gb+d
			haa, hab, hbb = haa+w*x*x, hab+w*x, hbb+w
		}
		det := haa*hbb - hab*hab
		if det < 1e-9 {
			break
		}
		a -= (hbb*ga - hab*gb) / det
		b -= (haa*gb - hab*ga) / det
	}
	return [2]float64{a, b}
}

func report(m *evidence.Model, samples []sample) {
	var kinds, ends, n int
	for i := range samples {
		s := &samples[i]
		n++
		p := m.WoodOf(s.Features, s.Whole)
		best := 0
		for k := range p {
			if p[k] > p[best] {
				best = k
			}
		}
		if evidence.Woods[best] == s.Wood {
			kinds++
		}
		if (m.BarkAtLow(signsOf(m, s)) > 0.5) == (s.Dir > 0) {
			ends++
		}
	}
	fmt.Printf("wood kind %d/%d, bark end %d/%d\n", kinds, n, ends, n)
	for _, w := range evidence.Woods {
		c := score(m, of(samples, w))
		off := deviations(m, of(samples, w))
		var sum, sq float64
		for _, d := range off {
			sum += d
			sq += d * d
		}
		k := math.Max(1, float64(len(off)))
		fmt.Printf("%-15s F1 %.3f (right %d, invented %d, missed %d), place bias %.4f rms %.4f mm, prior %v, calibration %.2f\n", w, c.f1(), c.right,
			c.invented, c.missed, sum/k, math.Sqrt(sq/k), m.Prior[w], m.Calibration[w])
	}
}
