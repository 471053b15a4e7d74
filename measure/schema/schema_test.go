package schema_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"pithward/measure"
	"pithward/measure/schema"
)

func compile(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schema.Measurement))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	if err := c.AddResource("measurement.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("measurement.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// goldens are the measurements kept in the project.
func goldens(t *testing.T) []string {
	t.Helper()
	paths, err := filepath.Glob("../../testdata/measure/*.json")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no golden measurements: %v", err)
	}
	return paths
}

func TestGoldensKeepToTheSchema(t *testing.T) {
	s := compile(t)
	for _, path := range goldens(t) {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Validate(doc); err != nil {
			t.Errorf("%s: %v", path, err)
		}
	}
}

// Each change makes a good measurement a bad one, and the schema says so.
func TestSchemaRefuses(t *testing.T) {
	s := compile(t)
	good, err := os.ReadFile(goldens(t)[0])
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name  string
		spoil func(doc map[string]any)
	}{
		{"another schema", func(d map[string]any) { d["schema"] = "pithward/measurement/2" }},
		{"cores null", func(d map[string]any) { d["cores"] = nil }},
		{"no program", func(d map[string]any) { delete(d, "program") }},
		{"a short hash", func(d map[string]any) { at(d, "scan")["sha256"] = "abc" }},
		{"an unknown scale source", func(d map[string]any) { at(d, "scale")["source"] = "guess" }},
		{"scale none with mm_per_px", func(d map[string]any) { at(d, "scale")["source"] = "none" }},
		{"a point of three", func(d map[string]any) { core(d)["path_px"] = []any{[]any{1, 2, 3}} }},
		{"a wood of another kind", func(d map[string]any) { core(d)["wood"] = "bamboo" }},
		{"not measured, but with a bark end", func(d map[string]any) { core(d)["wood"] = nil }},
		{"a probability of 2", func(d map[string]any) { first(core(d), "boundaries")["probability"] = 2 }},
		{"a boundary without tilt", func(d map[string]any) { delete(first(core(d), "boundaries"), "tilt_deg") }},
		{"a gap called rot", func(d map[string]any) { first(core(d), "gaps")["kind"] = "rot" }},
		{"half a year", func(d map[string]any) { first(core(d), "rings")["year"] = 1900.5 }},
		{"flags null", func(d map[string]any) { first(core(d), "rings")["flags"] = nil }},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var doc map[string]any
			if err := json.Unmarshal(good, &doc); err != nil {
				t.Fatal(err)
			}
			if err := s.Validate(doc); err != nil {
				t.Fatalf("the good one: %v", err)
			}
			tt.spoil(doc)
			if s.Validate(doc) == nil {
				t.Error("accepted")
			}
		})
	}
}

func at(doc map[string]any, name string) map[string]any { return doc[name].(map[string]any) }

func first(doc map[string]any, name string) map[string]any {
	return doc[name].([]any)[0].(map[string]any)
}

func core(doc map[string]any) map[string]any { return first(doc, "cores") }

// TestSchemaNamesEveryField holds schema and types together: each field that
// is written is described, and each that is described is written.
func TestSchemaNamesEveryField(t *testing.T) {
	var doc map[string]any
	if err := json.Unmarshal(schema.Measurement, &doc); err != nil {
		t.Fatal(err)
	}
	defs := at(doc, "$defs")
	for name, typ := range map[string]reflect.Type{
		"scan": reflect.TypeFor[measure.Scan](), "scale": reflect.TypeFor[measure.Scale](), "ruler": reflect.TypeFor[measure.Ruler](),
		"check": reflect.TypeFor[measure.Check](), "core": reflect.TypeFor[measure.Core](), "boundary": reflect.TypeFor[measure.Boundary](),
		"candidate": reflect.TypeFor[measure.Candidate](), "ring": reflect.TypeFor[measure.Ring](), "absent": reflect.TypeFor[measure.Absent](),
		"doubt": reflect.TypeFor[measure.Doubt](), "field": reflect.TypeFor[measure.Field](),
		"join": reflect.TypeFor[measure.Union](), "join_part": reflect.TypeFor[measure.UnionPart](), "joint": reflect.TypeFor[measure.Joint](),
	} {
		compare(t, name, at(defs, name), typ)
	}
	stretch := at(at(defs, "stretch"), "properties")
	stretch["kind"] = at(at(defs, "gap"), "properties")["kind"]
	compare(t, "stretch", at(defs, "stretch"), reflect.TypeFor[measure.Stretch]())
	compare(t, "measurement", doc, reflect.TypeFor[measure.Measurement]())
	compare(t, "program", at(at(doc, "properties"), "program"), reflect.TypeFor[measure.Program]())
}

func compare(t *testing.T, name string, def map[string]any, typ reflect.Type) {
	t.Helper()
	described := at(def, "properties")
	written := map[string]bool{}
	for i := range typ.NumField() {
		tag, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
		written[tag] = true
		if described[tag] == nil {
			t.Errorf("%s: %s is written, but the schema does not describe it", name, tag)
		}
	}
	for tag := range described {
		if !written[tag] {
			t.Errorf("%s: the schema describes %s, which is never written", name, tag)
		}
	}
	for _, tag := range def["required"].([]any) {
		if described[tag.(string)] == nil {
			t.Errorf("%s: %v is required but not described", name, tag)
		}
	}
}
