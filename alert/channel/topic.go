package channel

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"mime"
	"net/http"
	"strings"

	"tidemark/alert"
)

// Limits of a message: the server takes 4,096 bytes of text, and three actions.
const (
	maxTopicText = 3600
	mostActions  = 3
)

// topic publishes to a topic server: JSON to the base address with the topic in
// the body, then the curve as an attachment by PUT.
type topic struct {
	*poster
	base  string
	topic string
}

// publication is the JSON publish form.
type publication struct {
	Topic    string   `json:"topic"`
	Title    string   `json:"title"`
	Message  string   `json:"message"`
	Priority int      `json:"priority"`
	Tags     []string `json:"tags,omitempty"`
	Click    string   `json:"click,omitempty"`
	Actions  []action `json:"actions,omitempty"`
	// SequenceID makes a server of version 2.16 or newer replace the message
	// with the same one; older servers pass over it (name from memory).
	SequenceID string `json:"sequence_id,omitempty"`
}

// action is one button.
type action struct {
	Action string `json:"action"` // view or http
	Label  string `json:"label"`
	URL    string `json:"url"`
	Method string `json:"method,omitempty"`
	Clear  bool   `json:"clear,omitempty"`
}

func newTopic(spec alert.ChannelSpec, s *secrets, trust *tls.Config) *topic {
	return &topic{newPoster(spec.User, s, trust), strings.TrimRight(spec.URL, "/"), spec.Topic.Reveal()}
}

// Deliver publishes a message. A picture that is not taken is no failure: the
// message has arrived.
func (t *topic) Deliver(ctx context.Context, m alert.Message) (string, error) {
	body, err := json.Marshal(t.publication(m))
	if err != nil {
		return "", t.secrets.failure(err)
	}
	answer, err := t.send(ctx, http.MethodPost, t.base+"/", http.Header{"Content-Type": {"application/json"}}, body)
	if err != nil || len(m.Picture) == 0 {
		return answer, err
	}
	if said, err := t.attach(ctx, m); err != nil {
		return answer + "; the picture was not taken: " + err.Error(), nil
	} else if said != "" {
		return answer + ", picture " + said, nil
	}
	return answer, nil
}

// publication fills the JSON form.
func (t *topic) publication(m alert.Message) publication {
	p := publication{Topic: t.topic, Title: m.Title, Message: cut(m.Text, maxTopicText), Priority: m.Priority,
		Tags: topicTags(m), Click: m.Links.Page, SequenceID: alert.SafeID(m.AlarmID)}
	for _, b := range m.Links.Buttons {
		p.Actions = append(p.Actions, action{"http", b.Label, b.URL, http.MethodPost, true})
	}
	if m.Links.Page != "" && len(p.Actions) < mostActions {
		p.Actions = append(p.Actions, action{Action: "view", Label: m.Links.PageLabel, URL: m.Links.Page})
	}
	return p
}

// topicTags are shown as a symbol or as a word.
func topicTags(m alert.Message) []string {
	tag := "bread"
	switch {
	case m.Kind == alert.OvenHeating:
		tag = "rotating_light"
	case m.Priority >= 4 && m.What != alert.WasResolved:
		tag = "warning"
	}
	return []string{tag, string(m.Kind)}
}

// attach puts the picture, silently, as a message of its own that the next
// picture of the same alarm replaces.
func (t *topic) attach(ctx context.Context, m alert.Message) (string, error) {
	h := http.Header{"Content-Type": {"image/png"}}
	h.Set("Filename", alert.SafeID(m.Vessel)+".png")
	h.Set("Title", mime.QEncoding.Encode("utf-8", m.Title))
	h.Set("Message", mime.QEncoding.Encode("utf-8", m.PictureText))
	h.Set("Priority", "1")
	h.Set("X-Sequence-ID", alert.SafeID(m.AlarmID, "picture"))
	return t.send(ctx, http.MethodPut, t.base+"/"+t.topic, h, m.Picture)
}

// cut shortens text to so many bytes without breaking a character.
func cut(text string, most int) string {
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most-3], "") + "…"
}
