package main

import (
	"context"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/cmd/tidemark/internal/replay"
)

// runReplay runs a recorded rise through the pipeline.
func runReplay(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "replay", "replay --config FILE [--vessel NAME] RECORD.csv [--past FOLDER] [--json] [--chart FILE]")
	configFile := fs.String("config", "", "configuration that describes the vessel; its sensor keys are not used")
	vesselName := fs.String("vessel", "", "which vessel of the configuration the record belongs to")
	asJSON := fs.Bool("json", false, "print JSON lines, one a minute of record time and one at every warning")
	chartFile := fs.String("chart", "", "write the curve with its forecast to this .svg or .png file")
	past := fs.String("past", "", "folder of records, played in the order of their names first: the household's earlier rises in this vessel, learned from as the service does")
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	if len(rest) != 1 || *configFile == "" {
		return usagef("replay needs --config FILE and one RECORD.csv; run tidemark replay -h for the options")
	}
	cfg, err := config.Load(*configFile, config.WithoutSensors)
	if err != nil {
		return usageError{err}
	}
	vessel, err := cfg.Vessel(*vesselName)
	if err != nil {
		return usageError{err}
	}
	cfg.Vessels = []config.Vessel{vessel}
	o := replay.Options{Config: cfg, Record: rest[0], Out: s.out, JSON: *asJSON, ChartFile: *chartFile, Past: *past}
	if err := replay.Check(ctx, &o); err != nil {
		return usageError{err}
	}
	return replay.Run(ctx, o)
}
