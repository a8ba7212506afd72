package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"time"
)

// collectdConf gathers the machine's own figures every ten seconds, collectd's
// default interval, into files.
const collectdConf = `BaseDir %q
PIDFile "%s/pid"
Interval 10
FQDNLookup false
Hostname "yardstick"
LoadPlugin cpu
LoadPlugin memory
LoadPlugin load
LoadPlugin df
LoadPlugin interface
LoadPlugin csv
<Plugin csv>
  DataDir "%s/csv"
</Plugin>
`

// yardsticks measures the general collectors over the same window: at rest, which
// for the exporter means that it is asked every 15 s, as a Prometheus would.
func (p plan) yardsticks(ctx context.Context) ([]line, error) {
	dir, err := os.MkdirTemp(p.dir, "tidemark-scale-")
	if err != nil {
		return nil, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	conf := filepath.Join(dir, "collectd.conf")
	if err := os.WriteFile(conf, fmt.Appendf(nil, collectdConf, dir, dir, dir), 0o644); err != nil {
		return nil, err
	}
	port, err := freePort()
	if err != nil {
		return nil, err
	}
	address := fmt.Sprintf("127.0.0.1:%d", port)
	var out []line
	for _, y := range []struct {
		program, how string
		args         []string
		ask          string
	}{
		{"prometheus-node-exporter", "its defaults, asked every 15 s", []string{"--web.listen-address=" + address, "--log.level=error"}, "http://" + address + "/metrics"},
		{"collectd", "5 plugins and files, every 10 s", []string{"-f", "-C", conf}, ""},
	} {
		l, err := p.yardstick(ctx, y.program, y.args, y.ask)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", y.program, err)
		}
		l.what = y.program + " (" + y.how + ")"
		out = append(out, l)
	}
	return out, nil
}

// yardstick measures one program.
func (p plan) yardstick(ctx context.Context, program string, args []string, ask string) (line, error) {
	path, err := find(program)
	if err != nil {
		return line{}, err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	cmd := exec.CommandContext(ctx, path, args...)
	if err := cmd.Start(); err != nil {
		return line{}, err
	}
	defer func() { cancel(); _ = cmd.Wait() }()
	if ask != "" {
		go askEvery(ctx, ask)
	}
	time.Sleep(p.settle)
	before, err := look(cmd.Process.Pid)
	if err != nil {
		return line{}, err
	}
	time.Sleep(p.window)
	after, err := look(cmd.Process.Pid)
	if err != nil {
		return line{}, err
	}
	return line{cores: (after.cpu - before.cpu).Seconds() / p.window.Seconds(), rssKB: after.rssKB}, nil
}

// askEvery fetches a page every 15 s until ctx ends.
func askEvery(ctx context.Context, url string) {
	for {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
		if err != nil {
			return
		}
		if resp, err := http.DefaultClient.Do(req); err == nil {
			_, _ = io.Copy(io.Discard, resp.Body)
			_ = resp.Body.Close()
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(15 * time.Second):
		}
	}
}
