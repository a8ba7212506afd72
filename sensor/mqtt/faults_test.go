package mqtt_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"flag"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/mqtt"
	"tidemark/sensor/sensortest"
)

var update = flag.Bool("update", false, "rewrite the fault table in testdata")

// spell is how long a topic may be silent in the fault table; two minutes where
// nobody sets it.
const spell = 2 * time.Second

// plot is one fault of a topic: what is done at the start, to break it once it
// was read, and to heal it.
type plot struct {
	fault        string
	promise      time.Duration // until good again
	begin        func(s *set)  // nil begins well
	hurt, heal   func(s *set)
	until        string // part of what is seen in the end
	afterSilence bool   // is noticed only when nothing came for a spell
}

// set is what one plot is played on.
type set struct {
	*sensortest.Broker
	t    *testing.T
	mu   sync.Mutex
	conf sensor.MQTT
	say  string      // what the node sends; empty = nothing
	own  *tls.Config // of the broker, before a stranger's
}

// write writes a file and returns its path.
func (s *set) write(name, text string) string {
	path := filepath.Join(s.t.TempDir(), name)
	require.NoError(s.t, os.WriteFile(path, []byte(text), 0o644))
	return path
}

// certificate lets the broker show a new certificate from its next start on, and
// returns it.
func (s *set) certificate() (pemText string) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(s.t, err)
	form := x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, &form, &form, &key.PublicKey, key)
	require.NoError(s.t, err)
	s.Set(func() {
		s.TLS = &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
	})
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
}

func (s *set) says(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.say = text
}

// plots lists the faults.
func plots() []plot {
	say := func(text string) func(*set) { return func(s *set) { s.says(text) } }
	good := say("182.5")
	return []plot{
		{fault: "broker away for a few seconds", promise: 15 * time.Second, hurt: func(s *set) { s.Stop() }, heal: func(s *set) { s.Start() }},
		{fault: "broker with a stranger's certificate", promise: 15 * time.Second, until: "certificate",
			begin: func(s *set) {
				s.Stop()
				s.conf.CAFile = s.write("ca.pem", s.certificate())
				s.Start()
				s.own, s.conf.Broker = s.TLS, s.URL()
			},
			hurt: func(s *set) { s.Stop(); s.certificate(); s.Start() },
			heal: func(s *set) { s.Stop(); s.Set(func() { s.TLS = s.own }); s.Start() }},
		{fault: "wrong password, put right in its file", promise: 15 * time.Second,
			begin: func(s *set) { s.conf.PasswordFile = s.write("secret", "salt") },
			heal: func(s *set) {
				require.NoError(s.t, os.WriteFile(s.conf.PasswordFile, []byte("flour and water\n"), 0o644))
			}},
		{fault: "kept message of 99 from before the node died", promise: 5 * time.Second, afterSilence: true,
			begin: func(s *set) { s.Retain(s.conf.Topic, "99"); s.says("") }, heal: good},
		{fault: "node silent", promise: 5 * time.Second, afterSilence: true, hurt: say(""), heal: good},
		{fault: "words for a number", promise: 5 * time.Second, hurt: say("warm"), heal: good},
		{fault: "JSON without the field", promise: 5 * time.Second,
			begin: func(s *set) { s.conf.Field = "tub.mm"; s.says(`{"tub":{"mm":182.5}}`) },
			hurt:  say(`{"tub":{"cm":18}}`), heal: say(`{"tub":{"mm":182.5}}`)},
		{fault: "a number no sensor gives", promise: 5 * time.Second, hurt: say("65535"), heal: good},
	}
}

// act lets the node send, until ctx ends.
func (s *set) act(ctx context.Context) {
	for tick := time.NewTicker(100 * time.Millisecond); ctx.Err() == nil; {
		s.mu.Lock()
		text := s.say
		s.mu.Unlock()
		if text != "" {
			s.Publish(s.conf.Topic, text)
		}
		select {
		case <-ctx.Done():
			tick.Stop()
		case <-tick.C:
		}
	}
}

// seen is what a reader saw of a plot.
type seen struct {
	what        string
	after, back time.Duration
}

// watch reads as the service does and plays the plot as readings come.
func watch(t *testing.T, p plot, s *set) seen {
	if p.begin != nil {
		p.begin(s)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var node sync.WaitGroup
	node.Go(func() { s.act(ctx) })
	clients := mqtt.NewClients()
	m := mqtt.New(clients, sensor.Distance, s.conf, sensor.SystemClock())
	var out seen
	since := time.Now()
	hurt := p.hurt == nil // it begins hurt
	sensor.Poll(ctx, []sensor.Job{{Bus: "b", Source: m, Every: 200 * time.Millisecond, Deliver: func(r sensor.Reading) {
		if r.Status == sensor.OK {
			assert.Equal(t, 182.5, r.Value, "%s: a wrong value was served as good", p.fault)
		}
		switch {
		case r.Status == sensor.OK && !hurt:
			hurt, since = true, time.Now()
			p.hurt(s)
		case r.Status != sensor.OK && hurt && out.what == "" && strings.Contains(r.Reason, p.until):
			out.what, out.after = fmt.Sprintf("%s: %s", r.Status, r.Reason), time.Since(since)
			since = time.Now()
			p.heal(s)
		case r.Status == sensor.OK && out.what != "":
			out.back = time.Since(since)
			cancel()
		}
	}}})
	node.Wait()
	assert.NoError(t, m.Close())
	assert.NoError(t, clients.Close())
	assert.NotZero(t, out.back, "%s: it does not come back", p.fault)
	return out
}

// TestBrokerFaultTable plays every fault of a topic against a broker of the test: none
// may yield a wrong value, each must be told with a reason and without a secret,
// and after each the readings must come back by themselves. The times are
// promises, checked; what was measured is logged.
func TestBrokerFaultTable(t *testing.T) {
	rows := make([]string, len(plots()))
	t.Run("faults", func(t *testing.T) {
		for i, p := range plots() {
			t.Run(p.fault, func(t *testing.T) {
				t.Parallel()
				s := &set{Broker: sensortest.NewBroker(t), t: t, say: "182.5"}
				s.Set(func() { s.User, s.Password = "baker", "flour and water" })
				s.conf = sensor.MQTT{Broker: s.URL(), Topic: fmt.Sprintf("kitchen/%d/mm", i), StaleAfter: sensor.Duration(spell), User: "baker", PasswordFile: s.write("right", "flour and water\n")}
				got := watch(t, p, s)
				t.Logf("seen after %s, good again after %s", got.after.Round(time.Millisecond), got.back.Round(time.Millisecond))
				after := "at most 5s"
				limit := 5 * time.Second
				if p.afterSilence {
					after, limit = "stale_after and at most 5s", spell+5*time.Second
				}
				assert.LessOrEqual(t, got.after, limit)
				assert.LessOrEqual(t, got.back, p.promise)
				assert.NotContains(t, got.what, "flour")
				assert.NotContains(t, got.what, "salt")
				rows[i] = fmt.Sprintf("| number over MQTT | %s | %s | %s | at most %s |\n", p.fault, s.plain(got.what), after, p.promise)
			})
		}
	})
	got := "| Sensor | Injected | What the user sees | Seen after | Good again after |\n|---|---|---|---|---|\n" + strings.Join(rows, "")
	t.Log("\n" + got)
	const file = "testdata/faults.md"
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
}

// plain takes out what differs from run to run.
func (s *set) plain(text string) string {
	text = regexp.MustCompile(` for [0-9.]+s;`).ReplaceAllString(text, " for 2m0s;")
	port := s.conf.Broker[strings.LastIndex(s.conf.Broker, ":")+1:]
	text = strings.NewReplacer("mqtts://localhost:"+port, "mqtts://localhost:8883", "mqtt://127.0.0.1:"+port, "mqtt://localhost:1883", s.conf.Topic, "fridge/tub/mm").Replace(text)
	if i := strings.Index(text, " ("); i > 0 && strings.Contains(text, "cannot connect") {
		text = text[:i]
	}
	return text
}
