package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"pithward/measure"
	"pithward/vision/phantom/score"
)

// judged is everything found out about the trials, under one rule.
type judged struct {
	scans    []score.Scan
	names    []string
	kinds    []string // in the order of the tables; the last is all
	tallies  map[string]*score.Tally
	classes  map[string][]score.Tally
	truths   map[string]int // true cores
	invented int
}

func judge(trials []trial, rule score.Rule) judged {
	j := judged{tallies: map[string]*score.Tally{}, classes: map[string][]score.Tally{}, truths: map[string]int{}}
	for _, k := range []measure.Wood{measure.Conifer, measure.RingPorous, measure.DiffusePorous} {
		j.kinds = append(j.kinds, string(k))
	}
	j.kinds = append(j.kinds, "all")
	for _, k := range j.kinds {
		j.tallies[k] = &score.Tally{}
		j.classes[k] = make([]score.Tally, len(score.Classes())+1)
	}
	for _, t := range trials {
		for _, c := range t.truth.Cores {
			j.truths[string(c.Wood)]++
			j.truths["all"]++
		}
		s := score.Of(t.found, t.truth, rule)
		j.scans, j.names = append(j.scans, s), append(j.names, t.name)
		j.invented += len(s.Invented)
		for i := range s.Cores {
			c := &s.Cores[i]
			for _, k := range []string{string(c.Wood), "all"} {
				j.tallies[k].Add(c)
				score.ByClass(j.classes[k], c)
			}
		}
	}
	return j
}

func report(out io.Writer, o options, trials []trial, seconds float64) error {
	var mpx float64
	for _, t := range trials {
		mpx += float64(t.truth.WidthPx) * float64(t.truth.HeightPx) / 1e6
		if t.fault != "" {
			fmt.Fprintf(out, "%s: %s\n", t.name, t.fault)
		}
	}
	if o.table == "" { // a table that is kept tells of accuracy alone
		fmt.Fprintf(out, "%d scans, %.0f Mpx, measured in %.1f s\n\n", len(trials), mpx, seconds)
	}
	j := judge(trials, score.Rule{})
	j.printScales(out)
	j.printKinds(out)
	j.printClasses(out)
	j.printReliability(out)
	j.printWorst(out, o.worst)
	if o.tolMM > 0 {
		fmt.Fprintf(out, "With a tolerance of %g mm:\n\n", o.tolMM)
		k := judge(trials, score.Rule{ToleranceMM: o.tolMM})
		k.printKinds(out)
		k.printWorst(out, o.worst)
	}
	for _, t := range trials {
		if t.fault != "" {
			return fmt.Errorf("%s: %s", t.name, t.fault)
		}
	}
	return nil
}

// table aligns columns to the right.
func table(out io.Writer, rows [][]string) {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	for _, r := range rows {
		fmt.Fprintln(w, strings.Join(r, "\t")+"\t")
	}
	w.Flush()
	fmt.Fprintln(out)
}

// num formats a figure, or a dash for none.
func num(format string, x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "-"
	}
	return fmt.Sprintf(format, x)
}

func percent(a, b int) string { return num("%.1f", 100*float64(a)/float64(b)) }

func (j *judged) printScales(out io.Writer) {
	rows := [][]string{{"scan", "ruler", "scale", "error %", "cores", "found", "missed", "invented", "F1", "touch/100"}}
	var square, worst float64
	n := 0
	for i := range j.scans {
		s := &j.scans[i]
		var y score.Tally
		for k := range s.Cores {
			y.Add(&s.Cores[k])
		}
		ruler, scale, err := "none", "none", "-"
		if s.HasRuler {
			ruler = "unit wrong"
			if s.Unit {
				ruler = "ok"
			} else if !s.Scaled {
				ruler = "not found"
			}
		}
		if s.Scaled {
			scale, err = "yes", num("%+.4f", 100*s.ScaleErr)
			if s.HasRuler {
				square += s.ScaleErr * s.ScaleErr
				worst = math.Max(worst, math.Abs(s.ScaleErr))
				n++
			}
		}
		rows = append(rows, []string{j.names[i], ruler, scale, err, fmt.Sprint(len(s.Cores) + len(s.Missed)), fmt.Sprint(len(s.Cores)),
			fmt.Sprint(len(s.Missed)), fmt.Sprint(len(s.Invented)), num("%.3f", y.F1()), num("%.1f", 100*float64(y.Touch)/float64(y.True))})
	}
	table(out, rows)
	if n > 0 {
		fmt.Fprintf(out, "Scale along %d rulers: RMS error %.4f %%, worst %.4f %%\n\n", n, 100*math.Sqrt(square/float64(n)), 100*worst)
	}
}

func (j *judged) printKinds(out io.Writer) {
	rows := [][]string{{"wood", "cores", "found %", "wood %", "bark end %", "bark %", "pith %", "boundaries", "prec", "recall", "F1",
		"at false", "count err", "|err|/core", "exact %", "touch/100"}}
	for _, k := range j.kinds {
		t := j.tallies[k]
		if j.truths[k] == 0 {
			continue
		}
		rows = append(rows, []string{k, fmt.Sprint(j.truths[k]), percent(t.Cores, j.truths[k]), percent(t.Wood, t.Cores), percent(t.BarkEnd, t.Cores),
			percent(t.Bark, t.Cores), percent(t.Pith, t.Cores), fmt.Sprint(t.True), num("%.4f", t.Precision()), num("%.4f", t.Recall()),
			num("%.4f", t.F1()), fmt.Sprint(t.AtFalse), fmt.Sprintf("%+d", t.CountErr), num("%.2f", float64(t.CountErrAbs)/float64(t.Cores)),
			percent(t.CountHit, t.Cores), num("%.1f", 100*float64(t.Touch)/float64(t.True))})
	}
	table(out, rows)
	rows = [][]string{{"wood", "widths", "bias mm", "RMSE mm", "95 % holds", "ECE", "Brier", "ECE rejected", "Brier rejected", "expected-true",
		"|.|", "holds", "hidden wood", "found", "invented", "mm"}}
	for _, k := range j.kinds {
		t := j.tallies[k]
		if j.truths[k] == 0 {
			continue
		}
		rows = append(rows, []string{k, fmt.Sprint(t.Widths.N), num("%+.4f", t.Widths.Bias()), num("%.4f", t.Widths.RMSE()),
			num("%.3f", t.Widths.Coverage()), num("%.4f", t.Said.ECE()), num("%.4f", t.Said.Brier()), num("%.4f", t.Spare.ECE()),
			num("%.4f", t.Spare.Brier()), num("%+.2f", t.Expected.Bias()), num("%.2f", t.Expected.Mean()), num("%.3f", t.Expected.Coverage()),
			fmt.Sprint(t.Veils.True), fmt.Sprint(t.Veils.Found), fmt.Sprint(t.Veils.Invented), num("%.0f", t.Veils.InventedMM)})
	}
	table(out, rows)
	if j.invented > 0 {
		fmt.Fprintf(out, "%d cores invented\n\n", j.invented)
	}
}

func (j *judged) printClasses(out io.Writer) {
	head := []string{"F1 by ring width, mm"}
	limits := score.Classes()
	lo := 0.0
	for _, l := range limits {
		head = append(head, fmt.Sprintf("%g-%g", lo, l))
		lo = l
	}
	rows := [][]string{append(head, fmt.Sprintf("over %g", lo))}
	for _, k := range j.kinds {
		if j.truths[k] == 0 {
			continue
		}
		row := []string{k}
		for i := range j.classes[k] {
			t := &j.classes[k][i]
			row = append(row, fmt.Sprintf("%s (%d)", num("%.3f", t.F1()), t.True))
		}
		rows = append(rows, row)
	}
	table(out, rows)
}

func (j *judged) printReliability(out io.Writer) {
	t := j.tallies["all"]
	rows := [][]string{{"probability", "accepted", "stated", "right", "rejected", "stated", "there"}}
	for b := range score.Bins {
		rows = append(rows, slices.Concat([]string{binName(b)}, binCells(&t.Said, b), binCells(&t.Spare, b)))
	}
	table(out, rows)
}

func binName(b int) string {
	return fmt.Sprintf("%.1f-%.1f", float64(b)/score.Bins, float64(b+1)/score.Bins)
}

// binCells says of one bin how many statements are in it, what they state on
// average and how often they are right.
func binCells(r *score.Reliability, b int) []string {
	n := float64(r.N[b])
	return []string{fmt.Sprint(r.N[b]), num("%.3f", r.Stated[b]/n), num("%.3f", float64(r.Right[b])/n)}
}

// printWorst lists the cores that would take the most work.
func (j *judged) printWorst(out io.Writer, n int) {
	type bad struct {
		name string
		c    *score.Core
		rate float64
	}
	var all []bad
	for i := range j.scans {
		for k := range j.scans[i].Cores {
			c := &j.scans[i].Cores[k]
			all = append(all, bad{j.names[i], c, float64(c.Touch) / math.Max(1, float64(c.True))})
		}
	}
	slices.SortStableFunc(all, func(a, b bad) int { return cmp.Compare(b.rate, a.rate) })
	rows := [][]string{{"worst cores", "position", "wood", "told as", "bark end", "true", "missed", "wrong", "touch/100"}}
	for _, b := range all[:min(n, len(all))] {
		told, end := "-", "wrong"
		if b.c.Found.Wood != nil {
			told = string(*b.c.Found.Wood)
		}
		if b.c.BarkEndRight {
			end = "right"
		}
		wrong := 0
		for _, x := range b.c.Boundaries {
			if !x.Right {
				wrong++
			}
		}
		rows = append(rows, []string{b.name, fmt.Sprint(b.c.Truth.Position), string(b.c.Wood), told, end, fmt.Sprint(b.c.True),
			fmt.Sprint(len(b.c.Missed)), fmt.Sprint(wrong), num("%.1f", 100*b.rate)})
	}
	table(out, rows)
}
