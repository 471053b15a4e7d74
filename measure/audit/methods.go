package audit

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"pithward/measure"
)

// methods words how the widths came about, for the methods section of a paper:
// what read them, from which scale, with which settings, what people changed,
// and how well they repeat.
func methods(a Audit) string {
	parts := []string{methodReading(a), methodScale(a.Scans), methodSettings(a.Scans)}
	parts = append(parts, methodEdits(a), methodSigned(a.Cores))
	for _, g := range a.Agreements {
		_, again := Again(g.Second)
		if _, firstAgain := Again(g.First); g.Blind || !again && !firstAgain {
			parts = append(parts, methodAgreement(g))
		}
	}
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), " ")
}

func methodReading(a Audit) string {
	var versions []string
	cores := 0
	for _, s := range a.Scans {
		versions = append(versions, s.Version)
		cores += s.Cores
	}
	text := fmt.Sprintf("Ring boundaries on %s of %s were found by pithward %s (audit by version %s): %s, each with the calibrated probability that it is real",
		count(cores, "core"), count(len(a.Scans), "scan"), and(distinct(versions)), a.Version, count(a.Counts.Boundaries, "boundary"))
	if a.Counts.Boundaries > 0 {
		doubtful := 0
		for _, s := range a.Scans {
			doubtful += s.Doubtful
		}
		text += fmt.Sprintf("; %d (%.1f %%) had less than %g", doubtful, 100*float64(doubtful)/float64(a.Counts.Boundaries), measure.DoubtfulBelow)
	}
	return text + ". A width is the length along the radius between two boundaries, less open gaps, times the cosine of their mean tilt."
}

// methodScale words where the scale came from.
func methodScale(scans []ScanLine) string {
	words := map[measure.ScaleSource]string{
		measure.ScaleRuler: "a ruler in the scan", measure.ScaleTag: "the resolution tag of the file",
		measure.ScaleGiven: "a value given by hand", measure.ScaleNone: "nothing: widths are not in mm",
	}
	var from []string
	for _, source := range []measure.ScaleSource{measure.ScaleRuler, measure.ScaleGiven, measure.ScaleTag, measure.ScaleNone} {
		of := only(scans, func(s ScanLine) bool { return s.Source == source })
		if len(of) == 0 {
			continue
		}
		text := fmt.Sprintf("%s on %s", words[source], count(len(of), "scan"))
		if source != measure.ScaleNone {
			text += " (" + scaleRange(of) + ")"
		}
		from = append(from, text)
	}
	if len(from) == 0 {
		return ""
	}
	return "The scale was taken from " + and(from) + "."
}

// scaleRange words the scales of scans along x and y, and their uncertainty.
func scaleRange(scans []ScanLine) string {
	var scale, uncertainty []float64
	for _, s := range scans {
		if s.MMPerPx != nil {
			scale = append(scale, s.MMPerPx[0], s.MMPerPx[1])
		}
		if s.Uncertainty != nil {
			uncertainty = append(uncertainty, 100**s.Uncertainty)
		}
	}
	return fmt.Sprintf("%s mm a pixel, relative standard uncertainty %s %%", span(scale, "%.5f"), span(uncertainty, "%.3f"))
}

// span words the range of numbers.
func span(v []float64, format string) string {
	if len(v) == 0 {
		return "not known"
	}
	low, high := fmt.Sprintf(format, slices.Min(v)), fmt.Sprintf(format, slices.Max(v))
	if low == high {
		return low
	}
	return low + " to " + high
}

func methodSettings(scans []ScanLine) string {
	var all []string
	for _, s := range scans {
		if text, err := json.Marshal(s.Settings); err == nil { // plain numbers and words: it cannot fail
			all = append(all, string(text))
		}
	}
	all = distinct(all)
	if len(all) == 0 {
		return ""
	}
	var words []string
	for _, text := range all {
		var s measure.Settings
		if json.Unmarshal([]byte(text), &s) == nil {
			words = append(words, settingsWords(s))
		}
	}
	return "Settings: " + strings.Join(words, "; on other scans ") + "."
}

func settingsWords(s measure.Settings) string {
	wood, bark := "from the core sheet or the picture", "from the picture"
	if s.Wood != "" {
		wood = string(s.Wood) + " for all cores"
	}
	if s.BarkEnd != "" {
		bark = string(s.BarkEnd) + " for all cores"
	}
	text := fmt.Sprintf("kind of wood %s, bark end %s", wood, bark)
	if s.MMPerPx > 0 {
		text += fmt.Sprintf(", %.5f mm a pixel given", s.MMPerPx)
	}
	n := s.Season
	return text + fmt.Sprintf(", growing season months %d to %d in the north and %d to %d in the south", n.NorthFrom, n.NorthTo, n.SouthFrom, n.SouthTo)
}

func methodEdits(a Audit) string {
	if len(a.Observers) == 0 {
		return "Nobody has checked the boundaries."
	}
	people := persons(a.Observers)
	n := Changes{}
	for _, c := range a.Cores {
		d := c.Changes
		n = Changes{n.Accepted + d.Accepted, n.Added + d.Added, n.Removed + d.Removed, n.Moved + d.Moved, n.ByHand + d.ByHand}
	}
	text := fmt.Sprintf("%s (%s) checked the boundaries on screen: %d confirmed as read, %d removed, %d added, %d moved",
		count(len(people), "observer"), and(people), n.Accepted, n.Removed, n.Added, n.Moved)
	if n.ByHand > 0 {
		text += fmt.Sprintf(", %d set by hand where the program has them too", n.ByHand)
	}
	other := []string{}
	for _, kind := range measure.EventKinds() {
		if k := a.Counts.Of(kind); k > 0 && !slices.Contains(PlaceKinds(), kind) && kind != measure.SignOff && kind != measure.Note {
			other = append(other, fmt.Sprintf("%s %d", kind, k))
		}
	}
	if len(other) > 0 {
		text += "; other edits: " + strings.Join(other, ", ")
	}
	if a.Counts.Undone > 0 {
		text += fmt.Sprintf("; %s taken back", count(a.Counts.Undone, "edit"))
	}
	return text + fmt.Sprintf(". Of %s that the program asked to have looked at, %d had no decision.", count(a.Counts.Doubtful, "place"), a.Counts.Open)
}

func methodSigned(cores []CoreLine) string {
	all, signed, rejected := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, c := range cores {
		k := key(c.Scan, c.UID)
		all[k] = true
		switch c.Stage {
		case measure.SignedOff:
			signed[k] = true
		case measure.Rejected:
			rejected[k] = true
		}
	}
	if len(all) == 0 {
		return ""
	}
	text := fmt.Sprintf("Signed off: %d of %s", len(signed), count(len(all), "core"))
	if len(rejected) > 0 {
		text += fmt.Sprintf("; rejected: %d", len(rejected))
	}
	return text + "."
}

func methodAgreement(g Agreement) string {
	var who string
	switch {
	case g.First == Program:
		who = fmt.Sprintf("Between the program and %s", g.Second)
	case g.Blind:
		who = fmt.Sprintf("When %s measured %s a second time, blind to the first", g.First, count(len(g.Cores), "core"))
	default:
		who = fmt.Sprintf("Between %s and %s, on %s that both had looked at", g.First, g.Second, count(len(g.Cores), "core"))
	}
	text := fmt.Sprintf("%s, %d of %s matched, %d missed and %d extra", who, g.Matched, count(g.FirstN, "boundary"), g.Missed, g.Extra)
	if l := g.Own; l != nil && l.N >= FewestWidths {
		text += fmt.Sprintf("; the widths set by either (n = %d) differed by %s mm on average, 95 %% limits of agreement %s to %s mm (Bland & Altman 1986)",
			l.N, signed(l.Mean), signed(*l.Lower), signed(*l.Upper))
		if g.Blind {
			text += fmt.Sprintf(", repeatability %.3f mm", l.Repeatability)
		}
	} else {
		text += "; too few widths were set by either for limits of agreement"
	}
	return text + "."
}

// FewestWidths is how many widths limits of agreement should rest on to be
// stated: chosen; with ten, each limit is known to within 1.2 deviations.
const FewestWidths = 10

// signed writes a difference in mm with its sign, to the micrometre.
func signed(mm float64) string {
	text := fmt.Sprintf("%+.3f", mm)
	if text == "-0.000" || text == "+0.000" {
		return "0.000"
	}
	return strings.Replace(text, "-", "−", 1)
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	if stem, ok := strings.CutSuffix(noun, "y"); ok {
		return fmt.Sprintf("%d %sies", n, stem)
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// persons lists observers once each, and says who measured twice.
func persons(observers []string) []string {
	var out []string
	for _, o := range observers {
		if first, again := Again(o); again {
			if i := slices.Index(out, first); i >= 0 {
				out[i] += " (twice, blind)"
				continue
			}
		}
		out = append(out, o)
	}
	return out
}

func and(words []string) string {
	switch n := len(words); n {
	case 0:
		return "nobody"
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
}

// distinct returns what is in a list, once each, in order.
func distinct(all []string) []string {
	out := slices.Clone(all)
	slices.Sort(out)
	return slices.Compact(out)
}
