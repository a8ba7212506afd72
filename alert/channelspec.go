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
		return fieldErrorf("name", "%q is not a usable name; give 1 to 32 small letters, digits, - or _, beginning with a letter or digit", s.Name)
	}
	if s.FromLevel < 0 || s.FromLevel > maxLevel {
		return fieldErrorf("from_level", "%d is outside 0 to %d; 0 tells at once, 1 from the first escalation on", s.FromLevel, maxLevel)
	}
	for _, k := range s.Only {
		if !slices.Contains(Kinds(), k) {
			known := fmt.Sprint(slices.Sorted(slices.Values(Kinds())))
			return fieldErrorf("only", "%q is no kind of alarm; use some of: %s", k, strings.ReplaceAll(strings.Trim(known, "[]"), " ", ", "))
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
		return fieldErrorf("kind", "%q is no kind of channel; write one of: topic, webhook, mail, mqtt, command", s.Kind)
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
		return 0, fieldErrorf("timeout", "%q is not a duration; write it like 20s", s.Timeout)
	}
	if d < time.Second || d > 5*time.Minute {
		return 0, fieldErrorf("timeout", "%s is outside 1s to 5m; choose a value in that range", d)
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
			return fieldErrorf(p.field, "%s is given here and as %s_file; keep the file and remove this", p.field, p.field)
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
			return fieldErrorf(key, "a %s channel has no %s; it belongs to %s", s.Kind, key, strings.Join(of, ", "))
		}
	}
	return nil
}

// checkURL checks an address against the schemes that fit. The address itself
// is not repeated: it may hold a secret.
func (s *ChannelSpec) checkURL(schemes ...string) error {
	if s.URL == "" {
		return fieldErrorf("url", "the address is missing; write it like %s://host", schemes[0])
	}
	u, err := url.Parse(s.URL)
	if err != nil || u.Host == "" || !slices.Contains(schemes, u.Scheme) {
		return fieldErrorf("url", "this is not an address with one of the schemes %s; write it like %s://host", strings.Join(schemes, ", "), schemes[0])
	}
	if u.User != nil {
		return fieldErrorf("url", "the address holds a user name or password; move them to user and password_file or token_file")
	}
	return nil
}

func (s *ChannelSpec) checkTopic() error {
	if err := s.checkURL("https", "http"); err != nil {
		return err
	}
	if !topicShape.MatchString(string(s.Topic)) {
		return fieldErrorf("topic", "the topic is missing or has other characters than letters, digits, - and _ (at most 64); whoever knows it can read along, so choose it like a password")
	}
	if (s.Token != "" || s.TokenFile != "") && s.User != "" {
		return fieldErrorf("user", "both a token and a user are given; keep one of them")
	}
	return nil
}

func (s *ChannelSpec) checkWebhook() error { return s.checkURL("https", "http") }

func (s *ChannelSpec) checkMail() error {
	if s.Host == "" {
		return fieldErrorf("host", "the mail server is missing; write its name, such as mail.example.org")
	}
	if s.Port < 0 || s.Port > 65535 {
		return fieldErrorf("port", "%d is no port; leave it out for the usual one", s.Port)
	}
	switch s.TLS {
	case "", "starttls", "implicit":
	case "none":
		if ip := net.ParseIP(s.Host); s.Host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return fieldErrorf("tls", "mail to another machine goes encrypted only; write starttls or implicit")
		}
	default:
		return fieldErrorf("tls", "%q is not known; write starttls (port 587) or implicit (port 465)", s.TLS)
	}
	if _, err := mail.ParseAddress(s.From); err != nil {
		return fieldErrorf("from", "%q is not a mail address; write it like kitchen@example.org", s.From)
	}
	if len(s.To) == 0 {
		return fieldErrorf("to", "no recipient is named; list at least one mail address")
	}
	for _, to := range s.To {
		if _, err := mail.ParseAddress(to); err != nil {
			return fieldErrorf("to", "%q is not a mail address; write it like baker@example.org", to)
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
			return fieldErrorf(t.field, "%q is not usable as the beginning of a topic; leave out +, #, spaces and outer slashes", t.value)
		}
	}
	if s.Form != "" && s.Form != DeviceForm && s.Form != EntityForm {
		return fieldErrorf("discovery_form", "%q is not known; write device (one message a vessel) or entity (one message a value, for a home automation that does not know the device form)", s.Form)
	}
	return nil
}

func (s *ChannelSpec) checkCommand() error {
	if len(s.Run) == 0 {
		return fieldErrorf("run", "no program is named; write a list such as [\"/usr/local/bin/ring\", \"loud\"]")
	}
	if !strings.HasPrefix(s.Run[0], "/") {
		return fieldErrorf("run", "%q is not a full path; write the program with its path, there is no shell to look for it", s.Run[0])
	}
	return nil
}

// fieldErrorf returns a bake.FieldError.
func fieldErrorf(field, format string, args ...any) error {
	return bake.FieldError{Field: field, Msg: fmt.Sprintf(format, args...)}
}
