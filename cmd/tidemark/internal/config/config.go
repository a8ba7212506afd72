package config

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/estimator/geometry"
	"tidemark/sensor"
)

// Config is a checked configuration.
type Config struct {
	File        string
	Household   Household
	StateDir    string        // where history and alarms are kept
	Sysfs       string        // root of the kernel's sysfs, normally /sys
	SampleEvery time.Duration // how often every vessel is read
	Web         Web
	Channels    []alert.ChannelSpec
	Heartbeat   string // URL pinged while all is well; empty for none
	Vessels     []Vessel
	Notes       []bake.Said // what does not stop a start but should be known
}

// Household is how the people in it like to be spoken to.
type Household struct {
	Zone       *time.Location `yaml:"-"`
	TwelveHour bool           `yaml:"-"`
	Fahrenheit bool           `yaml:"-"`

	// As the file has them.
	TimeZone    string  `yaml:"time_zone" set:""`
	Clock       string  `yaml:"clock" set:"24h"`
	Temperature string  `yaml:"temperature" set:"celsius"`
	Language    string  `yaml:"language" set:"en"` // en or de
	AltitudeM   float64 `yaml:"altitude_m" set:""` // of the kitchen above the sea
	QuietFrom   string  `yaml:"quiet_from" set:""` // 15:04, empty for no quiet hours
	QuietUntil  string  `yaml:"quiet_until" set:""`
}

// Sleep returns when the household sleeps, minutes of the day: its quiet hours, else
// zeros.
func (h Household) Sleep() (bedMin, wakeMin int) {
	from, err1 := time.Parse("15:04", h.QuietFrom)
	until, err2 := time.Parse("15:04", h.QuietUntil)
	if err1 != nil || err2 != nil { // there are none
		return 0, 0
	}
	return from.Hour()*60 + from.Minute(), until.Hour()*60 + until.Minute()
}

// Dough returns the vessel of that name, or without one the first that holds the dough
// of a bulk.
func (c *Config) Dough(name string) (Vessel, error) {
	for _, v := range c.Vessels {
		if name == "" && v.Holds == estimator.Dough && v.ProofOf == "" && v.SampleOf == "" {
			return v, nil
		}
	}
	return c.Vessel(name)
}

// Web is where the page, the API and the metrics are served.
type Web struct {
	Listen        string   `yaml:"listen"`
	MetricsListen string   `yaml:"metrics_listen"`
	Hosts         []string `yaml:"hosts"`
	OpenReading   bool     `yaml:"open_reading"`
	TLS           string   `yaml:"tls"` // "own": over TLS with a certificate that the page makes itself
	TLSCert       string   `yaml:"tls_cert"`
	TLSKey        string   `yaml:"tls_key"`
	BaseURL       string   `yaml:"base_url" set:""`
}

// Secure reports whether the page is served over TLS.
func (w Web) Secure() bool { return w.TLS != "" || w.TLSCert != "" }

// Scheme is how the page's address begins.
func (w Web) Scheme() string {
	if w.Secure() {
		return "https"
	}
	return "http"
}

// LocalOnly says that the page answers nobody but this machine.
func (w Web) LocalOnly() bool {
	host, _, err := net.SplitHostPort(w.Listen)
	return err == nil && (host == "localhost" || net.ParseIP(host).IsLoopback())
}

// Hints says what works, but not as a household may expect.
func (c *Config) Hints() []bake.Said {
	if len(c.Channels) == 0 || c.Web.BaseURL != "" {
		return nil
	}
	return []bake.Said{say("no_buttons")}
}

// Vessel is one jar, tub or basket with a sensor over it.
type Vessel struct {
	Name          string
	Holds         estimator.Holds
	FloorMM       float64
	Profile       *geometry.Profile
	TargetPercent float64
	TargetTable   [][2]float64 // dough Celsius, rise percent; nil when the target is a number
	Lead          time.Duration
	LostAfter     time.Duration
	Height        sensor.Config // nil when not given
	ByHand        bool          // no sensor sees the height: looks by eye alone; FloorMM and Profile are not needed
	Dough         sensor.Config
	Air           sensor.Config
	Humidity      sensor.Config // of the air, for the speed of sound
	Batch         *bake.Batch
	Feed          *bake.Feed    // usual feeding of a starter; nil when not given
	Loaf          sensor.Config // the probe in the loaf; nil when there is none
	ProofOf       string        // the vessel whose shaped dough proofs here; empty for none
	SampleOf      string        // the vessel whose sample jar this is; empty for none
}

// Need says what a command wants from the configuration.
type Need int

// The needs.
const (
	Sensors        Need = iota // sensor keys are required and checked
	WithoutSensors             // sensor keys are passed over unread
)

// file is the shape of the YAML with what may be set from outside it; what other packages own stays a node.
type file struct {
	Household   Household  `yaml:"household"`
	StateDir    string     `yaml:"state_dir"`
	Sysfs       string     `yaml:"sysfs"`
	SampleEvery string     `yaml:"sample_every"`
	Web         Web        `yaml:"web"`
	Channels    []ast.Node `yaml:"channels"`
	Heartbeat   string     `yaml:"heartbeat_url"`
	Vessels     []ast.Node `yaml:"vessels"`
}

type vesselFile struct {
	Name          string      `yaml:"name" set:""`
	Holds         string      `yaml:"holds" set:""`
	ProofOf       string      `yaml:"proof_of" set:""`
	SampleOf      string      `yaml:"sample_of" set:""`
	FloorMM       *float64    `yaml:"floor_mm" set:""`
	Profile       ast.Node    `yaml:"profile" set:""`
	Height        ast.Node    `yaml:"height" set:""`
	Dough         ast.Node    `yaml:"dough" set:""`
	Air           ast.Node    `yaml:"air" set:""`
	Humidity      ast.Node    `yaml:"humidity" set:""`
	Loaf          ast.Node    `yaml:"loaf" set:""`
	TargetPercent *float64    `yaml:"target_percent" set:""`
	TargetTable   [][]float64 `yaml:"target_by_dough_c"`
	Lead          string      `yaml:"lead" set:""`
	LostAfter     string      `yaml:"lost_after" set:""`
	Batch         ast.Node    `yaml:"batch" set:""`
	Feed          ast.Node    `yaml:"feed" set:""`
}

// Load reads and checks a configuration file. The error is a Problems when the
// file could be read but not accepted.
func Load(path string, need Need) (*Config, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, fmt.Errorf("the configuration cannot be read: %w; name the file with --config", err)
	}
	return Parse(path, data, need)
}

// StateDir returns state_dir of a configuration file and looks at nothing else of
// it: a mistake elsewhere must not keep anybody from the history. It is empty when
// there is no such file or key.
func StateDir(path string) (dir string, err error) {
	data, err := readFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", nil
	case err != nil:
		return "", fmt.Errorf("the configuration cannot be read: %w", err)
	}
	c := &collector{name: path}
	defer c.guard(&err)
	c.document(data)
	tree, _ := decode(data) // what is wrong is found already
	dir, _ = lookup(tree, step{key: "state_dir"}).(string)
	return dir, c.err()
}

// Parse checks a configuration held in memory; name stands in its errors.
func Parse(name string, data []byte, need Need) (cfg *Config, err error) {
	c := &collector{name: name}
	defer c.guard(&err)
	var raw file
	if body := c.document(data); body != nil {
		c.decode("", body, &raw)
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	cfg = c.build(&raw, need)
	if err := c.err(); err != nil {
		return nil, err
	}
	cfg.File = name
	return cfg, nil
}

// Vessel returns the vessel of that name, or the only one when name is empty. The error
// is a Problem.
func (c *Config) Vessel(name string) (Vessel, error) {
	i := slices.IndexFunc(c.Vessels, func(v Vessel) bool { return v.Name == name || name == "" && len(c.Vessels) == 1 })
	if i >= 0 {
		return c.Vessels[i], nil
	}
	p := Problem{Said: say("no_such_vessel", "file", c.File, "found", name, "names", c.names()), language: c.Household.Language}
	switch {
	case len(c.Vessels) == 0:
		p.File, p.Said = c.File, say("no_vessel")
	case name == "":
		p.Said = say("which_vessel", "file", c.File, "n", len(c.Vessels), "names", c.names())
	}
	return Vessel{}, p
}

// names lists the vessels for a message.
func (c *Config) names() string {
	names := make([]string, len(c.Vessels))
	for i, v := range c.Vessels {
		names[i] = v.Name
	}
	return strings.Join(names, ", ")
}

// Sensor is one sensor of a vessel and what it is for.
type Sensor struct {
	Role     string // height, dough, air, humidity or loaf: its key in the file
	Quantity sensor.Quantity
	Config   sensor.Config
}

// Sensors lists the sensors of a vessel: height, dough, air, humidity, loaf, as
// far as they are configured.
func (v Vessel) Sensors() []Sensor {
	return slices.DeleteFunc([]Sensor{
		{"height", sensor.Distance, v.Height}, {"dough", sensor.Temperature, v.Dough}, {"air", sensor.Temperature, v.Air},
		{"humidity", sensor.Humidity, v.Humidity}, {"loaf", sensor.Temperature, v.Loaf},
	}, func(s Sensor) bool { return s.Config == nil })
}
