package lookback

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"tidemark/sensor/record"
	"tidemark/web/past"
)

// Format is the form of an export.
type Format string

// The formats.
const (
	CSV    Format = "csv"    // all that is stored, as the page gives it
	Record Format = "record" // what replay and import read
	JSON   Format = "json"   // rise and samples, as the page gives it
)

// Export writes one rise.
func (p Printer) Export(ctx context.Context, id int64, format Format, w io.Writer) error {
	rises, err := p.rises(ctx, []int64{id})
	if err != nil {
		return err
	}
	rows := p.Store.Rows(ctx, id, time.Time{}, time.Time{})
	switch format {
	case CSV:
		return past.WriteCSV(w, rows, p.House.Zone)
	case JSON:
		return past.WriteJSON(w, rises[0], rows, p.House.Zone)
	}
	out := record.NewWriter(w)
	first := true
	for r, err := range rows {
		if err != nil {
			return err
		}
		event := string(r.Event)
		if first && event == "" {
			event = "start"
		}
		first = false
		err = out.Write(record.Row{Time: r.Time.In(p.House.Zone), DistanceMM: r.DistanceMM, DoughC: r.DoughC, AirC: r.AirC, Event: event})
		if err != nil {
			return err
		}
	}
	return out.Flush()
}

// ToFile writes a file by way of a temporary name, so that it is whole or absent.
func ToFile(name string, write func(w io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".tidemark-export-*")
	if err != nil {
		return fmt.Errorf("the export cannot be written: %w", err)
	}
	defer os.Remove(f.Name()) //nolint:errcheck // it is gone after the rename
	err = write(f)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.Name(), name)
	}
	return err
}
