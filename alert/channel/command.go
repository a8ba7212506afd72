package channel

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"time"

	"tidemark/alert"
)

// exitTempFail asks to be called again later (EX_TEMPFAIL of BSD's sysexits.h).
const exitTempFail = 75

// maxOutput is how much of a command's output is kept.
const maxOutput = 4096

// command runs a local program for every message: an argument list, never a
// shell. The message comes in environment variables and as JSON on stdin.
type command struct {
	argv    []string
	secrets *secrets
}

func newCommand(spec alert.ChannelSpec) *command {
	s := &secrets{}
	s.hide()
	return &command{argv: spec.Run, secrets: s}
}

// Deliver runs the program. Exit code 0 is taken, 75 is to be tried again, any
// other is final. When ctx ends the program and its children are killed.
func (c *command) Deliver(ctx context.Context, m alert.Message) (string, error) {
	body, err := json.Marshal(m)
	if err != nil {
		return "", c.secrets.failure(err)
	}
	var out limited
	cmd := exec.CommandContext(ctx, c.argv[0], c.argv[1:]...)
	cmd.Env = environment(m)
	cmd.Stdin = bytes.NewReader(body)
	cmd.Stdout, cmd.Stderr = &out, &out
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = time.Second
	err = cmd.Run()
	said := c.secrets.clean(string(out))
	var exit *exec.ExitError
	switch {
	case err == nil:
		return strings.TrimSpace("exit 0 " + said), nil
	case ctx.Err() != nil:
		return "", &alert.Failure{Answer: "the program did not end in time and was stopped"}
	case errors.As(err, &exit) && exit.ExitCode() == exitTempFail:
		return "", &alert.Failure{Answer: strings.TrimSpace("exit 75, try again later " + said)}
	case errors.As(err, &exit):
		return "", &alert.Failure{Answer: strings.TrimSpace(fmt.Sprintf("%s %s", exit.ProcessState, said)), Final: true}
	}
	return "", &alert.Failure{Answer: c.secrets.clean("the program cannot be started: " + err.Error()), Final: true}
}

// environment holds the message and little else: nothing of the service's own
// surroundings, and so no credentials, is handed on.
func environment(m alert.Message) []string {
	env := []string{"PATH=/usr/local/bin:/usr/bin:/bin", "LANG=C.UTF-8", "HOME=" + os.TempDir()}
	for _, p := range [][2]string{
		{"ID", m.ID}, {"ALARM_ID", m.AlarmID}, {"WHAT", string(m.What)}, {"KIND", string(m.Kind)}, {"REASON", m.Reason},
		{"VESSEL", m.Vessel}, {"TITLE", m.Title}, {"TEXT", m.Text}, {"PRIORITY", strconv.Itoa(m.Priority)},
		{"LEVEL", strconv.Itoa(m.Level)}, {"SINCE", m.Since.Format(time.RFC3339)},
	} {
		env = append(env, "TIDEMARK_"+p[0]+"="+strings.ReplaceAll(p[1], "\x00", ""))
	}
	return env
}

// limited keeps the first bytes written and drops the rest.
type limited []byte

func (l *limited) Write(p []byte) (int, error) {
	*l = append(*l, p[:min(maxOutput-len(*l), len(p))]...)
	return len(p), nil
}
