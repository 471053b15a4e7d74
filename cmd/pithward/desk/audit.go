package desk

import (
	"fmt"
	"math"
	"net/http"
	"path/filepath"
	"strconv"
	"strings"

	"pithward/measure"
	"pithward/measure/audit"
	"pithward/measure/ledger"
)

// AuditPlace is a place with what the page draws round it.
type AuditPlace struct {
	audit.Place
	Around  audit.Surroundings `json:"around"`
	MMPerPx *[2]float64        `json:"mm_per_px"`
}

// mostPlaces is how many places one answer holds: chosen, some 200 kB.
const mostPlaces = 100

// auditReachMM is how far along the radius a picture of a place shows marks, mm
// on either side; and px where there is no scale: chosen, more than is seen.
const (
	auditReachMM = 3.0
	auditReachPx = 200.0
)

// audited reads what the audit is about. An observer who measures again is
// blind to all that was decided, and gets none.
func (d *Desk) audited(w http.ResponseWriter, r *http.Request, f audit.Filter) (audit.Audit, []audit.Scan, bool) {
	if _, again := audit.Again(d.Observer); again {
		fail(w, http.StatusForbidden, "blind", "You are measuring again, blind to what was decided before: the audit would show it. Open the desk without --again to see it.")
		return audit.Audit{}, nil, false
	}
	scans, err := audit.Load(r.Context(), d.Ledger)
	if err != nil {
		d.failBy(w, err)
		return audit.Audit{}, nil, false
	}
	if err := f.Check(scans); err != nil {
		fail(w, http.StatusBadRequest, "malformed", err.Error())
		return audit.Audit{}, nil, false
	}
	name := strings.TrimSuffix(filepath.Base(d.Ledger.Path()), ledger.Ending)
	return audit.New(name, d.Version, scans, f), scans, true
}

// audit answers with the audit but for its long lists.
func (d *Desk) audit(w http.ResponseWriter, r *http.Request) {
	a, _, ok := d.audited(w, r, audit.Filter{})
	if !ok {
		return
	}
	a.Places, a.Edits = []audit.Place{}, []audit.Edit{}
	for i := range a.Agreements {
		a.Agreements[i].Widths = []audit.WidthPair{}
	}
	tiles := map[int64]string{}
	for _, s := range a.Scans {
		if d.Tiles.Have(s.SHA256) {
			tiles[s.Run] = "/tiles/" + s.SHA256 + "/scan.dzi"
		}
	}
	answer(w, http.StatusOK, map[string]any{"audit": a, "tiles": tiles, "observer": d.Observer})
}

// auditPlaces answers with some of the places that a filter lets through, the
// most doubtful first.
func (d *Desk) auditPlaces(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	f := audit.Filter{Cores: q["core"], Observers: q["observer"], Show: audit.Show(q.Get("show"))}
	for _, k := range q["kind"] {
		f.Kinds = append(f.Kinds, measure.EventKind(k))
	}
	var from int
	for name, into := range map[string]func(string) error{
		"min_doubt": func(s string) (err error) { f.MinDoubt, err = strconv.ParseFloat(s, 64); return err },
		"from":      func(s string) (err error) { from, err = strconv.Atoi(s); return err },
	} {
		if s := q.Get(name); s != "" {
			if err := into(s); err != nil {
				fail(w, http.StatusBadRequest, "malformed", fmt.Sprintf("%s: %.40q is no number", name, s))
				return
			}
		}
	}
	a, scans, ok := d.audited(w, r, f)
	if !ok {
		return
	}
	from = max(0, min(from, len(a.Places)))
	list := []AuditPlace{}
	for _, p := range a.Places[from:min(from+mostPlaces, len(a.Places))] {
		one := AuditPlace{Place: p}
		reach := auditReachPx
		for _, s := range a.Scans {
			if s.Run == p.Run && s.MMPerPx != nil {
				one.MMPerPx = s.MMPerPx
				reach = auditReachMM / math.Sqrt(s.MMPerPx[0]*s.MMPerPx[1])
			}
		}
		one.Around = audit.Around(scans, p, reach)
		list = append(list, one)
	}
	answer(w, http.StatusOK, map[string]any{"total": len(a.Places), "from": from, "places": list})
}

// auditPage serves the page of the audit.
func (d *Desk) auditPage(w http.ResponseWriter, r *http.Request) {
	http.ServeFileFS(w, r, d.Page, "audit.html")
}
