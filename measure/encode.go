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
// list of numbers or points on one line. Lists that are nil are written empty.
// It returns an error for NaN and infinity, which JSON cannot hold.
func Encode(w io.Writer, m Measurement) error {
	m.FillLists()
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return fmt.Errorf("%s: the measurement cannot be written: %w", m.Scan.File, err)
	}
	_, err = w.Write(append(joinNumbers(text), '\n'))
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

// joinNumbers puts each list of an indented JSON text that holds only numbers,
// or lists of them, on one line.
func joinNumbers(text []byte) []byte {
	var out bytes.Buffer
	for i := 0; i < len(text); {
		switch text[i] {
		case '"':
			end := i + stringLength(text[i:])
			out.Write(text[i:end])
			i = end
		case '[':
			n := numbersLength(text[i:])
			if n == 0 {
				n = 1
				out.WriteByte('[')
			} else {
				out.Write(oneLine(text[i : i+n]))
			}
			i += n
		default:
			out.WriteByte(text[i])
			i++
		}
	}
	return out.Bytes()
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
		case !bytes.ContainsRune([]byte("0123456789+-.eE, \n"), rune(c)):
			return 0
		}
	}
	return 0
}

// oneLine takes the blanks out of a list of numbers, but for one after each comma.
func oneLine(list []byte) []byte {
	var out []byte
	for _, c := range list {
		switch c {
		case ' ', '\n':
		case ',':
			out = append(out, ',', ' ')
		default:
			out = append(out, c)
		}
	}
	return out
}
