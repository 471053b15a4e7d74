package grade

import (
	"bytes"
	"strings"
	"testing"
)

func TestReadRubric(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"little said", `{"schema": "pithward/rubric/1", "full_mark": 20}`, ""},
		{"nothing", ``, "too early"},
		{"no schema", `{"full_mark": 20}`, "schema"},
		{"newer", `{"schema": "pithward/rubric/2"}`, "schema"},
		{"a slip of the pen", `{"schema": "pithward/rubric/1", "full_marks": 20}`, `unknown field "full_marks"`},
		{"negative", `{"schema": "pithward/rubric/1", "weights": {"accuracy": -1}}`, "weights.accuracy is -1: want 0"},
		{"no weight", `{"schema": "pithward/rubric/1", "weights": {"completeness": 0, "inventions": 0, "accuracy": 0, "dating": 0, "absent_and_gaps": 0}}`, "all weights are 0"},
		{"credit over one", `{"schema": "pithward/rubric/1", "partial_credit": {"displaced": 50}}`, "partial_credit.displaced is 50: want 0 to 1"},
		{"nothing full", `{"schema": "pithward/rubric/1", "full_mark": 0}`, "full_mark is 0: want more"},
		{"accuracy the wrong way", `{"schema": "pithward/rubric/1", "accuracy_percent": {"full_up_to": 30, "nothing_from": 20}}`, "accuracy_percent.nothing_from"},
		{"words for a number", "{\"schema\": \"pithward/rubric/1\",\n\"full_mark\": \"ten\"}", "line 2: full_mark is string"},
		{"broken", "{\"schema\": \"pithward/rubric/1\",\n\"full_mark\": }", "line 2"},
		{"two", `{"schema": "pithward/rubric/1"} {}`, "follows"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r, err := ReadRubric(strings.NewReader(tt.text))
			switch {
			case tt.want == "" && err != nil:
				t.Error(err)
			case tt.want == "" && (r.FullMark != 20 || r.Weights != DefaultRubric().Weights):
				t.Errorf("read %+v", r)
			case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)):
				t.Errorf("said %v, want %q", err, tt.want)
			}
		})
	}
}

// FuzzReadRubric: any text gives a rubric that marks, or an error; and a rubric
// read is the same after it was written.
func FuzzReadRubric(f *testing.F) {
	f.Add(`{"schema": "pithward/rubric/1"}`)
	f.Add(`{"schema": "pithward/rubric/1", "weights": {"accuracy": 0.5}, "tolerance": {"px": 1e3}}`)
	f.Fuzz(func(t *testing.T, text string) {
		r, err := ReadRubric(strings.NewReader(text))
		if err != nil {
			return
		}
		var b bytes.Buffer
		if err := r.Write(&b); err != nil {
			t.Fatal(err)
		}
		again, err := ReadRubric(&b)
		if err != nil || again != r {
			t.Fatalf("written and read: %+v, %v", again, err)
		}
		res := Result{Faults: []Fault{{Kind: Missed}, {Kind: Slip, Caused: true}, {Kind: Units}, {Kind: EndsLate, Rings: 3}}}
		percent := 7.0
		r.mark(&res, 40, &percent, true)
		if !(res.Mark >= 0 && res.Mark <= r.FullMark*1.001+0.01) {
			t.Fatalf("mark %g of %g", res.Mark, r.FullMark)
		}
	})
}
