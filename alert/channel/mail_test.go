package channel

import (
	"bytes"
	"crypto/tls"
	"io"
	"mime"
	"net"
	"net/mail"
	"sync"
	"testing"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/alert/text"
)

// postOffice is a mail server for tests. It answers every stage by a script.
type postOffice struct {
	mu      sync.Mutex
	refuse  map[string]*smtp.SMTPError // by stage: auth, from, rcpt, data
	took    [][]byte
	address string
	ca      string
}

// session is one connection to the post office.
type session struct{ p *postOffice }

func (s *session) answer(stage string) error {
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	if e := s.p.refuse[stage]; e != nil {
		return e
	}
	return nil
}
func (s *session) AuthMechanisms() []string { return []string{sasl.Plain} }
func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, pass string) error {
		if user != "kitchen" || pass != secretPass {
			return smtp.ErrAuthFailed
		}
		return s.answer("auth")
	}), nil
}
func (s *session) Mail(string, *smtp.MailOptions) error { return s.answer("from") }
func (s *session) Rcpt(string, *smtp.RcptOptions) error { return s.answer("rcpt") }
func (s *session) Reset()                               {}
func (s *session) Logout() error                        { return nil }
func (s *session) Data(r io.Reader) error {
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if err := s.answer("data"); err != nil {
		return err
	}
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	s.p.took = append(s.p.took, data)
	return nil
}

// openPost starts a post office; implicit speaks TLS from the first byte.
func openPost(t *testing.T, implicit bool) *postOffice {
	t.Helper()
	p := &postOffice{refuse: map[string]*smtp.SMTPError{}}
	cert, ca := certificate(t)
	p.ca = ca
	srv := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &session{p}, nil }))
	srv.Domain, srv.ErrorLog = "localhost", quiet{}
	srv.TLSConfig = &tls.Config{Certificates: []tls.Certificate{cert}}
	l := must(net.Listen("tcp", "127.0.0.1:0"))
	p.address = l.Addr().String()
	if implicit {
		l = tls.NewListener(l, srv.TLSConfig)
	}
	go func() { _ = srv.Serve(l) }()
	t.Cleanup(func() { _ = srv.Close() })
	return p
}

// quiet drops the server's log.
type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

// spec describes a channel to the post office.
func (p *postOffice) spec(mode string) alert.ChannelSpec {
	host, port := splitAddress(p.address)
	return alert.ChannelSpec{Name: "post", Kind: "mail", Host: host, Port: port, TLS: mode, CAFile: p.ca, User: "kitchen", Password: secretPass,
		From: "Kitchen <kitchen@example.org>", To: []string{"baker@example.org", "other@example.org"}}
}

func TestMailByStartTLSAndImplicitTLS(t *testing.T) {
	for _, mode := range []string{"starttls", "implicit"} {
		t.Run(mode, func(t *testing.T) {
			p := openPost(t, mode == "implicit")
			r := must(New(p.spec(mode), Env{Household: text.Locale{}}))
			m := sample()
			m.Links = alert.Links{Page: "http://kitchen.lan/", Buttons: []alert.Button{{Verb: alert.AnswerAck, URL: "http://kitchen.lan/ack?t=1"}}}
			m.Picture = []byte("\x89PNG invented")
			answer := must(r.Deliver(t.Context(), m))
			assert.Equal(t, "250 taken by 127.0.0.1", answer)
			require.Len(t, p.took, 1)
			notification := must(mail.ReadMessage(bytes.NewReader(p.took[0])))
			subject := must(new(mime.WordDecoder).DecodeHeader(notification.Header.Get("Subject")))
			assert.Equal(t, m.Title, subject)
			assert.Regexp(t, `^<over-tub-7_x_0-[0-9a-f]{10}@tidemark\.invalid>$`, notification.Header.Get("Message-Id"))
			assert.Equal(t, "<over-tub-7@tidemark.invalid>", notification.Header.Get("References"))
			assert.Equal(t, "auto-generated", notification.Header.Get("Auto-Submitted"))
			body := must(io.ReadAll(notification.Body))
			assert.Contains(t, string(body), "tub is at 118 %.")
			assert.Contains(t, string(body), "The page: http://kitchen.lan/")
			assert.NotContains(t, string(body), "ack?t=1", "a mail scanner must not answer")
			assert.Contains(t, string(body), "tub.png")
		})
	}
}

// Replies by RFC 5321, section 4.2.1: 4yz is passing, 5yz is permanent.
func TestMailReplies(t *testing.T) {
	p := openPost(t, false)
	ch := open(t, p.spec("starttls"))
	for _, stage := range []string{"auth", "from", "rcpt", "data"} {
		for code, final := range map[int]bool{421: false, 450: false, 451: false, 452: false, 550: true, 552: true, 554: true} {
			if stage == "auth" && code == 421 {
				continue // the server of the test hangs up on it
			}
			p.mu.Lock()
			p.refuse = map[string]*smtp.SMTPError{stage: {Code: code, Message: "no, " + secretPass}}
			p.mu.Unlock()
			_, err := ch.Deliver(t.Context(), sample())
			judge(t, err, final)
		}
	}
}

// A wrong password is final; without STARTTLS nothing is sent in the clear, but to this
// machine where that is asked for.
func TestMailSecurity(t *testing.T) {
	p := openPost(t, false)
	spec := p.spec("starttls")
	spec.Password = "wrong-password"
	_, err := open(t, spec).Deliver(t.Context(), sample())
	judge(t, err, true)

	spec = p.spec("starttls")
	spec.Host, spec.Port = splitAddress(listen(t, func(c net.Conn) { // speaks SMTP but offers no STARTTLS
		_, _ = io.WriteString(c, "220 hello\r\n")
		buf := make([]byte, 512)
		for {
			if _, err := c.Read(buf); err != nil {
				return
			}
			_, _ = io.WriteString(c, "250 fine\r\n")
		}
	}))
	_, err = open(t, spec).Deliver(t.Context(), sample())
	judge(t, err, true)
	assert.Contains(t, err.Error(), "offers no STARTTLS")

	spec = p.spec("none")
	spec.User, spec.Password = "", ""
	_ = must(open(t, spec).Deliver(t.Context(), sample()))
	assert.Len(t, p.took, 1)
}
