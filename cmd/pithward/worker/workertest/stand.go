package workertest

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"path/filepath"

	"pithward/measure"
)

// standTrees is how many trees StandMeasurement has, a core each, and
// standRings how many rings each has.
const standTrees, standRings = 7, 110

// Of the first core of StandMeasurement: the candidate that is a boundary the
// reading lacks, and the years that stand one too high for it.
const (
	StandMissed    = "k1"
	StandMissedAge = 45 // rings from the bark to it
	StandOuterYear = 2020
)

// StandMeasurement returns the cores of several trees that grew wide and narrow
// rings in the same years, the outermost in StandOuterYear, as a worker would give
// them for the job. The first lacks a boundary that the picture shows faintly.
func StandMeasurement(job measure.Job) measure.Measurement {
	m := Measurement(job)
	m.Scan = measure.Scan{File: filepath.Base(job.Scan), SHA256: hashOf(job.Scan), WidthPx: 4200, HeightPx: 120 * (standTrees + 1), BitDepth: 8, Channels: 1}
	m.Cores = nil
	rng := rand.New(rand.NewPCG(4, 4))
	common := make([]float64, standRings)
	for k := range common {
		common[k] = 0.3 * rng.NormFloat64()
	}
	var fields []measure.Field
	for t := range standTrees {
		m.Cores = append(m.Cores, standCore(t+1, common, m.Scale, rng))
		fields = append(fields, measure.Field{Line: t + 2, Scan: m.Scan.File, Position: t + 1, Core: fmt.Sprintf("TARN%02dA", t+1), Tree: fmt.Sprintf("TARN%02d", t+1), OuterYear: ptr(StandOuterYear)})
	}
	m.Warnings = measure.ApplyFields(m.Cores, fields, measure.Stem(job.Scan), job.Settings.Season)
	return m
}

func standCore(position int, common []float64, scale measure.Scale, rng *rand.Rand) measure.Core {
	c := core(position, scale)
	y := 120 * float64(position)
	c.Boundaries, c.Rings = nil, nil
	place := func(k int, x float64) measure.Boundary {
		return measure.Boundary{ID: fmt.Sprintf("b%d", k+1), Kind: measure.RingBoundary, AtMM: ptr(x * 0.02), PointPx: measure.Point{x, y},
			LinePx: []measure.Point{{x, y - 40}, {x, y + 40}}, Probability: 0.99, StandardUncertaintyMM: ptr(0.01), Source: "auto"}
	}
	x := 20.0
	outer := place(0, x)
	outer.Kind = measure.Outer
	c.Boundaries = append(c.Boundaries, outer)
	for k, v := range common {
		x += math.Round(32 * math.Exp(v+0.12*rng.NormFloat64()))
		if position == 1 && k+1 == StandMissedAge {
			c.Candidates = append(c.Candidates, measure.Candidate{ID: StandMissed, AtMM: ptr(x * 0.02), PointPx: measure.Point{x, y}, Probability: 0.3})
			continue
		}
		c.Boundaries = append(c.Boundaries, place(k+1, x))
	}
	c.OutlinePx = []measure.Point{{0, y - 40}, {x, y - 40}, {x, y + 40}, {0, y + 40}}
	c.PathPx, c.PathLengthMM = []measure.Point{{20, y}, {x, y}}, ptr((x-20)*0.02)
	c.ExpectedCount = ptr(float64(len(c.Boundaries)) - 0.7)
	c.MakeRings(scale, false)
	return c
}

// StandPicture draws the cores of StandMeasurement, each boundary as a dark line,
// what was missed as a faint one.
func StandPicture(m measure.Measurement) image.Image {
	pic := image.NewGray(image.Rect(0, 0, m.Scan.WidthPx, m.Scan.HeightPx))
	fill := func(x0, x1, y float64, tone uint8) {
		for x := int(x0); x < int(x1); x++ {
			for j := int(y) - 40; j < int(y)+40; j++ {
				pic.SetGray(x, j, color.Gray{Y: tone})
			}
		}
	}
	for _, c := range m.Cores {
		y := c.PathPx[0][1]
		fill(c.PathPx[0][0], c.PathPx[1][0], y, 190)
		for _, b := range c.Boundaries {
			fill(b.PointPx[0], b.PointPx[0]+5, y, 95)
		}
		for _, k := range c.Candidates {
			fill(k.PointPx[0], k.PointPx[0]+5, y, 165)
		}
	}
	return pic
}
