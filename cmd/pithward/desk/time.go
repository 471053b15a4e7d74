package desk

import (
	"cmp"
	"net/http"
	"slices"

	"pithward/measure"
	"pithward/measure/dating"
	"pithward/measure/stand"
)

// TimeView is a core on the year axis beside the other trees, and what they and
// the picture together suspect of it.
type TimeView struct {
	Run      int64    `json:"run"`
	Core     string   `json:"core"`
	Revision int64    `json:"revision"` // of the core that was looked at
	Why      string   `json:"why"`      // there is nothing to see; "" where there is
	Trees    int      `json:"trees"`    // most that stand behind a year of the mean
	Warnings []string `json:"warnings"`
	dating.View
	Suspects []TimeDoubt `json:"suspects"` // hides View's: the costliest first
}

// TimeDoubt is a suspect as the page lists it among the doubts of the picture.
type TimeDoubt struct {
	dating.SuspectReport
	// Cost is its probability times the rings whose years it would move, as that
	// of measure.Open.
	Cost float64 `json:"cost"`
}

// inTime answers with a core beside the other trees of the project, and the dated
// series that the desk was opened with. Everything is read as the observer has
// it, so that the answer follows every edit.
func (d *Desk) inTime(w http.ResponseWriter, r *http.Request) {
	run, ok := runOf(w, r)
	if !ok {
		return
	}
	// One at a time: each takes a processor for a moment, and the page asks
	// again after every edit.
	d.timing.Lock()
	defer d.timing.Unlock()
	if r.Context().Err() != nil {
		return
	}
	st, err := d.Ledger.State(r.Context(), run, d.Observer)
	if err != nil {
		d.failBy(w, err)
		return
	}
	uid := r.PathValue("core")
	if !slices.ContainsFunc(st.Measurement.Cores, func(c measure.Core) bool { return c.UID == uid }) {
		fail(w, http.StatusNotFound, "unknown", "there is no such core: perhaps it was joined with another or deleted")
		return
	}
	cores, _, err := stand.Series(r.Context(), d.Ledger, d.Observer)
	if err != nil {
		d.failBy(w, err)
		return
	}
	v := TimeView{Run: run, Core: uid, Revision: st.Revision(uid), Warnings: []string{}, Suspects: []TimeDoubt{}}
	v.look(stand.New(cores, d.Against, d.TreeChars))
	answer(w, http.StatusOK, v)
}

// look takes what a stand says of the core.
func (v *TimeView) look(s *dating.Stand) {
	v.Warnings = append(v.Warnings, s.Warnings...)
	i, ok := s.Find(v.Core)
	if !ok {
		v.Why = "it has no widths, or is rejected"
		return
	}
	v.View = s.View(i)
	for _, n := range v.Master.Trees {
		v.Trees = max(v.Trees, n)
	}
	switch {
	case len(v.Own.Index) == 0:
		v.Why = "it is too short, or does not vary"
	case len(v.Master.Index) == 0:
		v.Why = "no other tree of the project has years"
	case v.Floating:
		v.Why = "it has no years"
	}
	for _, x := range v.View.Suspects {
		v.Suspects = append(v.Suspects, TimeDoubt{x, x.Posterior * float64(max(1, x.Year-v.FirstYear))})
	}
	slices.SortStableFunc(v.Suspects, func(a, b TimeDoubt) int { return cmp.Compare(b.Cost, a.Cost) })
}
