package source

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
)

var update = flag.Bool("update", false, "rewrite the fault table in testdata")

// scene is one sensor that sees want, with ways to break and heal it.
type scene struct {
	sensor string
	want   float64
	set    func(b *bench) (*sensor.Driver, map[string]injury)
}

// injury breaks a sensor and heals it again. A nil heal means that the sensor must
// come back by itself.
type injury struct{ hurt, heal func() }

// played is a row of the table.
type played struct {
	sensor, fault string
	seen          string
	after, back   time.Duration // until the fault was reported; from the heal until the next good value
	ok            bool
	slowed        bool // the poller had begun to ask less often
	recovery      sensor.Recovery
	root          string // stands in for /sys
}

const (
	breakAt = 5 * time.Second
	healAt  = 35 * time.Second
	endAt   = 4 * time.Minute
)

// play runs one fault of a scene at one reading a second.
func play(t *testing.T, sc scene, fault string) played {
	out := played{sensor: sc.sensor, fault: fault}
	onBench(t, func(b *bench) {
		t := b.t
		out.root = b.root
		src, injuries := sc.set(b)
		d := injuries[fault]
		start := time.Now()
		var hurtAt, healedAt time.Duration // zero: not yet
		good := 0
		last := time.Duration(0)
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(endAt, cancel)
		sensor.Poll(ctx, []sensor.Job{{Bus: "b", Source: src, Every: time.Second, Timeout: 5 * time.Second,
			Deliver: func(r sensor.Reading) {
				now := time.Since(start)
				out.slowed = out.slowed || !out.ok && now-last > 7*time.Second
				last = now
				switch {
				case r.Status == sensor.OK && math.Abs(r.Value-sc.want) > 1.5:
					assert.Fail(t, "a wrong value was served as good", "%s, %s: %v", sc.sensor, fault, r.Value)
				case r.Status == sensor.OK && hurtAt == 0:
					good++
				case r.Status == sensor.OK && healedAt > 0 && !out.ok:
					out.ok, out.back = true, now-healedAt
				case r.Status != sensor.OK && hurtAt > 0 && out.seen == "":
					out.seen, out.after = fmt.Sprintf("%s: %s", r.Status, said(r)), now-hurtAt
				case r.Status != sensor.OK && out.ok:
					assert.Fail(t, "fails again after it was good", "%s, %s: %s at %s: %s", sc.sensor, fault, r.Status, now, r.Err)
				}
				// Between two readings, so that nobody else looks at the chip.
				switch {
				case hurtAt == 0 && now >= breakAt:
					d.hurt()
					hurtAt = now
					if d.heal == nil {
						healedAt = now
					}
				case healedAt == 0 && now >= healAt:
					d.heal()
					healedAt = now
				}
			}}})
		assert.Positive(t, good, "%s works before it is broken", sc.sensor)
		out.recovery = src.Recovery()
		assert.NoError(t, src.Close())
	})
	return out
}

// flip makes an injury that sets and unsets a switch.
func flip(b *bool) injury { return injury{func() { *b = true }, func() { *b = false }} }

// TestFaultTable plays every fault of every sensor: none may yield a wrong value,
// each must be reported with a reason, unless the sensor can put it right within
// the same reading, and after each the sensor must come back.
func TestFaultTable(t *testing.T) {
	var rows []played
	for _, sc := range scenes() {
		if sc.want == 0 { // what the emulated chip gives is not a round number
			sc.want = 0.4
		}
		for _, fault := range faultsOf(t, sc) {
			out := play(t, sc, fault)
			assert.True(t, out.ok, "%s does not come back after: %s", sc.sensor, fault)
			rows = append(rows, out)
		}
	}
	require.Greater(t, len(rows), 50)
	got := table(rows)
	t.Log("\n" + got)
	for _, r := range rows {
		t.Logf("%s, %s: seen after %s, good again after %s", r.sensor, r.fault, r.after, r.back)
	}
	const file = "testdata/faults.md"
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
}

// faultsOf lists the faults of a scene in order.
func faultsOf(t *testing.T, sc scene) []string {
	var names []string
	onBench(t, func(b *bench) {
		_, injuries := sc.set(b)
		names = slices.Collect(maps.Keys(injuries))
	})
	slices.Sort(names)
	return names
}

// table writes the outcomes as a Markdown table, with times as classes: chance
// spreads the moments at which a failing sensor is asked.
func table(rows []played) string {
	var b strings.Builder
	b.WriteString("| Sensor | Injected | What the user sees | Seen after | Good again after |\n|---|---|---|---|---|\n")
	for _, r := range rows {
		seen := r.seen
		if seen == "" {
			seen = "nothing: put right within the same reading"
		}
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %s%s |\n", r.sensor, r.fault, strings.ReplaceAll(strings.ReplaceAll(seen, r.root, "/sys"), "|", "/"), class(r.after, r.seen != ""), promise(r), brought(r.recovery))
	}
	return b.String()
}

// class rounds a time up to what can be promised.
func class(d time.Duration, there bool) string {
	if !there {
		return "-"
	}
	for _, limit := range []time.Duration{5 * time.Second, 15 * time.Second, 40 * time.Second, 90 * time.Second} {
		if d <= limit {
			return "at most " + limit.String()
		}
	}
	return "longer"
}

// promise is when the sensor is good again at the latest: a sensor that failed
// for long is asked only every 30 s, by a fifth more or less.
func promise(r played) string {
	if r.slowed {
		return "at most 40s"
	}
	return class(r.back, true)
}

// brought says what brought the sensor back.
func brought(r sensor.Recovery) string {
	switch {
	case r.Resets > 0:
		return ", by a reset"
	case r.Restarts > 0:
		return ", set up anew"
	default:
		return ""
	}
}
