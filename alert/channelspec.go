package alert

import (
	"cmp"
	"fmt"
	"net"
	"net/mail"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
)

// Secret is a value that does not show itself when printed or logged.
type Secret string

// String hides the value.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return "(hidden)"
}

// GoString hides the value.
func (s Secret) GoString() string { return `"` + s.String() + `"` }

// MarshalText hides the value in JSON, YAML and logs.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Reveal returns the value, for the one place that sends it.
func (s Secret) Reveal() string { return string(s) }

// The kinds of channel.
const (
	TopicChannel   = "topic"   // JSON publish to a topic server
	WebhookChannel = "webhook" // POST of a JSON document, signed
	MailChannel    = "mail"    // SMTP
	MQTTChannel    = "mqtt"    // home automation
	CommandChannel = "command" // a local program
)

// The forms in which an MQTT channel announces vessels to home automation.
const (
	DeviceForm = "device" // one message a vessel; the default
	EntityForm = "entity" // one message a value
)

// ChannelSpec describes one channel in the configuration. The struct is flat: the tag
// of says to which kinds a key belongs, the tag set that the page may set it.
//
// A key that ends in _file names a file that holds a secret. A name without a
// slash is looked for in the directory systemd gives for credentials.
type ChannelSpec struct {
	Name      string `yaml:"name" set:""`
	Kind      string `yaml:"kind" set:""`
	Only      []Kind `yaml:"only"`              // kinds of alarm it tells; empty for all
	FromLevel int    `yaml:"from_level" set:""` // used from this escalation step on, 0..4
	Timeout   string `yaml:"timeout"`           // of one attempt, default 20s

	URL       string   `yaml:"url" of:"topic webhook mqtt" set:""`
	Token     Secret   `yaml:"token" of:"topic webhook" set:""`
	TokenFile string   `yaml:"token_file" of:"topic webhook"`
	CAFile    string   `yaml:"ca_file" of:"topic webhook mail mqtt"` // certificates to trust beside the system's
	Topic     Secret   `yaml:"topic" of:"topic" set:""`              // who knows it can read along
	NoPicture bool     `yaml:"no_picture" of:"topic mail"`
	SignKey   Secret   `yaml:"sign_key" of:"webhook" set:""`
	SignFile  string   `yaml:"sign_key_file" of:"webhook"`
	User      string   `yaml:"user" of:"topic mail mqtt" set:""`
	Password  Secret   `yaml:"password" of:"topic mail mqtt" set:""`
	PassFile  string   `yaml:"password_file" of:"topic mail mqtt"`
	Host      string   `yaml:"host" of:"mail" set:""`
	Port      int      `yaml:"port" of:"mail" set:""`
	TLS       string   `yaml:"tls" of:"mail" set:""` // starttls, implicit, or none to this machine
	From      string   `yaml:"from" of:"mail" set:""`
	To        []string `yaml:"to" of:"mail" set:""`
	Base      string   `yaml:"base_topic" of:"mqtt" set:""`       // default tidemark
	Discovery string   `yaml:"discovery_prefix" of:"mqtt" set:""` // default homeassistant; "-" for none
	Form      string   `yaml:"discovery_form" of:"mqtt" set:""`   // device, or entity for a home automation that does not know the device form
	Run       []string `yaml:"run" of:"command"`                  // program and arguments, no shell
}

// channelName is what may stand in notification IDs and metrics.
var channelName = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,31}$`)

// topicShape is what a topic server takes as a topic.
var topicShape = regexp.MustCompile(`^[-_A-Za-z0-9]{1,64}$`)

// check is something that is wrong with a field when it is bad: a sentence of the catalogue.
type check struct {
	bad        bool
	field, key string
	values     text.Values
}

// Validate checks the description. The error is a bake.FieldError.
func (s *ChannelSpec) Validate() error {
	_, timeout := s.TimeoutOr(0)
	of, known := map[string]func() []check{TopicChannel: s.ofTopic, WebhookChannel: s.ofWebhook, MailChannel: s.ofMail, MQTTChannel: s.ofMQTT, CommandChannel: s.ofCommand}[s.Kind]
	checks := []check{
		{!channelName.MatchString(s.Name), "name", "name_shape", text.Values{"found": s.Name}},
		{s.FromLevel < 0 || s.FromLevel > maxLevel, "from_level", "level", text.Values{"found": s.FromLevel, "most": maxLevel}},
	}
	for _, k := range s.Only {
		options := strings.Trim(fmt.Sprint(slices.Sorted(slices.Values(Kinds()))), "[]")
		checks = append(checks, check{!slices.Contains(Kinds(), k), "only", "only", text.Values{"found": string(k), "options": strings.ReplaceAll(options, " ", ", ")}})
	}
	if err := firstBad(checks); err != nil || timeout != nil {
		return cmp.Or(err, timeout)
	}
	checks = []check{{s.Token != "" && s.TokenFile != "", "token", "twice", text.Values{"key": "token"}}, {s.SignKey != "" && s.SignFile != "", "sign_key", "twice", text.Values{"key": "sign_key"}},
		{s.Password != "" && s.PassFile != "", "password", "twice", text.Values{"key": "password"}}, {!known, "kind", "kind", text.Values{"found": s.Kind}}}
	if known {
		checks = append(append(checks, s.foreign()...), of()...)
	}
	return firstBad(checks)
}

// firstBad returns the first of the checks that is bad as an error.
func firstBad(checks []check) error {
	for _, c := range checks {
		if c.bad {
			return wrong(c.field, c.key, c.values)
		}
	}
	return nil
}

// TimeoutOr returns the time limit of one attempt, or def when none is set.
func (s *ChannelSpec) TimeoutOr(def time.Duration) (time.Duration, error) {
	if s.Timeout == "" {
		return def, nil
	}
	d, err := time.ParseDuration(s.Timeout)
	if err != nil {
		return 0, wrong("timeout", "timeout", text.Values{"found": s.Timeout})
	}
	if d < time.Second || d > 5*time.Minute {
		return 0, wrong("timeout", "timeout_range", text.Values{"found": d.String()})
	}
	return d, nil
}

// foreign refuses keys that belong to another kind.
func (s *ChannelSpec) foreign() (checks []check) {
	v := reflect.ValueOf(s).Elem()
	for i := range v.NumField() {
		f := v.Type().Field(i)
		of, key := strings.Fields(f.Tag.Get("of")), f.Tag.Get("yaml")
		slices.Sort(of)
		checks = append(checks, check{len(of) > 0 && !v.Field(i).IsZero() && !slices.Contains(of, s.Kind), key, "foreign", text.Values{"kind": s.Kind, "key": key, "of": strings.Join(of, ", ")}})
	}
	return checks
}

// ofURL checks an address against the schemes that fit. The address itself is not
// repeated: it may hold a secret.
func (s *ChannelSpec) ofURL(schemes ...string) []check {
	u, err := url.Parse(s.URL)
	return []check{
		{s.URL == "", "url", "no_url", text.Values{"scheme": schemes[0]}},
		{err != nil || u.Host == "" || !slices.Contains(schemes, u.Scheme), "url", "url", text.Values{"schemes": strings.Join(schemes, ", "), "scheme": schemes[0]}},
		{err == nil && u.User != nil, "url", "url_secret", nil},
	}
}

func (s *ChannelSpec) ofTopic() []check {
	return append(s.ofURL("https", "http"), check{!topicShape.MatchString(string(s.Topic)), "topic", "topic", nil},
		check{(s.Token != "" || s.TokenFile != "") && s.User != "", "user", "token_and_user", nil})
}

func (s *ChannelSpec) ofWebhook() []check { return s.ofURL("https", "http") }

func (s *ChannelSpec) ofMail() []check {
	ip := net.ParseIP(s.Host)
	checks := []check{
		{s.Host == "", "host", "host", nil},
		{s.Port < 0 || s.Port > 65535, "port", "port", text.Values{"found": s.Port}},
		{s.TLS == "none" && s.Host != "localhost" && (ip == nil || !ip.IsLoopback()), "tls", "tls_none", nil},
		{!slices.Contains([]string{"", "starttls", "implicit", "none"}, s.TLS), "tls", "tls", text.Values{"found": s.TLS}},
	}
	address := func(field, a string) check {
		_, err := mail.ParseAddress(a)
		return check{err != nil, field, field, text.Values{"found": a}}
	}
	checks = append(checks, address("from", s.From), check{len(s.To) == 0, "to", "no_to", nil})
	for _, to := range s.To {
		checks = append(checks, address("to", to))
	}
	return checks
}

func (s *ChannelSpec) ofMQTT() []check {
	checks := s.ofURL("mqtt", "mqtts")
	for field, t := range map[string]string{"base_topic": s.Base, "discovery_prefix": s.Discovery} {
		bad := strings.ContainsAny(t, "+#\x00 ") || strings.HasPrefix(t, "/") || strings.HasSuffix(t, "/")
		checks = append(checks, check{bad, field, "base", text.Values{"found": t}})
	}
	return append(checks, check{s.Form != "" && s.Form != DeviceForm && s.Form != EntityForm, "discovery_form", "form", text.Values{"found": s.Form}})
}

func (s *ChannelSpec) ofCommand() []check {
	if len(s.Run) == 0 {
		return []check{{true, "run", "no_run", text.Values{"example": `["/usr/local/bin/ring", "loud"]`}}}
	}
	return []check{{!strings.HasPrefix(s.Run[0], "/"), "run", "run", text.Values{"found": s.Run[0]}}}
}

// wrong returns what is wrong with a field.
func wrong(field, key string, values text.Values) error {
	return bake.FieldError{Field: field, Said: bake.Said{Key: "refused.channel." + key, Values: values}}
}
