// Package metrics exports what is watched in the Prometheus text format.
//
// Units are the base units of Prometheus (prometheus.io/docs/practices/naming):
// ratios 0..1 and above (a doubled dough has a rise ratio of 1), degrees
// Celsius, metres, seconds, and Unix seconds for moments.
//
// Invariants: a value that is not known is absent, never NaN. Counters exist
// from the start, at 0. Labels hold names from the configuration and fixed
// words alone, so their number is bounded. The registry is the package's own.
//
// It reads a snapshot at each scrape and keeps no state.
package metrics

import (
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"tidemark/alert"
	"tidemark/estimator"
	"tidemark/web"
)

// Options choose what is exported beside the vessels.
type Options struct {
	Process bool // Go runtime and process figures too
	Log     *slog.Logger
}

// New returns the handler of /metrics. It fails only if two collectors share a
// name, which a test would have found.
func New(live web.Live, opt Options) (http.Handler, error) {
	reg := prometheus.NewRegistry()
	if err := reg.Register(newCollector(live)); err != nil {
		return nil, fmt.Errorf("metrics: %w", err)
	}
	if opt.Process {
		for _, c := range []prometheus.Collector{collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})} {
			if err := reg.Register(c); err != nil {
				return nil, fmt.Errorf("metrics: %w", err)
			}
		}
	}
	h := promhttp.HandlerOpts{MaxRequestsInFlight: 4, Timeout: 10 * time.Second}
	if opt.Log != nil {
		h.ErrorLog = slog.NewLogLogger(opt.Log.Handler(), slog.LevelWarn)
	}
	return promhttp.HandlerFor(reg, h), nil
}

// collector turns snapshots into metrics.
type collector struct {
	live web.Live
	d    map[string]*prometheus.Desc
	all  []*prometheus.Desc
}

// metric describes one family.
type metric struct {
	name   string
	help   string
	labels []string
}

// families are all metrics.
func families() []metric {
	v := []string{"vessel"}
	vs := []string{"vessel", "sensor"}
	return []metric{
		{"build_info", "Version of the program; always 1.", []string{"version"}},
		{"start_timestamp_seconds", "When the service started, in Unix seconds.", nil},
		{"clock_set", "1 when the machine's clock is known to be right, else 0.", nil},
		{"heartbeat_timestamp_seconds", "When the last heartbeat was answered, in Unix seconds; absent before the first.", nil},
		{"store_ok", "1 when history reaches the disk, else 0.", nil},
		{"store_commit_timestamp_seconds", "When history last reached the disk, in Unix seconds; absent before the first.", nil},
		{"store_waiting_rows", "Samples that are not on the disk yet.", nil},
		{"store_dropped_rows_total", "Samples given up because memory was full.", nil},
		{"samples_late_total", "Samples that were due and not taken in time.", nil},
		{"notifications", "Messages of the outbox by state.", []string{"state"}},
		{"vessel_info", "What a vessel holds; always 1.", []string{"vessel", "holds"}},
		{"rise_ratio", "Rise in volume since the start as a ratio; 1 means doubled.", v},
		{"rise_sd_ratio", "Standard deviation of the rise, as a ratio of the starting volume.", v},
		{"rise_ratio_per_second", "Speed of the rise, as a ratio of the starting volume per second.", v},
		{"target_ratio", "The mark, as a ratio; 1 means doubled.", v},
		{"ready_timestamp_seconds", "When the mark is or was reached, in Unix seconds: the middle of the forecast.", v},
		{"ready_from_timestamp_seconds", "Early end of the window that holds 8 in 10, in Unix seconds.", v},
		{"ready_until_timestamp_seconds", "Late end of the window that holds 8 in 10, in Unix seconds.", v},
		{"reach_chance_ratio", "Chance that the mark is ever reached, 0 to 1.", v},
		{"phase", "1 for the phase a rise is in, 0 for the others.", []string{"vessel", "phase"}},
		{"quality", "1 for how far the estimate rests on what is seen now, 0 for the others.", []string{"vessel", "quality"}},
		{"in_fridge", "1 while the vessel is in the fridge, else 0.", v},
		{"dough_celsius", "Temperature of the dough.", v},
		{"air_celsius", "Temperature of the air by the vessel.", v},
		{"air_humidity_ratio", "Relative humidity of the air by the vessel, 0 to 1; absent without such a sensor.", v},
		{"level_meters", "Height of the surface above the vessel's floor.", v},
		{"rise_start_timestamp_seconds", "When the rise started, in Unix seconds; absent while none is watched.", v},
		{"last_seen_timestamp_seconds", "When the level was last believed, in Unix seconds.", v},
		{"rejected_readings_total", "Readings of this rise that were not believed, by reason.", []string{"vessel", "reason"}},
		{"near_missed_total", "Times the mark was reached and no near warning had come.", v},
		{"alarms_firing", "Warnings that stand now, by kind.", []string{"vessel", "kind"}},
		{"readings_total", "Readings by sensor and status.", []string{"vessel", "sensor", "status"}},
		{"sensor_ok", "1 when the last reading of a sensor was good, else 0.", vs},
		{"sensor_last_ok_timestamp_seconds", "When a sensor last gave a good reading, in Unix seconds.", vs},
		{"sensor_recoveries_total", "How often a sensor was brought back, by what was done.", []string{"vessel", "sensor", "by"}},
		{"sensor_read_duration_seconds", "How long the last reading of a sensor took.", vs},
	}
}

func newCollector(live web.Live) *collector {
	c := &collector{live: live, d: map[string]*prometheus.Desc{}}
	for _, m := range families() {
		d := prometheus.NewDesc("tidemark_"+m.name, m.help, m.labels, nil)
		c.d[m.name] = d
		c.all = append(c.all, d)
	}
	return c
}

// Describe lists the families.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range c.all {
		ch <- d
	}
}

// Collect reads one snapshot.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	s := sink{c.d, ch}
	snap := c.live.Snapshot()
	s.system(snap.System)
	for _, v := range snap.Vessels {
		s.vessel(v)
		s.estimate(v)
		s.alarms(v)
		for _, x := range v.Sensors {
			s.sensor(v.Vessel, x)
		}
	}
}

// sink writes metrics and leaves out what is not known.
type sink struct {
	d  map[string]*prometheus.Desc
	ch chan<- prometheus.Metric
}

func (s sink) gauge(name string, v float64, labels ...string) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	s.ch <- prometheus.MustNewConstMetric(s.d[name], prometheus.GaugeValue, v, labels...)
}

func (s sink) counter(name string, v float64, labels ...string) {
	s.ch <- prometheus.MustNewConstMetric(s.d[name], prometheus.CounterValue, v, labels...)
}

// moment writes a time; a zero one is absent.
func (s sink) moment(name string, t time.Time, labels ...string) {
	if !t.IsZero() {
		s.gauge(name, float64(t.UnixMilli())/1000, labels...)
	}
}

func (s sink) flag(name string, on bool, labels ...string) {
	v := 0.0
	if on {
		v = 1
	}
	s.gauge(name, v, labels...)
}

func (s sink) system(y web.System) {
	s.gauge("build_info", 1, clean(y.Version))
	s.moment("start_timestamp_seconds", y.StartedAt)
	s.flag("clock_set", y.ClockSet)
	s.moment("heartbeat_timestamp_seconds", y.HeartbeatAt)
	s.flag("store_ok", y.StoreProblem == "")
	s.moment("store_commit_timestamp_seconds", y.LastCommit)
	s.gauge("store_waiting_rows", float64(y.RowsWaiting))
	s.counter("store_dropped_rows_total", float64(y.RowsDropped))
	s.counter("samples_late_total", float64(y.SamplesLate))
	for _, state := range []string{"waiting", "sent", "failed", "expired", "withdrawn"} {
		s.gauge("notifications", float64(y.NotificationsByState[state]), state)
	}
}

func (s sink) vessel(v web.Vessel) {
	s.gauge("vessel_info", 1, v.Vessel, string(v.Holds))
	s.flag("in_fridge", v.InFridge, v.Vessel)
	s.counter("near_missed_total", float64(v.NearMissed), v.Vessel)
	if p := v.Estimate.TargetPercent; p > 0 {
		s.gauge("target_ratio", p/100, v.Vessel)
	}
	phase := v.Estimate.Phase
	if phase == "" {
		phase = estimator.Idle
	}
	for _, p := range phases() {
		s.flag("phase", p == phase, v.Vessel, string(p))
	}
}

func (s sink) estimate(v web.Vessel) {
	e := v.Estimate
	s.gauge("dough_celsius", e.DoughC, v.Vessel)
	s.gauge("air_celsius", e.AirC, v.Vessel)
	if v.AirHumidity > 0 {
		s.gauge("air_humidity_ratio", v.AirHumidity, v.Vessel)
	}
	s.gauge("level_meters", e.LevelMM/1000, v.Vessel)
	s.moment("last_seen_timestamp_seconds", e.LastSeen, v.Vessel)
	for _, q := range []estimator.Quality{estimator.QualityOK, estimator.QualityGap, estimator.QualitySuspect} {
		s.flag("quality", q == e.Quality, v.Vessel, string(q))
	}
	for _, r := range rejectReasons(e.Rejected) {
		s.counter("rejected_readings_total", float64(e.Rejected[r]), v.Vessel, clean(r))
	}
	if v.RiseID == 0 {
		return
	}
	s.moment("rise_start_timestamp_seconds", e.Started, v.Vessel)
	s.gauge("rise_ratio", e.RisePercent/100, v.Vessel)
	s.gauge("rise_sd_ratio", e.RiseSD/100, v.Vessel)
	s.gauge("rise_ratio_per_second", e.RatePercentPerHour/100/3600, v.Vessel)
	s.gauge("reach_chance_ratio", e.ReachChance, v.Vessel)
	s.moment("ready_timestamp_seconds", e.Ready.Median, v.Vessel)
	s.moment("ready_from_timestamp_seconds", e.Ready.From, v.Vessel)
	s.moment("ready_until_timestamp_seconds", e.Ready.Until, v.Vessel)
}

func (s sink) alarms(v web.Vessel) {
	firing := map[alert.Kind]int{}
	for _, a := range v.Alarms {
		if a.State == alert.Firing {
			firing[a.Kind]++
		}
	}
	for _, k := range kinds() {
		s.gauge("alarms_firing", float64(firing[k]), v.Vessel, string(k))
	}
}

func (s sink) sensor(vessel string, x web.SensorHealth) {
	for _, status := range statuses() {
		s.counter("readings_total", float64(x.Readings[status]), vessel, x.Sensor, status)
	}
	s.flag("sensor_ok", x.Status == "ok", vessel, x.Sensor)
	s.moment("sensor_last_ok_timestamp_seconds", x.LastOK, vessel, x.Sensor)
	s.counter("sensor_recoveries_total", float64(x.Restarts), vessel, x.Sensor, "restart")
	s.counter("sensor_recoveries_total", float64(x.Resets), vessel, x.Sensor, "reset")
	s.gauge("sensor_read_duration_seconds", x.ReadSeconds, vessel, x.Sensor)
}

// phases are all phases a rise can be in.
func phases() []estimator.Phase {
	return []estimator.Phase{estimator.Idle, estimator.Settling, estimator.Lag, estimator.Rising, estimator.Near,
		estimator.Ready, estimator.Over, estimator.Fallen, estimator.Peak, estimator.Falling, estimator.Hungry, estimator.Ended}
}

// kinds are all kinds of warnings.
func kinds() []alert.Kind {
	return []alert.Kind{alert.Near, alert.Reached, alert.Over, alert.LevelsOff, alert.StarterPeak, alert.StarterFalling,
		alert.StarterHungry, alert.StepDue, alert.PlanMoved, alert.LookDue, alert.InTime, alert.TooCold, alert.TooHot, alert.OvenHeating, alert.SensorLost, alert.SensorSuspect, alert.ProbeLost,
		alert.ClockNotSet, alert.DiskNearlyFull, alert.UnderVoltage, alert.NobodyWatched}
}

// statuses are the verdicts on a reading, as package sensor spells them.
func statuses() []string {
	return []string{"ok", "missing", "read_failed", "bad_data", "power_on", "out_of_range", "unreliable", "stale", "stuck"}
}

// rejectReasons are the reasons in a fixed order: all there are, counted yet or
// not, so that the counters exist from the start.
func rejectReasons(m map[string]int) []string {
	out := estimator.Reasons()
	for r := range m {
		if !slices.Contains(out, r) {
			out = append(out, r)
		}
	}
	slices.Sort(out)
	return out
}

// clean makes a label value valid UTF-8.
func clean(s string) string { return strings.ToValidUTF8(s, "?") }
