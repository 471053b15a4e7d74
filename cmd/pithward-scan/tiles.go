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
func cut(ctx context.Context, job measure.Job, tell vision.Progress) (measure.Measurement, []string, error) {
	none := measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: job.Scan}}
	read := vision.ReadScan
	if job.Tiles == "" && len(job.Crops) == 0 {
		read = vision.ReadScanPlainly
	}
	s, err := read(job.Scan)
	if err != nil {
		return measure.Measurement{}, nil, err
	}
	defer s.Close()
	files, err := vision.WriteCrops(s, job.Crops)
	if err != nil {
		return measure.Measurement{}, nil, err
	}
	if job.Tiles != "" {
		if err := vision.WriteTiles(ctx, s, job.Tiles, tell); err != nil {
			return measure.Measurement{}, nil, err
		}
		files = append(files, job.Tiles)
	}
	return none, files, nil
}
