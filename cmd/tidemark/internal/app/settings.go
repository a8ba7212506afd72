package app

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
	"tidemark/sensor/mqtt"
	"tidemark/sensor/source"
	"tidemark/sensor/survey"
	"tidemark/web"
)

// setup reads and changes the settings for the page; it is a web.Setup.
type setup struct {
	app  *App
	file *config.File

	mu        sync.Mutex
	found     []survey.Found // of the last look
	foundAt   time.Time
	listeners map[string]*mqtt.Listener // by broker, while somebody looks for sensors
	idle      *time.Timer               // ends the listening
	tested    map[string]string         // by channel, when somebody answered its test
}

// lookedFor is how long a look at the buses stands.
const lookedFor = 3 * time.Second

// newSetup opens the settings; nil where nothing is read from a file.
func (a *App) newSetup() *setup {
	return &setup{app: a, file: config.Open(a.opt.Config.File), tested: map[string]string{}, listeners: map[string]*mqtt.Listener{}}
}

// Sheet returns the settings as they stand in the file.
func (s *setup) Sheet() (web.Sheet, error) {
	now, err := s.file.Read()
	if err != nil {
		return web.Sheet{}, err
	}
	out := web.Sheet{File: s.app.opt.Config.File, Version: now.Version, Values: now.Values(), CanUndo: now.CanUndo, Addresses: s.app.addresses()}
	if now.Err != nil {
		out.Problem = now.Err.Error()
		return out, nil
	}
	for _, v := range now.Config.Vessels {
		one := web.SheetVessel{Name: v.Name}
		if p := v.Profile; p != nil {
			one.Shape = s.app.words.Say("page.set.inside", text.Values{"height_mm": p.TopMM(), "whole_l": p.Volume(p.TopMM())}) + " " + WorthOfMM(v, p, s.app.words)
		}
		out.Vessels = append(out.Vessels, one)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range now.Config.Channels {
		one := web.SheetChannel{Name: c.Name, Kind: c.Kind, Where: cmp.Or(hostOf(c.URL), c.Host), Fixed: c.Kind == alert.CommandChannel}
		if at := s.tested[c.Name]; at != "" {
			one.Where += ", " + s.app.words.Say("page.set.answered", text.Values{"at": at})
		}
		out.Channels = append(out.Channels, one)
	}
	return out, nil
}

// hostOf is the host of an address: the rest may hold a secret.
func hostOf(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return ""
	}
	return u.Host
}

// Save sets values in the file and puts them in force.
func (s *setup) Save(ctx context.Context, version string, values []web.Setting) (string, bool, error) {
	now, err := s.file.Read()
	if err != nil {
		return "", false, err
	}
	var typed []config.Value
	for _, v := range values {
		typed = append(typed, config.Value{Path: v.Path, Text: v.Value})
	}
	found := s.look(ctx)
	if typed, err = withFloor(typed, found); err != nil {
		return "", false, s.told(now, err)
	}
	changed, err := config.Typed(now, typed, offered(found))
	if err != nil {
		return "", false, s.told(now, err)
	}
	if bytes.Equal(changed, now.Text) && version == now.Version {
		return s.app.words.Say("page.set.unchanged", nil), false, nil
	}
	if _, err := s.file.Save(version, changed); err != nil {
		return "", false, s.told(now, err)
	}
	return s.inForce("page.set.saved")
}

// Undo takes the last change made here back.
func (s *setup) Undo(_ context.Context, version string) (string, bool, error) {
	if now, err := s.file.Undo(version); err != nil {
		return "", false, s.told(now, err)
	}
	return s.inForce("page.set.undone")
}

// inForce lets what the file says count, by a restart where a reload cannot.
func (s *setup) inForce(key string) (string, bool, error) {
	said := s.app.words.Say(key, nil)
	cfg, err := config.Load(s.app.opt.Config.File, config.Sensors)
	if err != nil {
		return "", false, fmt.Errorf("what was saved cannot be read again: %w", err)
	}
	if !s.app.Reload(cfg) {
		return said + " " + s.app.words.Say("page.set.counts", nil), false, nil
	}
	s.Restart()
	return said, true, nil
}

// Restart begins the watch anew.
func (s *setup) Restart() { s.soon(s.app.requestRestart) }

// soon does something once the answer is on its way.
func (s *setup) soon(do func()) { time.AfterFunc(300*time.Millisecond, do) }

// requestRestart asks for the end of this watch and the begin of the next.
func (a *App) requestRestart() {
	select {
	case a.restart <- struct{}{}:
	default: // it is asked for already
	}
}

// told turns an error into one that the page tells.
func (s *setup) told(now config.Sheet, err error) error {
	var wrong config.Problems
	if errors.As(err, &wrong) {
		return web.FieldErrors(wrong.ByField(now, s.app.words))
	}
	return because("not_saved", err)
}

// withFloor fills in the floor of a new vessel that was left empty: what its sensor
// reads now.
func withFloor(typed []config.Value, found []survey.Found) ([]config.Value, error) {
	const floor, height = "vessels[+].floor_mm", "vessels[+].height"
	at := slices.IndexFunc(typed, func(v config.Value) bool { return v.Path == floor })
	if at < 0 || typed[at].Text != "" {
		return typed, nil
	}
	chosen := slices.IndexFunc(typed, func(v config.Value) bool { return v.Path == height })
	for _, t := range found {
		if chosen < 0 || t.Config == nil || sensor.Flow(t.Config) != typed[chosen].Text {
			continue
		}
		if t.Usable == 0 {
			return nil, config.Problems{{Path: floor, Said: bake.Said{Key: "refused.floor_unread"}}}
		}
		typed[at].Text = fmt.Sprintf("%.1f", t.Value)
	}
	return typed, nil
}

// offered lists the sensors that can be chosen, each as it stands in the file.
func offered(found []survey.Found) []string {
	var out []string
	for _, t := range found {
		if t.Config != nil {
			out = append(out, sensor.Flow(t.Config))
		}
	}
	return out
}

// look looks at the buses and reads what nobody reads yet; a look is shared by all who
// ask within some seconds.
func (s *setup) look(ctx context.Context) []survey.Found {
	s.mu.Lock()
	defer s.mu.Unlock()
	if time.Since(s.foundAt) < lookedFor {
		return s.found
	}
	used := map[string]string{}
	for _, v := range s.app.opt.Config.Vessels {
		for _, x := range v.Sensors() {
			used[sensor.Flow(x.Config)] = v.Name
		}
	}
	s.listen()
	buses := source.NewBuses()
	defer buses.Close()
	s.found = survey.Try(ctx, source.Env{SysfsRoot: s.app.opt.Config.Sysfs, Buses: buses}, used, 2*time.Second)
	s.found = append(s.found, s.heard(used)...)
	s.foundAt = time.Now()
	return s.found
}

// Find looks what sensors the machine has and reads each.
func (s *setup) Find(ctx context.Context) []web.Found {
	var out []web.Found
	words := s.app.words
	for _, t := range s.look(ctx) {
		f := web.Found{Bus: words.Value("", t.Bus), Place: t.Place, What: words.Value("", t.What), Trouble: Trouble(words, t), Role: t.Role, Quantity: string(t.Quantity), UsedBy: t.UsedBy}
		if t.Usable > 0 {
			f.Value = Measured(words, "measured", t.Quantity, t.Value)
		}
		if t.Config != nil {
			f.Flow = sensor.Flow(t.Config)
		}
		out = append(out, f)
	}
	slices.SortStableFunc(out, func(a, b web.Found) int { return cmp.Compare(idle(a), idle(b)) })
	return out
}

// idle is 0 for a sensor that is there and 1 for what wants a hand first.
func idle(f web.Found) int {
	if f.Value != "" || f.UsedBy != "" {
		return 0
	}
	return 1
}

// Trouble says what is wrong with what a look found, and what to do first.
func Trouble(words *text.Localizer, t survey.Found) string {
	var said []string
	for _, s := range []string{words.Error(t.Problem), words.Say(slices.Concat(t.Advice, []string{""})[0], nil)} {
		if s != "" {
			said = append(said, s)
		}
	}
	return strings.Join(said, "; ")
}

// Measured says what a sensor measured, or with another key how much of that is not
// steady.
func Measured(words *text.Localizer, key string, q sensor.Quantity, v float64) string {
	shown := v
	if q == sensor.Humidity {
		shown = 100 * v
	}
	return words.Say(key+"."+string(q), text.Values{"tenth": shown, "fine_c": v, "span_c": v})
}

// Test sends a real message through a channel.
func (s *setup) Test(ctx context.Context, name string) (string, error) {
	s.mu.Lock()
	delete(s.tested, name)
	s.mu.Unlock()
	answer, err := s.app.manager.Test(ctx, name)
	if err != nil {
		return "", bake.Refuse("test", text.Values{"channel": name, "reason": err.Error()})
	}
	said := s.app.words.Say("page.set.sent", text.Values{"name": name, "answer": answer})
	if s.app.opt.Config.Web.BaseURL != "" {
		said += " " + s.app.words.Say("page.set.sent.press", nil)
	}
	return said, nil
}

// answered reports whether an answer is to a test message, and keeps when it came.
func (s *setup) answered(id string) bool {
	if s == nil {
		return false
	}
	for _, c := range s.app.opt.Config.Channels {
		if alert.TestID(c.Name) == id {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.tested[c.Name] = s.app.words.Clock(s.app.opt.Clock.Now())
			return true
		}
	}
	return false
}

// addresses are those of this watch.
func (a *App) addresses() []string {
	return Addresses(a.opt.Config, cmp.Or(a.Address(), a.opt.Config.Web.Listen))
}

// Addresses are those at which the house reaches a page that listens somewhere: the one
// configured, this machine's numbers, its name.
func Addresses(cfg *config.Config, listen string) []string {
	w := cfg.Web
	scheme := w.Scheme()
	_, port, err := net.SplitHostPort(listen)
	if err != nil {
		return nil
	}
	var out []string
	if w.BaseURL != "" {
		out = append(out, w.BaseURL)
	}
	if w.LocalOnly() {
		return out
	}
	addrs, _ := net.InterfaceAddrs() // none is an answer too
	for _, x := range addrs {
		if ip, ok := x.(*net.IPNet); ok && ip.IP.To4() != nil && ip.IP.IsGlobalUnicast() {
			if at := scheme + "://" + net.JoinHostPort(ip.IP.String(), port); at != w.BaseURL {
				out = append(out, at)
			}
		}
	}
	if name, err := os.Hostname(); err == nil && !strings.Contains(name, ".") {
		out = append(out, scheme+"://"+name+".local:"+port)
	}
	return out
}

// listenFor is how long brokers are listened to after the last look for sensors.
const listenFor = 10 * time.Minute

// brokers are those that the settings name, by address, each as a sensor at it would log
// in.
func brokers(cfg *config.Config) map[string]sensor.MQTT {
	out := map[string]sensor.MQTT{}
	for _, v := range cfg.Vessels {
		for _, s := range v.Sensors() {
			if m, is := s.Config.(*sensor.MQTT); is {
				out[m.Broker] = sensor.MQTT{Broker: m.Broker, User: m.User, PasswordFile: m.PasswordFile, CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile, Login: m.Login}
			}
		}
	}
	for _, c := range cfg.Channels {
		if c.Kind == alert.MQTTChannel {
			login, _ := cfg.Login(c.URL)
			out[c.URL] = sensor.MQTT{Broker: c.URL, Login: login}
		}
	}
	return out
}

// listen begins to listen to the brokers, or goes on. s.mu is held.
func (s *setup) listen() {
	for address, b := range brokers(s.app.opt.Config) {
		if s.listeners[address] == nil {
			s.listeners[address] = mqtt.Listen(b)
		}
	}
	if s.idle == nil {
		s.idle = time.AfterFunc(listenFor, func() { _ = s.stopListening() }) // a goodbye that fails loses nothing
	}
	s.idle.Reset(listenFor)
}

// stopListening ends the listening.
func (s *setup) stopListening() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var err error
	for _, l := range s.listeners {
		err = errors.Join(err, l.Close())
	}
	clear(s.listeners)
	if s.idle != nil {
		s.idle.Stop()
	}
	return err
}

// heard are the numbers of topics that may be sensors, as a look at the buses finds
// them; used names who reads one already.
func (s *setup) heard(used map[string]string) []survey.Found {
	var out []survey.Found
	for _, address := range slices.Sorted(maps.Keys(s.listeners)) {
		host := address
		if u, err := url.Parse(address); err == nil {
			host = u.Host
		}
		bus, do := sensor.Say("scan.mqtt", "host", host), []string(nil)
		heard, trouble := s.listeners[address].Heard()
		if len(heard) == 0 && trouble == nil {
			do = []string{"scan.mqtt.none"}
		}
		if len(heard) == 0 || trouble != nil {
			out = append(out, survey.Found{Bus: bus, Result: survey.Result{Problem: trouble, Advice: do}})
		}
		for _, h := range heard {
			what := h.Config.Topic
			if h.Config.Field != "" {
				what += " " + h.Config.Field
			}
			role := map[sensor.Quantity]string{sensor.Distance: "height", sensor.Temperature: "air", sensor.Humidity: "humidity"}[h.Quantity]
			out = append(out, survey.Found{Bus: bus, Place: "MQTT " + host, What: sensor.Say("scan.topic", "topic", what), UsedBy: used[sensor.Flow(&h.Config)],
				Result: survey.Result{Role: role, Config: &h.Config, Quantity: h.Quantity, Value: h.Value, Usable: 1}})
		}
	}
	return out
}

// busHelper is the package's script that runs as root after each start of the service
// and writes the lines, when busRequest is in the state folder.
const (
	busHelper  = "/usr/lib/tidemark/buses-on"
	busRequest = "switch-buses-on"
)

// errBuses ends the process, so that the service manager starts it anew and with it the
// helper.
var errBuses = errors.New("the service begins anew, so that the sensor buses are switched on")

// Buses tells whether the Pi's sensor buses are off, and whether that can be mended from
// the page.
func (s *setup) Buses() web.Buses { return s.busesIn("/", busHelper) }

// busesIn looks below a root.
func (s *setup) busesIn(root, helper string) web.Buses {
	there := func(pattern string) bool {
		found, _ := filepath.Glob(pattern) // the pattern is sound
		return len(found) > 0
	}
	var text []byte
	err := os.ErrNotExist
	for _, boot := range []string{"boot/firmware", "boot"} {
		if err != nil {
			text, err = os.ReadFile(filepath.Join(root, boot, "config.txt"))
		}
	}
	if err != nil || !there(filepath.Join(root, helper)) {
		return web.BusesFine // no Pi, or no package: what to do stands beside each bus
	}
	out := web.BusesFine
	for _, bus := range []struct{ files, line string }{ // lines as the helper writes them
		{filepath.Join(root, "dev/i2c-[0-9]*"), "dtparam=i2c_arm=on"},
		{filepath.Join(s.app.opt.Config.Sysfs, "bus/w1/devices/w1_bus_master*"), "dtoverlay=w1-gpio"},
	} {
		switch {
		case there(bus.files):
		case !bytes.Contains(append([]byte("\n"), text...), []byte("\n"+bus.line)):
			return web.BusesOff
		default:
			out = web.BusesAtRestart
		}
	}
	return out
}

// SwitchBusesOn asks the helper to write the lines. The service begins anew for it.
func (s *setup) SwitchBusesOn() error {
	if err := os.WriteFile(filepath.Join(s.app.opt.Config.StateDir, busRequest), nil, 0o640); err != nil {
		return fmt.Errorf("the sensor buses cannot be switched on: %w", err)
	}
	s.soon(func() {
		select {
		case s.app.failed <- errBuses:
		default: // it ends already
		}
	})
	return nil
}
