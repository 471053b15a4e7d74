// Evaluate-dating puts faults into readings of cores that share a common signal
// and tells how many dating.Stand finds, and how far its posteriors can be
// trusted: the proof of the search for missed and invented rings. The widths are
// those of archive files, or of a model with their year-to-year behaviour; 5 % of
// the boundaries are dropped and 2 % false ones added, in two ways (conditions):
// where the picture is poor, by probabilities drawn from those that pithward gave
// to its own faults on rendered trays (pictures.json); and at random, in what
// pithward read of rendered cores of such sites (rendered.json).
//
//	go run ./cmd/evaluate-dating
//	go run ./cmd/evaluate-dating -learn DIR    probabilities anew, from a folder of cmd/evaluate -dir DIR
//	go run ./cmd/evaluate-dating -render 3     rendered.json anew, by bin/pithward, in a few minutes
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
	render   int
	faults   string
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
	f.StringVar(&o.faults, "faults", "", "only the condition of this name: hard or random (default: both)")
	f.IntVar(&o.render, "render", 0, "render so many sites anew, have bin/pithward measure them, write rendered.json, and stop")
	if err := f.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return err
		}
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	if f.NArg() > 0 {
		return fmt.Errorf("%w: %s: no arguments are taken, only flags", errUsage, strings.Join(f.Args(), " "))
	}
	if o.faults != "" && o.faults != "hard" && o.faults != "random" {
		return fmt.Errorf("%w: -faults %s: say hard or random", errUsage, o.faults)
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
	if o.render > 0 {
		return renderAnew(apart(sites, o.render), talk)
	}
	for k := 1; len(sites) < o.sites; k++ {
		sites = append(sites, modelSite(k))
	}
	l, err := readLooks()
	if err != nil {
		return err
	}
	for i, c := range conditions(p, l) {
		if o.faults != "" && o.faults != c.name {
			continue
		}
		if i > 0 {
			fmt.Fprintln(out)
		}
		if err := evaluate(sites, c, o, out, talk); err != nil {
			return err
		}
	}
	return nil
}

// condition is a way of putting faults into the readings of a site's trees.
type condition struct {
	name  string
	words string
	read  func(s site, r *rand.Rand) (cores []core, note string)
}

// conditions are the two that are judged. What a reader misses by itself is
// where the picture is poor; what is dropped at random is where it is mostly good.
func conditions(p pictures, l looks) []condition {
	return []condition{
		{"hard", "HARD: faults where the picture is poor. Simulated readings; the probabilities are those of pithward's own faults, a third of the dropped boundaries have no candidate.",
			func(s site, r *rand.Rand) (cores []core, _ string) {
				for _, t := range s.trees {
					cores = append(cores, p.read(t, r))
				}
				return cores, "simulated"
			}},
		{"random", "AT RANDOM: faults at random in readings of rendered cores, while the picture still shows what it shows: a dropped boundary stays a candidate of the probability it had.\n" +
			"Sites marked rendered were drawn, scanned and measured; rings of the others look like rings drawn from those. The reader's own faults stay in, and are counted apart.",
			func(s site, r *rand.Rand) ([]core, string) {
				cores, rendered := l.readSite(s, r)
				if rendered {
					return cores, "rendered"
				}
				return cores, "drawn"
			}},
	}
}

func evaluate(sites []site, c condition, o options, out, talk io.Writer) error {
	all := map[company]*tally{}
	fmt.Fprintf(out, "%s\n%d cores a site, %d years; %.0f %% of the boundaries dropped, %.0f %% false ones added\n\n", c.words, siteCores, siteYears, 100*dropShare, 100*falseRate)
	fmt.Fprintln(out, "site         reading    company                          faults  at the place %  within 2 years %  wrong changes a boundary %  absent found   own restored")
	for i, s := range sites {
		if !strings.Contains(s.name, o.only) {
			continue
		}
		cores, note := c.read(s, rand.New(rand.NewPCG(o.seed, uint64(i))))
		for _, w := range companies() {
			if s.master == nil && (w == byMaster || w == byBoth) {
				continue
			}
			var t tally
			judgeSite(cores, s.master, w, &t)
			fmt.Fprintf(out, "%-12s %-10s %-31s %s\n", s.name, note, w, t.row())
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
			fmt.Fprintf(out, "\nall sites               %-31s %s\n", w, t.row())
			t.reliability(out)
		}
	}
	return nil
}

func companies() []company { return []company{byMaster, bySisters, byBoth, byNobody} }
