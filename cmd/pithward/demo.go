package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"pithward/measure"
	"pithward/vision/phantom"
)

func newDemoCmd(d deps) *cobra.Command {
	class := false
	cmd := &cobra.Command{
		Use:   "demo DIR",
		Short: "Write scans of made-up cores to try the program on",
		Long: `Write rendered scans of trays of cores into DIR, which is made if it is not
there, over those of an earlier demo: the scans, the core sheet of the field
party, and what is true of every ring (*.truth.json). Place and cores are
invented.

With --class it is a class to grade: a scan of one core (class.tif), an expert's
measurement of it (key.json), and what a dozen students handed in.` + exitStatus("written", "could not be written", "the call is wrong"),
		Example: example("make two trays, then measure them", "pithward demo demo && pithward measure demo/tray-a.tif demo/tray-b.tif --sheet demo/cores.csv",
			"make a class to grade", "pithward demo --class class"),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return errors.New("name one folder, DIR, to write to")
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			if class {
				return done(runDemoClass(args[0], d))
			}
			return done(runDemo(args[0], d))
		},
	}
	cmd.Flags().BoolVar(&class, "class", false, "write a class to grade instead")
	return cmd
}

func runDemoClass(dir string, d deps) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return fmt.Errorf("%s: cannot be made: %w", dir, reason(err))
	}
	files, err := phantom.WriteClass(dir)
	if err != nil {
		return fmt.Errorf("the class is not written: %w", err)
	}
	for _, f := range append([]string{filepath.Join(dir, "class.tif"), filepath.Join(dir, "key.json")}, files...) {
		fmt.Fprintln(d.out, f)
	}
	return nil
}

func runDemo(dir string, d deps) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return fmt.Errorf("%s: cannot be made: %w", dir, reason(err))
	}
	t := newTalk(d, 1)
	defer t.Close()
	err := phantom.WriteDemo(dir, func(done, of int) { t.progress(dir, measure.Message{Stage: "drawing", Done: done, Of: of}) })
	if err != nil {
		return fmt.Errorf("the demo is not written: %w", err)
	}
	made, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range made {
		if filepath.Ext(e.Name()) == ".tif" {
			t.print(filepath.Join(dir, e.Name()) + "\n")
		}
	}
	t.print(filepath.Join(dir, "cores.csv") + "\n")
	return nil
}
