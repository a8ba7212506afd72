package remote_test

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/remote"
)

func TestParsePayload(t *testing.T) {
	for _, c := range []struct {
		payload, field, unit string
		q                    sensor.Quantity
		want                 float64
	}{
		{"182.5", "", "", sensor.Distance, 182.5},
		{" 18.25\n", "", "cm", sensor.Distance, 182.5},
		{"0.1825", "", "m", sensor.Distance, 182.5},
		{"10", "", "in", sensor.Distance, 254},
		{"77", "", "F", sensor.Temperature, 25},
		{"-3.5", "", "C", sensor.Temperature, -3.5},
		{"55", "", "percent", sensor.Humidity, 0.55},
		{`{"tub":{"mm":182.5,"c":24}}`, "tub.mm", "", sensor.Distance, 182.5},
		{`{"mm":"182.5"}`, "mm", "", sensor.Distance, 182.5},
	} {
		got, err := remote.ParsePayload([]byte(c.payload), c.field, c.unit, c.q)
		if assert.NoError(t, err, c.payload) {
			assert.InDelta(t, c.want, got, 1e-9, c.payload)
		}
	}
}

func TestBadPayloads(t *testing.T) {
	for _, c := range []struct {
		payload, field string
		status         sensor.Status
		reason         string
	}{
		{"", "", sensor.BadData, `the message says "" where a number was expected`},
		{"warm", "", sensor.BadData, `the message says "warm"`},
		{"NaN", "", sensor.BadData, "where a number was expected"},
		{"0x10", "", sensor.BadData, "where a number was expected"},
		{"1e999", "", sensor.BadData, "where a number was expected"},
		{"-5", "", sensor.OutOfRange, "is the unit right?"},
		{"20000", "", sensor.OutOfRange, "is the unit right?"},
		{"182", "mm", sensor.BadData, `the message has no field "mm"`},
		{"{", "mm", sensor.BadData, "the message is not JSON"},
		{`{"cm":1}`, "mm", sensor.BadData, `the message has no field "mm"`},
		{`{"mm":null}`, "mm", sensor.BadData, `the field "mm" is not a number`},
		{`{"mm":[1]}`, "mm", sensor.BadData, `the field "mm" is not a number`},
		{strings.Repeat("1", 20000), "", sensor.BadData, "the message has 20000 bytes"},
	} {
		_, err := remote.ParsePayload([]byte(c.payload), c.field, "", sensor.Distance)
		var f *sensor.FaultError
		if assert.ErrorAs(t, err, &f, c.payload) {
			assert.Equal(t, c.status, f.Status, c.payload)
			assert.Contains(t, f.Reason, c.reason)
		}
	}
}

func FuzzParsePayload(f *testing.F) {
	f.Add([]byte("182.5"), "", "cm")
	f.Add([]byte(`{"a":{"b":"1e3"}}`), "a.b", "in")
	f.Fuzz(func(t *testing.T, payload []byte, field, unit string) {
		for _, q := range []sensor.Quantity{sensor.Distance, sensor.Temperature, sensor.Humidity} {
			v, err := remote.ParsePayload(payload, field, unit, q)
			if err == nil && !(v >= -55 && v <= 10000) {
				t.Fatalf("accepted %v as %s", v, q)
			}
		}
	})
}

// offline makes a source that gets its messages from the test.
func offline(stale time.Duration) *remote.MQTT {
	m := remote.New(remote.NewHub(), sensor.Distance, remote.Options{Topic: "tub", StaleAfter: stale, Offset: -2, Clock: sensor.SystemClock()})
	m.Offline()
	return m
}

func TestAMessageCountsOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := offline(time.Minute)
		m.Arrive("182")
		arrived := time.Now()
		time.Sleep(3 * time.Second)
		r := m.Read(t.Context())
		assert.Equal(t, 180.0, r.Value)
		assert.Equal(t, arrived, r.Wall, "the moment of arrival, not of reading")
		start := time.Now()
		r = m.Read(t.Context())
		assert.Equal(t, sensor.Stale, r.Status)
		assert.Equal(t, "no message on tub for 1m0s; is the sensor node awake?", r.Reason)
		assert.Equal(t, 57*time.Second, time.Since(start), "a minute after the last message")
	})
}

func TestReadWaitsForTheNextMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := offline(time.Minute)
		time.AfterFunc(20*time.Second, func() { m.Arrive("90") })
		assert.Equal(t, 88.0, m.Read(t.Context()).Value)
		time.AfterFunc(time.Second, func() { m.Arrive("3") })
		assert.Equal(t, sensor.OutOfRange, m.Read(t.Context()).Status)
		m.Arrive("100")
		m.Arrive("101")
		assert.Equal(t, 99.0, m.Read(t.Context()).Value, "the newest")
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		assert.Equal(t, sensor.Stale, m.Read(ctx).Status)
	})
}

func TestAnOldMessageIsNotServed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := offline(time.Minute)
		m.Arrive("182")
		time.Sleep(2 * time.Minute)
		assert.Equal(t, sensor.Stale, m.Read(t.Context()).Status)
	})
}

func TestBackOffGrowsAndIsJittered(t *testing.T) {
	seen := map[time.Duration]bool{}
	for range 50 {
		d := remote.BackOff(4)
		assert.GreaterOrEqual(t, d, 4*time.Second)
		assert.LessOrEqual(t, d, 8*time.Second+1)
		seen[d] = true
	}
	assert.Greater(t, len(seen), 10)
	assert.LessOrEqual(t, remote.BackOff(1000), time.Minute+1)
	assert.GreaterOrEqual(t, remote.BackOff(0), 500*time.Millisecond)
}

func TestFilesThatCannotBeRead(t *testing.T) {
	for name, c := range map[string]struct {
		opt  remote.Options
		want string
	}{
		"password": {remote.Options{Broker: "mqtt://127.0.0.1:1", User: "u", PasswordFile: "/nonexistent"}, "password_file cannot be read"},
		"ca":       {remote.Options{Broker: "mqtts://127.0.0.1:1", CAFile: "/nonexistent"}, "ca_file cannot be read"},
		"no pem":   {remote.Options{Broker: "mqtts://127.0.0.1:1", CAFile: "remote_test.go"}, "holds no certificate in PEM form"},
		"cert":     {remote.Options{Broker: "mqtts://127.0.0.1:1", CertFile: "/nonexistent", KeyFile: "/nonexistent"}, "cert_file and key_file cannot be used"},
	} {
		t.Run(name, func(t *testing.T) {
			c.opt.Clock = sensor.SystemClock()
			ctx, cancel := context.WithCancel(t.Context())
			cancel()
			m := remote.New(remote.NewHub(), sensor.Distance, c.opt)
			r := m.Read(ctx)
			assert.Equal(t, sensor.Missing, r.Status)
			assert.Contains(t, r.Reason, c.want)
			require.NoError(t, m.Close())
		})
	}
}
