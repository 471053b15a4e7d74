package main

import (
	"context"

	"pithward/measure"
	"pithward/vision"
)

// cut does a job that asks for tiles and nothing else: it answers with a
// measurement that names the scan and has no cores. A job that asks for nothing
// at all has the scan decoded by the image library: what `make bench` compares
// with.
func cut(ctx context.Context, job measure.Job, tell vision.Progress) (measure.Measurement, []string, error) {
	none := measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: job.Scan}}
	read, files := vision.ReadScan, []string{job.Tiles}
	if job.Tiles == "" {
		read, files = vision.ReadScanPlainly, nil
	}
	s, err := read(job.Scan)
	if err != nil {
		return measure.Measurement{}, nil, err
	}
	defer s.Close()
	if job.Tiles != "" {
		if err := vision.WriteTiles(ctx, s, job.Tiles, tell); err != nil {
			return measure.Measurement{}, nil, err
		}
	}
	return none, files, nil
}
