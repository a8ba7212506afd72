package main

// commands lists the verbs in the order the overview shows them.
func commands() []command {
	return []command{
		{"run", "watch the vessels of a configuration, serve the page, send warnings", runRun},
		{"demo", "show all of it on an invented kitchen", runDemo},
		{"replay", "run a recorded rise through the same pipeline", runReplay},
	}
}
