package estimator

// Reasons lists every reason for which a distance is refused that
// Estimate.Rejected may count, in a fixed order.
func Reasons() []string {
	var out []string
	for r := accepted + 1; r < reasons; r++ {
		if counted(r) {
			out = append(out, r.word())
		}
	}
	return out
}

// counted reports whether a refusal says something about the sensor: a sample
// without a distance, or outside a rise, does not.
func counted(r reason) bool { return r != accepted && r != rMissing && r != rNoRise }
