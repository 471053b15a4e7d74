package desk

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"

	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/ledger"
)

// fail answers with an error as JSON; code is for programs, words for people.
func fail(w http.ResponseWriter, status int, code, words string) {
	answer(w, status, map[string]string{"error": words, "code": code})
}

func answer(w http.ResponseWriter, status int, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		status, text = http.StatusInternalServerError, []byte(`{"error": "the answer cannot be written", "code": "fault"}`)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(append(text, '\n')) // whoever asked has gone
}

// failBy answers with an error of the ledger.
func (d *Desk) failBy(w http.ResponseWriter, err error) {
	switch {
	case errors.Is(err, ledger.ErrNone):
		fail(w, http.StatusNotFound, "unknown", err.Error())
	case errors.Is(err, ledger.ErrStale):
		fail(w, http.StatusConflict, "stale", err.Error())
	case errors.Is(err, ledger.ErrVoid):
		fail(w, http.StatusUnprocessableEntity, "void", err.Error())
	case errors.Is(err, ledger.ErrEvent):
		fail(w, http.StatusBadRequest, "malformed", err.Error())
	default:
		d.Log.Error("ledger", "err", err)
		fail(w, http.StatusInternalServerError, "ledger", err.Error())
	}
}

// read decodes a request's body, which must be one JSON value and nothing else.
func read(w http.ResponseWriter, r *http.Request, into any) bool {
	dec := json.NewDecoder(r.Body)
	dec.DisallowUnknownFields()
	err := dec.Decode(into)
	if err == nil {
		if _, end := dec.Token(); !errors.Is(end, io.EOF) {
			err = errors.New("something follows it")
		}
	}
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		fail(w, http.StatusRequestEntityTooLarge, "large", fmt.Sprintf("the request is larger than %d bytes", large.Limit))
	case err != nil:
		fail(w, http.StatusBadRequest, "malformed", "the request is not what was expected: "+err.Error())
	}
	return err == nil
}

// ScanView is a scan as the page lists it.
type ScanView struct {
	Run      int64             `json:"run"` // 0: not measured yet
	File     string            `json:"file"`
	WidthPx  int               `json:"width_px"`
	HeightPx int               `json:"height_px"`
	Tiles    string            `json:"tiles"`  // path of the Deep Zoom description; "": not there
	Status   string            `json:"status"` // measured, waiting, measuring, failed
	Stage    string            `json:"stage"`  // of what is going on
	Done     int               `json:"done"`
	Of       int               `json:"of"`
	Error    string            `json:"error"`
	Revision int64             `json:"revision"` // of the scan as a whole
	Warnings []string          `json:"warnings"`
	Files    []string          `json:"files"`       // what it can be saved as
	Joins    []string          `json:"joins"`       // cores put together from parts, in words
	Renewed  []string          `json:"renewed"`     // how it is known from earlier readings, in words
	Lost     []string          `json:"not_carried"` // which edits on those could not be carried over
	Cores    []CoreLine        `json:"cores"`
	Deleted  []Deleted         `json:"deleted"`
	Undo     measure.EventKind `json:"undo"` // kind of the scan's own last edit, that can be undone; "": none
	Redo     measure.EventKind `json:"redo"`
}

// Deleted is a core that the observer has taken off; an undo brings it back.
type Deleted struct {
	UID      string `json:"uid"`
	ID       string `json:"id"`
	Revision int64  `json:"revision"`
}

// CoreLine is a core as the page lists it.
type CoreLine struct {
	UID       string            `json:"uid"`
	ID        string            `json:"id"`
	Stage     measure.Stage     `json:"stage"`
	Why       string            `json:"why"`
	Open      int               `json:"open"`
	Settled   int               `json:"settled"`
	Doubtful  int               `json:"doubtful"`
	Cost      float64           `json:"cost"` // of its open doubts together, rings
	Rings     int               `json:"rings"`
	Years     string            `json:"years"`
	MeanMM    *float64          `json:"mean_mm"`
	OutlinePx []measure.Point   `json:"outline_px"`
	Pieces    [][]measure.Point `json:"pieces"` // outlines: one, unless pieces were joined
	Second    int               `json:"second"` // rings of its second radius, that nobody has taken up
}

// project answers with the list of scans and cores, and where the observer
// stopped.
func (d *Desk) project(w http.ResponseWriter, r *http.Request) {
	settled, joined, err := d.settled(r.Context())
	if err != nil {
		d.failBy(w, err)
		return
	}
	list := []ScanView{}
	for _, x := range settled {
		v, err := d.scanView(r.Context(), x, joined)
		if err != nil {
			d.failBy(w, err)
			return
		}
		list = append(list, v)
	}
	place, err := d.Ledger.Place(r.Context(), d.Observer)
	if err != nil {
		d.failBy(w, err)
		return
	}
	answer(w, http.StatusOK, map[string]any{
		"name": filepath.Base(d.Ledger.Path()), "observer": d.Observer, "version": d.Version,
		"scans": append(list, d.work.waiting()...), "place": place,
	})
}

func (d *Desk) scanView(ctx context.Context, x *ledger.Settled, joined []measure.JoinedCore) (ScanView, error) {
	s, st, m := x.Scan, x.Edited, x.Measurement
	renewal, err := d.Ledger.Renewal(ctx, s.Run, d.Observer)
	if err != nil {
		return ScanView{}, err
	}
	v := ScanView{Run: s.Run, File: s.File, WidthPx: m.Scan.WidthPx, HeightPx: m.Scan.HeightPx, Status: "measured", Revision: st.Revision(""),
		Warnings: m.Warnings, Files: files(x, joined), Joins: []string{}, Lost: []string{}, Cores: []CoreLine{}, Deleted: deleted(st)}
	v.Undo, v.Redo = ownEdits(st)
	for _, j := range m.Joins {
		if j.Joined { // if not, it is among the warnings
			v.Joins = append(v.Joins, j.Detail)
		}
	}
	if d.Tiles.Have(s.SHA256) {
		v.Tiles = "/tiles/" + s.SHA256 + "/scan.dzi"
	} else {
		v.Stage, v.Error = d.work.tiles(s.SHA256)
	}
	v.Renewed = renewed(renewal)
	for _, n := range renewal.NotCarried {
		v.Lost = append(v.Lost, n.String())
	}
	for _, c := range m.Cores {
		state, sum := st.States[c.UID], measure.Summarise(c)
		line := CoreLine{UID: c.UID, ID: c.ID, Stage: state.Stage, Why: state.Why, Open: len(state.Open), Settled: state.Settled,
			Doubtful: state.Doubtful, Rings: sum.Rings, Years: sum.Years(), MeanMM: sum.MeanWidthMM, OutlinePx: c.OutlinePx, Pieces: [][]measure.Point{c.OutlinePx}}
		if len(state.Pieces) > 0 {
			line.Pieces = state.Pieces
		}
		if c.SecondRadius != nil {
			line.Second = len(c.SecondRadius.Rings)
		}
		for _, o := range state.Open {
			line.Cost += o.Cost
		}
		v.Cores = append(v.Cores, line)
	}
	return v, nil
}

// renewed says which cores are known from earlier readings, how surely, and how
// many of the observer's edits were carried over.
func renewed(r ledger.Renewal) []string {
	said := []string{}
	if r.Since != 0 {
		said = append(said, "This scan was read anew.")
	}
	for _, a := range r.Again {
		said = append(said, a.String()+".")
	}
	if r.Carried+len(r.NotCarried) > 0 {
		said = append(said, fmt.Sprintf("Edits on the earlier reading: %d carried over, %d not.", r.Carried, len(r.NotCarried)))
	}
	return said
}

// deleted lists the cores that an observer has taken off a scan.
func deleted(st ledger.Edited) []Deleted {
	list := []Deleted{}
	for _, e := range measure.Effective(st.Events) {
		if e.Kind == measure.DeleteCore {
			list = append(list, Deleted{UID: e.Core, ID: e.Target, Revision: st.Revision(e.Core)})
		}
	}
	return list
}

// ownEdits returns the kinds of a scan's own edits (its scale, a new core) that
// would be undone and redone next.
func ownEdits(st ledger.Edited) (undo, redo measure.EventKind) {
	own := st.Of("")
	toUndo, toRedo := measure.History(own)
	kind := map[string]measure.EventKind{}
	for _, e := range own {
		kind[e.UUID] = e.Kind
		if e.Kind == measure.Undo {
			kind[e.UUID] = kind[e.Undoes]
		}
	}
	if n := len(toUndo); n > 0 {
		undo = kind[toUndo[n-1]]
	}
	if n := len(toRedo); n > 0 {
		redo = kind[toRedo[n-1]]
	}
	return undo, redo
}

// CoreView is a core with all that the page shows of it.
type CoreView struct {
	Run       int64         `json:"run"`
	Revision  int64         `json:"revision"`
	MMPerPx   *[2]float64   `json:"mm_per_px"`
	Core      measure.Core  `json:"core"`
	State     measure.State `json:"state"`
	Undo      int           `json:"undo"` // how many edits can be undone,
	Redo      int           `json:"redo"` // and redone
	Years     string        `json:"years"`
	MeanMM    *float64      `json:"mean_mm"`
	FirstYear *int          `json:"first_year"`
	LastYear  *int          `json:"last_year"`
}

func (d *Desk) core(w http.ResponseWriter, r *http.Request) {
	run, ok := runOf(w, r)
	if ok {
		d.show(w, r, run, r.PathValue("core"))
	}
}

func runOf(w http.ResponseWriter, r *http.Request) (int64, bool) {
	run, err := strconv.ParseInt(r.PathValue("run"), 10, 64)
	if err != nil {
		fail(w, http.StatusNotFound, "unknown", "there is no such run")
	}
	return run, err == nil
}

// show answers with a core as it is now.
func (d *Desk) show(w http.ResponseWriter, r *http.Request, run int64, uid string) {
	st, err := d.Ledger.State(r.Context(), run, d.Observer)
	if err != nil {
		d.failBy(w, err)
		return
	}
	answerCore(w, st, uid)
}

// answerCore answers with a core of a scan as somebody has it.
func answerCore(w http.ResponseWriter, st ledger.Edited, uid string) {
	for _, c := range st.Measurement.Cores {
		if c.UID != uid {
			continue
		}
		undo, redo := measure.History(st.Of(uid))
		sum := measure.Summarise(c)
		answer(w, http.StatusOK, CoreView{Run: st.Run, Revision: st.Revision(uid), MMPerPx: st.Measurement.Scale.MMPerPx, Core: c, State: st.States[uid],
			Undo: len(undo), Redo: len(redo), Years: sum.Years(), MeanMM: sum.MeanWidthMM, FirstYear: sum.FirstYear, LastYear: sum.LastYear})
		return
	}
	fail(w, http.StatusNotFound, "unknown", "there is no such core: perhaps it was joined with another or deleted")
}

// Edit is what the page sends: one decision, on the state it has a revision of.
type Edit struct {
	Revision int64             `json:"revision"`
	UUID     string            `json:"uuid"`
	Kind     measure.EventKind `json:"kind"`
	Target   string            `json:"target"`
	PointPx  *measure.Point    `json:"point_px"`
	Detail   *measure.Detail   `json:"detail"`
	Why      string            `json:"why"`
}

func (d *Desk) event(w http.ResponseWriter, r *http.Request) {
	run, ok := runOf(w, r)
	var e Edit
	if !ok || !read(w, r, &e) {
		return
	}
	if e.Kind == measure.Undo {
		fail(w, http.StatusBadRequest, "malformed", "an undo has a request of its own")
		return
	}
	d.append(w, r, run, measure.Event{UUID: e.UUID, Core: r.PathValue("core"), Observer: d.Observer, UTC: d.Now(),
		Kind: e.Kind, Target: e.Target, PointPx: e.PointPx, Detail: e.Detail, Why: e.Why}, e.Revision)
}

// scanEvent takes a decision about a scan as a whole.
func (d *Desk) scanEvent(w http.ResponseWriter, r *http.Request) {
	run, ok := runOf(w, r)
	var e Edit
	if !ok || !read(w, r, &e) {
		return
	}
	if e.Kind != measure.Rescale && e.Kind != measure.AddCore {
		fail(w, http.StatusBadRequest, "malformed", "only a scale and a new core concern a whole scan")
		return
	}
	d.append(w, r, run, measure.Event{UUID: e.UUID, Observer: d.Observer, UTC: d.Now(), Kind: e.Kind, Target: e.Target, Detail: e.Detail, Why: e.Why}, e.Revision)
}

func (d *Desk) append(w http.ResponseWriter, r *http.Request, run int64, e measure.Event, revision int64) {
	if _, err := d.Ledger.Append(r.Context(), run, e, revision); err != nil {
		d.failBy(w, err)
		return
	}
	if e.Core == "" {
		answer(w, http.StatusOK, map[string]bool{"kept": true})
		return
	}
	if e.Kind == measure.DeleteCore {
		answer(w, http.StatusOK, map[string]any{"gone": true})
		return
	}
	d.show(w, r, run, e.Core)
}

func (d *Desk) undo(w http.ResponseWriter, r *http.Request) {
	d.back(w, r, func(undo, _ []string) []string { return undo })
}

func (d *Desk) redo(w http.ResponseWriter, r *http.Request) {
	d.back(w, r, func(_, redo []string) []string { return redo })
}

// back undoes the last event of one of the two histories of a core, or of the
// scan as a whole.
func (d *Desk) back(w http.ResponseWriter, r *http.Request, of func(undo, redo []string) []string) {
	run, ok := runOf(w, r)
	var e Edit
	if !ok || !read(w, r, &e) {
		return
	}
	st, err := d.Ledger.State(r.Context(), run, d.Observer)
	if err != nil {
		d.failBy(w, err)
		return
	}
	uid := r.PathValue("core")
	for _, x := range st.Events {
		if x.UUID == e.UUID { // sent again
			if uid == "" {
				answer(w, http.StatusOK, map[string]bool{"kept": true})
				return
			}
			d.show(w, r, run, uid)
			return
		}
	}
	list := of(measure.History(st.Of(uid)))
	if len(list) == 0 {
		fail(w, http.StatusUnprocessableEntity, "void", "there is nothing left to undo or redo here")
		return
	}
	d.append(w, r, run, measure.Event{UUID: e.UUID, Core: uid, Observer: d.Observer, UTC: d.Now(), Kind: measure.Undo, Undoes: list[len(list)-1]}, e.Revision)
}

// place keeps where the observer is, in the page's own words.
func (d *Desk) place(w http.ResponseWriter, r *http.Request) {
	var place struct {
		Run  int64   `json:"run"`
		Core string  `json:"core"`
		AtPx float64 `json:"at_px"`
		Zoom float64 `json:"zoom"`
	}
	if !read(w, r, &place) {
		return
	}
	text, err := json.Marshal(place)
	if err == nil {
		err = d.Ledger.SetPlace(r.Context(), d.Observer, text)
	}
	if err != nil {
		d.failBy(w, err)
		return
	}
	answer(w, http.StatusOK, map[string]bool{"kept": true})
}

// fileNames are the files that a scan can be saved as, by the ends of their names.
var fileNames = []struct{ name, end string }{
	{"widths.rwl", archive.DatedEnd},
	{"widths.undated.rwl", archive.UndatedEnd},
	{"widths.csv", archive.TableEnd},
	{"measurement.json", archive.JSONEnd},
}

// export answers with a scan as the observer has it, as the file that pithward
// export writes.
func (d *Desk) export(w http.ResponseWriter, r *http.Request) {
	run, ok := runOf(w, r)
	if !ok {
		return
	}
	end := ""
	for _, f := range fileNames {
		if f.name == r.PathValue("name") {
			end = f.end
		}
	}
	if end == "" {
		fail(w, http.StatusNotFound, "unknown", "there is no such file")
		return
	}
	settled, joined, err := d.settled(r.Context())
	i := slices.IndexFunc(settled, func(x *ledger.Settled) bool { return x.Run == run })
	if err == nil && i < 0 {
		err = fmt.Errorf("run %d: %w", run, ledger.ErrNone)
	}
	if err != nil {
		d.failBy(w, err)
		return
	}
	x, stem := settled[i], measure.Stem(settled[i].Measurement.Scan.File)
	made, err := archive.NewResults(&x.Measurement, x.Used, joined, stem, archive.Thousandths)
	switch {
	case err != nil:
		fail(w, http.StatusUnprocessableEntity, "export", err.Error())
		return
	case made[end] == nil:
		fail(w, http.StatusUnprocessableEntity, "export", "no core of this scan is for that file: set an outer year, or save the table instead")
		return
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", stem+end))
	_, _ = w.Write(made[end]) // whoever asked has gone
}

// settled returns the scans of the project as the observer has them, and the
// cores joined from parts.
func (d *Desk) settled(ctx context.Context) ([]*ledger.Settled, []measure.JoinedCore, error) {
	scans, err := d.Ledger.Scans(ctx)
	if err != nil {
		return nil, nil, err
	}
	var settled []*ledger.Settled
	for _, s := range scans {
		x, err := d.Ledger.Settle(ctx, s, d.Observer)
		if err != nil {
			return nil, nil, err
		}
		settled = append(settled, x)
	}
	return settled, ledger.Rejoin(settled), nil
}

// files lists what a scan can be saved as.
func files(x *ledger.Settled, joined []measure.JoinedCore) []string {
	whole := x.Used.WithJoined(joined)
	dated, undated := archive.FromMeasurement(&whole)
	list := []string{}
	for _, f := range fileNames {
		if f.end == archive.DatedEnd && len(dated) == 0 || f.end == archive.UndatedEnd && len(undated) == 0 {
			continue
		}
		list = append(list, f.name)
	}
	return list
}
