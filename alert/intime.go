package alert

import (
	"tidemark/alert/text"
	"tidemark/bake"
)

// inTime: what is to be done while somebody is still up or at home, see bake.Advice.
func inTime(o *observation) []condition {
	a := o.Advice
	c := condition{kind: InTime, on: a.Urgent(o.At), ready: true, hold: inTimeHold}
	if a != nil {
		c.reason, c.at, c.tap = string(a.Key), a.By, a.Tap
	}
	c.say = func() words {
		keys, v := a.Words(o.At)
		v["vessel"] = o.Vessel
		return o.words(v, "in_time.title", keys...)
	}
	return []condition{c}
}

// lookDue: nothing but a look tells how far it has risen.
func lookDue(o *observation) []condition {
	return []condition{{kind: LookDue, on: o.Now.Key == bake.TodoSee, ready: true, reason: askedToLook, say: func() words {
		return o.words(text.Values{"vessel": o.Vessel}, "look.title", "look.text")
	}}}
}
