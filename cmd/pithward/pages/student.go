package pages

import (
	"fmt"
	"html/template"
	"slices"
	"strings"

	"pithward/measure/dating/draw"
	"pithward/measure/grade"
)

// Sheet is one student's page: what was found, and the places to show of it.
type Sheet struct {
	result grade.Result
	key    grade.Work
	unit   string
	faults []int   // of the result, that have a picture
	Shots  []*Shot // of these faults, to be given their wood
}

// NewSheet lays out the page of what became of one student's work.
func NewSheet(key grade.Work, r grade.Result) *Sheet {
	s := &Sheet{result: r, key: key, unit: "mm"}
	if key.Places != nil && key.Places.MMPerPx == nil {
		s.unit = "px"
	}
	if len(r.View.Key) > 1 {
		s.faults = shown(r)
	}
	for _, i := range s.faults {
		x := aim(key, r.View, r.Faults[i].At)
		s.Shots = append(s.Shots, &x)
	}
	return s
}

// HasSkeleton tells whether there are rings to make a skeleton plot of.
func (s *Sheet) HasSkeleton() bool { return len(s.result.View.StudentRings) > 0 }

// FaultName heads a fault.
func FaultName(f grade.Fault) string {
	names := map[grade.Kind]string{grade.Missed: "Boundary missed", grade.Invented: "Boundary invented", grade.Displaced: "Boundary beside its place",
		grade.AbsentMissed: "Absent ring missed", grade.AbsentInvented: "Absent ring invented", grade.StartsLate: "Starts too far in",
		grade.StartsEarly: "Starts too far out", grade.EndsLate: "Ends too far in", grade.EndsEarly: "Ends too early", grade.Slip: "Dating slips",
		grade.Units: "Wrong unit", grade.Reversed: "Wrong order", grade.WrongCore: "Another core", grade.Unreadable: "Cannot be graded",
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
func (s *Sheet) words(i int) []string {
	f := s.result.Faults[i]
	out := []string{f.Detail}
	for k, other := range s.result.Faults {
		if causes(s.result, i, k) {
			out = append(out, other.Detail)
		}
	}
	if f.Certainty < 0.9 {
		out = append(out, fmt.Sprintf("This is %.0f %% sure.", 100*f.Certainty))
	}
	return out
}

// causes tells whether fault k is the slip that fault i causes.
func causes(r grade.Result, i, k int) bool {
	f, slip := r.Faults[i], r.Faults[k]
	return slip.Caused && !f.Caused && f.KeyRing != nil && slip.KeyRing != nil && *slip.KeyRing == *f.KeyRing && slip.At == f.At
}

// Cost says what a fault, with the slip it causes, took off the mark; "" for nothing.
func Cost(r grade.Result, i int) string {
	var sum float64
	for _, p := range r.Parts {
		for _, l := range p.Lost {
			if l.Fault != nil && (*l.Fault == i || causes(r, i, *l.Fault)) {
				sum += l.Points
			}
		}
	}
	return points(sum)
}

func points(lost float64) string {
	if lost < 0.005 {
		return ""
	}
	return fmt.Sprintf("−%.1f points", lost)
}

// Elsewhere words what was taken off the mark without a single fault to blame.
func Elsewhere(r grade.Result) []string {
	out := []string{}
	for _, p := range r.Parts {
		for _, l := range p.Lost {
			if l.Fault == nil {
				out = append(out, fmt.Sprintf("%s: %s (%s).", sentence(p.Name), l.Why, points(l.Points)))
			}
		}
	}
	return out
}

// sentence begins words with a capital.
func sentence(words string) string {
	if words == "" {
		return ""
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

// summary says in a line or two what was compared.
func (s *Sheet) summary() string {
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
	if r.WidthMAEMM == nil {
		return out
	}
	lean := "neither wider nor narrower"
	switch bias := *r.WidthBiasMM; {
	case bias >= 0.0005:
		lean = fmt.Sprintf("%.3f mm wider", bias)
	case bias <= -0.0005:
		lean = fmt.Sprintf("%.3f mm narrower", -bias)
	}
	return out + fmt.Sprintf(" Rings that both have differ by %.3f mm on average; all in all yours are %s.", *r.WidthMAEMM, lean)
}

// more lists the faults without a picture, and what inaccuracy cost.
func (s *Sheet) more() (out []string) {
	for i, f := range s.result.Faults {
		if slices.Contains(s.faults, i) || f.Caused {
			continue
		}
		line := f.Detail
		if len(s.faults) == pageFaults && f.KeyRing != nil {
			line = FaultName(f) + ": " + f.Detail
		}
		if c := Cost(s.result, i); c != "" {
			line += " (" + c + ")"
		}
		out = append(out, line)
	}
	out = append(out, Elsewhere(s.result)...)
	if len(out) == 0 && len(s.faults) == 0 {
		out = append(out, "No fault was found.")
	}
	return out
}

// foot explains the pictures, where there are any.
func (s *Sheet) foot() string {
	if len(s.faults) == 0 {
		return "Compared by pithward."
	}
	return "Compared by pithward. In each picture the bark is to the left, the key's boundaries are above, yours below; the wedges point at the place."
}

// Links name what stands beside a student's page; "" for what does not.
type Links struct{ Skeleton, Picture string }

// HTML is the page for a browser or printer.
func (s *Sheet) HTML(links Links) ([]byte, error) {
	type place struct {
		Head, Cost string
		Words      []string
		Picture    template.HTML
	}
	data := struct {
		Style                   template.CSS
		Result                  grade.Result
		Notes                   []string
		Summary, Foot, MoreHead string
		Links                   Links
		Places                  []place
		More, Spared            []string
	}{Style: style(), Result: s.result, Notes: own(s.result), Summary: s.summary(), Foot: s.foot(), Links: links, More: s.more(), MoreHead: s.moreHead(), Spared: Spared(s.result)}
	for k, i := range s.faults {
		picture, err := draw.DrawMarked(draw.SVG, plotLook(), s.Shots[k].picture(s.key, s.result, s.unit))
		if err != nil {
			return nil, err
		}
		f := s.result.Faults[i]
		data.Places = append(data.Places, place{FaultName(f), Cost(s.result, i), s.words(i), svg(picture, f.Detail)})
	}
	return fill(studentHTML, data)
}

// moreHead heads what has no picture.
func (s *Sheet) moreHead() string {
	if len(s.faults) == 0 {
		return "What was found"
	}
	return "Also"
}

// PNG is the same on an A4 page.
func (s *Sheet) PNG() ([]byte, error) { return draw.DrawPage(draw.PNG, plotLook(), s.page()) }

func (s *Sheet) page() draw.Page {
	r := s.result
	p := draw.Page{Title: r.Name, Figure: fmt.Sprintf("%.1f of %g", r.Mark, r.FullMark), Foot: s.foot()}
	if t := s.summary(); t != "" {
		p.Head = append(p.Head, t)
	}
	p.Head = append(p.Head, own(r)...)
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
		if c := Cost(s.result, i); c != "" {
			words += " (" + c + ")"
		}
		p.Places = append(p.Places, draw.Place{Marked: s.Shots[k].picture(s.key, r, s.unit), Head: FaultName(r.Faults[i]), Words: words})
	}
	p.More = s.more()
	for _, words := range Spared(r) {
		p.More = append(p.More, "Not marked down: "+words)
	}
	return p
}

// Spared words what was not marked down, since experts differ there.
func Spared(r grade.Result) []string {
	out := []string{}
	for _, f := range r.Excused {
		out = append(out, FaultName(f)+": "+f.Excused+".")
	}
	return out
}

// own are the warnings that a student may read, as sentences.
func own(r grade.Result) (out []string) {
	for _, w := range r.Own() {
		out = append(out, sentence(w)+".")
	}
	return out
}
