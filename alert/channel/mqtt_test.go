package channel

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/deploy/outsidetest"
	"tidemark/estimator"
)

// freePort finds a port nobody uses.
func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// broker is a real MQTT broker, run by the program of that name in Debian.
type broker struct {
	t    *testing.T
	path string
	conf string
	port int
	cmd  *exec.Cmd
}

// startBroker starts a broker with a password and one forbidden topic.
func startBroker(t *testing.T) *broker {
	t.Helper()
	b := &broker{t: t, path: outsidetest.Program(t, "mosquitto", "mosquitto"), port: freePort(t)} //nolint:misspell // the program is called so
	dir := t.TempDir()
	pass := filepath.Join(dir, "pw")
	out, err := exec.Command(outsidetest.Program(t, "mosquitto", "mosquitto_passwd"), "-b", "-c", pass, "kitchen", secretPass).CombinedOutput() //nolint:misspell // the program is called so
	require.NoError(t, err, string(out))
	acl := filepath.Join(dir, "acl")
	require.NoError(t, os.WriteFile(acl, []byte("user kitchen\ntopic readwrite tidemark/#\ntopic readwrite homeassistant/#\n"), 0o644))
	require.NoError(t, os.Chmod(dir, 0o755))
	require.NoError(t, os.Chmod(pass, 0o644))
	b.conf = filepath.Join(dir, "mosquitto.conf")
	require.NoError(t, os.WriteFile(b.conf, fmt.Appendf(nil, "user root\nlistener %d 127.0.0.1\npassword_file %s\nacl_file %s\nallow_anonymous false\npersistence false\n", b.port, pass, acl), 0o644))
	b.start()
	t.Cleanup(b.kill)
	return b
}

// start runs the broker and waits until it listens.
func (b *broker) start() {
	b.cmd = exec.Command(b.path, "-c", b.conf)
	require.NoError(b.t, b.cmd.Start())
	require.Eventually(b.t, func() bool {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", b.port))
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	}, 10*time.Second, 20*time.Millisecond)
}

// kill ends the broker at once.
func (b *broker) kill() {
	_ = b.cmd.Process.Kill()
	_ = b.cmd.Wait()
}

func (b *broker) spec() alert.ChannelSpec {
	return alert.ChannelSpec{Name: "house", Kind: "mqtt", URL: fmt.Sprintf("mqtt://127.0.0.1:%d", b.port), User: "kitchen", Password: secretPass}
}

// listener hears everything on the broker.
type listener struct {
	mu   sync.Mutex
	got  map[string]string
	all  []string
	conn *autopaho.ConnectionManager
}

// hear subscribes to everything.
func (b *broker) hear() *listener {
	l := &listener{got: map[string]string{}}
	u, err := url.Parse(b.spec().URL)
	require.NoError(b.t, err)
	ctx, stop := context.WithCancel(context.Background())
	b.t.Cleanup(stop)
	ready := make(chan struct{}, 5)
	l.conn, err = autopaho.NewConnection(ctx, autopaho.ClientConfig{
		ServerUrls: []*url.URL{u}, ConnectUsername: "kitchen", ConnectPassword: []byte(secretPass), KeepAlive: 20,
		ReconnectBackoff: func(int) time.Duration { return 50 * time.Millisecond }, CleanStartOnInitialConnection: true,
		OnConnectionUp: func(m *autopaho.ConnectionManager, _ *paho.Connack) {
			go func() {
				_, _ = m.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: "tidemark/#", QoS: 1}, {Topic: "homeassistant/#", QoS: 1}}})
				ready <- struct{}{}
			}()
		},
		ClientConfig: paho.ClientConfig{ClientID: "test-listener", OnPublishReceived: []func(paho.PublishReceived) (bool, error){
			func(p paho.PublishReceived) (bool, error) {
				l.mu.Lock()
				defer l.mu.Unlock()
				l.got[p.Packet.Topic] = string(p.Packet.Payload)
				l.all = append(l.all, p.Packet.Topic)
				return true, nil
			}}},
	})
	require.NoError(b.t, err)
	<-ready
	return l
}

// payload returns the last payload of a topic.
func (l *listener) payload(topic string) string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.got[topic]
}

// count returns how often a topic was heard.
func (l *listener) count(topic string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	n := 0
	for _, t := range l.all {
		if t == topic {
			n++
		}
	}
	return n
}

// eventually waits for something to be heard.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	require.Eventually(t, ok, 15*time.Second, 10*time.Millisecond, what)
}

// tub is an invented state.
func tub() State {
	at := time.Date(2026, 11, 7, 18, 0, 0, 0, time.UTC)
	return State{Vessel: "tub", Estimate: estimator.Estimate{Time: at, RisePercent: 73.96, RiseSD: 1.2, RatePercentPerHour: 24.4, DoughC: 24.5, AirC: math.NaN(),
		Phase: estimator.Rising, Quality: estimator.QualityOK, Ready: estimator.Window{From: at, Median: at.Add(time.Hour), Until: at.Add(2 * time.Hour)}},
		Alarms: []alert.Alarm{{ID: "near-tub-7", State: alert.Firing, Title: "tub: at the mark about 19:00"}}}
}

func TestMQTTOnARealBroker(t *testing.T) {
	b := startBroker(t)
	ear := b.hear()
	ch := open(t, b.spec()).(*mqttChannel)
	answer, err := ch.Deliver(t.Context(), sample())
	require.NoError(t, err)
	assert.Equal(t, "taken by the broker, reason code 0", answer)
	eventually(t, "alarm", func() bool { return ear.payload("tidemark/tub/alarm") != "" })
	var m alert.Message
	require.NoError(t, json.Unmarshal([]byte(ear.payload("tidemark/tub/alarm")), &m))
	assert.Equal(t, sample().ID, m.ID)

	ch.Report(tub())
	eventually(t, "state", func() bool { return ear.payload("tidemark/tub/state") != "" })
	assert.JSONEq(t, `{"time":"2026-11-07T18:00:00Z","phase":"rising","quality":"ok","rise_percent":74,"rise_sd":1.2,"rate_percent_per_hour":24.4,
		"dough_celsius":24.5,"air_celsius":null,"ready_at":"2026-11-07T19:00:00Z","ready_from":"2026-11-07T18:00:00Z","ready_until":"2026-11-07T20:00:00Z",
		"alarm":"ON","message":"tub: at the mark about 19:00","alarms":["near-tub-7"]}`, ear.payload("tidemark/tub/state"))
	assert.Equal(t, "online", ear.payload("tidemark/availability"))
	checkDiscovery(t, ear)

	before := ear.count("homeassistant/device/tidemark-tub/config")
	require.NoError(t, publish(t.Context(), ear.conn, "homeassistant/status", []byte("online"), false))
	eventually(t, "discovery again on birth", func() bool { return ear.count("homeassistant/device/tidemark-tub/config") > before })

	require.NoError(t, ch.Close())
	eventually(t, "offline before goodbye", func() bool { return ear.payload("tidemark/availability") == "offline" })
}

// TestDiscoveryAnnouncesEachEntityOnce looks at what lies on a broker after
// announcing in one form, and after a change to the other form.
func TestDiscoveryAnnouncesEachEntityOnce(t *testing.T) {
	retained := map[string]string{}
	announce := func(form string) map[string]int {
		c := open(t, alert.ChannelSpec{Name: "house", Kind: "mqtt", URL: "mqtt://127.0.0.1:1", Form: form}).(*mqttChannel)
		for _, a := range c.announcements(tub()) {
			retained[a.topic] = string(a.payload)
		}
		ids := map[string]int{}
		for _, text := range retained {
			for _, id := range regexp.MustCompile(`"uniq_id":"([^"]*)"`).FindAllStringSubmatch(text, -1) {
				ids[id[1]]++
			}
		}
		return ids
	}
	topics := func() (device, single int) {
		for topic, text := range retained {
			switch {
			case text == "":
			case strings.HasPrefix(topic, "homeassistant/device/"):
				device++
			default:
				single++
			}
		}
		return device, single
	}
	for _, c := range []struct {
		form           string
		device, single int
	}{{"", 1, 0}, {alert.EntityForm, 0, len(entities())}, {alert.DeviceForm, 1, 0}} {
		ids := announce(c.form)
		require.Len(t, ids, len(entities()), c.form)
		for id, n := range ids {
			assert.Equal(t, 1, n, "%s in form %q", id, c.form)
		}
		device, single := topics()
		assert.Equal(t, []int{c.device, c.single}, []int{device, single}, c.form)
	}
}

// checkDiscovery looks at the device form.
func checkDiscovery(t *testing.T, ear *listener) {
	t.Helper()
	var device struct {
		Dev  map[string]any            `json:"dev"`
		O    map[string]any            `json:"o"`
		Cmps map[string]map[string]any `json:"cmps"`
		Avty []map[string]any          `json:"avty"`
	}
	eventually(t, "device form", func() bool { return ear.payload("homeassistant/device/tidemark-tub/config") != "" })
	require.NoError(t, json.Unmarshal([]byte(ear.payload("homeassistant/device/tidemark-tub/config")), &device))
	assert.Equal(t, []any{"tidemark-tub"}, device.Dev["ids"])
	assert.Equal(t, "tidemark", device.O["name"], "origin needs a name")
	assert.Equal(t, "tidemark/availability", device.Avty[0]["t"])
	require.Len(t, device.Cmps, len(entities()))
	seen := map[any]bool{}
	for key, c := range device.Cmps {
		assert.NotEmpty(t, c["p"], key)
		assert.Equal(t, "tidemark/tub/state", c["stat_t"])
		assert.EqualValues(t, expireAfter, c["exp_aft"])
		assert.False(t, seen[c["uniq_id"]])
		seen[c["uniq_id"]] = true
	}
}

func TestMQTTWillWhenTheProgramDies(t *testing.T) {
	b := startBroker(t)
	ear := b.hear()
	ch := open(t, b.spec()).(*mqttChannel)
	ch.Report(tub())
	eventually(t, "online", func() bool { return ear.payload("tidemark/availability") == "online" })
	ch.conn.TerminateConnectionForTest() // cut without a goodbye, as at a power cut
	eventually(t, "the will", func() bool {
		ear.mu.Lock()
		defer ear.mu.Unlock()
		return strings.Count(strings.Join(ear.all, "\n"), "tidemark/availability") >= 2
	})
}

func TestMQTTBrokerGoneAndBack(t *testing.T) {
	b := startBroker(t)
	ch := open(t, b.spec()).(*mqttChannel)
	_, err := ch.Deliver(t.Context(), sample())
	require.NoError(t, err)
	ch.Report(tub())
	b.kill()
	ctx, cancel := context.WithTimeout(t.Context(), 700*time.Millisecond)
	_, err = ch.Deliver(ctx, sample())
	cancel()
	judge(t, err, false)
	b.start()
	ear := b.hear()
	_, err = ch.Deliver(t.Context(), sample())
	require.NoError(t, err)
	eventually(t, "the state comes again by itself", func() bool { return ear.payload("tidemark/tub/state") != "" })
	eventually(t, "and the discovery", func() bool { return ear.payload("homeassistant/device/tidemark-tub/config") != "" })
}

func TestMQTTRefusals(t *testing.T) {
	b := startBroker(t)
	spec := b.spec()
	spec.Password = "wrong-S3cretWord-pw"
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	_, err := open(t, spec).Deliver(ctx, sample())
	judge(t, err, false)
	assert.NotContains(t, err.Error(), "wrong-S3cret")
	spec = b.spec()
	spec.Base = "forbidden"
	_, err = open(t, spec).Deliver(t.Context(), sample())
	judge(t, err, true)
	assert.Contains(t, err.Error(), "0x87")
}

func TestMQTTVesselNamesAreSafeInTopics(t *testing.T) {
	assert.Equal(t, "machine", vesselTopic(""))
	assert.Equal(t, "tub", vesselTopic("tub"))
	assert.Regexp(t, `^[-_A-Za-z0-9]+$`, vesselTopic("große Schüssel +/#"))
}
