package chip

// ReadEdge reads one event, for tests.
var ReadEdge = readEdge
