// Evaluate renders a suite of trays with known truth, has pithward measure
// them, and prints how well it did. It is for people who work on the
// measurement, not for a laboratory.
//
//	go run ./cmd/evaluate                        the small suite, about three minutes
//	go run ./cmd/evaluate -suite full -seed 7
//	go run ./cmd/evaluate -dir /tmp/eval -reuse  measure again what is rendered there
//	go run ./cmd/evaluate -truth FOLDER -tol-mm 0.17
//	go run ./cmd/evaluate -calibration FILE -truth FOLDER -tol-mm 0.17
//
// Exit status: 0 judged (however badly), 1 something could not be rendered,
// measured or read, 2 the call is wrong.
package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"time"
)

type options struct {
	suite  string
	seed   uint64
	dir    string
	jobs   int
	reuse  bool
	keep   bool
	truth  string
	tolMM  float64
	binary string
	worst  int
	only   string
	table  string

	calibration string
}

var errUsage = errors.New("wrong call")

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	switch {
	case errors.Is(err, flag.ErrHelp):
	case errors.Is(err, errUsage):
		fmt.Fprintln(os.Stderr, "evaluate:", err)
		os.Exit(2)
	case err != nil:
		fmt.Fprintln(os.Stderr, "evaluate:", err)
		os.Exit(1)
	}
}

func parse(args []string, talk io.Writer) (options, error) {
	var o options
	f := flag.NewFlagSet("evaluate", flag.ContinueOnError)
	f.SetOutput(talk)
	f.StringVar(&o.suite, "suite", "small", "what to render: small (15 trays), full (66) or big (one of 14000 x 6000 px, to time)")
	f.Uint64Var(&o.seed, "seed", 1, "of the suite; another seed gives other trays")
	f.StringVar(&o.dir, "dir", "", "folder for pictures and results (default: a temporary one)")
	f.IntVar(&o.jobs, "jobs", 0, "scans measured at once (default: pithward decides)")
	f.BoolVar(&o.reuse, "reuse", false, "measure the pictures that -dir holds already, render only what is missing")
	f.BoolVar(&o.keep, "keep", false, "keep the temporary folder and say where it is")
	f.StringVar(&o.truth, "truth", "", "judge folders that hold a picture and its truth.json instead of rendering")
	f.Float64Var(&o.tolMM, "tol-mm", 0, "a second table with this tolerance in mm")
	f.StringVar(&o.binary, "bin", "bin/pithward", "the program to judge")
	f.IntVar(&o.worst, "worst", 8, "how many of the worst cores to list")
	f.StringVar(&o.only, "only", "", "only trays whose name holds this")
	f.StringVar(&o.table, "table", "", "write the tables to this file too, under the date and the command")
	f.StringVar(&o.calibration, "calibration", "", "write to this file how honest probabilities and intervals are, on suites of two seeds and, with -truth, on traced wood")
	if err := f.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return o, err
		}
		return o, fmt.Errorf("%w: %w", errUsage, err)
	}
	switch {
	case f.NArg() > 0:
		return o, fmt.Errorf("%w: %s: no arguments are taken, only flags", errUsage, strings.Join(f.Args(), " "))
	case o.suite != "small" && o.suite != "full" && o.suite != "big":
		return o, fmt.Errorf("%w: -suite %s: say small, full or big", errUsage, o.suite)
	case o.tolMM < 0:
		return o, fmt.Errorf("%w: -tol-mm %g: give a length above 0", errUsage, o.tolMM)
	}
	return o, nil
}

func run(ctx context.Context, args []string, out, talk io.Writer) error {
	o, err := parse(args, talk)
	if err != nil {
		return err
	}
	if o.dir == "" {
		if o.dir, err = os.MkdirTemp("", "evaluate-"); err != nil {
			return err
		}
		if o.keep {
			fmt.Fprintln(talk, "kept in", o.dir)
		} else {
			defer os.RemoveAll(o.dir)
		}
	}
	if err := os.MkdirAll(o.dir, 0o755); err != nil {
		return err
	}
	var kept bytes.Buffer // what goes into a file
	fmt.Fprintf(&kept, "%s, go run ./cmd/evaluate %s\n\n", time.Now().Format(time.DateOnly), strings.Join(args, " "))
	both := io.MultiWriter(out, &kept)
	switch {
	case o.calibration != "":
		groups, err := calibrate(ctx, o, talk)
		if err != nil {
			return err
		}
		printCalibration(both, groups)
		return os.WriteFile(o.calibration, kept.Bytes(), 0o644)
	case o.table != "":
		cases, seconds, err := measured(ctx, o, talk)
		if err != nil {
			return err
		}
		if err := report(both, o, cases, seconds); err != nil {
			return err
		}
		return os.WriteFile(o.table, kept.Bytes(), 0o644)
	}
	cases, seconds, err := measured(ctx, o, talk)
	if err != nil {
		return err
	}
	return report(out, o, cases, seconds)
}

// measured returns the trials asked for, measured, and the seconds that took.
func measured(ctx context.Context, o options, talk io.Writer) ([]trial, float64, error) {
	var cases []trial
	var err error
	if o.truth != "" {
		cases, err = given(o.truth)
	} else {
		cases, err = render(ctx, o, talk)
	}
	if err != nil {
		return nil, 0, err
	}
	seconds, err := measureAll(ctx, o, cases, talk)
	return cases, seconds, err
}
