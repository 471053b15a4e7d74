// Package schema holds the JSON Schemas (draft 2020-12) of what pithward
// writes for other programs.
package schema

import _ "embed"

// Measurement is the schema of a measurement, the contents of SCAN.json.
//
//go:embed measurement-1.schema.json
var Measurement []byte
