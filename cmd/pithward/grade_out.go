package main

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"pithward/measure/dating/draw"
	"pithward/measure/grade"
	"pithward/vision/overlay/look"
)

//go:embed pages/student.html
var studentHTML string

//go:embed pages/class.html
var classHTML string

//go:embed pages/pages.css
var pagesCSS string

// pageTemplate makes a template that writes marks and numbers as people do.
func pageTemplate(text string) *template.Template {
	return template.Must(template.New("page").Funcs(template.FuncMap{
		"mark": func(v float64) string { return decimal(v, 1) },
		"num":  func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) },
	}).Parse(text))
}

func pageStyle() template.CSS { return template.CSS(look.CSS() + pagesCSS) }

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

// classFile is a file to write into the class's folder.
type classFile struct {
	name string
	data []byte
}

// writeClass writes a class's table, pages and pictures.
func (o gradeOptions) writeClass(ctx context.Context, key handIn, rep grade.Report, d deps) error {
	if err := os.MkdirAll(o.out, 0o777); err != nil {
		return fmt.Errorf("--out %s: cannot be made: %w", o.out, reason(err))
	}
	names := fileNames(rep.Students)
	if !o.overwrite {
		if err := noneOf(o.out, append([]string{"class.csv", "class.html", "grade.json"}, pageNames(names)...)); err != nil {
			return err
		}
	}
	sheets := o.sheets(ctx, key, rep, d)
	for i, s := range sheets {
		files, err := s.files(names[i])
		if err != nil {
			return fmt.Errorf("%s: %w", rep.Students[i].Name, err)
		}
		if err := o.writeFiles(files); err != nil {
			return err
		}
	}
	files, err := classFiles(rep, names)
	if err != nil {
		return err
	}
	return o.writeFiles(files)
}

func (o gradeOptions) writeFiles(files []classFile) error {
	for _, f := range files {
		if err := writeWhole(filepath.Join(o.out, f.name), f.data, true); err != nil {
			return err
		}
	}
	return nil
}

func pageNames(names []string) (out []string) {
	for _, n := range names {
		out = append(out, n+".html", n+".png", n+".skeleton.png")
	}
	return out
}

func noneOf(dir string, files []string) error {
	for _, f := range files {
		if _, err := os.Lstat(filepath.Join(dir, f)); err == nil {
			return fmt.Errorf("%s is there already: give --overwrite to replace it, or another --out", filepath.Join(dir, f))
		}
	}
	return nil
}

// fileNames makes a file name of each student's name, no two alike.
func fileNames(students []grade.Result) []string {
	used := map[string]bool{"class": true, "grade": true}
	out := make([]string, len(students))
	for i, s := range students {
		base := strings.Trim(unfit.ReplaceAllString(s.Name, "_"), "._ ")
		if base == "" {
			base = "student"
		}
		if r := []rune(base); len(r) > 80 {
			base = string(r[:80])
		}
		name := base
		for n := 2; used[strings.ToLower(name)]; n++ {
			name = fmt.Sprintf("%s-%d", base, n)
		}
		used[strings.ToLower(name)] = true
		out[i] = name
	}
	return out
}

// unfit is what no file name should hold.
var unfit = regexp.MustCompile(`[/\\:*?"<>|[:cntrl:]]+`)

// sheet is one student's page in the making.
type sheet struct {
	result grade.Result
	key    grade.Work
	unit   string
	faults []int // of the result, that have a picture
	shots  []*shot
}

// sheets lays out all pages and has the wood for them cut out of the scan.
func (o gradeOptions) sheets(ctx context.Context, key handIn, rep grade.Report, d deps) []*sheet {
	var all []*sheet
	var shots []*shot
	for _, r := range rep.Students {
		s := &sheet{result: r, key: key.Work, unit: "mm"}
		if key.Places != nil && key.Places.MMPerPx == nil {
			s.unit = "px"
		}
		if len(r.View.Key) > 1 {
			s.faults = shown(r)
		}
		for _, i := range s.faults {
			x := aim(key.Work, r.View, r.Faults[i].At)
			s.shots = append(s.shots, &x)
			shots = append(shots, &x)
		}
		all = append(all, s)
	}
	if key.Places == nil || key.scan == "" || len(shots) == 0 {
		return all
	}
	if err := readableScan(key.scan); err != nil {
		fmt.Fprintf(d.talk, "pithward: %s: %v; the pages show boundaries without the wood: give the key's scan with --scan\n", key.scan, err)
		return all
	}
	if err := cutShots(ctx, key.scan, shots, d); err != nil {
		fmt.Fprintf(d.talk, "pithward: %s: %v; the pages show boundaries without the wood\n", key.scan, err)
	}
	return all
}

// faultName heads a fault.
func faultName(f grade.Fault) string {
	names := map[grade.Kind]string{grade.Missed: "Boundary missed", grade.Invented: "Boundary invented", grade.Displaced: "Boundary beside its place",
		grade.AbsentMissed: "Absent ring missed", grade.AbsentInvented: "Absent ring invented", grade.StartsLate: "Starts too far in",
		grade.StartsEarly: "Starts too far out", grade.EndsLate: "Ends too far in", grade.EndsEarly: "Ends too early", grade.Slip: "Dating slips",
		grade.Units: "Wrong unit", grade.Reversed: "Wrong order", grade.WrongCore: "Another core", grade.Unreadable: "Cannot be read",
		grade.GapMissed: "Gap missed", grade.GapInvented: "Gap invented"}
	head := names[f.Kind]
	if f.Year != nil {
		return head + ", " + yearText(*f.Year)
	}
	if f.KeyRing != nil {
		return fmt.Sprintf("%s, ring %d", head, *f.KeyRing)
	}
	return head
}

// words are the sentences of a fault: its own, and that of the slip it causes.
func (s *sheet) words(i int) []string {
	f := s.result.Faults[i]
	out := []string{f.Detail}
	for _, other := range s.result.Faults {
		if other.Caused && *other.KeyRing == *f.KeyRing && other.At == f.At {
			out = append(out, other.Detail)
		}
	}
	if f.Certainty < 0.9 {
		out = append(out, fmt.Sprintf("This is %.0f %% sure.", 100*f.Certainty))
	}
	return out
}

// cost says what a fault took off the mark.
func (s *sheet) cost(i int) string {
	var sum float64
	for _, p := range s.result.Parts {
		for _, l := range p.Lost {
			if l.Fault != nil && *l.Fault == i {
				sum += l.Points
			}
		}
	}
	if sum < 0.005 {
		return ""
	}
	return "−" + strconv.FormatFloat(sum, 'f', 1, 64)
}

// summary says in a line or two what was compared.
func (s *sheet) summary() string {
	r := s.result
	if r.Matched == 0 {
		return ""
	}
	how := "Compared with the key by where the boundaries lie on the scan"
	if r.By == "widths" {
		how = "Compared with the key by the pattern of the widths"
		if r.Certainty < 0.9 {
			how += fmt.Sprintf(", which is %.0f %% sure", 100*r.Certainty)
		}
	}
	out := fmt.Sprintf("%s: %d of its %d boundaries are yours too, %d missed, %d invented.", how, r.Matched, len(r.View.Key), r.Missed, r.Invented)
	if r.WidthMAEMM != nil {
		out += fmt.Sprintf(" Rings that both have differ by %.3f mm on average (bias %+.3f mm).", *r.WidthMAEMM, math.Round(*r.WidthBiasMM*1000)/1000+0)
	}
	return out
}

// more lists the faults without a picture, and what inaccuracy cost.
func (s *sheet) more() (out []string) {
	for i, f := range s.result.Faults {
		if slices.Contains(s.faults, i) || f.Caused {
			continue
		}
		line := f.Detail
		if len(s.faults) == pageFaults && f.KeyRing != nil {
			line = faultName(f) + ": " + f.Detail
		}
		if c := s.cost(i); c != "" {
			line += " (" + c + ")"
		}
		out = append(out, line)
	}
	for _, p := range s.result.Parts {
		for _, l := range p.Lost {
			if l.Fault == nil {
				out = append(out, fmt.Sprintf("%s: %s (−%.1f).", strings.ToUpper(p.Name[:1])+p.Name[1:], l.Why, l.Points))
			}
		}
	}
	if len(out) == 0 && len(s.faults) == 0 {
		out = append(out, "No fault was found.")
	}
	return out
}

// foot explains the pictures, where there are any.
func (s *sheet) foot() string {
	if len(s.faults) == 0 {
		return "Compared by pithward."
	}
	return "Compared by pithward. In each picture the key's boundaries are above, yours below; the wedges point at the place."
}

// files makes a student's page as HTML and PNG, and the skeleton plot.
func (s *sheet) files(name string) ([]classFile, error) {
	var out []classFile
	plot := ""
	if len(s.result.View.StudentRings) > 0 {
		picture, err := skeleton(s.result.Name, s.result)
		if err != nil {
			return nil, err
		}
		plot = name + ".skeleton.png"
		out = append(out, classFile{plot, picture})
	}
	html, err := s.html(plot)
	if err != nil {
		return nil, err
	}
	png, err := draw.DrawPage(draw.PNG, plotLook(), s.page())
	if err != nil {
		return nil, err
	}
	return append(out, classFile{name + ".html", html}, classFile{name + ".png", png}), nil
}

func (s *sheet) html(plot string) ([]byte, error) {
	type place struct {
		Head, Cost string
		Words      []string
		Picture    template.HTML
	}
	data := struct {
		Style                   template.CSS
		Result                  grade.Result
		Summary, Foot, MoreHead string
		Skeleton                string
		Places                  []place
		More, Excused           []string
	}{Style: pageStyle(), Result: s.result, Summary: s.summary(), Foot: s.foot(), Skeleton: plot, More: s.more(), MoreHead: s.moreHead()}
	for k, i := range s.faults {
		picture, err := draw.DrawMarked(draw.SVG, plotLook(), s.shots[k].picture(s.key, s.result, s.unit))
		if err != nil {
			return nil, err
		}
		f := s.result.Faults[i]
		data.Places = append(data.Places, place{faultName(f), s.cost(i), s.words(i), svg(picture, f.Detail)})
	}
	for _, f := range s.result.Excused {
		data.Excused = append(data.Excused, faultName(f)+": "+f.Excused+".")
	}
	var b bytes.Buffer
	err := pageTemplate(studentHTML).Execute(&b, data)
	return b.Bytes(), err
}

// moreHead heads what has no picture.
func (s *sheet) moreHead() string {
	if len(s.faults) == 0 {
		return "What was found"
	}
	return "Also"
}

// page is the same for a PNG.
func (s *sheet) page() draw.Page {
	r := s.result
	p := draw.Page{Title: r.Name, Figure: fmt.Sprintf("%.1f of %g", r.Mark, r.FullMark), Foot: s.foot()}
	if t := s.summary(); t != "" {
		p.Head = append(p.Head, t)
	}
	p.Head = append(p.Head, r.Warnings...)
	var parts []string
	for _, x := range r.Parts {
		part := fmt.Sprintf("%s %.1f", x.Name, x.Points)
		if x.Of > 0 {
			part += fmt.Sprintf(" of %.1f", x.Of)
		}
		parts = append(parts, part)
	}
	if len(parts) > 0 {
		p.Head = append(p.Head, strings.Join(parts, "; ")+".")
	}
	for k, i := range s.faults {
		words := strings.Join(s.words(i), " ")
		if c := s.cost(i); c != "" {
			words += " (" + c + ")"
		}
		p.Places = append(p.Places, draw.Place{Marked: s.shots[k].picture(s.key, r, s.unit), Head: faultName(r.Faults[i]), Words: words})
	}
	p.More = s.more()
	for _, f := range r.Excused {
		p.More = append(p.More, faultName(f)+", not marked down: "+f.Excused+".")
	}
	return p
}

// classFiles makes what is about the whole class.
func classFiles(rep grade.Report, names []string) ([]classFile, error) {
	table, err := gradeTable(rep)
	if err != nil {
		return nil, err
	}
	html, err := classPage(rep, names)
	if err != nil {
		return nil, err
	}
	text, err := json.MarshalIndent(rep, "", "  ")
	if err != nil {
		return nil, err
	}
	return []classFile{{"class.csv", table}, {"class.html", html}, {"grade.json", append(text, '\n')}}, nil
}

func classPage(rep grade.Report, names []string) ([]byte, error) {
	type row struct {
		Result            grade.Result
		Link, Error, Look string
		Displaced, Slips  int
	}
	data := struct {
		Style                  template.CSS
		Report                 grade.Report
		Title, Agreement, Foot string
		Picture                template.HTML
		Missed                 []string
		Rows                   []row
	}{Style: pageStyle(), Report: rep, Title: "Class of " + numbered(len(rep.Students), "student"), Agreement: agreementWords(rep.Class),
		Missed: mostMissed(rep, 12), Foot: "Graded by pithward. class.csv has the same for a gradebook, grade.json for scripts."}
	if rep.Class.Students > 0 {
		rows, unit := ringRows(rep.Class)
		picture, err := draw.Rings(draw.SVG, plotLook(), rows, unit)
		if err != nil {
			return nil, err
		}
		data.Picture = svg(picture, "Missed and split rings, and widths, by year")
	}
	for i, r := range rep.Students {
		look := append([]string{}, remarks(r))
		look = slices.DeleteFunc(append(look, r.Warnings...), func(s string) bool { return s == "" })
		data.Rows = append(data.Rows, row{Result: r, Link: names[i] + ".html", Error: micro(r.WidthMAEMM), Look: strings.Join(look, "; "),
			Displaced: count(r, grade.Displaced), Slips: count(r, grade.Slip)})
	}
	var b bytes.Buffer
	err := pageTemplate(classHTML).Execute(&b, data)
	return b.Bytes(), err
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
