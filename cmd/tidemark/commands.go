package main

// commands lists the verbs in the order the overview shows them.
func commands() []command {
	return []command{}
}
