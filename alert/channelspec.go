package alert

import (
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

// Validate checks the description. The error is a bake.FieldError.
func (s *ChannelSpec) Validate() error {
	if !channelName.MatchString(s.Name) {
		return wrong("name", "name_shape", text.Values{"found": s.Name})
	}
	if s.FromLevel < 0 || s.FromLevel > maxLevel {
		return wrong("from_level", "level", text.Values{"found": s.FromLevel, "most": maxLevel})
	}
	for _, k := range s.Only {
		if !slices.Contains(Kinds(), k) {
			known := fmt.Sprint(slices.Sorted(slices.Values(Kinds())))
			return wrong("only", "only", text.Values{"found": string(k), "options": strings.ReplaceAll(strings.Trim(known, "[]"), " ", ", ")})
		}
	}
	if _, err := s.TimeoutOr(0); err != nil {
		return err
	}
	if err := s.oneSecret(); err != nil {
		return err
	}
	check, known := map[string]func() error{
		TopicChannel: s.checkTopic, WebhookChannel: s.checkWebhook, MailChannel: s.checkMail,
		MQTTChannel: s.checkMQTT, CommandChannel: s.checkCommand,
	}[s.Kind]
	if !known {
		return wrong("kind", "kind", text.Values{"found": s.Kind})
	}
	if err := s.foreign(); err != nil {
		return err
	}
	return check()
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

// oneSecret refuses a secret given both here and in a file.
func (s *ChannelSpec) oneSecret() error {
	for _, p := range []struct {
		field, file string
		inline      Secret
	}{{"token", s.TokenFile, s.Token}, {"sign_key", s.SignFile, s.SignKey}, {"password", s.PassFile, s.Password}} {
		if p.file != "" && p.inline != "" {
			return wrong(p.field, "twice", text.Values{"key": p.field})
		}
	}
	return nil
}

// foreign refuses keys that belong to another kind.
func (s *ChannelSpec) foreign() error {
	v := reflect.ValueOf(s).Elem()
	for i := range v.NumField() {
		f := v.Type().Field(i)
		of, key := strings.Fields(f.Tag.Get("of")), f.Tag.Get("yaml")
		if len(of) > 0 && !v.Field(i).IsZero() && !slices.Contains(of, s.Kind) {
			slices.Sort(of)
			return wrong(key, "foreign", text.Values{"kind": s.Kind, "key": key, "of": strings.Join(of, ", ")})
		}
	}
	return nil
}

// checkURL checks an address against the schemes that fit. The address itself
// is not repeated: it may hold a secret.
func (s *ChannelSpec) checkURL(schemes ...string) error {
	if s.URL == "" {
		return wrong("url", "no_url", text.Values{"scheme": schemes[0]})
	}
	u, err := url.Parse(s.URL)
	if err != nil || u.Host == "" || !slices.Contains(schemes, u.Scheme) {
		return wrong("url", "url", text.Values{"schemes": strings.Join(schemes, ", "), "scheme": schemes[0]})
	}
	if u.User != nil {
		return wrong("url", "url_secret", nil)
	}
	return nil
}

func (s *ChannelSpec) checkTopic() error {
	if err := s.checkURL("https", "http"); err != nil {
		return err
	}
	if !topicShape.MatchString(string(s.Topic)) {
		return wrong("topic", "topic", nil)
	}
	if (s.Token != "" || s.TokenFile != "") && s.User != "" {
		return wrong("user", "token_and_user", nil)
	}
	return nil
}

func (s *ChannelSpec) checkWebhook() error { return s.checkURL("https", "http") }

func (s *ChannelSpec) checkMail() error {
	if s.Host == "" {
		return wrong("host", "host", nil)
	}
	if s.Port < 0 || s.Port > 65535 {
		return wrong("port", "port", text.Values{"found": s.Port})
	}
	switch s.TLS {
	case "", "starttls", "implicit":
	case "none":
		if ip := net.ParseIP(s.Host); s.Host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return wrong("tls", "tls_none", nil)
		}
	default:
		return wrong("tls", "tls", text.Values{"found": s.TLS})
	}
	if _, err := mail.ParseAddress(s.From); err != nil {
		return wrong("from", "from", text.Values{"found": s.From})
	}
	if len(s.To) == 0 {
		return wrong("to", "no_to", nil)
	}
	for _, to := range s.To {
		if _, err := mail.ParseAddress(to); err != nil {
			return wrong("to", "to", text.Values{"found": to})
		}
	}
	return nil
}

func (s *ChannelSpec) checkMQTT() error {
	if err := s.checkURL("mqtt", "mqtts"); err != nil {
		return err
	}
	for _, t := range []struct{ field, value string }{{"base_topic", s.Base}, {"discovery_prefix", s.Discovery}} {
		if strings.ContainsAny(t.value, "+#\x00 ") || strings.HasPrefix(t.value, "/") || strings.HasSuffix(t.value, "/") {
			return wrong(t.field, "base", text.Values{"found": t.value})
		}
	}
	if s.Form != "" && s.Form != DeviceForm && s.Form != EntityForm {
		return wrong("discovery_form", "form", text.Values{"found": s.Form})
	}
	return nil
}

func (s *ChannelSpec) checkCommand() error {
	if len(s.Run) == 0 {
		return wrong("run", "no_run", text.Values{"example": `["/usr/local/bin/ring", "loud"]`})
	}
	if !strings.HasPrefix(s.Run[0], "/") {
		return wrong("run", "run", text.Values{"found": s.Run[0]})
	}
	return nil
}

// wrong returns what is wrong with a field.
func wrong(field, key string, values text.Values) error {
	return bake.FieldError{Field: field, Said: bake.Said{Key: "refused.channel." + key, Values: values}}
}
