package main

import (
	"fmt"
	"math"
	"math/rand/v2"

	"pithward/measure/archive"
)

// modelSite grows a site where no archive is at hand: widths log-normal round an
// age trend, the trees' and the years' parts of the logarithm both with an
// autocorrelation of 0.4, the site's making up 45 % of the variance (near the mean
// of the archive sites; Fritts 1976 for the sensitivity).
func modelSite(number int) site {
	r := rand.New(rand.NewPCG(77, uint64(number)))
	last := 2000
	signal := walk(r, siteYears)
	grow := func() []float64 {
		own := walk(r, siteYears)
		half := 20 + 60*r.Float64()
		mean := 0.5 + 1.5*r.Float64()
		w := make([]float64, siteYears)
		for k := range w { // from the youngest
			age := float64(siteYears - 1 - k)
			w[k] = mean * (1 + math.Exp(-age/half)) * math.Exp(0.32*(math.Sqrt(0.45)*signal[k]+math.Sqrt(0.55)*own[k]))
		}
		return w
	}
	s := site{name: fmt.Sprintf("model %d", number), masters: map[string]*archive.Series{}}
	for k := range siteCores {
		s.trees = append(s.trees, tree{fmt.Sprintf("M%02d", k), last, grow()})
	}
	var rest []archive.Series
	for k := range 6 {
		w := grow()
		x := archive.Series{ID: fmt.Sprintf("R%02d", k), FirstYear: last - siteYears + 1}
		for i := len(w) - 1; i >= 0; i-- {
			x.Widths = append(x.Widths, archive.Width(w[i]))
		}
		rest = append(rest, x)
	}
	s.apart = chronology(rest, func(string) bool { return true })
	for _, t := range s.trees {
		s.masters[t.name] = s.apart
	}
	return s
}

// walk draws n values of variance 1 with an autocorrelation of 0.4.
func walk(r *rand.Rand, n int) []float64 {
	v := make([]float64, n)
	x := r.NormFloat64()
	for k := range v {
		v[k] = x
		x = 0.4*x + math.Sqrt(1-0.16)*r.NormFloat64()
	}
	return v
}
