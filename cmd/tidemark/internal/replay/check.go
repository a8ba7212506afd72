package replay

import (
	"context"
	"fmt"
	"os"

	"tidemark/sensor/record"
)

// Check reads the whole record once and refuses what is wrong with it or with
// the chart's name, before anything is written. It notes in o whether the record
// says when the rise starts. The error names file, line and column where there
// are any.
func Check(ctx context.Context, o *Options) error {
	if err := checkChartFile(o.ChartFile); err != nil {
		return err
	}
	f, err := os.Open(o.Record)
	if err != nil {
		return fmt.Errorf("the record cannot be read: %w", err)
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return fmt.Errorf("%s is not a plain file; a record is read twice, so name a .csv file", o.Record)
	}
	o.HasStart, err = record.Check(ctx, f, o.Record)
	return err
}
