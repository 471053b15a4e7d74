package grade

import (
	"context"
	"fmt"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"
)

// ByRing is the class ring by ring, over the students whose core it is.
type ByRing struct {
	Students  int        `json:"students"`
	Rings     []RingView `json:"rings"`
	Agreement *float64   `json:"agreement_with_key"` // share of the key's boundaries that a student has, mean
	Among     *float64   `json:"agreement_among"`    // share of one student's boundaries that another has, mean over pairs
}

// RingView is what the class made of one ring of the key.
type RingView struct {
	KeyRing   int      `json:"key_ring"`
	Year      *int     `json:"year"`
	KeyMM     *float64 `json:"key_mm"`
	Missed    int      `json:"missed"`    // students who missed the boundary inside it
	Invented  int      `json:"invented"`  // students who split it
	Displaced int      `json:"displaced"` // students who set the boundary inside it elsewhere
	Measured  int      `json:"measured"`  // students who have it whole
	LowMM     *float64 `json:"low_mm"`    // quartiles of their widths
	MedianMM  *float64 `json:"median_mm"`
	HighMM    *float64 `json:"high_mm"`
}

// Class grades all students, as many at once as there are processors. One
// student's file harms no other's.
func (k *Key) Class(ctx context.Context, students []Work) (Report, error) {
	rep := Report{Schema: Schema, Key: k.Name, Students: make([]Result, len(students)), Warnings: []string{}}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range students {
		g.Go(func() error {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			rep.Students[i] = k.Student(students[i])
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return rep, err
	}
	twins(&rep, students)
	rep.Class = SumUp(k.Work, rep.Students)
	return rep, nil
}

// twinRings is how many rings two files must share to the last digit to be
// called the same work: chosen, as nobody measures that many alike.
const twinRings = 10

// twins warns of hand-ins that are the same and of names used twice.
func twins(rep *Report, students []Work) {
	for i := range students {
		for j := range i {
			a, b := students[i], students[j]
			if a.Name == b.Name && a.Name != "" {
				say(rep, i, j, func(other Result) string {
					return fmt.Sprintf("handed in twice under one name (also %s): both are graded", other.File)
				})
			}
			if len(a.Rings) >= twinRings && slices.EqualFunc(a.Rings, b.Rings, func(x, y Ring) bool { return x.WidthMM == y.WidthMM }) {
				say(rep, i, j, func(other Result) string {
					return fmt.Sprintf("the same widths, to the last digit, as handed in by %s", other.Name)
				})
			}
		}
	}
}

func say(rep *Report, i, j int, words func(other Result) string) {
	a, b := &rep.Students[i], &rep.Students[j]
	of, at := words(*b), words(*a)
	a.Warnings, a.Aside = append(a.Warnings, of), append(a.Aside, of)
	b.Warnings, b.Aside = append(b.Warnings, at), append(b.Aside, at)
}

// SumUp sums what became of a class up, ring by ring of the key.
func SumUp(key Work, results []Result) ByRing {
	class := ByRing{Rings: make([]RingView, len(key.Rings))}
	widths := make([][]float64, len(key.Rings))
	var has []map[int]bool
	var agree float64
	for i, r := range key.Rings {
		v := RingView{KeyRing: i + 1, Year: r.Year}
		if r.WidthMM >= 0 {
			w := r.WidthMM
			v.KeyMM = &w
		}
		class.Rings[i] = v
	}
	for _, r := range results {
		if len(r.View.Partner) == 0 || r.Matched == 0 {
			continue
		}
		class.Students++
		mine := map[int]bool{}
		for _, j := range r.View.Partner {
			if j >= 0 {
				mine[j] = true
			}
		}
		has = append(has, mine)
		agree += float64(len(mine)) / float64(len(r.View.Key))
		class.count(r.Faults)
		for i, j := range r.View.Ring {
			if j >= 0 && r.View.StudentRings[i].WidthMM > 0 {
				widths[j] = append(widths[j], r.View.StudentRings[i].WidthMM)
			}
		}
	}
	for i, w := range widths {
		v := &class.Rings[i]
		v.Measured = len(w)
		if len(w) > 0 {
			slices.Sort(w)
			lo, mid, hi := quantile(w, 0.25), quantile(w, 0.5), quantile(w, 0.75)
			v.LowMM, v.MedianMM, v.HighMM = &lo, &mid, &hi
		}
	}
	if class.Students > 0 {
		a := agree / float64(class.Students)
		class.Agreement = &a
	}
	class.Among = among(has)
	return class
}

func (c *ByRing) count(faults []Fault) {
	for _, f := range faults {
		if f.KeyRing == nil {
			continue
		}
		v := &c.Rings[*f.KeyRing-1]
		switch f.Kind {
		case Missed:
			v.Missed++
		case Invented:
			v.Invented++
		case Displaced:
			v.Displaced++
		}
	}
}

// among is the mean over pairs of students of the boundaries of the key that
// both have, of those that either has; nil with fewer than two students.
func among(has []map[int]bool) *float64 {
	var sum, n float64
	for i := range has {
		for j := range i {
			both, either := 0, len(has[j])
			for b := range has[i] {
				if has[j][b] {
					both++
				} else {
					either++
				}
			}
			if either > 0 {
				sum += float64(both) / float64(either)
				n++
			}
		}
	}
	if n == 0 {
		return nil
	}
	mean := sum / n
	return &mean
}

// quantile of a sorted list, by linear interpolation (Hyndman and Fan 1996,
// type 7).
func quantile(sorted []float64, q float64) float64 {
	h := q * float64(len(sorted)-1)
	i := int(h)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}
