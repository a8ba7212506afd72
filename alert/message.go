package alert

import (
	"context"
	"fmt"
	"time"

	"tidemark/bake"
)

// Message is what a channel delivers. Its JSON form is stored and sent.
type Message struct {
	ID       string    `json:"id"`       // of the notification: the same on every attempt
	AlarmID  string    `json:"alarm_id"` // the same for every message about one alarm
	What     What      `json:"what"`
	Kind     Kind      `json:"kind"`
	Reason   string    `json:"reason,omitempty"`
	Vessel   string    `json:"vessel,omitempty"`
	RiseID   int64     `json:"rise_id,omitempty"`
	Title    string    `json:"title"`
	Text     string    `json:"text"`
	Priority int       `json:"priority"` // 1 lowest .. 5 most urgent
	Level    int       `json:"level"`    // escalation steps taken
	Since    time.Time `json:"since"`    // when the condition began
	Due      time.Time `json:"due"`      // when it ought to have arrived; zero when no clock could say

	// Tap is the event that a button tells as done; empty for none.
	Tap bake.EventKind `json:"tap,omitempty"`

	Links       Links  `json:"-"` // filled in at each attempt
	Picture     []byte `json:"-"` // PNG of the rise, at most 60 kB; nil for none
	PictureText string `json:"-"` // what the picture shows
}

// Links are the addresses a message may offer. Those of buttons carry a token and are
// told to channels only, never logged.
type Links struct {
	Page      string // empty for none
	PageLabel string
	Buttons   []Button // the most useful first; at most three
}

// Button is an answer that a message offers: an address to POST to.
type Button struct{ Verb, Label, URL string }

// The answers that every alarm takes; Message.Tap names one more.
const (
	AnswerAck    = "ack"
	AnswerSnooze = "snooze"
)

// testKind marks a message of notify --test.
const testKind Kind = "test"

// Failure says how the other side refused a message.
type Failure struct {
	Answer     string        // one line, without secrets
	Final      bool          // sending it again will not help
	RetryAfter time.Duration // the other side asked to wait this long; 0 when it did not
}

// Error returns the answer.
func (f *Failure) Error() string {
	if f.Final {
		return "refused for good: " + f.Answer
	}
	return "not taken: " + f.Answer
}

// finalf builds a final Failure.
func finalf(format string, args ...any) *Failure {
	return &Failure{Answer: fmt.Sprintf(format, args...), Final: true}
}

// Route is a channel with what goes through it.
type Route struct {
	Name string
	// Deliver blocks until the message is taken, refused or ctx ends, and returns in one
	// line and without secrets what the other side said. A refusal is a *Failure; any
	// other error counts as a passing trouble. It may be called for the same Message.ID
	// again and should then replace what it sent before, where the other side can.
	Deliver func(ctx context.Context, m Message) (answer string, err error)
	// Report tells the newest state of a vessel with its alarms, as soon as there is a
	// connection; it does not block. Call it at least once a minute: a state not renewed
	// expires. Nil where states are not told.
	Report    func(s bake.State, alarms []Alarm)
	Close     func() error // nil: there is nothing to close
	Only      []Kind       // empty for all
	FromLevel int
	Timeout   time.Duration // of one attempt; 0 means 30 s
	Pictures  bool          // whether it can show a picture
}
