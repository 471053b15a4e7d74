package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"pithward/cmd/pithward/desk"
	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/grade"
	"pithward/measure/ledger"
)

// handIn is a work as it was read, with what is known of its scan.
type handIn struct {
	grade.Work
	id       string // of the core or series
	observer string // of a key from a project
	scan     string // path of the scan's file, as well as it is known; "" without one
}

// readHandIns reads all works of a file of any kind: a project (of every
// observer who has settled anything), a measured scan, or widths. observer, if
// it is not empty, picks one of a project's.
func readHandIns(ctx context.Context, path, observer string) ([]handIn, error) {
	if strings.HasSuffix(path, ledger.Ending) {
		return readProjectWorks(ctx, path, observer)
	}
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return nil, errors.New("is a folder: name the files in it")
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("cannot be read: %w", reason(err))
	}
	if len(data) == 0 {
		return nil, errors.New("the file is empty")
	}
	format, err := archive.Sniff(path, data)
	if err != nil {
		return nil, err
	}
	if format == archive.Measurement {
		m, err := measure.Decode(bytes.NewReader(data))
		if err != nil {
			return nil, err
		}
		return worksOf(m, filepath.Join(filepath.Dir(path), m.Scan.File)), nil
	}
	c, err := archive.Read(path, data)
	if err != nil {
		return nil, err
	}
	var all []handIn
	for _, s := range c.Series {
		if s.Quantity != archive.RingWidth {
			continue
		}
		h := handIn{Work: grade.FromSeries(s), id: s.ID}
		h.Name = ""
		for _, w := range c.Warnings {
			if w.Series == "" || w.Series == s.ID {
				h.Warnings = append(h.Warnings, w.Text)
			}
		}
		all = append(all, h)
	}
	if len(all) == 0 {
		return nil, errors.New("it holds no ring widths")
	}
	return all, nil
}

// worksOf returns every core of a measured scan that has boundaries.
func worksOf(m measure.Measurement, scan string) (all []handIn) {
	for _, c := range m.Cores {
		if len(c.Boundaries) > 1 {
			w := grade.FromCore(m.Scan, m.Scale, c)
			w.Name = "" // whose it is is told elsewhere
			all = append(all, handIn{Work: w, id: c.ID, scan: scan})
		}
	}
	return all
}

// readProjectWorks returns the cores of a project as each observer has them; as
// they were read, if nobody has settled anything. Names are the observers'.
func readProjectWorks(ctx context.Context, path, observer string) ([]handIn, error) {
	l, err := openProject(ctx, path)
	if err != nil {
		return nil, err
	}
	defer l.Close()
	scans, err := l.Scans(ctx)
	if err != nil {
		return nil, err
	}
	settled, err := settlers(ctx, l)
	if err == nil {
		err = known(observer, "--key-observer", settled, path)
	}
	if err != nil {
		return nil, err
	}
	var all []handIn
	for _, s := range scans {
		who, err := l.Observers(ctx, s.Run)
		switch {
		case err != nil:
			return nil, err
		case observer != "":
			who = []string{observer}
		case len(who) == 0:
			who = []string{""}
		}
		for _, name := range who {
			e, err := l.State(ctx, s.Run, name)
			if err != nil {
				return nil, err
			}
			for _, h := range worksOf(e.Measurement, s.Path) {
				h.Name = name
				all = append(all, h)
			}
		}
	}
	if len(all) == 0 {
		return nil, errors.New("the project holds no core with boundaries")
	}
	return all, nil
}

// readLesson reads the exercise that a project stands for: that with the number, or
// the only one there is. nil: path names no project, it holds no exercise, or the
// number is 0.
func readLesson(ctx context.Context, path string, number int64) (*desk.Lesson, error) {
	if number == 0 || !strings.HasSuffix(path, ledger.Ending) {
		return nil, nil
	}
	l, err := openProject(ctx, path)
	if err != nil {
		return nil, err
	}
	defer l.Close()
	all, err := l.Exercises(ctx)
	if err != nil || len(all) == 0 {
		return nil, err
	}
	x, err := exerciseOf(all, number)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	lesson, err := desk.ReadLesson(ctx, l, x)
	if err != nil {
		return nil, fmt.Errorf("%s: %s", path, bare(err, path))
	}
	return &lesson, nil
}

// bare takes a file's own name off the front of an error about it.
func bare(err error, path string) string {
	return strings.TrimPrefix(strings.TrimPrefix(err.Error(), path), ": ")
}

// readKey reads one expert's measurement of the core: core names it where the
// file has several, observer whose it is where a project has several.
func readKey(ctx context.Context, path, core, observer string) (handIn, error) {
	all, err := readHandIns(ctx, path, observer)
	if err != nil {
		return handIn{}, fmt.Errorf("%s: %s", path, bare(err, path))
	}
	var fit []handIn
	var ids, names []string
	for _, h := range all {
		ids = append(ids, h.id)
		if core == "" || h.id == core {
			fit = append(fit, h)
			names = append(names, h.Name)
		}
	}
	switch {
	case len(fit) == 0:
		return handIn{}, fmt.Errorf("%s: there is no core %s: it has %s", path, core, listed(ids))
	case len(fit) > 1 && core == "" && !sameWord(ids):
		return handIn{}, fmt.Errorf("%s: holds %s: name one with --core", path, listed(ids))
	case len(fit) > 1:
		return handIn{}, fmt.Errorf("%s: was settled by %s: name one with --key-observer", path, listed(names))
	}
	key := fit[0]
	key.observer = fit[0].Name
	key.Name = cmp.Or(key.observer, measure.Stem(path))
	key.File = path
	return key, nil
}

func sameWord(words []string) bool {
	for _, w := range words {
		if w != words[0] {
			return false
		}
	}
	return true
}

// listed names a few of many.
func listed(words []string) string {
	const few = 8
	if len(words) > few {
		return fmt.Sprintf("%s and %d more", strings.Join(words[:few], ", "), len(words)-few)
	}
	return strings.Join(words, ", ")
}

// readStudents reads one file handed in. A measured scan gives one work, that of
// the key's core; a project one for each observer; a file of widths the series
// that bears the key's id or else one for each series. What cannot be read
// gives a work that says why.
func readStudents(ctx context.Context, path string, key handIn) []grade.Work {
	all, err := readHandIns(ctx, path, "")
	if err != nil {
		return []grade.Work{{Name: measure.Stem(path), File: path, Fault: bare(err, path)}}
	}
	stem := measure.Stem(path)
	var out []grade.Work
	switch {
	case all[0].Places != nil:
		for _, same := range byName(all) {
			w := grade.Pick(key.Work, key.id, works(same), ids(same))
			if same[0].Name == key.observer && path == key.File && key.observer != "" {
				continue // the key itself
			}
			w.Name = cmp.Or(same[0].Name, stem)
			out = append(out, w)
		}
	default:
		for _, h := range all {
			if h.id == key.id {
				all = []handIn{h}
				break
			}
		}
		for _, h := range all {
			w := h.Work
			if w.Name = stem; len(all) > 1 {
				w.Name = h.id
			}
			out = append(out, w)
		}
	}
	for i := range out {
		out[i].File = path
	}
	return out
}

// byName groups works by whose they are, in order of appearance.
func byName(all []handIn) (groups [][]handIn) {
	at := map[string]int{}
	for _, h := range all {
		i, known := at[h.Name]
		if !known {
			i = len(groups)
			at[h.Name] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], h)
	}
	return groups
}

func works(all []handIn) (out []grade.Work) {
	for _, h := range all {
		out = append(out, h.Work)
	}
	return out
}

func ids(all []handIn) (out []string) {
	for _, h := range all {
		out = append(out, h.id)
	}
	return out
}
