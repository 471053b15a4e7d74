package pages

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"

	"pithward/measure/dating/draw"
	"pithward/measure/grade"
)

// ClassPage shows a class as a whole; link gives the address of a student's own
// page.
func ClassPage(rep grade.Report, link func(student int) string) ([]byte, error) {
	type row struct {
		Result            grade.Result
		Link, Error, Look string
		Notes             []string
		Displaced, Slips  int
	}
	data := struct {
		Style                  template.CSS
		Report                 grade.Report
		Title, Agreement, Foot string
		Picture                template.HTML
		Missed                 []string
		Rows                   []row
	}{Style: style(), Report: rep, Title: title(len(rep.Students)), Agreement: agreementWords(rep.Class),
		Missed: MostMissed(rep, 12), Foot: "Graded by pithward."}
	if rep.Class.Students > 0 {
		rows, unit := ringRows(rep.Class)
		picture, err := draw.Rings(draw.SVG, plotLook(), rows, unit)
		if err != nil {
			return nil, err
		}
		data.Picture = svg(picture, "Missed and split rings, and widths, by year")
	}
	for i, r := range rep.Students {
		data.Rows = append(data.Rows, row{Result: r, Link: link(i), Error: Micro(r.WidthMAEMM), Look: strings.Join(Remarks(r), ", "), Notes: Notes(r),
			Displaced: Count(r, grade.Displaced), Slips: Count(r, grade.Slip)})
	}
	return fill(classHTML, data)
}

func title(students int) string {
	if students == 1 {
		return "Class of 1 student"
	}
	return fmt.Sprintf("Class of %d students", students)
}

func agreementWords(c grade.ByRing) string {
	switch {
	case c.Agreement == nil:
		return "No student's measurement could be compared with the key."
	case c.Among == nil:
		return fmt.Sprintf("The student has %.1f %% of the key's boundaries.", 100**c.Agreement)
	}
	return fmt.Sprintf("On average a student has %.1f %% of the key's boundaries; of the key's boundaries that either of two students has, both have %.1f %%.", 100**c.Agreement, 100**c.Among)
}

// Tame keeps a spreadsheet from taking what a student wrote for a formula.
func Tame(rows [][]string) [][]string {
	for _, row := range rows {
		for i, cell := range row {
			if cell != "" && strings.ContainsRune("=+@\t\r", rune(cell[0])) || strings.HasPrefix(cell, "-") && !number(cell) {
				row[i] = "'" + cell
			}
		}
	}
	return rows
}

func number(s string) bool {
	_, err := strconv.ParseFloat(s, 64)
	return err == nil
}

// Count returns how many faults of these kinds there are.
func Count(r grade.Result, kinds ...grade.Kind) (n int) {
	for _, f := range r.Faults {
		if slices.Contains(kinds, f.Kind) {
			n++
		}
	}
	return n
}

// wholeFaults are about a file as a whole.
var wholeFaults = []grade.Kind{grade.Units, grade.Reversed, grade.WrongCore, grade.Unreadable}

// Table is the class for a gradebook: a row a student.
func Table(rep grade.Report) ([]byte, error) {
	rows := [][]string{{"name", "file", "mark", "full_mark", "certainty", "matched", "missed", "invented", "displaced", "slips",
		"absent_rings_wrong", "ends_wrong", "width_bias_mm", "width_mae_mm", "width_rmse_mm", "to_look_at", "warnings"}}
	for _, r := range rep.Students {
		var look []string
		for _, f := range r.Faults {
			if slices.Contains(wholeFaults, f.Kind) {
				look = append(look, string(f.Kind)+": "+f.Detail)
			}
		}
		n := func(kinds ...grade.Kind) string { return strconv.Itoa(Count(r, kinds...)) }
		rows = append(rows, []string{r.Name, r.File, Decimal(r.Mark, 2), Decimal(r.FullMark, -1), Decimal(r.Certainty, 3), strconv.Itoa(r.Matched),
			strconv.Itoa(r.Missed), strconv.Itoa(r.Invented), n(grade.Displaced), n(grade.Slip), n(grade.AbsentMissed, grade.AbsentInvented),
			n(grade.StartsLate, grade.StartsEarly, grade.EndsLate, grade.EndsEarly), Micro(r.WidthBiasMM), Micro(r.WidthMAEMM), Micro(r.WidthRMSEMM),
			strings.Join(look, " "), strings.Join(r.Warnings, "; ")})
	}
	var b strings.Builder
	if err := csv.NewWriter(&b).WriteAll(Tame(rows)); err != nil {
		return nil, err
	}
	return []byte(b.String()), nil
}

// Remarks are a student's faults that have no column of their own, in a few words.
func Remarks(r grade.Result) (words []string) {
	for _, k := range grade.Kinds() {
		name, ok := remark[k]
		if !ok || Count(r, k) == 0 {
			continue
		}
		if n := rings(r, k); n > 0 {
			name = fmt.Sprintf(name, n)
		}
		words = append(words, name)
	}
	if r.Certainty < 0.9 && !Ungraded(r) {
		words = append(words, fmt.Sprintf("alignment %.0f %% sure", 100*r.Certainty))
	}
	return words
}

// remark names the faults of Remarks; those at the ends take the number of rings.
var remark = map[grade.Kind]string{
	grade.AbsentMissed: "absent ring missed", grade.AbsentInvented: "absent ring invented", grade.GapMissed: "gap missed", grade.GapInvented: "gap invented",
	grade.StartsLate: "bark end: %d left out", grade.StartsEarly: "bark end: %d too many", grade.EndsEarly: "pith end: %d left out", grade.EndsLate: "pith end: %d too many",
	grade.Units: "wrong unit", grade.Reversed: "wrong order", grade.WrongCore: "another core", grade.Unreadable: "cannot be graded",
}

// rings is how many rings a student's faults of a kind concern at an end.
func rings(r grade.Result, k grade.Kind) (n int) {
	for _, f := range r.Faults {
		if f.Kind == k {
			n += f.Rings
		}
	}
	return n
}

// Notes are the sentences that an assistant should read before handing a mark out:
// what is wrong with a hand-in as a whole, and what is odd about it.
func Notes(r grade.Result) (out []string) {
	for _, f := range r.Faults {
		if slices.Contains(wholeFaults, f.Kind) {
			out = append(out, f.Detail)
		}
	}
	for _, w := range r.Warnings {
		out = append(out, sentence(w)+".")
	}
	return out
}

// Ungraded tells whether there is no mark.
func Ungraded(r grade.Result) bool {
	return Count(r, grade.Unreadable) > 0
}

// MostMissed names the rings whose inner boundary most students missed.
func MostMissed(rep grade.Report, n int) (out []string) {
	rings := slices.DeleteFunc(slices.Clone(rep.Class.Rings), func(v grade.RingView) bool { return v.Missed < 2 })
	slices.SortStableFunc(rings, func(a, b grade.RingView) int { return cmp.Compare(b.Missed, a.Missed) })
	for _, v := range rings[:min(n, len(rings))] {
		name := fmt.Sprintf("ring %d", v.KeyRing)
		if v.Year != nil {
			name = yearText(*v.Year)
		}
		out = append(out, fmt.Sprintf("%s (%d of %d)", name, v.Missed, rep.Class.Students))
	}
	return out
}
