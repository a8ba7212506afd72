package mqtt

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"tidemark/sensor"
)

// maxPayload is the longest message that is looked at, in bytes.
const maxPayload = 16 << 10

// parsePayload takes the number out of a message: the payload itself when field is
// empty, else the value at the dotted path field (like sensor.mm) of a JSON
// object. unit is the unit it is in; empty means that of q. The value returned is
// in the unit of q. The error is a *sensor.FaultError.
func parsePayload(payload []byte, field, unit string, q sensor.Quantity) (float64, error) {
	if len(payload) > maxPayload {
		return 0, sensor.Fault(sensor.BadData, "message.large", "n", len(payload))
	}
	text := string(bytes.TrimSpace(payload))
	if field != "" {
		var err error
		if text, err = pick(payload, field); err != nil {
			return 0, err
		}
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || strings.Trim(text, "0123456789.-+eE") != "" {
		return 0, sensor.Fault(sensor.BadData, "message.no_number", "text", text)
	}
	switch unit {
	case "cm":
		v *= 10
	case "m":
		v *= 1000
	case "in":
		v *= 25.4
	case "F":
		v = (v - 32) / 1.8
	case "percent":
		v /= 100
	}
	possible := map[sensor.Quantity][2]float64{sensor.Distance: {0, 10000}, sensor.Temperature: {-55, 125}, sensor.Humidity: {0, 1}}[q]
	if !(v >= possible[0] && v <= possible[1]) {
		return 0, sensor.Fault(sensor.OutOfRange, "message.range", "value", fmt.Sprint(v), "low", fmt.Sprint(possible[0]), "high", fmt.Sprint(possible[1]))
	}
	return v, nil
}

// pick finds the number at a dotted path as text.
func pick(payload []byte, field string) (string, error) {
	var node any
	dec := json.NewDecoder(bytes.NewReader(payload))
	dec.UseNumber()
	if err := dec.Decode(&node); err != nil {
		return "", sensor.Fault(sensor.BadData, "message.no_json", "error", err, "text", payload)
	}
	for _, key := range strings.Split(field, ".") {
		object, _ := node.(map[string]any) // nil has no keys
		below, ok := object[key]
		if !ok {
			return "", sensor.Fault(sensor.BadData, "message.no_field", "field", field)
		}
		node = below
	}
	switch v := node.(type) {
	case json.Number:
		return v.String(), nil
	case string: // some nodes send numbers as text
		return v, nil
	}
	return "", sensor.Fault(sensor.BadData, "message.field", "field", field)
}
