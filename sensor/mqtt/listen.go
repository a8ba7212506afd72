package mqtt

import (
	"bytes"
	"encoding/json"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"

	"tidemark/sensor"
)

// maxHeard is how many numbers a Listener keeps: a house has some hundred topics.
const maxHeard = 500

// Heard is a number in the messages of a topic that may be a sensor's.
type Heard struct {
	Config   sensor.MQTT
	Quantity sensor.Quantity
	Value    float64 // of the last message, in the unit of Quantity
}

// Listener hears all that a broker's topics say, to find the house's sensors among it.
type Listener struct {
	conf    sensor.MQTT
	client  *Client
	words   []word
	mu      sync.Mutex
	heard   map[string]Heard // by topic and field
	trouble error
}

// Listen begins to hear every topic of the broker that conf names.
func Listen(conf sensor.MQTT) *Listener {
	l := &Listener{conf: conf, words: words(), heard: map[string]Heard{}, trouble: fault("wait")}
	opt, err := options(conf)
	if err != nil {
		l.trouble = err
		return l
	}
	opt.Topic, opt.Kept, opt.OnMessage = "#", true, l.message
	opt.OnChange = func(_ bool, trouble error) {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.trouble = trouble
	}
	l.client = Connect(opt)
	return l
}

// Heard returns what was heard so far, by topic and field, and what stands in the way.
func (l *Listener) Heard() (heard []Heard, trouble error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, key := range slices.Sorted(maps.Keys(l.heard)) {
		heard = append(heard, l.heard[key])
	}
	return heard, l.trouble
}

// Close ends the connection.
func (l *Listener) Close() error {
	if l.client == nil {
		return nil
	}
	return l.client.Close()
}

// message looks for numbers that are told to be of a quantity of ours, by the words of
// their field, else, when there is but one, of their topic.
func (l *Listener) message(topic string, payload []byte) {
	fields := []string{""} // the message is the number
	if bytes.HasPrefix(bytes.TrimSpace(payload), []byte("{")) {
		var object map[string]any
		if len(payload) > maxPayload || json.Unmarshal(payload, &object) != nil {
			return
		}
		fields = numbers(object, "")
	}
	for _, field := range fields {
		told, known := l.told(field)
		if !known && len(fields) == 1 {
			told, known = l.told(topic)
		}
		if !known {
			continue
		}
		v, err := parsePayload(payload, field, told.unit, told.q)
		if err != nil && told.other != "" {
			told.unit = told.other
			v, err = parsePayload(payload, field, told.unit, told.q)
		}
		h := Heard{l.conf, told.q, v}
		h.Config.Topic, h.Config.Field, h.Config.Unit = topic, field, told.unit
		if err != nil || sensor.Check(&h.Config, h.Quantity) != nil {
			continue
		}
		l.mu.Lock()
		key := topic + "\x00" + field
		if _, known := l.heard[key]; known || len(l.heard) < maxHeard {
			l.heard[key] = h
		}
		l.mu.Unlock()
	}
}

// numbers lists the paths of the numbers in an object that can be written.
func numbers(object map[string]any, path string) (out []string) {
	for key, v := range object {
		if key == "" || strings.Contains(key, ".") {
			continue
		}
		switch v := v.(type) {
		case float64:
			out = append(out, path+key)
		case map[string]any:
			out = append(out, numbers(v, path+key+".")...)
		}
	}
	return out
}

// word is what a name may say of its number, in a topic or a field.
type word struct {
	is    *regexp.Regexp
	q     sensor.Quantity
	unit  string // likely; empty = our own
	other string // when the number cannot be in that one
}

// words returns what names say, the surest first.
func words() []word {
	const celsius, distance = `temperat|celsius|fahrenheit|(^|[^a-z])temp([^a-z]|$)`, `distan|abstand|entfernung|(^|[^a-z])dist([^a-z]|$)|_mm$`
	of := func(names string) *regexp.Regexp { return regexp.MustCompile(names) }
	return []word{
		{of(`humid|feucht`), sensor.Humidity, "", "percent"}, // a share, else out of range
		{of(`fahrenheit|(` + celsius + `).*_f$|(^|[^a-z])temp_f$`), sensor.Temperature, "F", ""},
		{of(celsius), sensor.Temperature, "", ""},
		{of(`(` + distance + `).*cm$`), sensor.Distance, "cm", ""},
		{of(`(` + distance + `).*_m$|(^|[^a-z])dist_m$`), sensor.Distance, "m", ""},
		{of(distance), sensor.Distance, "", ""},
	}
}

// told reads what a field or topic is about.
func (l *Listener) told(name string) (word, bool) {
	for _, w := range l.words {
		if w.is.MatchString(strings.ToLower(name)) {
			return w, true
		}
	}
	return word{}, false
}
