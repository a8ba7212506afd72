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
	v = toOwnUnit(v, unit)
	return v, plausible(v, q)
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
		object, ok := node.(map[string]any)
		if !ok {
			return "", sensor.Fault(sensor.BadData, "message.no_field", "field", field)
		}
		if node, ok = object[key]; !ok {
			return "", sensor.Fault(sensor.BadData, "message.no_field", "field", field)
		}
	}
	switch v := node.(type) {
	case json.Number:
		return v.String(), nil
	case string: // some nodes send numbers as text
		return v, nil
	default:
		return "", sensor.Fault(sensor.BadData, "message.field", "field", field)
	}
}

// toOwnUnit turns a value into mm, Celsius or a ratio.
func toOwnUnit(v float64, unit string) float64 {
	switch unit {
	case "cm":
		return v * 10
	case "m":
		return v * 1000
	case "in":
		return v * 25.4
	case "F":
		return (v - 32) / 1.8
	case "percent":
		return v / 100
	default:
		return v
	}
}

// plausible refuses what no sensor measures.
func plausible(v float64, q sensor.Quantity) error {
	lo, hi := 0.0, 10000.0
	switch q {
	case sensor.Temperature:
		lo, hi = -55, 125
	case sensor.Humidity:
		lo, hi = 0, 1
	}
	if !(v >= lo && v <= hi) {
		return sensor.Fault(sensor.OutOfRange, "message.range", "value", fmt.Sprint(v), "low", fmt.Sprint(lo), "high", fmt.Sprint(hi))
	}
	return nil
}
