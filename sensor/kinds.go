package sensor

// kindRule is what one kind delivers and takes.
type kindRule struct {
	delivers map[Quantity]struct{}
	fields   []string // keys it takes beside kind
	needs    []string // keys it cannot do without
}

// rule builds a kindRule.
func rule(delivers []Quantity, needs, takes []string) kindRule {
	r := kindRule{delivers: map[Quantity]struct{}{}, needs: needs}
	for _, q := range delivers {
		r.delivers[q] = struct{}{}
	}
	r.fields = append(append([]string{}, needs...), takes...)
	return r
}

// kindRules is the table of kinds.
func kindRules() map[Kind]kindRule {
	temp, dist := []Quantity{Temperature}, []Quantity{Distance}
	all := []Quantity{Distance, Temperature, Humidity}
	i2c := []string{"bus", "address", "mux", "port", "power"}
	span := []string{"min_mm", "max_mm", "offset_mm"}
	return map[Kind]kindRule{
		KindW1:      rule(temp, nil, []string{"id", "power", "offset_c"}),
		KindDS18B20: rule(temp, nil, []string{"id", "bus", "power", "offset_c"}),
		KindHwmon:   rule([]Quantity{Temperature, Humidity}, nil, []string{"device", "name", "channel", "offset_c"}),
		KindIIO:     rule(all, nil, join([]string{"device", "name", "channel", "offset_c"}, span)),
		KindVL53L1X: rule(dist, nil, join(i2c, span, []string{"xshut", "roi", "budget"})),
		KindVL6180X: rule(dist, nil, join(i2c, span, []string{"xshut"})),
		KindBME280:  rule([]Quantity{Temperature, Humidity}, nil, join(i2c, []string{"offset_c"})),
		KindHCSR04:  rule(dist, []string{"trigger", "echo"}, join([]string{"device", "pings", "co2_ratio", "air_c", "power"}, span)),
		KindSRF04:   rule(dist, nil, join([]string{"device", "pings", "co2_ratio", "air_c"}, span)),
		KindSerial:  rule(dist, []string{"device"}, join([]string{"format", "baud", "pings", "co2_ratio", "air_c"}, span)),
		KindMQTT: rule(all, []string{"broker", "topic"}, join([]string{"field", "unit", "user", "password_file",
			"ca_file", "cert_file", "key_file", "stale_after", "offset_c"}, span)),
	}
}

// join puts lists of keys together.
func join(lists ...[]string) []string {
	var out []string
	for _, l := range lists {
		out = append(out, l...)
	}
	return out
}
