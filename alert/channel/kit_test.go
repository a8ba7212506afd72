package channel

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
)

// The delivery test kit: every channel meets the same faults. A subject knows
// how to point its channel at an address; a fault knows how to serve it.

// Invented secrets; none of them may show up anywhere.
const (
	secretToken = "tk_S3cretT0ken9"
	secretTopic = "k1tchenS3cretTopic"
	secretKey   = "s1gn-S3cretKey"
	secretPass  = "pw-S3cretWord"
	secretPath  = "hooks/S3cretPath77"
)

// subject is one channel under test.
type subject struct {
	name  string
	proto string // http, smtp, mqtt, exec
	spec  func(address string, secure bool) alert.ChannelSpec
}

func subjects() []subject {
	scheme := func(plain string, secure bool) string {
		if secure {
			return plain + "s"
		}
		return plain
	}
	return []subject{
		{"topic", "http", func(a string, secure bool) alert.ChannelSpec {
			return alert.ChannelSpec{Name: "phone", Kind: "topic", URL: scheme("http", secure) + "://" + a, Topic: secretTopic, Token: secretToken}
		}},
		{"webhook", "http", func(a string, secure bool) alert.ChannelSpec {
			return alert.ChannelSpec{Name: "hook", Kind: "webhook", URL: scheme("http", secure) + "://" + a + "/" + secretPath, SignKey: secretKey, Token: secretToken}
		}},
		{"mail", "smtp", func(a string, secure bool) alert.ChannelSpec {
			host, port := splitAddress(a)
			s := alert.ChannelSpec{Name: "post", Kind: "mail", Host: host, Port: port, TLS: "none", From: "kitchen@example.org", To: []string{"baker@example.org"}}
			if secure {
				s.TLS, s.User, s.Password = "implicit", "kitchen", secretPass
			} else if net.ParseIP(host) == nil {
				s.TLS = "starttls"
			}
			return s
		}},
		{"mqtt", "mqtt", func(a string, secure bool) alert.ChannelSpec {
			return alert.ChannelSpec{Name: "house", Kind: "mqtt", URL: scheme("mqtt", secure) + "://" + a, User: "kitchen", Password: secretPass}
		}},
	}
}

// must returns a value that has to be there.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// splitAddress takes host and port apart.
func splitAddress(a string) (string, int) {
	host, port, err := net.SplitHostPort(a)
	if err != nil {
		return a, 0
	}
	var n int
	_, _ = fmt.Sscanf(port, "%d", &n)
	return host, n
}

// sample is an invented message.
func sample() alert.Message {
	at := time.Date(2026, 11, 7, 18, 0, 0, 0, time.UTC)
	return alert.Message{ID: "over-tub-7/x/0", AlarmID: "over-tub-7", What: alert.WasRaised, Kind: alert.Over, Reason: alert.PastMark, Vessel: "tub",
		RiseID: 7, Title: "tub: über die Marke", Text: "tub is at 118 %.", Priority: 4, Since: at, Due: at}
}

// open builds the channel of a subject.
func open(t *testing.T, spec alert.ChannelSpec) alert.Route {
	t.Helper()
	r := must(New(spec, Env{Version: "test"}))
	if r.Close != nil {
		t.Cleanup(func() { _ = r.Close() })
	}
	return r
}

// noSecret fails when a text shows a secret.
func noSecret(t *testing.T, text string) {
	t.Helper()
	for _, s := range []string{secretToken, secretTopic, secretKey, secretPass, secretPath} {
		assert.NotContains(t, text, s)
	}
}

// judge checks an error of a delivery: final or not, and no secret in it.
func judge(t *testing.T, err error, final bool) {
	t.Helper()
	require.Error(t, err)
	noSecret(t, err.Error())
	noSecret(t, fmt.Sprintf("%#v", err))
	var f *alert.Failure
	assert.Equal(t, final, errors.As(err, &f) && f.Final, "final: %v", err)
	if f != nil {
		assert.LessOrEqual(t, len([]rune(f.Answer)), maxAnswer)
		assert.NotContains(t, f.Answer, "\n")
	}
}

// listen serves raw connections until the test ends.
func listen(t *testing.T, serve func(net.Conn)) string {
	t.Helper()
	l := must(net.Listen("tcp", "127.0.0.1:0"))
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			t.Cleanup(func() { _ = c.Close() })
			go serve(c)
		}
	}()
	return l.Addr().String()
}

// fault is something that goes wrong on the way, below any protocol.
type fault struct {
	name   string
	secure bool
	serve  func(t *testing.T) (address string)
}

func faults() []fault {
	return []fault{
		{"nobody listens", false, func(t *testing.T) string {
			l := must(net.Listen("tcp", "127.0.0.1:0"))
			defer l.Close()
			return l.Addr().String()
		}},
		{"reset after accept", false, func(t *testing.T) string {
			return listen(t, func(c net.Conn) {
				_ = c.(*net.TCPConn).SetLinger(0)
				_ = c.Close()
			})
		}},
		{"reset in the middle", false, func(t *testing.T) string {
			return listen(t, func(c net.Conn) {
				_, _ = io.ReadFull(c, make([]byte, 1))
				_ = c.(*net.TCPConn).SetLinger(0)
				_ = c.Close()
			})
		}},
		{"hang", false, func(t *testing.T) string { return listen(t, func(c net.Conn) { _, _ = io.Copy(io.Discard, c) }) }},
		{"rubbish", false, func(t *testing.T) string {
			return listen(t, func(c net.Conn) {
				_, _ = c.Write([]byte("\x00\xff rubbish\r\n\r\n"))
				_ = c.Close()
			})
		}},
		{"certificate nobody vouches for", true, func(t *testing.T) string {
			cert, _ := certificate(t)
			return listen(t, func(c net.Conn) {
				_ = tls.Server(c, &tls.Config{Certificates: []tls.Certificate{cert}}).Handshake()
				_ = c.Close()
			})
		}},
		{"plain text where TLS is expected", true, func(t *testing.T) string {
			return listen(t, func(c net.Conn) { _, _ = c.Write([]byte("220 hello\r\n")); _ = c.Close() })
		}},
		// The top-level domain invalid never resolves (RFC 6761, section 6.4).
		{"name that does not resolve", false, func(*testing.T) string { return "nowhere.invalid:1" }},
	}
}

func TestKitFaultsOnTheWay(t *testing.T) {
	for _, s := range subjects() {
		for _, f := range faults() {
			t.Run(s.name+"/"+f.name, func(t *testing.T) {
				t.Parallel()
				ch := open(t, s.spec(f.serve(t), f.secure))
				ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
				defer cancel()
				_, err := ch.Deliver(ctx, sample())
				judge(t, err, false)
			})
		}
	}
}

func TestKitCancelIsPrompt(t *testing.T) {
	for _, s := range subjects() {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			reached := make(chan struct{}, 10)
			ch := open(t, s.spec(listen(t, func(c net.Conn) { reached <- struct{}{}; _, _ = io.Copy(io.Discard, c) }), false))
			promptly(t, ch, reached)
		})
	}
	t.Run("command", func(t *testing.T) {
		t.Parallel()
		dir := t.TempDir()
		flag := filepath.Join(dir, "started")
		ch := open(t, alert.ChannelSpec{Name: "bell", Kind: "command", Run: []string{"/bin/sh", "-c", "touch " + flag + "; sleep 600 & wait"}})
		reached := make(chan struct{}, 1)
		go func() {
			for {
				if _, err := os.Stat(flag); err == nil {
					reached <- struct{}{}
					return
				}
				time.Sleep(5 * time.Millisecond)
			}
		}()
		promptly(t, ch, reached)
	})
}

// promptly cancels a delivery that has reached the other side and waits for it.
func promptly(t *testing.T, ch alert.Route, reached chan struct{}) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { _, err := ch.Deliver(ctx, sample()); done <- err }()
	<-reached
	cancel()
	select {
	case err := <-done:
		judge(t, err, false)
	case <-time.After(20 * time.Second):
		t.Fatal("Deliver did not end after its context")
	}
}

// httpSubjects are the channels that speak HTTP.
func httpSubjects() []subject { return subjects()[:2] }

// TestKitEveryStatus covers 200 to 599 by class (RFC 9110, section 15).
func TestKitEveryStatus(t *testing.T) {
	for _, s := range httpSubjects() {
		t.Run(s.name, func(t *testing.T) {
			code := 0
			srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				body, _ := io.ReadAll(r.Body)
				w.Header().Set("Location", "/elsewhere")
				w.WriteHeader(code)
				fmt.Fprintf(w, "you said %v %s", r.Header, body) // an echo, to provoke a leak
			}))
			defer srv.Close()
			ch := open(t, s.spec(srv.Listener.Addr().String(), false))
			for code = 200; code < 600; code++ {
				answer, err := ch.Deliver(t.Context(), sample())
				if code < 300 {
					require.NoError(t, err, code)
					assert.Contains(t, answer, fmt.Sprint(code))
					noSecret(t, answer)
					continue
				}
				passing := code == 429 || code >= 500 || code == 302 || code == 303 || code == 307
				judge(t, err, !passing)
				assert.Contains(t, err.Error(), fmt.Sprint(code))
			}
		})
	}
}

func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 11, 7, 18, 0, 0, 0, time.UTC)
	for value, want := range map[string]time.Duration{
		"": 0, "soon": 0, "-5": 0, "30": 30 * time.Second, "99999999999": 24 * time.Hour, "999999": 24 * time.Hour,
		"Sat, 07 Nov 2026 18:01:00 GMT": time.Minute, "Sat, 07 Nov 2026 17:00:00 GMT": 0,
	} {
		assert.Equal(t, want, retryAfter(value, now), value)
	}
}

// answers are those of odd servers, and how they are judged.
func answers() map[string]struct {
	serve http.HandlerFunc
	final bool
	wait  time.Duration
} {
	type row = struct {
		serve http.HandlerFunc
		final bool
		wait  time.Duration
	}
	return map[string]row{
		"asks to wait": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", "120")
			w.WriteHeader(http.StatusTooManyRequests)
		}, false, 2 * time.Minute},
		"sends on": {func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/elsewhere" {
				panic("followed, with all secrets in hand")
			}
			http.Redirect(w, r, "/elsewhere", http.StatusPermanentRedirect)
		}, true, 0},
		"a body that never ends": {func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(200)
			w.(http.Flusher).Flush()
			<-r.Context().Done()
		}, false, 0},
		"oversized": {func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(400)
			for line, wrote := []byte(strings.Repeat("x", 1<<20)), 0; ; wrote += len(line) {
				if _, err := w.Write(line); err != nil {
					return
				}
				if wrote > 1<<28 {
					panic("the channel read the whole answer")
				}
			}
		}, true, 0},
		"oversized header": {func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("X-Fill", strings.Repeat("x", 1<<20)) }, false, 0},
	}
}

func TestKitOddAnswers(t *testing.T) {
	for _, s := range httpSubjects() {
		for name, c := range answers() {
			t.Run(s.name+"/"+name, func(t *testing.T) {
				t.Parallel()
				srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
					defer func() {
						if p := recover(); p != nil {
							t.Error(p)
						}
					}()
					c.serve(w, r)
				}))
				defer srv.Close()
				defer srv.CloseClientConnections()
				ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
				defer cancel()
				_, err := open(t, s.spec(srv.Listener.Addr().String(), false)).Deliver(ctx, sample())
				judge(t, err, c.final)
				if f := (*alert.Failure)(nil); errors.As(err, &f) {
					assert.Equal(t, c.wait, f.RetryAfter)
				}
			})
		}
	}
}

func TestKitOwnCertificateAuthority(t *testing.T) {
	for _, s := range httpSubjects() {
		cert, ca := certificate(t)
		srv := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
		srv.TLS = &tls.Config{Certificates: []tls.Certificate{cert}}
		srv.StartTLS()
		defer srv.Close()
		spec := s.spec(srv.Listener.Addr().String(), true)
		spec.CAFile = ca
		_, err := open(t, spec).Deliver(t.Context(), sample())
		assert.NoError(t, err, s.name)
	}
}

// certificate makes a certificate for this machine and the file to trust it by.
func certificate(t *testing.T) (tls.Certificate, string) {
	t.Helper()
	key := must(ecdsa.GenerateKey(elliptic.P256(), rand.Reader))
	form := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "invented test server"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der := must(x509.CreateCertificate(rand.Reader, form, form, key.Public(), key))
	file := filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, file
}
