package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

// newRootCmd returns the program with all its commands.
func newRootCmd(d deps) *cobra.Command {
	root := &cobra.Command{
		Use:   "pithward",
		Short: "From scans of tree cores to dated ring widths",
		Long: `pithward reads scans of trays of sanded increment cores: it finds the scale,
the cores, the radius of each from bark to pith, every ring boundary with the
probability that it is real, and gives ring widths with their uncertainty, and
years, in files a lab can use.`,
		Example: example(
			"measure a tray and print a line a core", "pithward measure tray.tif",
		),
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.SetOut(d.out)
	root.SetErr(d.talk)
	root.AddCommand(newMeasureCmd(d), newDateCmd(d), newChronologyCmd(d), newConvertCmd(d), newDemoCmd(d), newSchemaCmd(d), newVersionCmd(d))
	root.AddCommand(newDeskCmd(d), newAuditCmd(d), newLogCmd(d), newExportCmd(d), newScannerCmd(d), newGradeCmd(d), newClassCmd(d))
	return root
}

// example lays out pairs of a purpose and the command line that serves it.
func example(pairs ...string) string {
	var lines []string
	for i := 0; i+1 < len(pairs); i += 2 {
		lines = append(lines, "  # "+pairs[i], "  "+pairs[i+1])
	}
	return strings.Join(lines, "\n")
}

// exitStatus is the part of each help that says what the exit status means.
func exitStatus(done, failed, call string) string {
	return fmt.Sprintf("\n\nExit status:\n  0  %s\n  1  %s\n  2  %s", done, failed, call)
}

// fixed offers words as completion of a flag's value.
func fixed(cmd *cobra.Command, flag string, words ...string) {
	err := cmd.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp))
	if err != nil {
		panic(err) // no such flag: a slip in this package, seen by every test
	}
}
