package vision

import (
	"context"
	"testing"

	"pithward/measure"
)

// BenchmarkReadCores reads the cores that were found: what follows finding.
func BenchmarkReadCores(b *testing.B) {
	s, truth := benchTray(b)
	o, err := s.Overview(overviewSide)
	if err != nil {
		b.Fatal(err)
	}
	found, _, err := FindCores(s.Pixels(), o, Hints{Avoid: avoidOf(truth)})
	if err != nil {
		b.Fatal(err)
	}
	scale := measure.Scale{Source: measure.ScaleGiven, MMPerPx: &[2]float64{25.4 / 1200, 25.4 / 1200}, RelativeStandardUncertainty: new(float64), RelativeStandardUncertaintyXY: &[2]float64{}}
	var length float64
	for _, c := range found {
		length += axisLength(c.AxisPx)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := readCores(context.Background(), s.Pixels(), scale, measure.Job{}, found, func(string, int, int) {}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(length/1000, "kpx-of-core")
}

// BenchmarkMeasure is all that is done with a decoded scan but its pictures.
func BenchmarkMeasure(b *testing.B) {
	s, _ := benchTray(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Measure(context.Background(), s, measure.Job{}, func(string, int, int) {}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(s.Pixels().Width*s.Pixels().Height)/1e6, "Mpx")
}
