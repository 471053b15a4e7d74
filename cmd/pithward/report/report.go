// Package report writes an audit as one HTML page that needs nothing but
// itself: no script, no file beside it, nothing from the network.
package report

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"

	"pithward/measure"
	"pithward/measure/audit"
	"pithward/vision/overlay/look"
)

//go:embed report.html
var page string

//go:embed report.css
var sheet string

// Wood is a place with its picture: the wood round it, the radius along the
// picture with the bark to the right, at the scan's own magnification.
type Wood struct {
	Place  audit.Place
	Around audit.Surroundings
	JPEG   []byte // nil: no picture
	W, H   int    // of the picture, px of the scan
	MM     float64
}

// Report is what goes on the page.
type Report struct {
	Audit    audit.Audit
	Changed  []Wood // places that people made something else of
	Open     []Wood // doubtful places that nobody has decided about
	MoreOpen int    // such places that are not shown
	MoreEdit int
	Warnings []string
	Files    []string // written beside the page
}

// Write writes the page.
func Write(w io.Writer, r Report) error {
	t, err := template.New("report").Funcs(template.FuncMap{
		"plots": plots, "agreementPlots": agreementPlots, "wood": figure, "views": views, "mm": millimetres, "signed": signedMM, "signedPtr": func(v *float64) string { return signedMM(*v) }, "share": share, "limits": limits, "number": number,
		"settings": settings, "years": years, "last": lastEdit, "edits": editTable, "person": person, "program": programWords, "name": placeName, "scale": scaleWords, "joined": joined,
	}).Parse(page)
	if err != nil {
		return fmt.Errorf("the report's page: %w", err)
	}
	var b bytes.Buffer
	data := struct {
		Report
		Style template.CSS
	}{r, template.CSS(look.CSS() + sheet)} //nolint:gosec // both are this program's own
	if err := t.Execute(&b, data); err != nil {
		return fmt.Errorf("the report's page: %w", err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

// person names an observer in words.
func person(observer string) string {
	if first, again := audit.Again(observer); again {
		return first + ", a second time"
	}
	return observer
}

// placeName says which place of a core it is.
func placeName(p audit.Place) string {
	if p.AtMM == nil {
		return p.Where()
	}
	return fmt.Sprintf("%s at %.2f mm", p.Where(), *p.AtMM)
}

func programWords(p audit.Place) string {
	switch {
	case p.Probability == nil:
		return "saw nothing"
	case p.Taken:
		return fmt.Sprintf("a boundary, %.0f %%", 100**p.Probability)
	}
	return fmt.Sprintf("none; perhaps one, %.0f %%", 100**p.Probability)
}

// said is what one observer makes of a place, in words.
type said struct{ Who, What, Why string }

// views lists what observers decided about a place; those who left it alone are
// named last, together.
func views(p audit.Place) []said {
	var out []said
	var left []string
	for _, v := range p.Views {
		if !v.Decided {
			left = append(left, person(v.Observer))
			continue
		}
		s := said{Who: person(v.Observer)}
		switch {
		case v.Boundary && v.Moved && v.ShiftMM != nil:
			way := "inward"
			if *v.ShiftMM < 0 {
				way = "outward"
			}
			s.What = fmt.Sprintf("moved %.3f mm %s", math.Abs(*v.ShiftMM), way)
		case v.Boundary && v.Moved:
			s.What = "moved"
		case v.Boundary && v.ByHand:
			s.What = "a boundary, set by hand"
		case v.ByHand:
			s.What = "none, measuring by hand"
		case v.Boundary && p.Taken:
			s.What = "a boundary, as read"
		case v.Boundary:
			s.What = "a boundary, added"
		default:
			s.What = "no boundary"
		}
		var why []string
		for _, a := range v.Acts {
			if a.Why != "" {
				why = append(why, a.Why)
			}
		}
		s.Why = strings.Join(why, "; ")
		out = append(out, s)
	}
	if len(left) > 0 && len(out) > 0 {
		out = append(out, said{Who: strings.Join(left, " and "), What: "left as read"})
	}
	return out
}

func millimetres(v *float64, digits int) string {
	if v == nil {
		return "–"
	}
	return fmt.Sprintf("%.*f", digits, *v)
}

// signedMM writes a difference in mm, to the micrometre.
func signedMM(v float64) string {
	if math.Abs(v) < 0.0005 {
		return "0.000"
	}
	return strings.Replace(fmt.Sprintf("%+.3f", v), "-", "−", 1)
}

// share is what part of the judgements of a bin call a boundary, %.
func share(b audit.Bin) string {
	if b.Judged == 0 {
		return "–"
	}
	return fmt.Sprintf("%.0f", 100*float64(b.Real)/float64(b.Judged))
}

// limits are the 95 % limits of that share, %.
func limits(b audit.Bin) string {
	if b.Low == nil || b.High == nil {
		return "–"
	}
	return fmt.Sprintf("%.0f–%.0f", 100**b.Low, 100**b.High)
}

func number(v *float64, sd *float64) string {
	switch {
	case v == nil:
		return "–"
	case sd == nil:
		return fmt.Sprintf("%.1f", *v)
	}
	return fmt.Sprintf("%.1f ± %.1f", *v, *sd)
}

func years(first, last *int) string {
	if first == nil || last == nil {
		return "undated"
	}
	return fmt.Sprintf("%d–%d", *first, *last)
}

func scaleWords(mmPerPx *[2]float64, u *float64) string {
	if mmPerPx == nil {
		return "none"
	}
	text := fmt.Sprintf("%.5f", mmPerPx[0])
	if y := fmt.Sprintf("%.5f", mmPerPx[1]); y != text {
		text += " × " + y
	}
	if u != nil {
		text += fmt.Sprintf(" ± %.2f %%", 100**u)
	}
	return text
}

func settings(s measure.Settings) string {
	words := []string{}
	if s.Wood != "" {
		words = append(words, "wood "+string(s.Wood))
	}
	if s.BarkEnd != "" {
		words = append(words, "bark end "+string(s.BarkEnd))
	}
	if s.MMPerPx > 0 {
		words = append(words, fmt.Sprintf("scale %.5f mm/px", s.MMPerPx))
	}
	if len(words) == 0 {
		return "as the picture and the core sheet say"
	}
	return strings.Join(words, ", ")
}

// lastEdit is the day of the last decision; "" if there is none.
func lastEdit(edits []audit.Edit) string {
	if len(edits) == 0 {
		return ""
	}
	return edits[len(edits)-1].UTC.UTC().Format("2 January 2006")
}

func joined(words []string) string { return strings.Join(words, ", ") }

// editRow is how many edits of a kind each observer made that hold.
type editRow struct {
	Kind   measure.EventKind
	Counts []int
}

// editTable has a row for each kind of edit that was made.
func editTable(a audit.Audit) []editRow {
	var rows []editRow
	for _, k := range measure.EventKinds() {
		row := editRow{Kind: k}
		for _, o := range a.Observers {
			row.Counts = append(row.Counts, a.Counts.Edits[o][k])
		}
		if slices.Max(append(row.Counts, 0)) > 0 {
			rows = append(rows, row)
		}
	}
	return rows
}

// inline makes a picture's bytes part of the page.
func inline(jpeg []byte) template.URL {
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(jpeg)) //nolint:gosec // base64
}
