package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tidemark/web/access"
)

// windowMinutes is how long, in all, a machine may be set up from the home network.
const windowMinutes = 30

// windowFile holds, in the state directory, the code and the minutes that are left. A
// minute is taken off before it begins and by the steady clock, so that neither a
// clock that is set nor a machine that starts again and again makes it longer.
func windowFile(stateDir string) string { return filepath.Join(stateDir, "setup-code") }

// ReopenWindow lets a machine be set up from the home network for the whole time again,
// with the code that it has or, when its time was over, a fresh one. A service that runs
// notices within seconds.
func ReopenWindow(stateDir string) (*access.Window, error) {
	code, left, err := readWindow(stateDir)
	if err != nil || left <= 0 {
		code = access.NewCode()
	}
	if err := keepWindow(stateDir, code, windowMinutes); err != nil {
		return nil, err
	}
	return access.NewWindow(code), nil
}

// keepWindow writes the file in one step.
func keepWindow(stateDir, code string, minutes int) error {
	file := windowFile(stateDir)
	if err := os.WriteFile(file+".new", fmt.Appendf(nil, "code %s\nminutes %d\n", code, minutes), 0o600); err != nil {
		return fmt.Errorf("the code for setting up cannot be kept: %w", err)
	}
	return os.Rename(file+".new", file)
}

// readWindow reads the file; a machine that never had one has all its minutes.
func readWindow(stateDir string) (code string, minutes int, err error) {
	text, err := os.ReadFile(windowFile(stateDir))
	if errors.Is(err, fs.ErrNotExist) {
		return access.NewCode(), windowMinutes, nil
	}
	if err != nil {
		return "", 0, err
	}
	if _, err := fmt.Sscanf(strings.TrimSpace(string(text)), "code %s\nminutes %d", &code, &minutes); err != nil || len(code) < 8 {
		return "", 0, nil // damaged: closed is the safe side
	}
	return code, min(minutes, windowMinutes), nil
}

// openWindow returns the window for setting up from the home network, or nil when its
// time is over or cannot be kept.
func openWindow(dir string, log *slog.Logger) *access.Window {
	code, left, err := readWindow(dir)
	if err == nil && left > 0 {
		err = keepWindow(dir, code, left-1)
	}
	if err != nil {
		log.Error("setting up from the home network stays closed", "error", err)
		return nil
	}
	if left <= 0 {
		return nil
	}
	return access.NewWindow(code)
}

// windowLooks is how often the window is looked at.
const windowLooks = 2 * time.Second

// windowWatch counts the minutes of a window.
type windowWatch struct {
	dir      string // state directory
	settings access.Settings
	window   *access.Window // nil while none is open
	restart  func()         // begins the watch anew, at the address that is right then
	log      *slog.Logger
}

// run closes the window after its last minute, or when a passphrase is set; without one
// it waits for tidemark setup to open it again. It returns when nothing is left to do.
func (x windowWatch) run(ctx context.Context) {
	if x.passphrase(ctx) {
		return // the page is open to the house
	}
	tick := time.NewTicker(windowLooks)
	defer tick.Stop()
	for minute := time.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		passed := time.Since(minute) >= time.Minute
		if passed {
			minute = minute.Add(time.Minute)
		}
		over, restart := x.look(ctx, passed)
		if over && x.window != nil {
			x.window.Close()
		}
		if restart {
			x.restart()
		}
		if over {
			return
		}
	}
}

// look reports whether the window is over or another one opened, and whether the
// address changes with that. passed tells that a minute went by, which is written down:
// a time that cannot be kept is over.
func (x windowWatch) look(ctx context.Context, passed bool) (over, restart bool) {
	code, left, err := readWindow(x.dir)
	set := x.passphrase(ctx)
	if x.window == nil { // to the house, or opened again
		over = set || err == nil && left > 0
		return over, over
	}
	other := err != nil || code != codeOf(x.window)
	over = set || other || passed && left <= 0
	switch {
	case over && !other:
		err = keepWindow(x.dir, noCode, 0)
	case passed && !over:
		err = keepWindow(x.dir, code, left-1)
	default:
		return over, over && !set
	}
	if err != nil {
		x.log.Error("the time for setting up cannot be kept, so it is over", "error", err)
	}
	return over || err != nil, (over || err != nil) && !set // back to this machine alone, unless the house is let in
}

// passphrase reports whether one is set; what cannot be read is asked again.
func (x windowWatch) passphrase(ctx context.Context) bool {
	set, err := access.HasPassphrase(ctx, x.settings)
	return err == nil && set
}

// noCode stands where there is none any more.
const noCode = "--------"

// codeOf is a window's code without the dash.
func codeOf(w *access.Window) string { return strings.ReplaceAll(w.Code(), "-", "") }

// SetupNote says how to set this machine up from another; empty when it cannot be.
func (a *App) SetupNote() string {
	if a.server == nil || !a.server.window.Open() {
		return ""
	}
	return fmt.Sprintf("not set up yet. For %d minutes open %s on a phone or computer in the house and type the code %s",
		windowMinutes, strings.Join(a.addresses(), " or "), a.server.window.Code())
}
