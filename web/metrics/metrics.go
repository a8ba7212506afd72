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
	if err := reg.Register(&collector{live}); err != nil {
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
type collector struct{ live web.Live }

// Describe lists nothing: each family is described where it is written, and a family
// whose value is not known is absent.
func (c *collector) Describe(chan<- *prometheus.Desc) {}

// Collect reads one snapshot.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	s := sink{ch}
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
type sink struct{ ch chan<- prometheus.Metric }

// send writes one value of a family; labels are names and values in turn.
func (s sink) send(kind prometheus.ValueType, name, help string, v float64, labels []string) {
	var names, values []string
	for i := 0; i < len(labels); i += 2 {
		names, values = append(names, labels[i]), append(values, labels[i+1])
	}
	s.ch <- prometheus.MustNewConstMetric(prometheus.NewDesc("tidemark_"+name, help, names, nil), kind, v, values...)
}

func (s sink) gauge(name, help string, v float64, labels ...string) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		s.send(prometheus.GaugeValue, name, help, v, labels)
	}
}

func (s sink) counter(name, help string, v float64, labels ...string) {
	s.send(prometheus.CounterValue, name, help, v, labels)
}

// moment writes a time; a zero one is absent.
func (s sink) moment(name, help string, t time.Time, labels ...string) {
	if !t.IsZero() {
		s.gauge(name, help, float64(t.UnixMilli())/1000, labels...)
	}
}

func (s sink) flag(name, help string, on bool, labels ...string) {
	s.gauge(name, help, map[bool]float64{true: 1}[on], labels...)
}

func (s sink) system(y web.System) {
	s.gauge("build_info", "Version of the program; always 1.", 1, "version", clean(y.Version))
	s.moment("start_timestamp_seconds", "When the service started, in Unix seconds.", y.StartedAt)
	s.flag("clock_set", "1 when the machine's clock is known to be right, else 0.", y.ClockSet)
	s.moment("heartbeat_timestamp_seconds", "When the last heartbeat was answered, in Unix seconds; absent before the first.", y.HeartbeatAt)
	s.flag("store_ok", "1 when history reaches the disk, else 0.", y.StoreProblem == "")
	s.moment("store_commit_timestamp_seconds", "When history last reached the disk, in Unix seconds; absent before the first.", y.LastCommit)
	s.gauge("store_waiting_rows", "Samples that are not on the disk yet.", float64(y.RowsWaiting))
	s.counter("store_dropped_rows_total", "Samples given up because memory was full.", float64(y.RowsDropped))
	s.counter("samples_late_total", "Samples that were due and not taken in time.", float64(y.SamplesLate))
	for _, state := range []string{"waiting", "sent", "failed", "expired", "withdrawn"} {
		s.gauge("notifications", "Messages of the outbox by state.", float64(y.NotificationsByState[state]), "state", state)
	}
}

func (s sink) vessel(v web.Vessel) {
	s.gauge("vessel_info", "What a vessel holds; always 1.", 1, "vessel", v.Vessel, "holds", string(v.Holds))
	s.flag("in_fridge", "1 while the vessel is in the fridge, else 0.", v.InFridge, "vessel", v.Vessel)
	s.counter("near_missed_total", "Times the mark was reached and no near warning had come.", float64(v.NearMissed), "vessel", v.Vessel)
	if p := v.Estimate.TargetPercent; p > 0 {
		s.gauge("target_ratio", "The mark, as a ratio; 1 means doubled.", p/100, "vessel", v.Vessel)
	}
	phase := v.Estimate.Phase
	if phase == "" {
		phase = estimator.Idle
	}
	for _, p := range phases() {
		s.flag("phase", "1 for the phase a rise is in, 0 for the others.", p == phase, "vessel", v.Vessel, "phase", string(p))
	}
}

func (s sink) estimate(v web.Vessel) {
	e := v.Estimate
	s.gauge("dough_celsius", "Temperature of the dough.", e.DoughC, "vessel", v.Vessel)
	s.gauge("air_celsius", "Temperature of the air by the vessel.", e.AirC, "vessel", v.Vessel)
	if v.AirHumidity > 0 {
		s.gauge("air_humidity_ratio", "Relative humidity of the air by the vessel, 0 to 1; absent without such a sensor.", v.AirHumidity, "vessel", v.Vessel)
	}
	s.gauge("level_meters", "Height of the surface above the vessel's floor.", e.LevelMM/1000, "vessel", v.Vessel)
	s.moment("last_seen_timestamp_seconds", "When the level was last believed, in Unix seconds.", e.LastSeen, "vessel", v.Vessel)
	for _, q := range []estimator.Quality{estimator.QualityOK, estimator.QualityGap, estimator.QualitySuspect} {
		s.flag("quality", "1 for how far the estimate rests on what is seen now, 0 for the others.", q == e.Quality, "vessel", v.Vessel, "quality", string(q))
	}
	for _, r := range estimator.Reasons() {
		s.counter("rejected_readings_total", "Readings of this rise that were not believed, by reason.", float64(e.Rejected[r]), "vessel", v.Vessel, "reason", clean(r))
	}
	if v.RiseID == 0 {
		return
	}
	s.moment("rise_start_timestamp_seconds", "When the rise started, in Unix seconds; absent while none is watched.", e.Started, "vessel", v.Vessel)
	s.gauge("rise_ratio", "Rise in volume since the start as a ratio; 1 means doubled.", e.RisePercent/100, "vessel", v.Vessel)
	s.gauge("rise_sd_ratio", "Standard deviation of the rise, as a ratio of the starting volume.", e.RiseSD/100, "vessel", v.Vessel)
	s.gauge("rise_ratio_per_second", "Speed of the rise, as a ratio of the starting volume per second.", e.RatePercentPerHour/100/3600, "vessel", v.Vessel)
	s.gauge("reach_chance_ratio", "Chance that the mark is ever reached, 0 to 1.", e.ReachChance, "vessel", v.Vessel)
	s.moment("ready_timestamp_seconds", "When the mark is or was reached, in Unix seconds: the middle of the forecast.", e.Ready.Median, "vessel", v.Vessel)
	s.moment("ready_from_timestamp_seconds", "Early end of the window that holds 8 in 10, in Unix seconds.", e.Ready.From, "vessel", v.Vessel)
	s.moment("ready_until_timestamp_seconds", "Late end of the window that holds 8 in 10, in Unix seconds.", e.Ready.Until, "vessel", v.Vessel)
}

func (s sink) alarms(v web.Vessel) {
	firing := map[alert.Kind]int{}
	for _, a := range v.Alarms {
		if a.State == alert.Firing {
			firing[a.Kind]++
		}
	}
	for _, k := range alert.Kinds() {
		s.gauge("alarms_firing", "Warnings that stand now, by kind.", float64(firing[k]), "vessel", v.Vessel, "kind", string(k))
	}
}

func (s sink) sensor(vessel string, x web.SensorHealth) {
	for _, status := range statuses() {
		s.counter("readings_total", "Readings by sensor and status.", float64(x.Readings[status]), "vessel", vessel, "sensor", x.Sensor, "status", status)
	}
	s.flag("sensor_ok", "1 when the last reading of a sensor was good, else 0.", x.Status == "ok", "vessel", vessel, "sensor", x.Sensor)
	s.moment("sensor_last_ok_timestamp_seconds", "When a sensor last gave a good reading, in Unix seconds.", x.LastOK, "vessel", vessel, "sensor", x.Sensor)
	s.counter("sensor_recoveries_total", "How often a sensor was brought back, by what was done.", float64(x.Restarts), "vessel", vessel, "sensor", x.Sensor, "by", "restart")
	s.counter("sensor_recoveries_total", "How often a sensor was brought back, by what was done.", float64(x.Resets), "vessel", vessel, "sensor", x.Sensor, "by", "reset")
	s.gauge("sensor_read_duration_seconds", "How long the last reading of a sensor took.", x.ReadSeconds, "vessel", vessel, "sensor", x.Sensor)
}

// phases are all phases a rise can be in.
func phases() []estimator.Phase {
	return []estimator.Phase{estimator.Idle, estimator.Settling, estimator.Lag, estimator.Rising, estimator.Near,
		estimator.Ready, estimator.Over, estimator.Fallen, estimator.Peak, estimator.Falling, estimator.Hungry, estimator.Ended}
}

// statuses are the verdicts on a reading, as package sensor spells them.
func statuses() []string {
	return []string{"ok", "missing", "read_failed", "bad_data", "power_on", "out_of_range", "unreliable", "stale", "stuck"}
}

// clean makes a label value valid UTF-8.
func clean(s string) string { return strings.ToValidUTF8(s, "?") }
