package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"tidemark/alert"
	"tidemark/history"
)

// line is one line of the table.
type line struct {
	what       string
	vessels    int
	cores      float64 // share of a core
	rssKB      int64
	heap       float64 // bytes in use after a collection
	goroutines float64
	started    float64 // seconds
	pace       float64 // seconds that a second of readings took
	note       string
}

// measure measures all and prints the table.
func (p plan) measure(ctx context.Context) error {
	fmt.Printf("%s, %s, %d cores, %s/%s, %s; windows of %s\n", time.Now().Format(time.DateOnly), processor(), runtime.NumCPU(), runtime.GOOS, runtime.GOARCH, runtime.Version(), p.window)
	var lines []line
	var failed error // does not take away what was measured
	for _, n := range p.inside {
		l, err := p.line(ctx, "inside", n, "")
		if err != nil {
			failed = errors.Join(failed, fmt.Errorf("%d vessels, fed inside: %w", n, err))
			continue
		}
		lines = append(lines, l)
	}
	for _, n := range p.mqtt {
		l, err := p.lineOverMQTT(ctx, n)
		if err != nil {
			failed = errors.Join(failed, fmt.Errorf("%d vessels over MQTT: %w", n, err))
			continue
		}
		lines = append(lines, l)
	}
	writes, err := p.writesOf(ctx)
	failed = errors.Join(failed, err)
	sticks, err := p.yardsticks(ctx)
	return errors.Join(failed, err, printTable(lines, writes, sticks))
}

// line measures one number of vessels.
func (p plan) line(ctx context.Context, kind string, n int, broker string) (line, error) {
	fmt.Fprintf(os.Stderr, "%s, %d vessels ...\n", kind, n)
	m, err := p.watchChild(ctx, kind, n, broker)
	if err != nil {
		return line{}, err
	}
	l := line{what: "tidemark, " + kind, vessels: n, cores: m.cores(p.window), rssKB: m.after.rssKB, heap: m.said["heap"],
		goroutines: m.said["goroutines"], started: m.said["started"], pace: m.said["took"] / p.window.Seconds()}
	var notes []string
	if d := m.said["dropped"]; d > 0 {
		notes = append(notes, fmt.Sprintf("%.0f rows dropped", d))
	}
	if seen, ok := m.said["seen"]; ok && int(seen) < n {
		notes = append(notes, fmt.Sprintf("%.0f vessels were not seen", float64(n)-seen))
	}
	l.note = strings.Join(notes, ", ")
	return l, nil
}

// lineOverMQTT measures one number of vessels fed by a broker.
func (p plan) lineOverMQTT(ctx context.Context, n int) (line, error) {
	dir, err := os.MkdirTemp(p.dir, "tidemark-scale-")
	if err != nil {
		return line{}, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	address, stop, err := startBroker(ctx, dir)
	if err != nil {
		return line{}, err
	}
	defer stop()
	published := make(chan error, 1)
	go func() { published <- publish(ctx, address, n) }()
	l, err := p.line(ctx, "mqtt", n, address)
	cancel()
	return l, errors.Join(err, <-published)
}

// writesOf measures the bytes a day, by number of vessels.
func (p plan) writesOf(ctx context.Context) (map[int]float64, error) {
	out := map[int]float64{}
	for _, n := range p.writes {
		fmt.Fprintf(os.Stderr, "writes, %d vessels ...\n", n)
		m, err := p.watchChild(ctx, "writes", n, "")
		if err != nil {
			return out, fmt.Errorf("the writes of %d vessels: %w", n, err)
		}
		out[n] = m.said["written"]
	}
	return out, nil
}

// printTable prints everything.
func printTable(lines []line, writes map[int]float64, sticks []line) error {
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "fed\tvessels\tcores\tms/s a vessel\tRSS MB\theap MB\tkB a vessel\tgoroutines\tstart s\tpace\tMB written a day\tMB a vessel\t")
	base := map[string]line{}
	for _, l := range lines {
		if _, ok := base[l.what]; !ok {
			base[l.what] = l
		}
		each := "-"
		if b := base[l.what]; l.vessels > b.vessels {
			each = fmt.Sprintf("%.1f", (l.heap-b.heap)/1000/float64(l.vessels-b.vessels))
		}
		disk, diskEach := "-", "-"
		if d, ok := writes[l.vessels]; ok {
			disk, diskEach = fmt.Sprintf("%.2f", d/1e6), fmt.Sprintf("%.3f", d/1e6/float64(l.vessels))
		}
		fmt.Fprintf(w, "%s\t%d\t%.4f\t%.3f\t%.1f\t%.1f\t%s\t%.0f\t%.1f\t%.2f\t%s\t%s\t%s\n", l.what, l.vessels, l.cores, 1000*l.cores/float64(l.vessels),
			float64(l.rssKB)/1000, l.heap/1e6, each, l.goroutines, l.started, l.pace, disk, diskEach, l.note)
	}
	for _, n := range slices.Sorted(maps.Keys(writes)) {
		if !slices.ContainsFunc(lines, func(l line) bool { return l.vessels == n }) {
			fmt.Fprintf(w, "tidemark, writes alone\t%d\t-\t-\t-\t-\t-\t-\t-\t-\t%.2f\t%.3f\t\n", n, writes[n]/1e6, writes[n]/1e6/float64(n))
		}
	}
	for _, l := range sticks {
		fmt.Fprintf(w, "%s\t-\t%.4f\t-\t%.1f\t-\t-\t-\t-\t-\t-\t-\t\n", l.what, l.cores, float64(l.rssKB)/1000)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Println("cores: processor time for a second of readings. kB a vessel: heap beyond that of the fewest vessels. pace: seconds that a second of readings took.")
	return nil
}

// processor is what the kernel calls it.
func processor() string {
	text, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return "unknown processor"
	}
	for row := range strings.Lines(string(text)) {
		if key, name, ok := strings.Cut(row, ":"); ok && (strings.TrimSpace(key) == "model name" || strings.TrimSpace(key) == "Model") {
			return strings.TrimSpace(name)
		}
	}
	return "unknown processor"
}

// warning is an invented warning of a rise.
func warning(r history.Rise, now time.Time) alert.Alarm {
	return alert.Alarm{ID: fmt.Sprintf("near-%s-%d", r.Vessel, r.ID), Kind: alert.Near, Reason: alert.WithinLead, Vessel: r.Vessel, RiseID: r.ID, State: alert.Firing,
		Since: now, FiredAt: now, Title: r.Vessel + ": nearly at the mark", Text: "Invented: at the mark between 18:05 and 18:30, most likely 18:15. Turn the oven on.", Priority: 3}
}
