package audit

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Limits are the limits of agreement of two ways to measure the same things
// (Bland & Altman 1986, Lancet 327, 307-310), second less first, in the unit of
// what was measured.
type Limits struct {
	N     int      `json:"n"`
	Mean  float64  `json:"mean"`  // difference
	SD    float64  `json:"sd"`    // of the differences; 0 for fewer than two
	Lower *float64 `json:"lower"` // mean - 1.96 SD; nil for fewer than two
	Upper *float64 `json:"upper"` // mean + 1.96 SD
	// 95 % confidence limits of the three, by Student's t; nil for fewer than two.
	MeanCI  *[2]float64 `json:"mean_ci"`
	LowerCI *[2]float64 `json:"lower_ci"`
	UpperCI *[2]float64 `json:"upper_ci"`
	// Repeatability is what two measurements of one thing differ by at most, in 95 %
	// of cases: 1.96 times the root mean square of the differences. It has that
	// meaning only where one observer measured twice.
	Repeatability float64 `json:"repeatability"`
}

// LimitsOf returns the limits of agreement of differences; nil for none.
func LimitsOf(differences []float64) *Limits {
	n := len(differences)
	if n == 0 {
		return nil
	}
	var square float64
	for _, d := range differences {
		square += d * d
	}
	l := Limits{N: n, Mean: stat.Mean(differences, nil), Repeatability: z95 * math.Sqrt(square/float64(n))}
	if n < 2 {
		return &l
	}
	l.SD = stat.StdDev(differences, nil)
	lower, upper := l.Mean-z95*l.SD, l.Mean+z95*l.SD
	l.Lower, l.Upper = &lower, &upper
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}.Quantile(0.975)
	mean, limit := t*l.SD/math.Sqrt(float64(n)), t*l.SD*math.Sqrt(3/float64(n))
	l.MeanCI = &[2]float64{l.Mean - mean, l.Mean + mean}
	l.LowerCI = &[2]float64{lower - limit, lower + limit}
	l.UpperCI = &[2]float64{upper - limit, upper + limit}
	return &l
}
