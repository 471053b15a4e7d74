package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"pithward/measure/archive"
)

// convertOptions are the flags of convert as they were given.
type convertOptions struct {
	in, out    string
	to         string
	tucsonUnit string
	crlf       bool
	overwrite  bool
}

// stdoutName stands for standard output where a file is asked for.
const stdoutName = "-"

func formatNames() []string {
	var names []string
	for _, f := range append(archive.Formats(), archive.Chronology) {
		names = append(names, string(f))
	}
	return names
}

func newConvertCmd(d deps) *cobra.Command {
	var o convertOptions
	cmd := &cobra.Command{
		Use:   "convert IN OUT",
		Short: "Convert ring widths from one archive format to another",
		Long: `Read the ring widths in IN and write them to OUT ("-": standard output).

IN may be a Tucson decadal file, a NOAA/WDS text template, TRiDaS 1.2.2 XML, a
table series,year,width_mm, a decadal chronology, or a SCAN.json of measure; its
content tells which. OUT's name tells how it is written, unless --to does:

  .rwl   tucson      decadal widths
  .txt   noaa        NOAA/WDS text template 4.0
  .xml   tridas      TRiDaS 1.2.2
  .csv   csv         a row a ring; width empty where not measured, 0 where absent
  .crn   chronology  decadal indices with sample depth

Whatever is odd in IN is named with its line, and whatever has to be changed for
OUT is named with its series; neither ends the conversion.` +
			exitStatus("OUT was written", "nothing in IN could be read, or OUT could not be written", "the call is wrong"),
		Example: example(
			"a decadal file as TRiDaS", "pithward convert ridge.rwl ridge.xml",
			"measured widths as a decadal file in 0.01 mm", "pithward convert tray.json tray-coarse.rwl --tucson-unit 0.01",
			"look at an archive file as a table", "pithward convert ridge.rwl - --to csv",
		),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 2 {
				return errors.New("name one file to read, IN, and one to write, OUT")
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			o.in, o.out = args[0], args[1]
			return runConvert(o, d.out, d.talk)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.to, "to", "", "`FORMAT` of OUT: "+strings.Join(formatNames(), ", ")+" (default: by its name)")
	f.StringVar(&o.tucsonUnit, "tucson-unit", tucsonFine, "unit of a decadal file in `MM`: 0.001 (end marker -9999) or 0.01 (end marker 999)")
	f.BoolVar(&o.crlf, "crlf", false, "end the lines of a decadal file with CR LF, for older programs")
	f.BoolVar(&o.overwrite, "overwrite", false, "replace OUT if it is there already")
	fixed(cmd, "to", formatNames()...)
	fixed(cmd, "tucson-unit", tucsonFine, tucsonCoarse)
	return cmd
}

// format settles what OUT is written as.
func (o convertOptions) format() (archive.Format, error) {
	if o.to != "" {
		word, err := choice("to", o.to, formatNames())
		return archive.Format(word), err
	}
	if f := archive.FormatOf(o.out); f != "" {
		return f, nil
	}
	return "", fmt.Errorf("%s: the name does not tell a format: give --to, one of %s", o.out, strings.Join(formatNames(), ", "))
}

// runConvert reads, writes and says what came of it: on out, or, where that
// carries the data, on talk.
func runConvert(o convertOptions, out, talk io.Writer) error {
	format, err := o.format()
	if err != nil {
		return err
	}
	unit, err := measureOptions{tucsonUnit: o.tucsonUnit}.unit()
	if err != nil {
		return err
	}
	c, err := archive.ReadFile(o.in)
	if c != nil {
		sayWarnings(talk, o.in, c.Warnings)
	}
	if err != nil {
		return &failure{err}
	}
	var text bytes.Buffer
	warnings, err := archive.Write(&text, c, format, archive.TucsonOptions{Unit: unit, CRLF: o.crlf})
	if err != nil {
		return &failure{fmt.Errorf("%s: not written: %w", o.out, err)}
	}
	sayWarnings(talk, o.out, warnings)
	if o.out == stdoutName {
		fmt.Fprintf(talk, "%s: %s\n", o.in, collectionWords(c))
		_, err := out.Write(text.Bytes())
		return done(err)
	}
	if err := writeWhole(o.out, text.Bytes(), o.overwrite); err != nil {
		return &failure{err}
	}
	_, err = fmt.Fprintf(out, "%s: %s\n%s: written as %s\n", o.in, collectionWords(c), o.out, format)
	return done(err)
}

func sayWarnings(talk io.Writer, file string, warnings []archive.Warning) {
	for _, w := range warnings {
		fmt.Fprintf(talk, "%s: %s\n", file, w)
	}
}

// collectionWords sums a file up in a line.
func collectionWords(c *archive.Collection) string {
	measured, absent, missing := 0, 0, 0
	for _, s := range c.Series {
		m, a, n := s.Counts()
		measured, absent, missing = measured+m, absent+a, missing+n
	}
	first, last := c.Years()
	words := fmt.Sprintf("%s, %d series, years %d to %d, %d values", c.Format, len(c.Series), first, last, measured)
	if absent > 0 {
		words += fmt.Sprintf(", %d of them absent rings", absent)
	}
	if missing > 0 {
		words += fmt.Sprintf(", %d not measured", missing)
	}
	return words
}

// writeWhole writes a file by way of another beside it, so that it is there
// whole or not at all.
func writeWhole(path string, data []byte, overwrite bool) error {
	if _, err := os.Lstat(path); err == nil && !overwrite {
		return fmt.Errorf("%s: is there already: give --overwrite to replace it", path)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".pithward-*")
	if err != nil {
		return fmt.Errorf("%s: cannot be written: %w", path, reason(err))
	}
	defer os.Remove(f.Name()) // gone already once renamed
	_, err = f.Write(data)
	if err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("%s: cannot be written: %w", path, reason(err))
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return fmt.Errorf("%s: cannot be written: %w", path, reason(err))
	}
	return syncOne(filepath.Dir(path))
}

// readCollections reads files of any archive format. A file that cannot be read
// is named on talk and left out; read is false if there was one.
func readCollections(paths []string, talk io.Writer) (all []*archive.Collection, read bool) {
	read = true
	for _, p := range slices.Compact(slices.Clone(paths)) {
		c, err := archive.ReadFile(p)
		if c != nil {
			sayWarnings(talk, p, c.Warnings)
		}
		if err != nil {
			fmt.Fprintf(talk, "pithward: %v\n", err)
			read = false
			continue
		}
		all = append(all, c)
	}
	return all, read
}
