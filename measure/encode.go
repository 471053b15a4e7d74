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
	text, err := json.MarshalIndent(m, "", "  ")
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

// layOut shortens the numbers of an indented JSON text and puts each list that
// holds only numbers, or lists of them, on one line.
func layOut(text []byte) []byte {
	var out bytes.Buffer
	joinedTo := 0 // the end of the list that is being put on one line
	for i := 0; i < len(text); {
		switch c := text[i]; {
		case c == '"':
			n := stringLength(text[i:])
			out.Write(text[i : i+n])
			i += n
			continue
		case c == '-' || c >= '0' && c <= '9':
			n := len(text[i:]) - len(bytes.TrimLeft(text[i:], "0123456789+-.eE"))
			out.Write(shortNumber(text[i : i+n]))
			i += n
			continue
		case c == '[' && i >= joinedTo:
			joinedTo = i + numbersLength(text[i:])
		}
		joining := i < joinedTo
		if c := text[i]; !joining || c != ' ' && c != '\n' {
			out.WriteByte(c)
			if joining && c == ',' {
				out.WriteByte(' ')
			}
		}
		i++
	}
	return out.Bytes()
}

// shortNumber writes a number that has a fraction with eight significant
// digits at most.
func shortNumber(number []byte) []byte {
	f, err := strconv.ParseFloat(string(number), 64)
	if err != nil || !bytes.ContainsAny(number, ".eE") {
		return number
	}
	short, err := strconv.ParseFloat(strconv.FormatFloat(f, 'g', 8, 64), 64)
	if err != nil {
		return number
	}
	return strconv.AppendFloat(nil, short, 'f', -1, 64)
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
		case bytes.IndexByte([]byte("0123456789+-.eE, \n"), c) < 0:
			return 0
		}
	}
	return 0
}
