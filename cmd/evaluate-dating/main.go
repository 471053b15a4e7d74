// Evaluate-dating puts faults into readings of cores that share a common signal
// and tells how many dating.Stand finds, and how far its posteriors can be
// trusted: the proof of the search for missed and invented rings. The widths are
// those of archive files, or of a model with their year-to-year behaviour; the
// readings are simulated: 5 % of the boundaries are dropped, 2 % false ones added,
// and the probabilities that a picture gives to each place are drawn from those
// that pithward gave to its own faults on rendered trays (pictures.json). No
// picture is rendered here.
//
//	go run ./cmd/evaluate-dating
//	go run ./cmd/evaluate-dating -learn DIR    probabilities anew, from a folder of cmd/evaluate -dir DIR
//
// Exit status: 0 judged (however badly), 1 something could not be read, 2 the call
// is wrong.
package main

import (
	_ "embed"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strings"
)

//go:embed pictures.json
var learned []byte

type options struct {
	archives string
	sites    int
	perFile  int
	seed     uint64
	only     string
	learn    string
}

func main() {
	err := run(os.Args[1:], os.Stdout, os.Stderr)
	switch {
	case errors.Is(err, flag.ErrHelp):
	case errors.Is(err, errUsage):
		fmt.Fprintln(os.Stderr, "evaluate-dating:", err)
		os.Exit(2)
	case err != nil:
		fmt.Fprintln(os.Stderr, "evaluate-dating:", err)
		os.Exit(1)
	}
}

var errUsage = errors.New("wrong call")

func run(args []string, out, talk io.Writer) error {
	var o options
	f := flag.NewFlagSet("evaluate-dating", flag.ContinueOnError)
	f.SetOutput(talk)
	f.StringVar(&o.archives, "archives", "../shared/reference/itrdb", "folder of decadal files to take widths from")
	f.IntVar(&o.sites, "sites", 20, "fewest sites; where the archives give fewer, a model gives the rest")
	f.IntVar(&o.perFile, "per-file", 2, "most sites cut from one file")
	f.Uint64Var(&o.seed, "seed", 1, "of the faults")
	f.StringVar(&o.only, "only", "", "only sites whose name holds this")
	f.StringVar(&o.learn, "learn", "", "write pictures.json anew from this folder of cmd/evaluate, and stop")
	if err := f.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return err
		}
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	if f.NArg() > 0 {
		return fmt.Errorf("%w: %s: no arguments are taken, only flags", errUsage, strings.Join(f.Args(), " "))
	}
	if o.learn != "" {
		p, err := learn(o.learn)
		if err != nil {
			return err
		}
		return writePictures("cmd/evaluate-dating/pictures.json", p)
	}
	var p pictures
	if err := json.Unmarshal(learned, &p); err != nil {
		return err
	}
	sites, err := readSites(o.archives, o.perFile)
	if err != nil {
		return err
	}
	for k := 1; len(sites) < o.sites; k++ {
		sites = append(sites, modelSite(k))
	}
	return evaluate(sites, p, o, out, talk)
}

func evaluate(sites []site, p pictures, o options, out, talk io.Writer) error {
	all := map[company]*tally{}
	fmt.Fprintf(out, "%d cores a site, %d years; %.0f %% of the boundaries dropped, %.0f %% false ones added; simulated readings\n\n", siteCores, siteYears, 100*dropShare, 100*falseRate)
	fmt.Fprintln(out, "site            company                          faults  at the place %  within 2 years %  wrong changes a boundary %  absent found")
	for i, s := range sites {
		if !strings.Contains(s.name, o.only) {
			continue
		}
		random := rand.New(rand.NewPCG(o.seed, uint64(i)))
		var cores []core
		for _, t := range s.trees {
			cores = append(cores, p.read(t, random))
		}
		for _, w := range companies() {
			if s.master == nil && w == byMaster {
				continue
			}
			var t tally
			judgeSite(cores, s.master, w, &t)
			fmt.Fprintf(out, "%-15s %-31s %s\n", s.name, w, t.row())
			if all[w] == nil {
				all[w] = &tally{}
			}
			all[w].add(t)
		}
		fmt.Fprintf(talk, "\r%d of %d sites", i+1, len(sites))
	}
	fmt.Fprintln(talk)
	for _, w := range companies() {
		if t := all[w]; t != nil {
			fmt.Fprintf(out, "\nall sites       %-31s %s\n", w, t.row())
			t.reliability(out)
		}
	}
	return nil
}

func companies() []company { return []company{byMaster, bySisters, byNobody} }
