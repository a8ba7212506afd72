package sensor

// Recovery counts what was done to bring a sensor back.
type Recovery struct {
	Restarts int64 // set up anew by commands
	Resets   int64 // switched off and on by its shutdown or supply line
}

// Recoverer is a Source that brings its sensor back by itself and counts it.
type Recoverer interface {
	Recovery() Recovery
}
