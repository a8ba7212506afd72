package past

import (
	"tidemark/alert/text"
	"tidemark/history"
)

// Holdings says what a history holds.
func Holdings(m history.Summary, l *text.Localizer) string {
	out := l.SayN("past.rises", m.Rises, nil) + ", " + l.SayN("past.samples", int(m.Samples), nil) + ", " + l.Number(float64(m.Bytes)/1e6, 1) + " MB"
	if m.Rises > 0 {
		out += ", " + l.Say("past.from_to", text.Values{"from": l.Date(m.First), "until": l.Date(m.Last)})
	}
	return out
}
