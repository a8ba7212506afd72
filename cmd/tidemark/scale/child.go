package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"tidemark/cmd/tidemark/internal/app"
	"tidemark/history"
	"tidemark/sensor"
)

// childArg makes this program the process that is measured.
const childArg = "be-measured"

// heapGrowth is that of the daemon (cmd/tidemark/run.go).
const heapGrowth = 30

// playChild is the measured process: KIND DIR VESSELS SETTLE WINDOW BROKER. It says
// on standard output how far it is.
func playChild(ctx context.Context, args []string) error {
	if len(args) != 6 {
		return errors.New("the child is called by the measurement only")
	}
	n, err := strconv.Atoi(args[2])
	if err != nil {
		return err
	}
	settle, err1 := time.ParseDuration(args[3])
	window, err2 := time.ParseDuration(args[4])
	if err := errors.Join(err1, err2); err != nil {
		return err
	}
	debug.SetGCPercent(heapGrowth)
	c := child{dir: args[1], n: n, settle: settle, window: window, broker: args[5]}
	switch args[0] {
	case "inside":
		return c.inside(ctx)
	case "mqtt":
		return c.overMQTT(ctx)
	case "writes":
		return c.writes(ctx)
	}
	return fmt.Errorf("%q is no kind of child", args[0])
}

// child is a measured process.
type child struct {
	dir            string
	n              int
	settle, window time.Duration
	broker         string
}

// inside hands readings over within the process, a second's worth at a time, and
// keeps to the machine's pace where it can.
func (c child) inside(ctx context.Context) error {
	begin := time.Now().UTC().Truncate(time.Second)
	if err := storeRises(ctx, c.dir, c.n, begin); err != nil {
		return err
	}
	clock := &app.Stepped{}
	clock.Set(begin)
	cfg, err := settings(c.n, c.dir, "")
	if err != nil {
		return err
	}
	store, err := history.Open(ctx, filepath.Join(c.dir, historyFile), history.Options{Now: clock.Now, FlushEvery: 24 * time.Hour, Vessels: c.n})
	if err != nil {
		return err
	}
	a, err := app.New(app.Options{Config: cfg, Clock: clock, Store: store, Demo: true})
	if err != nil {
		return err
	}
	began := time.Now()
	if err := a.Start(ctx); err != nil {
		return err
	}
	fmt.Println("started", time.Since(began).Seconds())
	steps := func(from, span time.Duration) error {
		paced := time.Now()
		for s := time.Second; s <= span; s += time.Second {
			if err := ctx.Err(); err != nil {
				return err
			}
			now := begin.Add(from + s)
			clock.Set(now)
			for i := range c.n {
				height := sensor.Reading{Quantity: sensor.Distance, Wall: now}.Good(distanceMM(i, begin, now), 0)
				dough := sensor.Reading{Quantity: sensor.Temperature, Wall: now}.Good(doughC(i, now), 0)
				a.Observe(name(i), app.SampleOf(now, height, dough, sensor.Reading{Status: sensor.Missing}))
			}
			a.Advance(now)
			if now.Unix()%60 == 0 {
				if err := store.Keep(ctx); err != nil {
					return err
				}
			}
			time.Sleep(time.Until(paced.Add(s)))
		}
		return nil
	}
	if err := steps(0, c.settle); err != nil {
		return err
	}
	runtime.GC()
	fmt.Println("steady")
	real := time.Now()
	if err := steps(c.settle, c.window); err != nil {
		return err
	}
	fmt.Println("took", time.Since(real).Seconds())
	return c.end(ctx, a, store)
}

// overMQTT watches as the daemon does.
func (c child) overMQTT(ctx context.Context) error {
	begin := time.Now().UTC().Truncate(time.Second)
	if err := storeRises(ctx, c.dir, c.n, begin); err != nil {
		return err
	}
	cfg, err := settings(c.n, c.dir, c.broker)
	if err != nil {
		return err
	}
	store, err := history.Open(ctx, filepath.Join(c.dir, historyFile), history.Options{Vessels: c.n})
	if err != nil {
		return err
	}
	a, err := app.New(app.Options{Config: cfg, Clock: app.NewSteady(), Store: store, Live: true, Listen: cfg.Web.Listen})
	if err != nil {
		return err
	}
	began := time.Now()
	if err := a.Start(ctx); err != nil {
		return err
	}
	fmt.Println("started", time.Since(began).Seconds())
	time.Sleep(c.settle)
	runtime.GC()
	fmt.Println("steady")
	time.Sleep(c.window)
	fmt.Println("took", c.window.Seconds())
	seen := 0
	for i := range c.n {
		if at := a.Estimate(name(i)).LastSeen; time.Since(at) < 10*time.Second {
			seen++
		}
	}
	fmt.Println("seen", seen)
	return c.end(ctx, a, store)
}

// end says what the process holds, once it has been looked at, and stops in order.
func (c child) end(ctx context.Context, a *app.App, store *history.Store) error {
	fmt.Println("measured")
	if _, err := bufio.NewReader(os.Stdin).ReadString('\n'); err != nil {
		return fmt.Errorf("the parent is gone: %w", err)
	}
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	fmt.Println("heap", m.HeapAlloc)
	fmt.Println("goroutines", runtime.NumGoroutine())
	h := store.Health()
	fmt.Println("dropped", h.DroppedRows)
	return errors.Join(a.Stop(ctx), store.Close(ctx))
}

// measured is what a child and the kernel said of it.
type measured struct {
	vessels       int
	said          map[string]float64
	before, after reading
}

// cores is the share of a core that a second of readings takes.
func (m measured) cores(window time.Duration) float64 {
	return (m.after.cpu - m.before.cpu).Seconds() / window.Seconds()
}

// watchChild runs a child and measures it between steady and measured.
func (p plan) watchChild(ctx context.Context, kind string, n int, broker string) (measured, error) {
	m := measured{vessels: n, said: map[string]float64{}}
	self, err := os.Executable()
	if err != nil {
		return m, err
	}
	dir, err := os.MkdirTemp(p.dir, "tidemark-scale-")
	if err != nil {
		return m, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	cmd := exec.CommandContext(ctx, self, childArg, kind, dir, strconv.Itoa(n), p.settle.String(), p.window.String(), broker)
	cmd.Stderr = os.Stderr
	out, err1 := cmd.StdoutPipe()
	in, err2 := cmd.StdinPipe()
	if err := errors.Join(err1, err2, cmd.Start()); err != nil {
		return m, err
	}
	err = m.listen(cmd.Process.Pid, out, in)
	if err != nil {
		_ = cmd.Process.Kill()
	}
	return m, errors.Join(err, cmd.Wait())
}

// listen reads what the child says and looks at it in between.
func (m *measured) listen(pid int, out io.Reader, in io.Writer) error {
	for scan := bufio.NewScanner(out); scan.Scan(); {
		word, rest, _ := strings.Cut(scan.Text(), " ")
		var err error
		switch word {
		case "steady":
			m.before, err = look(pid)
		case "measured":
			if m.after, err = look(pid); err == nil {
				_, err = fmt.Fprintln(in)
			}
		default:
			m.said[word], err = strconv.ParseFloat(rest, 64)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
