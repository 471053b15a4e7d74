package measure

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// Encode writes a measurement as JSON laid out for people: indented, with each
// list of numbers or points on one line, numbers to eight significant digits
// (a thousandth of a pixel on the largest scan, far below any uncertainty).
// Lists that are nil are written empty. It returns an error for NaN and
// infinity, which JSON cannot hold.
func Encode(w io.Writer, m Measurement) error {
	m.FillLists()
	text, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("%s: the measurement cannot be written: %w", m.Scan.File, err)
	}
	_, err = w.Write(append(layOut(text), '\n'))
	return err
}

// Decode reads a measurement. Fields it does not know are ignored. A format
// with a higher number than this program's, or another format, is an error.
func Decode(r io.Reader) (Measurement, error) {
	var m Measurement
	text, err := io.ReadAll(r)
	if err != nil {
		return m, err
	}
	var head struct {
		Schema string `json:"schema"`
	}
	if err := json.Unmarshal(text, &head); err != nil {
		return m, fmt.Errorf("not a measurement: %w", err)
	}
	if err := readable(head.Schema); err != nil {
		return m, err
	}
	if err := json.Unmarshal(text, &m); err != nil {
		return m, fmt.Errorf("not a measurement as %s has it: %w", Schema, err)
	}
	m.FillLists()
	return m, nil
}

// readable tells whether a format is this program's or an older one.
func readable(schema string) error {
	name, number, _ := strings.Cut(Schema, "/measurement/")
	theirs, ok := strings.CutPrefix(schema, name+"/measurement/")
	n, err := strconv.Atoi(theirs)
	ours, _ := strconv.Atoi(number)
	switch {
	case schema == "":
		return errors.New("not a measurement: it names no schema")
	case !ok || err != nil || n < 1:
		return fmt.Errorf("not a measurement: its schema is %.60q", schema)
	case n > ours:
		return fmt.Errorf("written by a newer version (%s; this one reads up to %s): update pithward", schema, Schema)
	}
	return nil
}

// FillLists makes every list of the measurement that is nil an empty one, as
// the format has no null lists.
func (m *Measurement) FillLists() {
	fill(&m.Cores)
	fill(&m.Warnings)
	fill(&m.Scale.Checks)
	for i := range m.Cores {
		c := &m.Cores[i]
		fill(&c.OutlinePx)
		fill(&c.PathPx)
		fill(&c.Boundaries)
		fill(&c.Candidates)
		fill(&c.Gaps)
		fill(&c.Obscured)
		fill(&c.Rings)
		fill(&c.Absent)
		fill(&c.Doubts)
		fill(&c.Warnings)
		for j := range c.Boundaries {
			fill(&c.Boundaries[j].LinePx)
		}
		for j := range c.Rings {
			fill(&c.Rings[j].Flags)
		}
	}
}

func fill[T any](list *[]T) {
	if *list == nil {
		*list = []T{}
	}
}

// layOut indents a compact JSON text, shortens its numbers, and leaves each
// list that holds only numbers, or lists of them, on one line.
func layOut(text []byte) []byte {
	out := make([]byte, 0, 2*len(text))
	depth := 0
	newLine := func() {
		out = append(out, '\n')
		for range depth {
			out = append(out, "  "...)
		}
	}
	joinedTo := 0 // the end of the list that is being put on one line
	for i := 0; i < len(text); {
		c := text[i]
		switch {
		case c == '"':
			n := stringLength(text[i:])
			out = append(out, text[i:i+n]...)
			i += n
			continue
		case c == '-' || c >= '0' && c <= '9':
			n := numberLength(text[i:])
			out = appendShort(out, text[i:i+n])
			i += n
			continue
		case c == '[' && i >= joinedTo:
			joinedTo = i + numbersLength(text[i:])
		}
		i++
		joined := i <= joinedTo
		switch {
		case (c == '{' || c == '[') && !joined:
			out = append(out, c)
			if text[i] == '}' {
				out = append(out, '}')
				i++
				continue
			}
			depth++
			newLine()
		case (c == '}' || c == ']') && !joined:
			depth--
			newLine()
			out = append(out, c)
		case c == ',' && joined:
			out = append(out, ", "...)
		case c == ',':
			out = append(out, c)
			newLine()
		case c == ':':
			out = append(out, ": "...)
		default:
			out = append(out, c)
		}
	}
	return out
}

// appendShort appends a number as JSON has it; one with a fraction with eight
// significant digits at most.
func appendShort(out, number []byte) []byte {
	const most = 8
	if !bytes.ContainsAny(number, ".eE") {
		return append(out, number...)
	}
	f, err := strconv.ParseFloat(string(number), 64)
	if err != nil {
		return append(out, number...)
	}
	whole, fraction, _ := bytes.Cut(bytes.TrimPrefix(number, []byte("-")), []byte("."))
	after := most - len(whole) // digits behind the point
	if whole[0] == '0' {
		after = most + len(fraction) - len(bytes.TrimLeft(fraction, "0"))
	}
	if after < 0 || bytes.ContainsAny(number, "eE") {
		return appendShortAny(out, f)
	}
	if len(fraction) <= after && fraction[len(fraction)-1] != '0' {
		return append(out, number...)
	}
	out = strconv.AppendFloat(out, f, 'f', after, 64)
	if after > 0 {
		out = bytes.TrimRight(out, "0")
	}
	return bytes.TrimSuffix(out, []byte("."))
}

// appendShortAny appends any number with eight significant digits at most.
func appendShortAny(out []byte, f float64) []byte {
	short, err := strconv.ParseFloat(strconv.FormatFloat(f, 'g', 8, 64), 64)
	if err != nil {
		short = f
	}
	return strconv.AppendFloat(out, short, 'f', -1, 64)
}

// numberLength returns the length of the number that text begins with.
func numberLength(text []byte) int {
	for i, c := range text {
		if (c < '0' || c > '9') && c != '-' && c != '+' && c != '.' && c != 'e' && c != 'E' {
			return i
		}
	}
	return len(text)
}

// stringLength returns the length of the JSON string that text begins with,
// quotes included.
func stringLength(text []byte) int {
	for i := 1; i < len(text); i++ {
		switch text[i] {
		case '\\':
			i++
		case '"':
			return i + 1
		}
	}
	return len(text)
}

// numbersLength returns the length of the list that text begins with if it
// holds nothing but numbers and lists, else 0.
func numbersLength(text []byte) int {
	depth := 0
	for i, c := range text {
		switch {
		case c == '[':
			depth++
		case c == ']':
			if depth--; depth == 0 {
				return i + 1
			}
		case (c < '0' || c > '9') && c != ',' && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E':
			return 0
		}
	}
	return 0
}
