package main

import (
	"context"

	"pithward/measure"
	"pithward/vision"
)

// cut does a job that asks for tiles and nothing else: it answers with a
// measurement that names the scan and has no cores.
func cut(ctx context.Context, s *vision.Scan, job measure.Job, tell vision.Progress) (measure.Measurement, []string, error) {
	if job.Tiles == "" { // decoded, and no more: what `make bench` compares with
		return measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: job.Scan}}, nil, nil
	}
	if err := vision.WriteTiles(ctx, s, job.Tiles, tell); err != nil {
		return measure.Measurement{}, nil, err
	}
	return measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: job.Scan}}, []string{job.Tiles}, nil
}
