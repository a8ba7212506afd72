package main

// commands lists the verbs in the order the overview shows them.
func commands() []command {
	return []command{
		{"run", "watch the vessels of a configuration, serve the page, send warnings", runRun},
		{"demo", "show all of it on an invented kitchen", runDemo},
		{"replay", "run a recorded rise through the same pipeline", runReplay},
		{"check", "find and read every sensor, say what to do about each fault", runCheck},
		{"level", "measure the empty vessel and learn its shape", runLevel},
		{"plan", "print a timetable back from when the bread should be there", runPlan},
		{"history", "past rises: list, show, compare, export, backup, restore", runHistory},
		{"notify", "list, answer and test warnings", runNotify},
		{"passphrase", "set the passphrase that opens the page to the house", runPassphrase},
		{"doctor", "print a report for a bug, without secrets", runDoctor},
	}
}
