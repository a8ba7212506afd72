package remote

// Arrive acts as if a message had come from a connected broker, for tests.
func (m *MQTT) Arrive(payload string) {
	m.setTrouble("")
	m.keep([]byte(payload))
}

// Offline keeps the source from connecting, for tests.
func (m *MQTT) Offline() { m.started.Do(func() { m.setTrouble("") }) }

// BackOff is the pause before connection attempt n, for tests.
var BackOff = backOff
