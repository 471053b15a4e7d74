package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"pithward/measure/archive"
	"pithward/measure/dating"
	"pithward/measure/dating/draw"
	"pithward/vision/overlay/look"
)

// plotLook is the look of all plots: that of the overlay.
func plotLook() draw.Look {
	return draw.Look{Ink: look.Ink.NRGBA(), Paper: look.Paper.NRGBA(), Quiet: look.Quiet.NRGBA()}
}

// plotFormat is told by a file's name.
func plotFormat(path string) (draw.Format, error) {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".png":
		return draw.PNG, nil
	case ".svg":
		return draw.SVG, nil
	}
	return "", fmt.Errorf("%s: a plot's name ends in .png or .svg", path)
}

// plotName checks the name of the plot that was asked for, if one was.
func (o dateOptions) plotName() error {
	if o.plot == "" {
		return nil
	}
	_, err := plotFormat(o.plot)
	return err
}

// drawHold draws the check of every series that has one.
func (o dateOptions) drawHold(series []archive.Series, report dating.Report) error {
	var rows []draw.HoldRow
	for i, r := range report.Series {
		s := series[i].Trim()
		if s.Floating || len(s.Widths) == 0 {
			continue
		}
		row := draw.HoldRow{Name: r.ID, FirstYear: s.FirstYear, LastYear: s.LastYear()}
		for _, w := range r.Hold {
			row.Windows = append(row.Windows, draw.HoldWindow{FromYear: w.FromYear, ToYear: w.ToYear, Probability: w.Probability,
				BestOffset: w.BestOffset, BestProbability: w.BestOffsetProbability})
		}
		for _, x := range r.Suspects {
			if x.Posterior < 0.5 {
				continue
			}
			sign := "-"
			if x.Kind == dating.Invented {
				sign = "+"
			}
			row.Marks = append(row.Marks, draw.HoldMark{Year: x.Year, Sign: sign})
		}
		rows = append(rows, row)
	}
	format, err := plotFormat(o.plot)
	if err != nil {
		return err
	}
	picture, err := draw.Hold(format, plotLook(), rows)
	if err != nil {
		return fmt.Errorf("%s: %w", o.plot, err)
	}
	return writeWhole(o.plot, picture, o.overwrite)
}
