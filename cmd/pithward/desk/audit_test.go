package desk

import (
	"net/http"
	"strings"
	"testing"

	"pithward/measure/audit"
)

func TestAuditRequests(t *testing.T) {
	d := newDesk(t)
	for _, tt := range []struct {
		path   string
		status int
		words  string
	}{
		{"/api/audit", http.StatusOK, `"boundaries":10`},
		{"/api/audit/places", http.StatusOK, `{"from":0,"places":[{"scan":"tray.tif"`},
		{"/api/audit/places?show=doubtful", http.StatusOK, `"total":2`},
		{"/api/audit/places?show=open&core=5a5a5a5a-1&min_doubt=0.2", http.StatusOK, `"total":1`},
		{"/api/audit/places?from=99", http.StatusOK, `"places":[]`},
		{"/api/audit/places?from=-5", http.StatusOK, `"from":0`},
		{"/api/audit/places?from=x", http.StatusBadRequest, "is no number"},
		{"/api/audit/places?min_doubt=NaN", http.StatusBadRequest, "want 0 to 1"},
		{"/api/audit/places?core=none", http.StatusBadRequest, "there is no core"},
		{"/api/audit/places?kind=guess", http.StatusBadRequest, "no kind of edit"},
	} {
		res, body := ask(t, d, http.MethodGet, tt.path, "", nil)
		if res.StatusCode != tt.status || !strings.Contains(body, tt.words) {
			t.Errorf("%s: status %d, %.300s", tt.path, res.StatusCode, body)
		}
	}
	d.Observer += audit.AgainEnding
	for _, path := range []string{"/api/audit", "/api/audit/places"} {
		if res, body := ask(t, d, http.MethodGet, path, "", nil); res.StatusCode != http.StatusForbidden || !strings.Contains(body, "blind") {
			t.Errorf("%s, measuring again: status %d, %.200s", path, res.StatusCode, body)
		}
	}
}
