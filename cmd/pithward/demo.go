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
	return &cobra.Command{
		Use:   "demo DIR",
		Short: "Write scans of made-up cores to try the program on",
		Long: `Write rendered scans of trays of cores into DIR, which is made if it is not
there, over those of an earlier demo: the scans, the core sheet of the field
party, and what is true of every ring (*.truth.json). Place and cores are
invented.` + exitStatus("written", "could not be written", "the call is wrong"),
		Example: example("make two trays, then measure them", "pithward demo demo && pithward measure demo/tray-a.tif demo/tray-b.tif --sheet demo/cores.csv"),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return errors.New("name one folder, DIR, to write to")
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error { return done(runDemo(args[0], d)) },
	}
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
