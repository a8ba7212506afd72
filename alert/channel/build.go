package channel

import (
	"encoding/base64"
	"fmt"
	"log/slog"
	"strings"
	"time"
	"unicode"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/sensor/credential"
)

// Env is what channels need to know of the program around them.
type Env struct {
	Version   string
	Household text.Locale  // words the links in mail
	Log       *slog.Logger // nil: nothing is logged
}

// defaultTimeout is the time limit of one attempt.
const defaultTimeout = 20 * time.Second

// Routes builds all channels. On an error those built so far are closed.
func Routes(specs []alert.ChannelSpec, env Env) ([]alert.Route, error) {
	var routes []alert.Route
	for _, spec := range specs {
		r, err := New(spec, env)
		if err != nil {
			for _, built := range routes {
				if built.Close != nil {
					_ = built.Close()
				}
			}
			return nil, fmt.Errorf("channel %s: %w", spec.Name, err)
		}
		routes = append(routes, r)
	}
	return routes, nil
}

// New builds one channel from a description that Validate has accepted. Secrets
// are read here; an unreadable file is an error that names it.
func New(spec alert.ChannelSpec, env Env) (alert.Route, error) {
	if env.Log == nil {
		env.Log = slog.New(slog.DiscardHandler)
	}
	if err := spec.Validate(); err != nil {
		return alert.Route{}, err
	}
	limit, err := spec.TimeoutOr(defaultTimeout)
	if err != nil {
		return alert.Route{}, err
	}
	secrets, err := loadSecrets(&spec)
	if err != nil {
		return alert.Route{}, err
	}
	trust, err := credential.Trust(spec.CAFile)
	if err != nil {
		return alert.Route{}, err
	}
	r := alert.Route{Name: spec.Name, Only: spec.Only, FromLevel: spec.FromLevel, Timeout: limit}
	switch spec.Kind {
	case alert.TopicChannel:
		t := newTopic(spec, secrets, trust)
		r.Deliver, r.Close, r.Pictures = t.Deliver, t.Close, !spec.NoPicture
	case alert.WebhookChannel:
		w := newWebhook(spec, secrets, trust)
		r.Deliver, r.Close = w.Deliver, w.Close
	case alert.MailChannel:
		r.Deliver, r.Pictures = newMail(spec, env, secrets, trust).Deliver, !spec.NoPicture
	case alert.MQTTChannel:
		c := newMQTT(spec, env, secrets, trust)
		r.Deliver, r.Report, r.Close = c.Deliver, c.Report, c.Close
	case alert.CommandChannel:
		r.Deliver = newCommand(spec).Deliver
	}
	return r, nil
}

// secrets are the values of a channel that must never show, with a filter that
// takes them out of any text.
type secrets struct {
	token, signKey, password string
	filter                   *strings.Replacer
}

// loadSecrets reads the secret files of a description.
func loadSecrets(spec *alert.ChannelSpec) (*secrets, error) {
	s := &secrets{}
	for _, p := range []struct {
		field, file string
		inline      alert.Secret
		into        *string
	}{
		{"token_file", spec.TokenFile, spec.Token, &s.token},
		{"sign_key_file", spec.SignFile, spec.SignKey, &s.signKey},
		{"password_file", spec.PassFile, spec.Password, &s.password},
	} {
		*p.into = p.inline.Reveal()
		if p.file == "" {
			continue
		}
		value, err := credential.Secret(p.file)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p.field, err)
		}
		*p.into = value
	}
	basic := ""
	if s.password != "" {
		basic = base64.StdEncoding.EncodeToString([]byte(spec.User + ":" + s.password))
	}
	s.hide(s.token, s.signKey, s.password, basic, spec.Topic.Reveal(), secretPart(spec))
	return s, nil
}

// secretPart returns the path of a webhook's address: many services put a key
// there.
func secretPart(spec *alert.ChannelSpec) string {
	if spec.Kind != alert.WebhookChannel {
		return ""
	}
	_, rest, _ := strings.Cut(spec.URL, "://")
	if i := strings.IndexAny(rest, "/?"); i >= 0 && len(rest[i:]) > 1 {
		return rest[i+1:]
	}
	return ""
}

// hide sets the filter up.
func (s *secrets) hide(values ...string) {
	var pairs []string
	for _, v := range values {
		if len(v) >= 3 { // shorter ones would blot out ordinary words
			pairs = append(pairs, v, "(hidden)")
		}
	}
	s.filter = strings.NewReplacer(pairs...)
}

// maxAnswer is the longest answer that is kept, in characters.
const maxAnswer = 200

// clean makes one short line without secrets out of any text.
func (s *secrets) clean(text string) string {
	text = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && !unicode.IsSpace(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
	text = s.filter.Replace(strings.Join(strings.Fields(text), " "))
	if runes := []rune(text); len(runes) > maxAnswer {
		text = string(runes[:maxAnswer-1]) + "…"
	}
	return text
}

// failure cleans an error of a library.
func (s *secrets) failure(err error) error {
	return &alert.Failure{Answer: s.clean(err.Error())}
}
