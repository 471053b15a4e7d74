package main

import (
	"github.com/spf13/cobra"

	"pithward/measure/schema"
)

func newSchemaCmd(d deps) *cobra.Command {
	return &cobra.Command{
		Use:   "schema",
		Short: "Print the JSON Schema of measurements",
		Long: "Print the JSON Schema (draft 2020-12) that every SCAN.json written by measure keeps to." +
			exitStatus("printed", "could not be printed", "the call is wrong"),
		Args:    cobra.NoArgs,
		Example: example("keep the schema beside the results", "pithward schema > measurement.schema.json"),
		RunE: func(*cobra.Command, []string) error {
			_, err := d.out.Write(schema.Measurement)
			return done(err)
		},
	}
}
