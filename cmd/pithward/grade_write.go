package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"pithward/cmd/pithward/pages"
	"pithward/cmd/pithward/worker"
	"pithward/measure"
	"pithward/measure/grade"
)

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
	for i, s := range sheets(ctx, key, rep, d) {
		files, err := sheetFiles(s, names[i])
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

// sheets lays out all pages and has the wood for them cut out of the scan.
func sheets(ctx context.Context, key handIn, rep grade.Report, d deps) (all []*pages.Sheet) {
	var shots []*pages.Shot
	for _, r := range rep.Students {
		s := pages.NewSheet(key.Work, r)
		all, shots = append(all, s), append(shots, s.Shots...)
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

// cutShots has the worker cut the wood of all shots out of the key's scan.
func cutShots(ctx context.Context, scan string, shots []*pages.Shot, d deps) error {
	path, err := worker.Find(d.worker)
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "pithward-grade-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	job := measure.Job{Scan: scan, Version: d.version}
	file := func(i int) string { return filepath.Join(dir, fmt.Sprintf("%d.jpg", i)) }
	for i, s := range shots {
		if s.PathPx != nil {
			job.Crops = append(job.Crops, measure.Crop{PathPx: s.PathPx, BreadthPx: s.BreadthPx, File: file(i)})
		}
	}
	if len(job.Crops) == 0 {
		return nil
	}
	if err := (worker.Worker{Path: path}).Look(ctx, job, nil); err != nil {
		return err
	}
	for i, s := range shots {
		if s.PathPx == nil {
			continue
		}
		if s.Wood, err = readJPEG(file(i)); err != nil {
			return err
		}
	}
	return nil
}

func readJPEG(path string) (image.Image, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return jpeg.Decode(bytes.NewReader(data))
}

// sheetFiles makes a student's page as HTML and PNG, and the skeleton plot.
func sheetFiles(s *pages.Sheet, name string) ([]classFile, error) {
	var out []classFile
	links := pages.Links{Picture: name + ".png"}
	plot, err := s.Skeleton()
	if err != nil {
		return nil, err
	}
	if plot != nil {
		links.Skeleton = name + ".skeleton.png"
		out = append(out, classFile{links.Skeleton, plot})
	}
	html, err := s.HTML(links)
	if err != nil {
		return nil, err
	}
	png, err := s.PNG()
	if err != nil {
		return nil, err
	}
	return append(out, classFile{name + ".html", html}, classFile{links.Picture, png}), nil
}

// classFiles makes what is about the whole class.
func classFiles(rep grade.Report, names []string) ([]classFile, error) {
	table, err := pages.Table(rep)
	if err != nil {
		return nil, err
	}
	html, err := pages.ClassPage(rep, func(i int) string { return names[i] + ".html" })
	if err != nil {
		return nil, err
	}
	text, err := json.MarshalIndent(rep, "", "  ")
	if err != nil {
		return nil, err
	}
	return []classFile{{"class.csv", table}, {"class.html", html}, {"grade.json", append(text, '\n')}}, nil
}

// writeCodes writes which code is whose.
func (o gradeOptions) writeCodes(codes [][]string) error {
	var b strings.Builder
	if err := csv.NewWriter(&b).WriteAll(pages.Tame(codes)); err != nil {
		return err
	}
	return writeWhole(o.names, []byte(b.String()), o.overwrite)
}
