package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"pithward/measure"
)

// scannersSchema names the format of the file of scanners.
const scannersSchema = "pithward/scanners/1"

// scannersVariable names the file of scanners for everything this user runs.
const scannersVariable = "PITHWARD_SCANNERS"

// scannerStore is the file in which the checks of scanners are kept.
type scannerStore struct {
	path     string
	scanners []measure.Scanner // by name
}

// scannersFile returns where scanners are kept: the file given, else the one
// that PITHWARD_SCANNERS names, else the user's own.
func scannersFile(given string) (string, error) {
	if given != "" {
		return given, nil
	}
	if path := os.Getenv(scannersVariable); path != "" {
		return path, nil
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("the system names no folder for settings (%w): give --scanners, or set %s to a file", err, scannersVariable)
	}
	return filepath.Join(dir, "pithward", "scanners.json"), nil
}

// openScanners reads the file of scanners; one that is not there holds none.
func openScanners(given string) (*scannerStore, error) {
	path, err := scannersFile(given)
	if err != nil {
		return nil, err
	}
	s := &scannerStore{path: path}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%s: the scanners cannot be read: %w", path, reason(err))
	}
	var file struct {
		Schema   string            `json:"schema"`
		Scanners []measure.Scanner `json:"scanners"`
	}
	const remedy = "move it away and check the scanners anew"
	if err := json.Unmarshal(text, &file); err != nil {
		return nil, fmt.Errorf("%s: no file of scanners (%w): %s", path, err, remedy)
	}
	if file.Schema != scannersSchema {
		return nil, fmt.Errorf("%s: its schema is %.60q, not %s: update pithward, or %s", path, file.Schema, scannersSchema, remedy)
	}
	for _, x := range file.Scanners {
		if x.Name == "" || !x.Known() {
			return nil, fmt.Errorf("%s: scanner %q has no scale: %s", path, x.Name, remedy)
		}
	}
	s.scanners = file.Scanners
	return s, nil
}

// named returns a scanner by its name.
func (s *scannerStore) named(name string) (measure.Scanner, error) {
	for _, x := range s.scanners {
		if x.Name == name {
			return x, nil
		}
	}
	known := "none is known"
	if len(s.scanners) > 0 {
		known = "known are " + strings.Join(s.names(), ", ")
	}
	return measure.Scanner{}, fmt.Errorf("no scanner %q in %s: %s; pithward scanner RULER.tif --name checks one", name, s.path, known)
}

func (s *scannerStore) names() (names []string) {
	for _, x := range s.scanners {
		names = append(names, x.Name)
	}
	return names
}

// put adds a scanner, in the place of one of its name.
func (s *scannerStore) put(x measure.Scanner) {
	s.remove(x.Name)
	s.scanners = append(s.scanners, x)
	slices.SortFunc(s.scanners, func(a, b measure.Scanner) int { return strings.Compare(a.Name, b.Name) })
}

func (s *scannerStore) remove(name string) {
	s.scanners = slices.DeleteFunc(s.scanners, func(x measure.Scanner) bool { return x.Name == name })
}

// save writes the file, whole or not at all, making its folder.
func (s *scannerStore) save() error {
	var text bytes.Buffer
	if err := encodeScanners(&text, s.scanners); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(s.path), 0o777); err != nil {
		return fmt.Errorf("%s: cannot be made: %w: give another file with --scanners", filepath.Dir(s.path), reason(err))
	}
	return writeWhole(s.path, text.Bytes(), true)
}
