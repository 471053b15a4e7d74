package archive

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// ErrUnknownFormat is returned, wrapped, where nothing tells a format.
var ErrUnknownFormat = errors.New("the format is not known")

// Read reads a file of any of the formats; its content, not its name, tells
// which (the name decides only between decadal widths and chronologies). name
// is for messages.
func Read(name string, data []byte) (*Collection, error) {
	format, err := Sniff(name, data)
	if err != nil {
		return &Collection{Name: name}, err
	}
	c, err := format.read(name, data)
	if err == nil {
		c.doubtful()
	}
	return c, err
}

// read reads a file of this format.
func (f Format) read(name string, data []byte) (*Collection, error) {
	switch f {
	case TRiDaS:
		return ReadTRiDaS(name, data)
	case NOAA:
		return ReadNOAA(name, data)
	case CSV:
		return ReadCSV(name, data)
	case Chronology:
		return ReadChronology(name, data)
	case Measurement:
		return ReadMeasurement(name, data)
	}
	return ReadTucson(name, data)
}

// fewRings is the number below which a series is too short for any statistic
// (chosen).
const fewRings = 5

// doubtful warns of series that hold next to nothing.
func (c *Collection) doubtful() {
	for _, s := range c.Series {
		measured, _, _ := s.Counts()
		first, same := Missing, true
		for _, w := range s.Widths {
			switch {
			case !w.Measured():
			case !first.Measured():
				first = w
			default:
				same = same && w == first
			}
		}
		switch {
		case measured < fewRings:
			c.warn(s.Line, s.ID, fmt.Sprintf("only %d measured rings", measured))
		case same:
			c.warn(s.Line, s.ID, fmt.Sprintf("all %d widths are equal", measured))
		}
	}
	sortWarnings(c.Warnings)
}

// ReadFile reads a file of any of the formats.
func ReadFile(path string) (*Collection, error) {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return nil, fmt.Errorf("%s: is a folder: give a file of ring widths", path)
	}
	data, err := os.ReadFile(path)
	var bad *fs.PathError
	if errors.As(err, &bad) {
		return nil, fmt.Errorf("%s: cannot be read: %w", path, bad.Err)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be read: %w", path, err)
	}
	return Read(path, data)
}

// Sniff tells a file's format from its content. The error wraps
// ErrUnknownFormat and names the file.
func Sniff(name string, data []byte) (Format, error) {
	text := bytes.TrimSpace(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")))
	switch {
	case len(text) == 0:
		return "", fmt.Errorf("%s: %w: the file is empty", name, ErrUnknownFormat)
	case text[0] == '<':
		return TRiDaS, nil
	case text[0] == '{':
		return Measurement, nil
	case bytes.IndexByte(data, 0) >= 0:
		return "", fmt.Errorf("%s: %w: it is no text; give a Tucson decadal file, a NOAA template, TRiDaS or a table series,year,width_mm", name, ErrUnknownFormat)
	}
	lines, _ := textLines(data)
	if looksNOAA(lines) {
		return NOAA, nil
	}
	if head := strings.ToLower(firstLine(lines)); strings.ContainsAny(head, ",;") && strings.Contains(head, "year") && strings.Contains(head, "width") {
		return CSV, nil
	}
	rows, chronology := 0, 0
	for _, l := range lines {
		if _, ok := parseRow(l); ok {
			rows++
		}
		if _, _, _, _, ok := crnRow(l); ok {
			chronology++
		}
	}
	switch {
	case chronology > 0 && (rows == 0 || strings.EqualFold(filepath.Ext(name), ".crn")):
		return Chronology, nil
	case rows > 0:
		return Tucson, nil
	case strings.EqualFold(filepath.Ext(name), ".csv"):
		return CSV, nil
	}
	return "", fmt.Errorf("%s: %w: give a Tucson decadal file, a NOAA template, TRiDaS or a table series,year,width_mm", name, ErrUnknownFormat)
}

func firstLine(lines []string) string {
	for _, l := range lines {
		if strings.TrimSpace(l) != "" {
			return l
		}
	}
	return ""
}

// looksNOAA tells the archive's template by its variables or its table's head.
func looksNOAA(lines []string) bool {
	for _, l := range lines {
		if strings.HasPrefix(l, "##") && strings.Contains(l, "\t") {
			return true
		}
		if !strings.HasPrefix(l, "#") && strings.TrimSpace(l) != "" {
			return strings.HasPrefix(l, "age_") && strings.Contains(l, "\t")
		}
	}
	return false
}

// FormatOf tells which format a file of that name is to be written in; "" if
// the name does not say.
func FormatOf(path string) Format {
	switch base := strings.ToLower(filepath.Base(path)); {
	case strings.HasSuffix(base, ".rwl"):
		return Tucson
	case strings.HasSuffix(base, ".crn"):
		return Chronology
	case strings.HasSuffix(base, ".csv"):
		return CSV
	case strings.HasSuffix(base, ".xml"):
		return TRiDaS
	case strings.HasSuffix(base, ".txt"):
		return NOAA
	}
	return ""
}

// holds tells whether a series can be written in a format at all.
func (f Format) holds(s Series) bool {
	measured, _, _ := s.Counts()
	switch {
	case measured == 0:
		return false
	case f == TRiDaS:
		return true
	case f == Chronology:
		return s.Quantity == Index
	}
	return s.Quantity == RingWidth
}

// Write writes a collection in a format; o matters to decadal files alone. What
// had to be changed or left out is returned. It is an error, which wraps
// ErrNoSeries, if nothing would be left.
func Write(w io.Writer, c *Collection, f Format, o TucsonOptions) ([]Warning, error) {
	if !slices.ContainsFunc(c.Series, f.holds) {
		return nil, fmt.Errorf("%w that a %s file can hold", ErrNoSeries, f)
	}
	switch f {
	case Tucson:
		return WriteTucson(w, c, o)
	case Chronology:
		return WriteChronology(w, c)
	case NOAA:
		return WriteNOAA(w, c)
	case TRiDaS:
		return WriteTRiDaS(w, c)
	case CSV:
		return WriteCSV(w, c)
	}
	return nil, fmt.Errorf("%w: %q is none of tucson, chronology, noaa, tridas, csv", ErrUnknownFormat, f)
}
