package sensor

import "context"

// Source is one thing that can be read. Read blocks at most until ctx ends. A fault is a
// Status, not an error, because the caller goes on watching; a Reading without a Status
// says that there is nothing new, where others send when they like. Close releases buses
// and files.
type Source interface {
	Read(ctx context.Context) Reading
	Close() error
}

// Recovery counts what was done to bring a sensor back.
type Recovery struct {
	Restarts int64 // set up again by commands
	Resets   int64 // switched off and on by its shutdown or supply line
}

// Air returns what is known of the air under a sensor, as last measured: its
// temperature in Celsius and relative humidity (ratio 0..1; NaN when not known). ok
// is false when the temperature is not known.
type Air func() (celsius, humidity float64, ok bool)
