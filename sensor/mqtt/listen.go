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

// Bounds of what a Listener keeps: a house has some hundred topics.
const (
	maxHeard = 500
	maxDeep  = 3 // objects within each other in a message
)

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
	hints   []hint
	mu      sync.Mutex
	heard   map[string]Heard // by topic and field
	trouble error
}

// Listen begins to hear every topic of the broker that conf names.
func Listen(conf sensor.MQTT) *Listener {
	l := &Listener{conf: conf, hints: hints(), heard: map[string]Heard{}, trouble: fault("wait")}
	opt, err := options(conf)
	if err != nil {
		l.tell(err)
		return l
	}
	opt.Topic, opt.OnAny, opt.OnTopic = "#", l.take, l.tell
	l.client = Connect(opt)
	return l
}

// tell keeps what stands in the way.
func (l *Listener) tell(trouble error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.trouble = trouble
}

// take looks for sensors in a message.
func (l *Listener) take(topic string, payload []byte) {
	if len(payload) > maxPayload {
		return
	}
	found := proposals(topic, bytes.Clone(payload), l.conf, l.hints)
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, h := range found {
		key := topic + "\x00" + h.Config.Field
		if _, known := l.heard[key]; known || len(l.heard) < maxHeard {
			l.heard[key] = h
		}
	}
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

// hints tell in a topic or a field what its number is. They are tried in this order.
func hints() []hint {
	return []hint{
		{regexp.MustCompile(`humid|feucht`), sensor.Humidity},
		{regexp.MustCompile(`temperat|celsius|fahrenheit|(^|[^a-z])temp([^a-z]|$)`), sensor.Temperature},
		{regexp.MustCompile(`distan|abstand|entfernung|(^|[^a-z])dist([^a-z]|$)|_mm$`), sensor.Distance},
	}
}

// hint is a word with what it tells.
type hint struct {
	word *regexp.Regexp
	q    sensor.Quantity
}

// proposals finds the numbers of a message that are told to be of a quantity of ours, by
// the words of their field, else of their topic.
func proposals(topic string, payload []byte, conf sensor.MQTT, hints []hint) (out []Heard) {
	numbers := map[string]bool{} // by field
	if bytes.HasPrefix(bytes.TrimSpace(payload), []byte("{")) {
		var object map[string]any
		if json.Unmarshal(payload, &object) == nil {
			collect(object, "", maxDeep, numbers)
		}
	} else {
		numbers[""] = true
	}
	for _, field := range slices.Sorted(maps.Keys(numbers)) {
		q, word := quantityOf(field, hints), field
		if q == "" && (field == "" || len(numbers) == 1) {
			q, word = quantityOf(topic, hints), topic
		}
		if q == "" {
			continue
		}
		for _, unit := range unitsTold(word, q) {
			v, err := parsePayload(payload, field, unit, q)
			if err != nil {
				continue
			}
			c := conf
			c.Topic, c.Field, c.Unit = topic, field, unit
			if sensor.Check(&c, q) == nil {
				out = append(out, Heard{c, q, v})
			}
			break
		}
	}
	return out
}

// collect lists the paths of the numbers in an object.
func collect(object map[string]any, path string, deep int, into map[string]bool) {
	for key, v := range object {
		if key == "" || strings.Contains(key, ".") {
			continue // such a path could not be written
		}
		switch v := v.(type) {
		case float64:
			into[path+key] = true
		case map[string]any:
			if deep > 1 {
				collect(v, path+key+".", deep-1, into)
			}
		}
	}
}

// quantityOf reads what a field or topic is about; empty when it does not say.
func quantityOf(name string, hints []hint) sensor.Quantity {
	for _, h := range hints {
		if h.word.MatchString(strings.ToLower(name)) {
			return h.q
		}
	}
	return ""
}

// unitsTold are the units that a number may be in, by its name, the likeliest first;
// empty is our own.
func unitsTold(name string, q sensor.Quantity) []string {
	name = strings.ToLower(name)
	switch {
	case q == sensor.Humidity:
		return []string{"", "percent"} // a share, else out of range
	case q == sensor.Temperature && (strings.HasSuffix(name, "_f") || strings.Contains(name, "fahrenheit")):
		return []string{"F"}
	case q == sensor.Distance && strings.HasSuffix(name, "cm"):
		return []string{"cm"}
	case q == sensor.Distance && strings.HasSuffix(name, "_m"):
		return []string{"m"}
	}
	return []string{""}
}
