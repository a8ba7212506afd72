package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"tidemark/cmd/tidemark/internal/demo"
)

// runDemo shows tidemark on an invented kitchen.
func runDemo(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "demo", "demo [--headless] [--dir DIR] [--port N] [--speed N]")
	headless := fs.Bool("headless", false, "play one whole day at once and print it")
	dir := fs.String("dir", "", "where to keep the history; a new folder when left out")
	port := fs.Int("port", 8080, "port of the page on 127.0.0.1")
	speed := fs.Float64("speed", 60, "kitchen minutes for each real minute, 1 to 600")
	seed := fs.Uint64("seed", 1, "which noise the virtual sensors have")
	err := parseNone(fs, args)
	if err != nil {
		return err
	}
	if !(*speed >= 1 && *speed <= 600) {
		return usagef("--speed %g is outside 1 to 600", *speed)
	}
	if *port < 0 || *port > 65535 {
		return usagef("--port %d is outside 0 to 65535", *port)
	}
	if *dir == "" {
		if *dir, err = os.MkdirTemp("", "tidemark-demo-"); err != nil {
			return fmt.Errorf("no folder for the demo's history: %w; name one with --dir", err)
		}
	} else if err := os.MkdirAll(*dir, 0o755); err != nil {
		return fmt.Errorf("the folder of --dir cannot be made: %w", err)
	}
	o := demo.Options{Dir: *dir, Speed: *speed, Day: time.Now(), Seed: *seed, Version: version()}
	if *headless {
		return demo.Headless(ctx, s.out, o)
	}
	o.Listen = fmt.Sprintf("127.0.0.1:%d", *port)
	return demo.Serve(ctx, s.out, o)
}
