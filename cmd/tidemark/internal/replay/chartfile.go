package replay

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"

	"tidemark/estimator"
	"tidemark/sensor/record"
	"tidemark/web/chart"
)

// checkChartFile says what is wrong with a chart's name before anything is
// replayed for it. Empty is no chart.
func checkChartFile(path string) error {
	if path == "" {
		return nil
	}
	switch filepath.Ext(path) {
	case ".svg", ".png":
	default:
		return fmt.Errorf("--chart %s: the name must end in .svg or .png", path)
	}
	dir := filepath.Dir(path)
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return fmt.Errorf("--chart %s: there is no folder %s; make it first or name another", path, dir)
	}
	return nil
}

// writeChart draws a chart with what a record says was done into a file whose name
// checkChartFile has accepted.
func writeChart(path string, c chart.Chart, rows []record.Row) error {
	c.Width, c.Height = chart.WideWidth, chart.WideHeight
	folds := 0
	for _, row := range rows {
		word := row.Event
		if word == string(estimator.Fold) {
			folds++
			word = fmt.Sprintf("fold %d", folds)
		}
		if word != "" {
			c.Events = append(c.Events, chart.Event{Time: row.Time, Word: word})
		}
	}
	var buf bytes.Buffer
	var err error
	if filepath.Ext(path) == ".png" {
		err = chart.PNG(&buf, c)
	} else {
		err = chart.SVG(&buf, c, chart.Standalone)
	}
	if err != nil {
		return fmt.Errorf("the chart could not be drawn: %w", err)
	}
	if err := os.WriteFile(path, buf.Bytes(), 0o644); err != nil {
		return fmt.Errorf("the chart could not be written: %w", err)
	}
	return nil
}
