// Package outsidetest finds the outside programs that some tests need: a browser,
// a broker, a mail server, promtool, R. Such a test depends on a version and a
// state of a machine that nobody chose for it, so it runs in CI alone, where the
// programs were installed for it. It knows nothing of the programs themselves.
package outsidetest

import (
	"os"
	"os/exec"
	"testing"
)

// CI says whether this run has to make every check: CI=true is set.
func CI() bool { return os.Getenv("CI") == "true" }

// Program returns the path of the first of names that is installed, also in the
// sbin folders. Without CI=true the test is skipped, installed or not; with it a
// missing program fails the test, which then names the Debian package.
func Program(tb testing.TB, debianPackage string, names ...string) string {
	tb.Helper()
	if !CI() {
		tb.Skipf("needs %s of Debian's %s: with CI=true only", names[0], debianPackage)
	}
	for _, name := range names {
		for _, dir := range []string{"", "/usr/sbin/", "/usr/local/sbin/"} {
			if path, err := exec.LookPath(dir + name); err == nil {
				return path
			}
		}
	}
	tb.Fatalf("%s is not here; CI has to install the Debian package %s", names[0], debianPackage)
	return ""
}
