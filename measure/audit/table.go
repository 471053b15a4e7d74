package audit

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// WritePlaces writes the places as CSV, a line a place and observer; places
// that nobody has begun stand alone.
func (a Audit) WritePlaces(w io.Writer) error {
	rows := [][]string{{"scan", "core", "place", "kind", "ring", "year", "at_mm", "x_px", "y_px", "program", "probability", "doubt", "rings_at_stake",
		"observer", "observer_says", "decided", "shift_mm", "edits", "why", "signed_off"}}
	for _, p := range a.Places {
		head := []string{p.Scan, p.ID, p.Target, p.Kind, whole(p.Ring), whole(p.Year), fixed(p.AtMM, 4), number(p.PointPx[0], 2), number(p.PointPx[1], 2),
			boundaryWord(p.Taken), fixed(p.Probability, 3), number(p.Doubt, 3), number(p.Cost, 2)}
		views := p.Views
		if len(views) == 0 {
			rows = append(rows, append(head, "", "", "", "", "", "", ""))
		}
		for _, v := range views {
			var kinds, why []string
			for _, act := range v.Acts {
				kinds = append(kinds, string(act.Kind))
				if act.Why != "" {
					why = append(why, act.Why)
				}
			}
			rows = append(rows, append(head[:len(head):len(head)], v.Observer, boundaryWord(v.Boundary), yes(v.Decided), fixed(v.ShiftMM, 4), strings.Join(kinds, " "), strings.Join(why, "; "), yes(v.Signed)))
		}
	}
	return write(w, rows)
}

// WriteEdits writes the edits as CSV, a line an edit, oldest first.
func (a Audit) WriteEdits(w io.Writer) error {
	rows := [][]string{{"utc", "observer", "scan", "core", "kind", "target", "x_px", "y_px", "word", "why", "undone", "no_effect", "uuid"}}
	for _, e := range a.Edits {
		x, y, word := "", "", ""
		if e.PointPx != nil {
			x, y = number(e.PointPx[0], 2), number(e.PointPx[1], 2)
		}
		if e.Detail != nil {
			word = e.Detail.Word
		}
		rows = append(rows, []string{e.UTC.UTC().Format("2006-01-02T15:04:05Z"), e.Observer, e.Scan, e.ID, string(e.Kind), e.Target, x, y, word, e.Why, yes(e.Undone), e.Void, e.UUID})
	}
	return write(w, rows)
}

// WriteWidths writes the widths that two readings have in common as CSV.
func (a Audit) WriteWidths(w io.Writer) error {
	rows := [][]string{{"first", "second", "scan", "core", "ring", "year", "first_mm", "second_mm", "difference_mm", "same_automatic_boundaries"}}
	for _, g := range a.Agreements {
		for _, p := range g.Widths {
			rows = append(rows, []string{g.First, g.Second, p.Scan, p.ID, strconv.Itoa(p.Ring), whole(p.Year), number(p.FirstMM, 4), number(p.SecondMM, 4), number(p.SecondMM-p.FirstMM, 4), yes(p.Shared)})
		}
	}
	return write(w, rows)
}

// write writes a table. What a spreadsheet would take for a formula is marked
// as text: ids and reasons come from people.
func write(w io.Writer, rows [][]string) error {
	for _, r := range rows {
		for i, cell := range r {
			if cell != "" && strings.ContainsRune("=+@\t\r", rune(cell[0])) || strings.HasPrefix(cell, "-") && !numeric(cell) {
				r[i] = "'" + cell
			}
		}
	}
	return csv.NewWriter(w).WriteAll(rows)
}

func numeric(s string) bool {
	_, err := strconv.ParseFloat(s, 64)
	return err == nil
}

func number(v float64, digits int) string { return strconv.FormatFloat(v, 'f', digits, 64) }

func fixed(v *float64, digits int) string {
	if v == nil {
		return ""
	}
	return number(*v, digits)
}

func whole(v *int) string {
	if v == nil {
		return ""
	}
	return fmt.Sprint(*v)
}

func boundaryWord(there bool) string {
	if there {
		return "boundary"
	}
	return "none"
}

func yes(is bool) string {
	if is {
		return "yes"
	}
	return ""
}
