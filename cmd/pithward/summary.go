package main

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"pithward/measure"
)

// summary words what was measured on a scan: a line a core, what to heed, and
// the files written.
func summary(scan string, m measure.Measurement, files []string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s, %s\n", shown(scan), numbered(len(m.Cores), "core"), scaleWords(m.Scale))
	if len(m.Cores) > 0 {
		rows := [][]string{{"core", "rings", "years", "mean mm", "expected", "doubtful", "warnings"}}
		for _, c := range m.Cores {
			rows = append(rows, coreRow(c))
		}
		writeTable(&b, rows)
	}
	for _, c := range m.Cores {
		for _, h := range heed(c) {
			fmt.Fprintf(&b, "  %s: %s\n", c.ID, h)
		}
	}
	for _, j := range m.Joins {
		if j.Joined {
			fmt.Fprintf(&b, "  %s\n", j.Detail)
		}
	}
	for _, w := range m.Warnings {
		fmt.Fprintf(&b, "  heed: %s\n", w)
	}
	for _, f := range files {
		fmt.Fprintf(&b, "  %s\n", shown(f))
	}
	return b.String()
}

func numbered(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	if stem, ok := strings.CutSuffix(noun, "y"); ok {
		return fmt.Sprintf("%d %sies", n, stem)
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// scaleWords says what a pixel measures and how that is known.
func scaleWords(s measure.Scale) string {
	if s.MMPerPx == nil {
		return "no scale (lengths in px)"
	}
	size := fmt.Sprintf("%.5f", s.MMPerPx[0])
	if s.MMPerPx[0] != s.MMPerPx[1] {
		size += fmt.Sprintf(" x %.5f", s.MMPerPx[1])
	}
	from := map[measure.ScaleSource]string{
		measure.ScaleGiven: "as given", measure.ScaleRuler: "by its ruler", measure.ScaleTag: "by its resolution tag",
	}[s.Source]
	words := fmt.Sprintf("%s mm a pixel %s", size, from)
	if u := s.RelativeStandardUncertainty; u != nil {
		words += fmt.Sprintf(" (standard uncertainty %.2f %%)", *u*100)
	}
	return words
}

// coreRow is a core's line of the summary.
func coreRow(c measure.Core) []string {
	s := measure.Summarise(c)
	if len(c.Rings) == 0 {
		return []string{c.ID, "none", "", "", "", "", fmt.Sprint(len(heed(c)))}
	}
	return []string{c.ID, fmt.Sprint(s.Rings), s.Years(), decimals(s.MeanWidthMM, 3), decimals(c.ExpectedCount, 1),
		fmt.Sprint(s.Doubtful), fmt.Sprint(len(heed(c)))}
}

// decimals writes a number, a dash where it is not known.
func decimals(v *float64, n int) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.*f", n, *v)
}

// heed lists what a person should know of a core before using its years and
// widths: its warnings, and doubts that concern all its rings.
func heed(c measure.Core) []string {
	var list []string
	for _, d := range c.Doubts {
		if d.Kind == measure.DoubtYears || d.Kind == measure.DoubtOuterRing {
			list = append(list, d.Detail)
		}
	}
	said := func(w string) bool { // that the picture lacks the bark is a warning and a doubt
		return slices.ContainsFunc(list, func(detail string) bool { return strings.HasPrefix(detail, w) })
	}
	return append(slices.DeleteFunc(slices.Clone(c.Warnings), said), list...)
}

// writeTable aligns rows under their head: the first column to the left, the
// others to the right.
func writeTable(b *strings.Builder, rows [][]string) {
	width := make([]int, len(rows[0]))
	for _, row := range rows {
		for i, cell := range row {
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	for _, row := range rows {
		line := "  "
		for i, cell := range row {
			blank := strings.Repeat(" ", width[i]-utf8.RuneCountInString(cell))
			if i == 0 {
				line += cell + blank
			} else {
				line += "  " + blank + cell
			}
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
}
