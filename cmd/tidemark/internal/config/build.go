package config

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"net"
	"net/url"
	"regexp"
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
		Heartbeat:   c.heartbeat(raw.Heartbeat),
	}
	for i, n := range raw.Channels {
		if ch := decodeValid[alert.ChannelSpec](c, fmt.Sprintf("channels[%d]", i), n); ch != nil {
			cfg.Channels = append(cfg.Channels, *ch)
		}
	}
	c.uniqueChannels(cfg.Channels)
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
		if first, twice := seen[v.Name]; twice && v.Name != "" {
			c.add(path+".name", "name_taken", "found", v.Name, "index", first)
		}
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
	if s == "" {
		return def
	}
	d, err := time.ParseDuration(s)
	if err != nil {
		c.add(path, "not_duration", "found", s)
		return def
	}
	if d < least || d > most {
		c.add(path, "duration_range", "found", s, "least", least.String(), "most", most.String())
		return def
	}
	return d
}

// household checks how people want to be spoken to.
func (c *collector) household(h Household) Household {
	h.Zone = time.Local
	if h.TimeZone != "" {
		zone, err := time.LoadLocation(h.TimeZone)
		if err != nil {
			c.add("household.time_zone", "not_zone", "found", h.TimeZone)
		} else {
			h.Zone = zone
		}
	}
	h.TwelveHour = c.choice("household.clock", h.Clock, "24h", "12h") == "12h"
	h.Fahrenheit = c.choice("household.temperature", h.Temperature, "celsius", "fahrenheit") == "fahrenheit"
	h.Language = c.choice("household.language", h.Language, "en", "de")
	if !(h.AltitudeM >= -430 && h.AltitudeM <= 5500) {
		c.add("household.altitude_m", "altitude", "found", h.AltitudeM)
	}
	before := len(c.found)
	c.timeOfDay("household.quiet_from", h.QuietFrom)
	c.timeOfDay("household.quiet_until", h.QuietUntil)
	if (h.QuietFrom == "") != (h.QuietUntil == "") && len(c.found) == before {
		c.add("household", "half_quiet")
	}
	return h
}

// timeOfDay checks an optional time of day.
func (c *collector) timeOfDay(path, s string) {
	if s == "" {
		return
	}
	if _, err := time.Parse("15:04", s); err != nil {
		c.add(path, "not_clock", "found", s)
	}
}

// choice checks that s is one of the options; empty means the first.
func (c *collector) choice(path, s string, options ...string) string {
	if s == "" {
		return options[0]
	}
	for _, o := range options {
		if s == o {
			return s
		}
	}
	c.add(path, "not_known", "found", s, "options", strings.Join(options, ", "))
	return options[0]
}

// web checks where the page is served.
func (c *collector) web(raw Web) Web {
	raw.Listen = cmp.Or(raw.Listen, defaultListen)
	c.address("web.listen", raw.Listen)
	if raw.MetricsListen != "" {
		c.address("web.metrics_listen", raw.MetricsListen)
	}
	if (raw.TLSCert == "") != (raw.TLSKey == "") {
		c.add("web", "half_tls")
	}
	switch {
	case raw.TLS != "" && raw.TLS != "own":
		c.add("web.tls", "tls_word", "found", raw.TLS)
	case raw.TLS != "" && raw.TLSCert != "":
		c.add("web.tls", "tls_twice")
	}
	if raw.BaseURL != "" && !isHTTP(raw.BaseURL) {
		c.add("web.base_url", "base_url", "found", raw.BaseURL)
	}
	return raw
}

// address checks a host:port.
func (c *collector) address(path, s string) {
	_, port, err := net.SplitHostPort(s)
	if err != nil || port == "" {
		c.add(path, "not_address", "found", s)
		return
	}
	if _, err := net.LookupPort("tcp", port); err != nil {
		c.add(path, "not_port", "found", port)
	}
}

// heartbeat checks the URL to ping.
func (c *collector) heartbeat(s string) string {
	if s != "" && !isHTTP(s) {
		c.add("heartbeat_url", "heartbeat", "found", s)
	}
	return s
}

// isHTTP reports whether s is an absolute http or https URL.
func isHTTP(s string) bool {
	u, err := url.Parse(s)
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host != ""
}

// uniqueChannels refuses two channels of one name.
func (c *collector) uniqueChannels(specs []alert.ChannelSpec) {
	seen := map[string]bool{}
	for i, s := range specs {
		if seen[s.Name] {
			c.add(fmt.Sprintf("channels[%d].name", i), "channel_twice", "found", s.Name)
		}
		seen[s.Name] = true
	}
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
		Name:          raw.Name,
		TargetPercent: defaultTargetPercent,
		Lead:          c.duration(path+".lead", raw.Lead, defaultLead, 0, 6*time.Hour),
		LostAfter:     c.duration(path+".lost_after", raw.LostAfter, defaultLostAfter, time.Minute, time.Hour),
	}
	if raw.ProofOf != "" || raw.SampleOf != "" {
		v.TargetPercent = bake.ProofTargetPercent
	}
	if !vesselName.MatchString(raw.Name) {
		c.add(path+".name", "vessel_name", "found", raw.Name)
	}
	v.Holds = c.holds(path+".holds", raw.Holds)
	v.ByHand = byHand(raw.Height)
	if !v.ByHand || raw.FloorMM != nil {
		v.FloorMM = c.floor(path+".floor_mm", raw.FloorMM)
	}
	if !v.ByHand || raw.Profile != nil {
		v.Profile = c.profile(path+".profile", raw.Profile)
	}
	if v.Profile != nil && v.FloorMM > 0 && v.Profile.TopMM() > v.FloorMM {
		c.add(path+".floor_mm", "floor_inside", "found", v.FloorMM, "top", v.Profile.TopMM())
	}
	c.target(path, raw, &v)
	switch {
	case need != Sensors:
	case v.ByHand: // nothing to read
	default:
		v.Height = c.source(path+".height", raw.Height, sensor.Distance)
	}
	if need == Sensors {
		v.Dough = c.source(path+".dough", raw.Dough, sensor.Temperature)
		v.Air = c.source(path+".air", raw.Air, sensor.Temperature)
		v.Humidity = c.source(path+".humidity", raw.Humidity, sensor.Humidity)
		if raw.Height == nil {
			c.add(path+".height", "no_height", "example", `{kind: iio, device: "iio:device0"}`, "hand", "{kind: hand}")
		}
	}
	c.bread(path, raw, need, &v)
	return v
}

// byHand reports whether the height is said to be told by eye. Any other key beside
// the kind is left to the check of sensors to refuse.
func byHand(height ast.Node) bool {
	var only map[string]string
	return height != nil && yaml.NodeToValue(height, &only) == nil && len(only) == 1 && only["kind"] == "hand"
}

// holds checks what is in the vessel.
func (c *collector) holds(path, s string) estimator.Holds {
	switch h := estimator.Holds(s); h {
	case estimator.Dough, estimator.Starter:
		return h
	case "":
		c.add(path, "holds_missing")
	default:
		c.add(path, "holds", "found", s)
	}
	return estimator.Dough
}

// floor checks the distance to the empty vessel's floor.
func (c *collector) floor(path string, mm *float64) float64 {
	switch {
	case mm == nil:
		c.add(path, "floor_missing")
	case !(*mm > 0) || math.IsInf(*mm, 0):
		c.add(path, "floor", "found", *mm)
	case *mm > 4000:
		c.add(path, "floor_far", "found", *mm)
	default:
		return *mm
	}
	return 0
}

// target checks the mark: a number, or a table by dough temperature.
func (c *collector) target(path string, raw *vesselFile, v *Vessel) {
	if p := raw.TargetPercent; p != nil {
		if !(*p >= 5 && *p <= 400) {
			c.add(path+".target_percent", "target", "found", *p)
			return
		}
		v.TargetPercent = *p
		return // the user's own number always wins over a table
	}
	table, _ := c.pairs(path+".target_by_dough_c", raw.TargetTable, "pair_target")
	for i, row := range table {
		switch {
		case !(row[0] >= 0 && row[0] <= 45) || !(row[1] >= 5 && row[1] <= 400):
			c.add(path+".target_by_dough_c", "target_row", "row", i+1, "warmth", row[0], "rise", row[1])
			return
		case i > 0 && row[0] <= table[i-1][0]:
			c.add(path+".target_by_dough_c", "target_order", "row", i+1, "found", row[0], "before", table[i-1][0])
			return
		}
	}
	v.TargetTable = table
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
