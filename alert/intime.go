package alert

// inTime: what is to be done while somebody is still up or at home, see bake.Advice.
func inTime(o *observation) []condition {
	a := o.Advice
	c := condition{kind: InTime, on: a.Urgent(o.At), ready: true, hold: inTimeHold}
	if a != nil {
		c.reason, c.at = string(a.Key), a.By
	}
	c.say = func() words {
		keys, v := a.Words(o.At)
		v["vessel"] = o.Vessel
		return o.words(v, "in_time.title", keys...)
	}
	return []condition{c}
}
