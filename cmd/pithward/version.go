package main

import (
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	"pithward/measure"
)

func newVersionCmd(d deps) *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Print version and measurement format",
		Long:    "Print the version of this program and the measurement format that it writes." + exitStatus("printed", "could not be printed", "the call is wrong"),
		Args:    cobra.NoArgs,
		Example: example("say which version this is", "pithward version"),
		RunE: func(*cobra.Command, []string) error {
			_, err := fmt.Fprintf(d.out, "pithward %s (%s, %s/%s, writes %s)\n", d.version, runtime.Version(), runtime.GOOS, runtime.GOARCH, measure.Schema)
			return done(err)
		},
	}
}

// done makes the error of an action, if any, a failure.
func done(err error) error {
	if err == nil {
		return nil
	}
	return &failure{err}
}
