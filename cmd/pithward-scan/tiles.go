package main

import (
	"context"

	"pithward/measure"
	"pithward/vision"
)

// cut does a job that asks for tiles or crops and nothing else: it answers with a
// measurement that names the scan and has no cores. A job that asks for nothing
// at all has the scan decoded by the image library: what `make bench` compares
// with.
func cut(ctx context.Context, job measure.Job, say *speaker) error {
	read := vision.ReadScan
	if job.Tiles == "" && len(job.Crops) == 0 {
		read = vision.ReadScanPlainly
	}
	s, err := read(job.Scan)
	if err != nil {
		return err
	}
	defer s.Close()
	if err := vision.WriteCrops(s, job.Crops); err != nil {
		return err
	}
	if job.Tiles != "" {
		if err := vision.WriteTiles(ctx, s, job.Tiles, say.progress); err != nil {
			return err
		}
	}
	return say.message(measure.Message{Measurement: &measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: job.Scan}}})
}
