package replay

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"tidemark/alert/text"
	"tidemark/estimator"
	"tidemark/web/chart"
	"tidemark/web/past"
)

// chartFile collects the curve of a replay and writes it at the end.
type chartFile struct {
	path  string
	model chart.Chart
	folds int
}

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

// newChartFile begins a chart with a name that checkChartFile has accepted.
func newChartFile(path string, zone *time.Location, vessel string) *chartFile {
	return &chartFile{path: path, model: chart.Chart{
		Title: vessel, Alt: vessel, Zone: zone, Width: chart.WideWidth, Height: chart.WideHeight,
	}}
}

// see remembers one estimate.
func (c *chartFile) see(e estimator.Estimate) {
	c.model.Samples = append(c.model.Samples, chart.Sample{Time: e.Time, RisePercent: e.RisePercent, SD: e.RiseSD, DoughC: e.DoughC, AirC: e.AirC})
}

// event remembers what a person did.
func (c *chartFile) event(t time.Time, e estimator.Event) {
	word := string(e)
	if e == estimator.Fold {
		c.folds++
		word = fmt.Sprintf("fold %d", c.folds)
	}
	c.model.Events = append(c.model.Events, chart.Event{Time: t, Word: word})
}

// write draws the file. The last estimate gives the fan.
func (c *chartFile) write(last estimator.Estimate) error {
	c.model.Fan, c.model.Ready = last.Fan, last.Ready
	c.model.Mark = past.Mark(last.TargetPercent, text.New(text.Locale{}))
	c.model.Now = last.Time
	var buf bytes.Buffer
	var err error
	if filepath.Ext(c.path) == ".png" {
		err = chart.PNG(&buf, c.model)
	} else {
		err = chart.SVG(&buf, c.model, chart.Standalone)
	}
	if err != nil {
		return fmt.Errorf("the chart could not be drawn: %w", err)
	}
	if err := os.WriteFile(c.path, buf.Bytes(), 0o644); err != nil {
		return fmt.Errorf("the chart could not be written: %w", err)
	}
	return nil
}
