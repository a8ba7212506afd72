package channel

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net/textproto"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"tidemark/alert"
	"tidemark/alert/text"
)

// Usual ports of mail submission (RFC 6409 and RFC 8314).
const (
	portStartTLS = 587
	portImplicit = 465
	portPlain    = 25
)

// mailer sends mail through one server; every message has its own connection.
type mailer struct {
	spec    alert.ChannelSpec
	secrets *secrets
	trust   *tls.Config
	words   *text.Localizer
}

func newMail(spec alert.ChannelSpec, env Env, s *secrets, trust *tls.Config) *mailer {
	trust = trust.Clone()
	trust.ServerName = spec.Host
	return &mailer{spec: spec, secrets: s, trust: trust, words: text.New(env.Household)}
}

// Deliver sends one mail. Its Message-ID is made from the notification's ID, so that
// a repeat can be told, and all mails of one alarm form a thread.
func (m *mailer) Deliver(ctx context.Context, msg alert.Message) (string, error) {
	notification, err := m.compose(msg)
	if err != nil {
		return "", &alert.Failure{Answer: m.secrets.clean(err.Error()), Final: true}
	}
	client, err := m.client(ctx)
	if err != nil {
		return "", &alert.Failure{Answer: m.secrets.clean(err.Error()), Final: true}
	}
	sent := make(chan error, 1)
	go func() { sent <- client.DialAndSendWithContext(ctx, notification) }()
	select {
	case err := <-sent:
		if err != nil && ctx.Err() == nil {
			return "", m.judge(err)
		}
		return "250 taken by " + m.spec.Host, err
	case <-ctx.Done(): // the library waits for an answer as long as it was told to connect
		return "", ctx.Err()
	}
}

// compose writes the mail.
func (m *mailer) compose(msg alert.Message) (*mail.Msg, error) {
	notification := mail.NewMsg()
	if err := notification.From(m.spec.From); err != nil {
		return nil, err
	}
	if err := notification.To(m.spec.To...); err != nil {
		return nil, err
	}
	notification.Subject(msg.Title)
	notification.SetDate()
	notification.SetMessageIDWithValue(alert.SafeID(msg.ID) + "@tidemark.invalid")
	thread := "<" + alert.SafeID(msg.AlarmID) + "@tidemark.invalid>"
	notification.SetGenHeader(mail.HeaderInReplyTo, thread)
	notification.SetGenHeader(mail.HeaderReferences, thread)
	notification.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834
	if msg.Priority >= 4 {
		notification.SetImportance(mail.ImportanceHigh)
	}
	notification.SetBodyString(mail.TypeTextPlain, m.body(msg))
	if len(msg.Picture) > 0 {
		if err := notification.AttachReader(alert.SafeID(msg.Vessel)+".png", strings.NewReader(string(msg.Picture)), mail.WithFileContentType("image/png")); err != nil {
			return nil, err
		}
	}
	return notification, nil
}

// body is the text with the addresses to answer. The answering address of a
// mail is the page: mail scanners open links, and must not answer for a person.
func (m *mailer) body(msg alert.Message) string {
	parts := []string{msg.Text}
	if msg.Links.Page != "" {
		parts = append(parts, m.words.Say("mail.page", text.Values{"link": msg.Links.Page}))
	}
	return strings.Join(parts, "\n\n") + "\n"
}

// client sets the connection up. What is under way when ctx ends is given up by then.
func (m *mailer) client(ctx context.Context) (*mail.Client, error) {
	limit := defaultTimeout
	if deadline, ok := ctx.Deadline(); ok {
		limit = max(time.Until(deadline), time.Millisecond)
	}
	opts := []mail.Option{
		mail.WithTLSConfig(m.trust), mail.WithHELO("tidemark.invalid"), mail.WithTimeout(limit), mail.WithoutNoop(),
	}
	port := portStartTLS
	switch m.spec.TLS {
	case "implicit":
		opts, port = append(opts, mail.WithSSL()), portImplicit
	case "none":
		opts, port = append(opts, mail.WithTLSPolicy(mail.NoTLS)), portPlain
	default:
		opts = append(opts, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	opts = append(opts, mail.WithPort(cmp.Or(m.spec.Port, port)))
	if m.spec.User != "" {
		opts = append(opts, mail.WithOpportunisticSMTPAuth(mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthSCRAMSHA1, mail.SMTPAuthPlain, mail.SMTPAuthLogin), mail.WithUsername(m.spec.User), mail.WithPassword(m.secrets.password))
	}
	return mail.NewClient(m.spec.Host, opts...)
}

// judge sorts an error: a reply of 500 or more is final (RFC 5321, section
// 4.2.1), everything else is passing.
func (m *mailer) judge(err error) error {
	f := &alert.Failure{Answer: m.secrets.clean(err.Error())}
	var reply *textproto.Error
	var send *mail.SendError
	switch {
	case errors.As(err, &send) && send.ErrorCode() >= 400:
		f.Final = send.ErrorCode() >= 500
	case errors.As(err, &reply):
		f.Final = reply.Code >= 500
	case strings.Contains(err.Error(), "STARTTLS"):
		f.Final = true
		f.Answer = fmt.Sprintf("%s offers no STARTTLS; try tls: implicit", m.spec.Host)
	}
	return f
}
