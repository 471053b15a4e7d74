// Package pages makes what comes of grading a class: for each student a page that
// shows every fault on the wood (HTML and PNG) and a skeleton plot to print, for
// the class a page and a table for a gradebook.
package pages

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"math"
	"regexp"
	"strconv"
	"strings"

	"pithward/measure/dating/draw"
	"pithward/vision/overlay/look"
)

//go:embed student.html
var studentHTML string

//go:embed class.html
var classHTML string

//go:embed pages.css
var pagesCSS string

// fill makes a page of a template, which writes marks and numbers as people do.
func fill(text string, data any) ([]byte, error) {
	t, err := template.New("page").Funcs(template.FuncMap{
		"mark": func(v float64) string { return strings.Replace(Decimal(v, 1), "-", "−", 1) },
		"num":  func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) },
	}).Parse(text)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = t.Execute(&b, data)
	return b.Bytes(), err
}

func style() template.CSS { return template.CSS(look.CSS() + pagesCSS) }

func plotLook() draw.Look {
	return draw.Look{Ink: look.Ink.NRGBA(), Paper: look.Paper.NRGBA(), Quiet: look.Quiet.NRGBA()}
}

// svg prepares a picture for standing in a page: sized by the page.
func svg(picture []byte, label string) template.HTML {
	at := bytes.Index(picture, []byte("<svg"))
	if at < 0 {
		return ""
	}
	text := svgSize.ReplaceAllString(string(picture[at:]), "")
	text = strings.ReplaceAll(text, "<image ", `<image preserveAspectRatio="none" `)
	return template.HTML(strings.Replace(text, "<svg", `<svg role="img" aria-label="`+template.HTMLEscapeString(label)+`"`, 1))
}

// svgSize is the fixed size in a picture's head; its viewBox stays.
var svgSize = regexp.MustCompile(`\s(width|height)="[0-9.]+pt"`)

// Decimal writes a number with n digits after the point; -1: as many as it has.
func Decimal(v float64, n int) string { return strconv.FormatFloat(v, 'f', n, 64) }

// Micro writes mm to the micrometre; empty for nil.
func Micro(v *float64) string {
	if v == nil {
		return ""
	}
	return Decimal(math.Round(*v*1000)/1000+0, 3) // no negative zero
}

func yearText(year int) string {
	if year <= 0 {
		return fmt.Sprintf("%d BC", 1-year)
	}
	return strconv.Itoa(year)
}
