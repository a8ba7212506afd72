package source_test

import (
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"

	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/sensortest"
	"tidemark/sensor/source"
)

var update = flag.Bool("update", false, "rewrite the fault table in testdata")

// stage is what a fault is played on.
type stage struct {
	t     *testing.T
	root  string // stands in for /sys
	bus   *sensortest.Bus
	one   *sensortest.OneWire
	pins  map[string]*sensortest.Pin
	buses *chip.Buses
}

func newStage(t *testing.T, root string) *stage {
	s := &stage{t: t, root: root, bus: &sensortest.Bus{Name: t.Name()}, one: &sensortest.OneWire{}, pins: map[string]*sensortest.Pin{}}
	s.buses = chip.NewBuses()
	s.buses.OpenI2C = func(string) (i2c.BusCloser, error) { return s.bus, nil }
	s.buses.OpenOneWire = func(string) (onewire.BusCloser, error) { return s.one, nil }
	s.buses.Pin = func(name string) (gpio.PinOut, error) { return s.pins[name], nil }
	return s
}

// put writes a kernel file; drop removes one.
func (s *stage) put(path, text string) { sensortest.Put(s.t, s.root, path, text) }

func (s *stage) drop(path string) { require.NoError(s.t, os.RemoveAll(filepath.Join(s.root, path))) }

// open opens a source of q as the service does.
func (s *stage) open(c sensor.Config, q sensor.Quantity) sensor.Source {
	src, err := source.Open(c, q, source.Env{SysfsRoot: s.root, Buses: s.buses})
	require.NoError(s.t, err)
	return src
}

// scene is one sensor that sees want, with ways to break and heal it.
type scene struct {
	sensor string
	want   float64
	set    func(s *stage) (sensor.Source, map[string]injury)
}

// injury breaks a sensor and heals it again. A nil heal means that the sensor must
// come back by itself.
type injury struct{ hurt, heal func() }

// outcome is a row of the table.
type outcome struct {
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
func play(t *testing.T, sc scene, fault string) outcome {
	out := outcome{sensor: sc.sensor, fault: fault}
	root := t.TempDir()
	out.root = root
	synctest.Test(t, func(t *testing.T) {
		stage := newStage(t, root)
		src, injurys := sc.set(stage)
		d := injurys[fault]
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
					out.seen, out.after = fmt.Sprintf("%s: %s", r.Status, text.New(text.Locale{}).Error(r.Err)), now-hurtAt
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
		if d, ok := src.(*sensor.Driver); ok {
			out.recovery = d.Recovery()
		}
		time.Sleep(time.Minute) // lets readings that were given up end
		assert.NoError(t, src.Close())
		assert.NoError(t, stage.buses.Close())
	})
	return out
}

// flip makes a injury that sets and unsets a switch.
func flip(b *bool) injury { return injury{func() { *b = true }, func() { *b = false }} }

// TestFaultTable plays every fault of every sensor: none may yield a wrong value,
// each must be reported with a reason, unless the sensor can put it right within
// the same reading, and after each the sensor must come back.
func TestFaultTable(t *testing.T) {
	var rows []outcome
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
	root := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, root)
		_, injurys := sc.set(s)
		for name := range injurys {
			names = append(names, name)
		}
		assert.NoError(t, s.buses.Close())
	})
	slices.Sort(names)
	return names
}

// table writes the outcomes as a Markdown table, with times as classes: chance
// spreads the moments at which a failing sensor is asked.
func table(rows []outcome) string {
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
func promise(r outcome) string {
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
