package config

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/sensor"
)

// Defaults of keys that may be left out.
const (
	defaultListen        = "127.0.0.1:8080"
	defaultSysfs         = "/sys"
	defaultStateDir      = "/var/lib/tidemark"
	defaultSampleEvery   = 5 * time.Second
	defaultLead          = 30 * time.Minute
	defaultLostAfter     = 5 * time.Minute
	defaultTargetPercent = 100
)

// build turns the raw file into a Config, collecting every problem.
func (c *collector) build(raw *file, need Need) *Config {
	cfg := &Config{
		Household:   c.household(raw.Household),
		StateDir:    cmp.Or(raw.StateDir, defaultStateDir),
		Sysfs:       cmp.Or(raw.Sysfs, defaultSysfs),
		SampleEvery: c.duration("sample_every", raw.SampleEvery, defaultSampleEvery, time.Second, time.Minute),
		Web:         c.web(raw.Web),
		Heartbeat:   raw.Heartbeat,
	}
	c.want(isHTTP(raw.Heartbeat), "heartbeat_url", "heartbeat", "found", raw.Heartbeat)
	names := map[string]bool{}
	for i, n := range raw.Channels {
		path := fmt.Sprintf("channels[%d]", i)
		if ch := decodeValid[alert.ChannelSpec](c, path, n); ch != nil {
			c.want(!names[ch.Name], path+".name", "channel_twice", "found", ch.Name)
			names[ch.Name] = true
			cfg.Channels = append(cfg.Channels, *ch)
		}
	}
	if len(raw.Vessels) == 0 {
		cfg.Notes = append(cfg.Notes, say("no_vessel"))
	}
	seen := map[string]int{}
	for i, n := range raw.Vessels {
		path := fmt.Sprintf("vessels[%d]", i)
		var one vesselFile
		if !c.decode(path, n, &one) {
			continue
		}
		v := c.vessel(path, &one, need)
		first, twice := seen[v.Name]
		c.want(!twice || v.Name == "", path+".name", "name_taken", "found", v.Name, "index", first)
		seen[v.Name] = i
		cfg.Vessels = append(cfg.Vessels, v)
	}
	cfg.logIn()
	if len(cfg.Vessels) == len(raw.Vessels) { // else one that could not be read may be the one named
		c.relations(cfg.Vessels)
	}
	return cfg
}

// Login is who we are to a broker to which messages go too; ok is false when none do.
func (c *Config) Login(broker string) (login sensor.Login, ok bool) {
	for _, x := range c.Channels {
		if x.Kind == alert.MQTTChannel && x.URL == broker {
			return sensor.Login{User: x.User, Password: x.Password.Reveal(), PasswordFile: x.PassFile, CAFile: x.CAFile}, true
		}
	}
	return login, false
}

// logIn gives sensors at a broker to which messages go too the same login, unless they
// name a user of their own.
func (c *Config) logIn() {
	for _, v := range c.Vessels {
		for _, s := range v.Sensors() {
			if m, is := s.Config.(*sensor.MQTT); is && m.User == "" {
				m.Login, _ = c.Login(m.Broker)
			}
		}
	}
}

// duration parses a duration between least and most.
func (c *collector) duration(path, s string, def, least, most time.Duration) time.Duration {
	d, err := time.ParseDuration(cmp.Or(s, def.String()))
	if c.want(err == nil, path, "not_duration", "found", s) {
		c.want(d >= least && d <= most, path, "duration_range", "found", s, "least", least.String(), "most", most.String())
	}
	return d
}

// household checks how people want to be spoken to.
func (c *collector) household(h Household) Household {
	var err error
	h.Zone = time.Local
	if h.TimeZone != "" {
		h.Zone, err = time.LoadLocation(h.TimeZone)
		c.want(err == nil, "household.time_zone", "not_zone", "found", h.TimeZone)
	}
	h.TwelveHour = c.choice("household.clock", h.Clock, "24h", "12h") == "12h"
	h.Fahrenheit = c.choice("household.temperature", h.Temperature, "celsius", "fahrenheit") == "fahrenheit"
	h.Language = c.choice("household.language", h.Language, "en", "de")
	c.want(h.AltitudeM >= -430 && h.AltitudeM <= 5500, "household.altitude_m", "altitude", "found", h.AltitudeM)
	_, errFrom := time.Parse("15:04", h.QuietFrom)
	_, errUntil := time.Parse("15:04", h.QuietUntil)
	from := c.want(h.QuietFrom == "" || errFrom == nil, "household.quiet_from", "not_clock", "found", h.QuietFrom)
	until := c.want(h.QuietUntil == "" || errUntil == nil, "household.quiet_until", "not_clock", "found", h.QuietUntil)
	c.want(!from || !until || (h.QuietFrom == "") == (h.QuietUntil == ""), "household", "half_quiet")
	return h
}

// choice checks that s is one of the options; empty means the first.
func (c *collector) choice(path, s string, options ...string) string {
	s = cmp.Or(s, options[0])
	c.want(slices.Contains(options, s), path, "not_known", "found", s, "options", strings.Join(options, ", "))
	return s
}

// web checks where the page is served.
func (c *collector) web(raw Web) Web {
	raw.Listen = cmp.Or(raw.Listen, defaultListen)
	c.address("web.listen", raw.Listen)
	c.address("web.metrics_listen", raw.MetricsListen)
	c.want((raw.TLSCert == "") == (raw.TLSKey == ""), "web", "half_tls")
	if c.want(raw.TLS == "" || raw.TLS == "own", "web.tls", "tls_word", "found", raw.TLS) {
		c.want(raw.TLS == "" || raw.TLSCert == "", "web.tls", "tls_twice")
	}
	c.want(isHTTP(raw.BaseURL), "web.base_url", "base_url", "found", raw.BaseURL)
	return raw
}

// address checks a host:port, where there is one.
func (c *collector) address(path, s string) {
	_, port, err := net.SplitHostPort(cmp.Or(s, defaultListen))
	if c.want(err == nil && port != "", path, "not_address", "found", s) {
		_, err = net.LookupPort("tcp", port)
		c.want(err == nil, path, "not_port", "found", port)
	}
}

// isHTTP reports whether s is an absolute http or https URL, or nothing.
func isHTTP(s string) bool {
	u, err := url.Parse(s)
	return s == "" || err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host != ""
}

// fieldError records what the owner of a part of the file says about it.
func (c *collector) fieldError(path string, err error) {
	var sensors *sensor.FieldError
	var others bake.FieldError
	field, said := "", say("other", "message", err.Error())
	switch {
	case errors.As(err, &sensors):
		field, said = sensors.Field, bake.Said(sensors.Said)
	case errors.As(err, &others):
		field, said = others.Field, others.Said
	}
	if field != "" {
		path += "." + field
	}
	line, col := c.place(path)
	c.addAt(line, col, path, said)
}

// vesselName is what may stand in topics, labels and file names.
var vesselName = regexp.MustCompile(`^[\p{L}\p{N}][\p{L}\p{N} _-]{0,39}$`)

// vessel checks one vessel.
func (c *collector) vessel(path string, raw *vesselFile, need Need) Vessel {
	v := Vessel{
		Name: raw.Name, Holds: estimator.Holds(raw.Holds), ByHand: byHand(raw.Height), ProofOf: raw.ProofOf, SampleOf: raw.SampleOf,
		Lead:      c.duration(path+".lead", raw.Lead, defaultLead, 0, 6*time.Hour),
		LostAfter: c.duration(path+".lost_after", raw.LostAfter, defaultLostAfter, time.Minute, time.Hour),
	}
	c.want(vesselName.MatchString(raw.Name), path+".name", "vessel_name", "found", raw.Name)
	if c.want(raw.Holds != "", path+".holds", "holds_missing") {
		c.want(v.Holds == estimator.Dough || v.Holds == estimator.Starter, path+".holds", "holds", "found", raw.Holds)
	}
	if !v.ByHand || raw.FloorMM != nil {
		v.FloorMM = c.floor(path+".floor_mm", raw.FloorMM)
	}
	if !v.ByHand || raw.Profile != nil {
		v.Profile = c.profile(path+".profile", raw.Profile)
	}
	if v.Profile != nil && v.FloorMM > 0 {
		c.want(v.Profile.TopMM() <= v.FloorMM, path+".floor_mm", "floor_inside", "found", v.FloorMM, "top", v.Profile.TopMM())
	}
	c.target(path, raw, &v)
	if raw.Batch != nil {
		v.Batch = decodeValid[bake.Batch](c, path+".batch", raw.Batch)
	}
	if raw.Feed != nil {
		v.Feed = decodeValid[bake.Feed](c, path+".feed", raw.Feed)
	}
	if need == Sensors {
		if c.want(raw.Height != nil, path+".height", "no_height", "example", `{kind: iio, device: "iio:device0"}`, "hand", "{kind: hand}") && !v.ByHand {
			v.Height = c.source(path+".height", raw.Height, sensor.Distance)
		}
		v.Dough = c.source(path+".dough", raw.Dough, sensor.Temperature)
		v.Air = c.source(path+".air", raw.Air, sensor.Temperature)
		v.Humidity = c.source(path+".humidity", raw.Humidity, sensor.Humidity)
		v.Loaf = c.source(path+".loaf", raw.Loaf, sensor.Temperature)
	}
	c.want(v.Feed == nil || v.Holds == estimator.Starter, path+".feed", "feed_of_dough")
	c.want(v.Loaf == nil || v.Holds != estimator.Starter, path+".loaf", "loaf_of_starter")
	return v
}

// byHand reports whether the height is said to be told by eye. Any other key beside
// the kind is left to the check of sensors to refuse.
func byHand(height ast.Node) bool {
	var only map[string]string
	return height != nil && yaml.NodeToValue(height, &only) == nil && len(only) == 1 && only["kind"] == "hand"
}

// floor checks the distance to the empty vessel's floor.
func (c *collector) floor(path string, mm *float64) float64 {
	if !c.want(mm != nil, path, "floor_missing") || !c.want(*mm > 0 && !math.IsInf(*mm, 0), path, "floor", "found", *mm) || !c.want(*mm <= 4000, path, "floor_far", "found", *mm) {
		return 0
	}
	return *mm
}

// target checks the mark: a number, or a table by dough temperature, over which the
// number wins.
func (c *collector) target(path string, raw *vesselFile, v *Vessel) {
	v.TargetPercent = defaultTargetPercent
	if raw.ProofOf != "" || raw.SampleOf != "" {
		v.TargetPercent = bake.ProofTargetPercent
	}
	fits := func(percent float64) bool { return percent >= 5 && percent <= 400 }
	if p := raw.TargetPercent; p != nil {
		v.TargetPercent = *p
		c.want(fits(*p), path+".target_percent", "target", "found", *p)
		return
	}
	path += ".target_by_dough_c"
	v.TargetTable, _ = c.pairs(path, raw.TargetTable, "pair_target")
	before := math.Inf(-1)
	for i, row := range v.TargetTable {
		if !c.want(row[0] >= 0 && row[0] <= 45 && fits(row[1]), path, "target_row", "row", i+1, "warmth", row[0], "rise", row[1]) ||
			!c.want(row[0] > before, path, "target_order", "row", i+1, "found", row[0], "before", before) {
			return
		}
		before = row[0]
	}
}

// source decodes and checks one sensor; nil when it is not given.
func (c *collector) source(path string, n ast.Node, q sensor.Quantity) sensor.Config {
	if n == nil {
		return nil
	}
	conf, err := sensor.Decode(n, q)
	var field *sensor.FieldError
	switch {
	case errors.As(err, &field):
		c.fieldError(path, err)
	case err != nil:
		c.addYAML(path, err)
	default:
		return conf
	}
	return nil
}

// relations checks which vessel stands for whose final proof: a basket under a
// sensor (proof_of) or a small jar of the same dough (sample_of). Each tub has at
// most one of each.
func (c *collector) relations(vessels []Vessel) {
	named := map[string]int{}
	for i, v := range vessels {
		for _, r := range []struct{ key, of string }{{"proof_of", v.ProofOf}, {"sample_of", v.SampleOf}} {
			if r.of == "" {
				continue
			}
			path := fmt.Sprintf("vessels[%d].%s", i, r.key)
			why := unfit(vessels, v, r.of)
			if first, twice := named[r.key+r.of]; c.want(why == "", path, why, "found", r.of) {
				c.want(!twice, path, "stands_twice", "found", r.of, "index", first)
				named[r.key+r.of] = i
			}
		}
	}
}

// unfit is the key that says why a vessel cannot stand for the proof of another; empty
// when it can.
func unfit(vessels []Vessel, v Vessel, of string) string {
	switch {
	case v.ProofOf != "" && v.SampleOf != "":
		return "stands_both"
	case of == v.Name:
		return "stands_itself"
	case v.Holds != estimator.Dough:
		return "stands_starter"
	case v.Batch != nil:
		return "stands_batch"
	}
	i := slices.IndexFunc(vessels, func(o Vessel) bool { return o.Name == of })
	switch {
	case i < 0:
		return "stands_nobody"
	case vessels[i].Holds != estimator.Dough:
		return "stands_for_starter"
	case vessels[i].ProofOf != "" || vessels[i].SampleOf != "":
		return "stands_chain"
	}
	return ""
}
