package main

import (
	"context"
	"fmt"
	"io"

	"pithward/vision/phantom/score"
)

// calibrationSeeds are the suites that probabilities and intervals are held
// against: the first has been looked at while the program was made, the second
// has not. The model was learned on trays of other seeds and another make
// (cmd/train).
var calibrationSeeds = []uint64{1, 5}

// group is a number of trials judged together.
type group struct {
	name string
	judged
}

// calibrate measures the suites and, where asked for, traced real wood.
func calibrate(ctx context.Context, o options, talk io.Writer) ([]group, error) {
	var out []group
	add := func(name string, o options, rule score.Rule) error {
		trials, _, err := measured(ctx, o, talk)
		if err != nil {
			return err
		}
		for _, t := range trials {
			if t.fault != "" {
				return fmt.Errorf("%s: %s", t.name, t.fault)
			}
		}
		out = append(out, group{name, judge(trials, rule)})
		return nil
	}
	for _, seed := range calibrationSeeds {
		o := o
		o.seed, o.truth = seed, ""
		if err := add(fmt.Sprintf("seed %d", seed), o, score.Rule{}); err != nil {
			return nil, err
		}
	}
	if o.truth == "" {
		return out, nil
	}
	return out, add("traced", o, score.Rule{ToleranceMM: o.tolMM})
}

// printCalibration prints how honest the stated probabilities and intervals
// are: for each group and kind of wood, then for each group by probability.
func printCalibration(out io.Writer, groups []group) {
	rows := [][]string{{"trays", "wood", "cores", "wood %", "bark end %", "F1", "accepted", "ECE", "Brier", "rejected", "ECE", "widths", "68 % holds", "95 % holds", "places", "68 % holds", "95 % holds"}}
	for _, g := range groups {
		for _, k := range g.kinds {
			t := g.tallies[k]
			if t.Cores == 0 {
				continue
			}
			rows = append(rows, []string{g.name, k, fmt.Sprint(g.truths[k]), percent(t.Wood, t.Cores), percent(t.BarkEnd, t.Cores), num("%.4f", t.F1()), fmt.Sprint(t.Said.Total()), num("%.4f", t.Said.ECE()), num("%.4f", t.Said.Brier()),
				fmt.Sprint(t.Spare.Total()), num("%.4f", t.Spare.ECE()),
				fmt.Sprint(t.Widths.WithSD), num("%.3f", t.Widths.Coverage68()), num("%.3f", t.Widths.Coverage()),
				fmt.Sprint(t.Places.WithSD), num("%.3f", t.Places.Coverage68()), num("%.3f", t.Places.Coverage())})
		}
	}
	table(out, rows)
	head := []string{"probability"}
	for _, g := range groups {
		head = append(head, g.name, "stated", "right", "rejected", "stated", "there")
	}
	rows = [][]string{head}
	for b := range score.Bins {
		row := []string{binName(b)}
		for _, g := range groups {
			t := g.tallies["all"]
			row = append(row, binCells(&t.Said, b)...)
			row = append(row, binCells(&t.Spare, b)...)
		}
		rows = append(rows, row)
	}
	table(out, rows)
}
