package desk

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"

	"pithward/cmd/pithward/pages"
	"pithward/measure/grade"
	"pithward/measure/ledger"
	"pithward/vision/crop"
	"pithward/vision/overlay/look"
)

// The pages of a graded exercise: for each student the same that pithward grade
// writes, made when it is asked for, of what was kept at grading.

// pagePolicy lets a page show its own pictures and style and nothing else; no
// script runs on it.
const pagePolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// Files of a student's page.
const (
	pageHTML, pagePNG, pageSkeleton = "page.html", "page.png", "skeleton.png"
)

// Files about a class.
const (
	classHTML, classCSV = "class.html", "class.csv"
)

// pagesAtOnce is how many pages are made at once: chosen, so that edits do not wait
// while a whole class opens its feedback.
const pagesAtOnce = 1

var errUngraded = errors.New("the exercise was not graded, or by an earlier version: grade it again")

// kept reads what grading said of a student.
func kept(s ledger.Student) (r grade.Result, err error) {
	var k grade.Kept
	if err := json.Unmarshal(s.Result, &k); err != nil {
		return r, err
	}
	r = k.Whole()
	r.Name, r.File = s.Name, ""
	return r, nil
}

// gradedBy returns the key that an exercise was graded by; errUngraded without one.
func (c *Class) gradedBy(ctx context.Context, x ledger.Exercise) (key grade.Work, err error) {
	text, err := c.Ledger.GradedBy(ctx, x.ID)
	switch {
	case err != nil:
		return key, err
	case text == nil:
		return key, errUngraded
	}
	return key, json.Unmarshal(text, &key)
}

// servePage answers with one file of the page of what became of a student's work.
func (c *Class) servePage(w http.ResponseWriter, r *http.Request, x ledger.Exercise, res grade.Result, file string) error {
	key, err := c.gradedBy(r.Context(), x)
	if err != nil {
		return err
	}
	select {
	case c.drawing <- struct{}{}:
		defer func() { <-c.drawing }()
	case <-r.Context().Done():
		return nil // whoever asked has gone
	}
	s := pages.NewSheet(key, res)
	var data []byte
	if file != pageSkeleton {
		c.wood(x, s)
	}
	switch file {
	case pageHTML:
		links := pages.Links{Picture: pagePNG + again(r)}
		if s.HasSkeleton() {
			links.Skeleton = pageSkeleton + again(r)
		}
		data, err = s.HTML(links)
	case pagePNG:
		data, err = s.PNG()
	default:
		data, err = s.Skeleton()
	}
	if err == nil && data == nil {
		err = fmt.Errorf("nothing was measured, so that there is no skeleton plot: %w", ledger.ErrNone)
	}
	if err != nil {
		return err
	}
	answerPage(w, data, file)
	return nil
}

// answerPage sends a page, which is a student's own and kept by no cache.
func answerPage(w http.ResponseWriter, data []byte, file string) {
	kind := "image/png"
	if file == pageHTML {
		kind = "text/html; charset=utf-8"
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Security-Policy", pagePolicy)
	_, _ = w.Write(data) // whoever asked has gone
}

// wood cuts the wood of a page's places out of the scan's tiles. Without tiles the
// page shows the boundaries alone.
func (c *Class) wood(x ledger.Exercise, s *pages.Sheet) {
	if !c.Tiles.Have(x.Blank.Scan.SHA256) {
		return
	}
	p, err := crop.Open(c.Tiles.Description(x.Blank.Scan.SHA256))
	for _, shot := range s.Shots {
		if err == nil && shot.PathPx != nil {
			// A picture of nil must not stand in an interface.
			if img, fault := p.Along(shot.PathPx, shot.BreadthPx, look.Paper.NRGBA()); fault == nil {
				shot.Wood = img
			} else {
				err = fault
			}
		}
	}
	if err != nil {
		c.Log.Error("wood", "scan", x.Blank.Scan.File, "err", err)
	}
}

// ownPage answers a student with one file of the own page, once feedback is released.
func (c *Class) ownPage(w http.ResponseWriter, r *http.Request, s seat, file string) {
	if s.exercise.Released == nil || s.Result == nil {
		fail(w, http.StatusForbidden, "early", "the feedback has not been released yet")
		return
	}
	if !c.limits.allow("page "+strconv.FormatInt(s.ID, 10), pagesPerSecond, pagesPerBurst, c.Now()) {
		slow(w)
		return
	}
	res, err := kept(s.Student)
	if err == nil {
		err = c.servePage(w, r, s.exercise, res, file)
	}
	switch {
	case errors.Is(err, errUngraded):
		fail(w, http.StatusNotFound, "ungraded", "there is no page yet: ask the assistant to grade again")
	case err != nil:
		c.failBy(w, err)
	}
}

// named returns how students are to be called in an answer.
func named(r *http.Request) func(ledger.Student) string {
	if r.URL.Query().Get("anonymous") != "" {
		return CodeName
	}
	return RealName
}

// again is what a link from an answer carries on, so that codes stay codes.
func again(r *http.Request) string {
	if r.URL.Query().Get("anonymous") != "" {
		return "?anonymous=1"
	}
	return ""
}

// studentPage answers the assistant with one file of a student's page.
func (a *Assistant) studentPage(w http.ResponseWriter, r *http.Request, x ledger.Exercise, file string) error {
	s, err := a.studentOf(r, x)
	if err != nil {
		return err
	}
	if s.Result == nil {
		return errUngraded
	}
	res, err := kept(s)
	if err != nil {
		return err
	}
	res.Name = named(r)(s)
	return a.servePage(w, r, x, res, file)
}

// report is the class as it was graded, without those who were removed since.
func (a *Assistant) report(r *http.Request, x ledger.Exercise) (rep grade.Report, students []ledger.Student, err error) {
	key, err := a.gradedBy(r.Context(), x)
	if err != nil {
		return rep, nil, err
	}
	all, err := a.Ledger.Students(r.Context(), x.ID)
	if err != nil {
		return rep, nil, err
	}
	rep = grade.Report{Schema: grade.Schema, Key: key.Name, Students: []grade.Result{}, Warnings: []string{}}
	names := map[string]string{}
	for _, s := range all {
		if s.Result == nil {
			continue
		}
		res, err := kept(s)
		if err != nil {
			return rep, nil, err
		}
		res.Name = CodeName(s)
		names[res.Name] = named(r)(s)
		rep.Students, students = append(rep.Students, res), append(students, s)
	}
	rep.Class = grade.SumUp(key, rep.Students)
	return Named(rep, names), students, nil
}

// classFile answers the assistant with the page of the class, or its table.
func (a *Assistant) classFile(w http.ResponseWriter, r *http.Request, x ledger.Exercise, file string) error {
	rep, students, err := a.report(r, x)
	if err != nil {
		return err
	}
	if file == classCSV {
		table, err := pages.Table(rep)
		if err != nil {
			return err
		}
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="class-%d.csv"`, x.ID))
		_, _ = w.Write(table) // whoever asked has gone
		return nil
	}
	page, err := pages.ClassPage(rep, func(i int) string { return fmt.Sprintf("students/%d/%s%s", students[i].ID, pageHTML, again(r)) })
	if err != nil {
		return err
	}
	answerPage(w, page, pageHTML)
	return nil
}
