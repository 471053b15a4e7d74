package main

import (
	"context"

	"pithward/measure/grade"
)

func (o gradeOptions) writeClass(ctx context.Context, key handIn, rep grade.Report, d deps) error {
	return nil
}
