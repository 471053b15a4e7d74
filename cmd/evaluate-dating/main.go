// Evaluate-dating puts faults into readings of cores that share a common signal
// and tells how many dating.Stand finds, and how far its posteriors can be
// trusted: the proof of the search for missed and invented rings. The widths are
// those of archive files; 5 % of the boundaries are dropped and 2 % false ones
// added, in several ways (conditions): in what pithward read of rendered cores of
// such sites (rendered.json), and where the picture is poor all over, by
// probabilities drawn from those that pithward gave to its own faults on rendered
// trays (pictures.json).
//
//	go run ./cmd/evaluate-dating
//	go run ./cmd/evaluate-dating -aside        other sites, to choose settings on
//	go run ./cmd/evaluate-dating -learn DIR    probabilities anew, from a folder of cmd/evaluate -dir DIR
//	go run ./cmd/evaluate-dating -render 99    rendered.json anew, by bin/pithward, in half an hour
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
	"slices"
	"strconv"
	"strings"
)

//go:embed pictures.json
var learned []byte

type options struct {
	archives string
	sites    int
	seed     uint64
	only     string
	learn    string
	render   int
	faults   string
	aside    bool
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
	f.Uint64Var(&o.seed, "seed", 1, "of the faults")
	f.StringVar(&o.only, "only", "", "only sites whose name holds this")
	f.StringVar(&o.learn, "learn", "", "write pictures.json anew from this folder of cmd/evaluate, and stop")
	f.StringVar(&o.faults, "faults", "", "only the condition of this name: random, missed, unseen or hard (default: all)")
	f.BoolVar(&o.aside, "aside", false, "sites that share no year with those of the table, to choose settings on; some have fewer cores")
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
	if o.faults != "" && !slices.Contains([]string{"random", "missed", "unseen", "hard"}, o.faults) {
		return fmt.Errorf("%w: -faults %s: say random, missed, unseen or hard", errUsage, o.faults)
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
	sites, err := readSites(o.archives, o.aside)
	if err != nil {
		return err
	}
	if o.render > 0 {
		return renderAnew(sites[:min(o.render, len(sites))], talk)
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

// conditions are those that are judged, from the easiest picture to the hardest.
func conditions(p pictures, l looks) []condition {
	rendered := func(f faults) func(site, *rand.Rand) ([]core, string) {
		return func(s site, r *rand.Rand) ([]core, string) {
			cores, rendered := l.readSite(s, f, r)
			if rendered {
				return cores, "rendered"
			}
			return cores, "drawn"
		}
	}
	return []condition{
		{"random", "AT RANDOM: faults at random in readings of rendered cores, while the picture still shows what it shows: a dropped boundary stays a candidate of the probability it had,\n" +
			"and a false one has that of its place. Sites marked rendered were drawn, scanned and measured; rings of others look like rings drawn from those. The reader's own faults stay in,\n" +
			"and are counted apart.", rendered(faults{})},
		{"missed", "AS MISSED: the same readings, but a dropped boundary is a candidate as probable as those at boundaries which the reader missed by itself, and a false one as probable as\n" +
			"those which it invented.", rendered(l.own())},
		{"unseen", "UNSEEN: the same, but a dropped boundary leaves no candidate: time alone can tell.", rendered(faults{dropped: []float64{0}, added: l.own().added})},
		{"hard", "HARD: faults where the picture is poor all over. Simulated readings of a reader that misses 5 % by itself, its probabilities calibrated: beside each missed boundary of probability p\n" +
			"stand (1-p)/p rejected places where none is, beside each false one p/(1-p) right ones as doubtful; a third of the dropped boundaries have no candidate.",
			func(s site, r *rand.Rand) (cores []core, _ string) {
				for _, t := range s.trees {
					cores = append(cores, p.read(t, r))
				}
				return cores, "simulated"
			}},
	}
}

func evaluate(sites []site, c condition, o options, out, talk io.Writer) error {
	all := map[company]*tally{}
	fmt.Fprintf(out, "%s\n%s cores a site, %d to %d years; %.0f %% of the boundaries dropped, %.0f %% false ones added\n\n", c.words, o.coresWords(), coreYears, siteYears, 100*dropShare, 100*falseRate)
	fmt.Fprint(out, "                       faults")
	for _, w := range companies() {
		fmt.Fprintf(out, "   %-21s", w)
	}
	fmt.Fprint(out, "\n                             ")
	for range companies() {
		fmt.Fprint(out, "   place %  near %  wrong")
	}
	fmt.Fprintln(out)
	for i, s := range sites {
		if !strings.Contains(s.name, o.only) {
			continue
		}
		cores, note := c.read(s, rand.New(rand.NewPCG(o.seed, uint64(i))))
		fmt.Fprintf(out, "%-12s %-9s", s.name, note)
		for k, w := range companies() {
			if s.apart == nil && w == byBoth {
				fmt.Fprintf(out, "   %7s  %6s  %5s", "-", "-", "-")
				continue
			}
			var t tally
			judgeSite(cores, s, w, &t)
			if k == 0 {
				fmt.Fprintf(out, " %6d", t.faults)
			}
			fmt.Fprint(out, t.cell())
			if all[w] == nil {
				all[w] = &tally{}
			}
			all[w].add(t)
		}
		fmt.Fprintln(out)
		fmt.Fprintf(talk, "\r%s: %d of %d sites", c.name, i+1, len(sites))
	}
	fmt.Fprintln(talk)
	fmt.Fprintf(out, "\n%-22s %6s%s  absent found  own faults mended  calibration error\n", "all sites", "faults", "   place %  near %  wrong")
	for _, w := range companies() {
		if t := all[w]; t != nil {
			fmt.Fprintf(out, "%-22s %6d%s  %5d of %-3d  %8d of %-5d  %17.3f\n", w, t.faults, t.cell(), t.absentFound, t.absent, t.ownRestored, t.own, t.ece())
		}
	}
	fmt.Fprintf(out, "of these at a posterior of %g and more\n", verySure)
	for _, w := range companies() {
		if t := all[w]; t != nil {
			fmt.Fprintf(out, "%-22s %6s%s\n", w, "", t.sureCell())
		}
	}
	reliability(out, all)
	return nil
}

func (o options) coresWords() string {
	if o.aside {
		return fmt.Sprintf("%d to %d", asideCores, siteCores)
	}
	return strconv.Itoa(siteCores)
}

func companies() []company { return []company{byMaster, bySisters, byBoth, byNobody} }
