package mqtt

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/sensor/sensortest"
)

// TestListenerFindsSensors: numbers plain and in JSON, told by the words of their field
// or topic, kept by the broker or live; what is no sensor of ours is left out.
func TestListenerFindsSensors(t *testing.T) {
	b := sensortest.NewBroker(t)
	b.Set(func() { b.User, b.Password = "baker", "salt" })
	b.Retain("house/kitchen/temperature", "21.4")
	l := Listen(sensor.MQTT{Broker: b.URL(), Login: sensor.Login{User: "baker", Password: "salt"}})
	defer func() { assert.NoError(t, l.Close()) }()
	var heard []Heard
	require.Eventually(t, func() bool {
		b.Publish("house/shelf", `{"battery": 87, "sensor": {"temp_f": 75.2, "humidity": 48}, "distance.x": 3}`)
		b.Publish("jar/abstand_cm", "18.7")
		b.Publish("house/cellar", `{"id": "a", "value": 7}`)
		b.Publish("house/temperature/set", "warm")
		b.Publish("oven/temperature", "900")
		heard, _ = l.Heard()
		return len(heard) == 4
	}, 30*time.Second, 20*time.Millisecond)
	var got []string
	for _, h := range heard {
		got = append(got, fmt.Sprintf("%s %s %.2f %s", sensor.Flow(&h.Config), h.Quantity, h.Value, h.Config.Field))
	}
	at := "{kind: mqtt, broker: " + b.URL() + ", topic: "
	assert.Equal(t, []string{
		at + "house/kitchen/temperature} temperature 21.40 ",
		at + "house/shelf, field: sensor.humidity, unit: percent} humidity 0.48 sensor.humidity",
		at + "house/shelf, field: sensor.temp_f, unit: F} temperature 24.00 sensor.temp_f",
		at + "jar/abstand_cm, unit: cm} distance 187.00 ",
	}, got, "and no secret is in a line of the file")
	_, trouble := l.Heard()
	assert.NoError(t, trouble)
}

// TestListenerSaysWhatIsWrong tells of a broker that refuses us, or every topic.
func TestListenerSaysWhatIsWrong(t *testing.T) {
	b := sensortest.NewBroker(t)
	b.Set(func() { b.User, b.Password = "baker", "salt" })
	stranger := Listen(sensor.MQTT{Broker: b.URL()})
	defer func() { assert.NoError(t, stranger.Close()) }()
	b.Set(func() { b.Refuse["#"] = true })
	kept := Listen(sensor.MQTT{Broker: b.URL(), Login: sensor.Login{User: "baker", Password: "salt"}})
	defer func() { assert.NoError(t, kept.Close()) }()
	says := func(l *Listener, want string) {
		assert.Eventually(t, func() bool {
			_, trouble := l.Heard()
			return trouble != nil && text.New(text.Locale{}).Error(trouble) == want
		}, 30*time.Second, 20*time.Millisecond, want)
	}
	says(stranger, "it refuses our user or password")
	says(kept, "it refuses the topic # (reason 0x87)")
	broken := Listen(sensor.MQTT{Broker: "mqtts://127.0.0.1:1", Login: sensor.Login{CAFile: "/nonexistent"}})
	_, trouble := broken.Heard()
	assert.ErrorContains(t, trouble, "ca_file: the certificates cannot be read")
	assert.NoError(t, broken.Close())
}

func TestWhatNamesTell(t *testing.T) {
	l := Listener{words: words()}
	for name, want := range map[string]string{"Temp": "temperature ", "temp_f": "temperature F", "oven_temperature_f": "temperature F", "aussentemperatur": "temperature ", "fahrenheit": "temperature F",
		"dist_m": "distance m", "abstand_cm": "distance cm", "distance_mm": "distance ", "level_mm": "distance ", "luftfeuchte": "humidity ", "contemporary": " ", "battery": " "} {
		told, _ := l.told(name)
		assert.Equal(t, want, fmt.Sprint(told.q, " ", told.unit), name)
	}
}
