package channel

import (
	"context"
	"encoding/json"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/sensor/sensortest"
)

// kitchenBroker starts a broker with one user and describes a channel to it.
func kitchenBroker(t *testing.T) (*sensortest.Broker, alert.ChannelSpec) {
	b := sensortest.NewBroker(t)
	b.Set(func() { b.User, b.Password = "kitchen", secretPass })
	return b, alert.ChannelSpec{Name: "house", Kind: "mqtt", URL: b.URL(), User: "kitchen", Password: secretPass}
}

// eventually waits for something to be heard.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	require.Eventually(t, ok, 15*time.Second, 10*time.Millisecond, what)
}

// tub is an invented state.
func tub() (bake.State, []alert.Alarm) {
	at := time.Date(2026, 11, 7, 18, 0, 0, 0, time.UTC)
	return bake.State{At: at, Vessel: "tub", Status: bake.StatusRising, Estimate: estimator.Estimate{Time: at, RisePercent: 73.96, RiseSD: 1.2, RatePercentPerHour: 24.4, DoughC: 24.5, AirC: math.NaN(),
		Phase: estimator.Rising, Quality: estimator.QualityOK, Ready: estimator.Window{From: at, Median: at.Add(time.Hour), Until: at.Add(2 * time.Hour)},
		Fan: []estimator.FanPoint{{Time: at}}}}, []alert.Alarm{{ID: "near-tub-7", State: alert.Firing, Title: "tub: at the mark about 19:00"}}
}

const (
	stateTopic  = "tidemark/tub/state"
	availTopic  = "tidemark/availability"
	deviceTopic = "homeassistant/device/tidemark-tub/config"
)

func TestMQTTTellsAndShowsStates(t *testing.T) {
	b, spec := kitchenBroker(t)
	ch := open(t, spec)
	answer := must(ch.Deliver(t.Context(), sample()))
	assert.Equal(t, "taken by the broker, reason code 0", answer)
	require.Len(t, b.Heard("tidemark/tub/alarm"), 1)
	var m alert.Message
	require.NoError(t, json.Unmarshal([]byte(b.Heard("tidemark/tub/alarm")[0]), &m))
	assert.Equal(t, sample().ID, m.ID)

	ch.Report(tub())
	eventually(t, "state", func() bool { return b.Retained(stateTopic) != "" })
	var got struct {
		State struct {
			Vessel, Status string
			Estimate       struct {
				RisePercent float64  `json:"rise_percent"`
				DoughC      *float64 `json:"dough_c"`
				AirC        *float64 `json:"air_c"`
				Ready       map[string]string
				Fan         []any
			}
		}
		Alarm, Message string
		Alarms         []string
	}
	require.NoError(t, json.Unmarshal([]byte(b.Retained(stateTopic)), &got))
	assert.Equal(t, []string{"tub", "rising", "ON", "tub: at the mark about 19:00"}, []string{got.State.Vessel, got.State.Status, got.Alarm, got.Message})
	assert.Equal(t, []string{"near-tub-7"}, got.Alarms)
	e := got.State.Estimate
	assert.Equal(t, []any{73.96, 24.5, "2026-11-07T19:00:00Z"}, []any{e.RisePercent, *e.DoughC, e.Ready["median"]})
	assert.Nil(t, e.AirC)
	assert.Empty(t, e.Fan)
	assert.Equal(t, "online", b.Retained(availTopic))
	checkDiscovery(t, b.Retained(deviceTopic))

	before := len(b.Heard(deviceTopic))
	eventually(t, "discovery again on birth", func() bool {
		b.Publish("homeassistant/status", "online")
		return len(b.Heard(deviceTopic)) > before
	})
	require.NoError(t, ch.Close())
	assert.Equal(t, "offline", b.Retained(availTopic), "offline before goodbye")
}

// checkDiscovery looks at the device form.
func checkDiscovery(t *testing.T, payload string) {
	t.Helper()
	var device struct {
		Dev  map[string]any            `json:"dev"`
		O    map[string]any            `json:"o"`
		Cmps map[string]map[string]any `json:"cmps"`
		Avty []map[string]any          `json:"avty"`
	}
	require.NoError(t, json.Unmarshal([]byte(payload), &device))
	assert.Equal(t, []any{"tidemark-tub"}, device.Dev["ids"])
	assert.Equal(t, "tidemark", device.O["name"], "origin needs a name")
	assert.Equal(t, availTopic, device.Avty[0]["t"])
	require.Len(t, device.Cmps, len(entities()))
	for key, c := range device.Cmps {
		assert.NotEmpty(t, c["p"], key)
		assert.Equal(t, stateTopic, c["stat_t"])
		assert.EqualValues(t, expireAfter, c["exp_aft"])
	}
}

// TestDiscoveryAnnouncesEachEntityOnce looks at what lies on a broker after
// announcing in one form, and after a change to the other form.
func TestDiscoveryAnnouncesEachEntityOnce(t *testing.T) {
	retained := map[string]string{}
	announce := func(form string) map[string]int {
		c := &mqttChannel{base: defaultBase, discovery: defaultDiscovery, single: form == alert.EntityForm}
		state, alarms := tub()
		for _, a := range c.publications(told{state, alarms}) {
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
			case text == "" || strings.HasPrefix(topic, "tidemark/"):
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

func TestMQTTWillWhenTheProgramDies(t *testing.T) {
	b, spec := kitchenBroker(t)
	ch := open(t, spec)
	ch.Report(tub())
	eventually(t, "online", func() bool { return b.Retained(availTopic) == "online" })
	b.Drop() // cut without a goodbye, as at a power cut
	eventually(t, "the will", func() bool { return strings.Contains(strings.Join(b.Heard(availTopic), " "), "offline") })
	eventually(t, "online again", func() bool { return b.Retained(availTopic) == "online" })
}

func TestMQTTBrokerGoneAndBack(t *testing.T) {
	b, spec := kitchenBroker(t)
	ch := open(t, spec)
	_ = must(ch.Deliver(t.Context(), sample()))
	ch.Report(tub())
	eventually(t, "state", func() bool { return len(b.Heard(stateTopic)) > 0 })
	b.Stop()
	ctx, cancel := context.WithTimeout(t.Context(), 700*time.Millisecond)
	_, err := ch.Deliver(ctx, sample())
	cancel()
	judge(t, err, false)
	seen := len(b.Heard(deviceTopic))
	b.Start()
	_ = must(ch.Deliver(t.Context(), sample()))
	eventually(t, "discovery and state come again by themselves", func() bool { return len(b.Heard(deviceTopic)) > seen && len(b.Heard(stateTopic)) > 1 })
}

func TestMQTTRefusals(t *testing.T) {
	b, spec := kitchenBroker(t)
	spec.Password = "wrong-S3cretWord-pw"
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	_, err := open(t, spec).Deliver(ctx, sample())
	judge(t, err, false)
	assert.ErrorContains(t, err, "it refuses our user or password")
	assert.NotContains(t, err.Error(), "wrong-S3cret")
	b.Set(func() { b.Refuse["forbidden/tub/alarm"] = true })
	spec.Password, spec.Base = secretPass, "forbidden"
	_, err = open(t, spec).Deliver(t.Context(), sample())
	judge(t, err, true)
	assert.ErrorContains(t, err, "0x87")
}

func TestMQTTVesselNamesAreSafeInTopics(t *testing.T) {
	assert.Equal(t, "machine", vesselTopic(""))
	assert.Equal(t, "tub", vesselTopic("tub"))
	assert.Regexp(t, `^[-_A-Za-z0-9]+$`, vesselTopic("große Schüssel +/#"))
}
