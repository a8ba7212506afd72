package main

import "runtime/debug"

// version is the version the program was built as, by Go's own record of it.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "unknown"
	}
	return info.Main.Version
}
