package mqtt

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
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/sensor/sensortest"
)

func TestAMessageCountsOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newSource(sensor.Distance, sensor.MQTT{Topic: "tub", StaleAfter: "2m", Limits: sensor.Limits{OffsetMM: -2}})
		arrive := func(payload string) { m.take("tub", []byte(payload)) }
		assert.Empty(t, m.Read(t.Context()).Status, "nothing yet, and nothing wrong")
		arrive("100")
		arrive("182")
		arrived := time.Now()
		time.Sleep(3 * time.Second)
		r := m.Read(t.Context())
		assert.Equal(t, 180.0, r.Value, "the newest")
		assert.Equal(t, arrived, r.Wall, "the moment of arrival, not of reading")
		assert.Empty(t, m.Read(t.Context()).Status)
		arrive("3")
		assert.Equal(t, sensor.OutOfRange, m.Read(t.Context()).Status)
		time.Sleep(119 * time.Second)
		assert.Empty(t, m.Read(t.Context()).Status)
		time.Sleep(time.Second)
		r = m.Read(t.Context())
		assert.Equal(t, sensor.Stale, r.Status)
		assert.Equal(t, "no message on tub for 2 min; is the sensor node awake?", said(r))
		m.changed(false, fault("lost"))
		arrive("182")
		assert.Equal(t, sensor.OK, m.Read(t.Context()).Status, "it came before the connection was lost")
		assert.Equal(t, sensor.Missing, m.Read(t.Context()).Status)
		m.changed(true, nil)
		arrive("182")
		time.Sleep(3 * time.Minute)
		assert.Equal(t, sensor.Stale, m.Read(t.Context()).Status, "nobody read it in time")
	})
}

func TestFilesThatCannotBeRead(t *testing.T) {
	for name, c := range map[string]struct {
		conf sensor.MQTT
		want string
	}{
		"password": {sensor.MQTT{Broker: "mqtt://127.0.0.1:1", User: "u", PasswordFile: "/nonexistent"}, "password_file: the secret cannot be read"},
		"ca":       {sensor.MQTT{Broker: "mqtts://127.0.0.1:1", CAFile: "/nonexistent"}, "ca_file: the certificates cannot be read"},
		"no pem":   {sensor.MQTT{Broker: "mqtts://127.0.0.1:1", CAFile: "source_test.go"}, "holds no certificate in PEM form"},
		"cert":     {sensor.MQTT{Broker: "mqtts://127.0.0.1:1", CertFile: "/nonexistent", KeyFile: "/nonexistent"}, "cert_file and key_file cannot be used"},
	} {
		t.Run(name, func(t *testing.T) {
			m := New(sensor.Distance, c.conf)
			r := m.Read(t.Context())
			assert.Equal(t, sensor.Missing, r.Status)
			assert.Contains(t, said(r), c.want)
			require.NoError(t, m.Close())
		})
	}
}

// TestExplainSaysWhatToDo has a row for each way in which a broker turns us away.
func TestExplainSaysWhatToDo(t *testing.T) {
	for want, err := range map[string]error{
		"it refuses our user or password":                 &autopaho.ConnackError{ReasonCode: 0x87},
		"it refuses the connection (reason 0x97)":         &autopaho.ConnackError{ReasonCode: 0x97},
		"set ca_file to that authority's certificate":     &tls.CertificateVerificationError{Err: x509.UnknownAuthorityError{}},
		"its certificate is for another name":             &tls.CertificateVerificationError{Err: x509.HostnameError{Certificate: &x509.Certificate{}, Host: "broker.lan"}},
		"or this machine's clock is wrong":                &tls.CertificateVerificationError{Err: x509.CertificateInvalidError{Reason: x509.Expired}},
		"its certificate is not trusted (no good at all)": &tls.CertificateVerificationError{Err: errors.New("no good at all")},
		"cannot connect (no route)":                       errors.New("no route"),
	} {
		assert.Contains(t, text.New(text.Locale{}).Error(explain(err)), want)
	}
}

// until sends to the topic again and again until it reads what satisfies ok.
func until(t *testing.T, b *sensortest.Broker, s *Source, topic string, ok func(sensor.Reading) bool) sensor.Reading {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); {
		b.Publish(topic, "182.5")
		time.Sleep(10 * time.Millisecond)
		r := s.Read(t.Context())
		if r.Status == sensor.OK {
			require.Equal(t, 182.5, r.Value)
		}
		if ok(r) {
			return r
		}
	}
	t.Fatal("nothing of the kind came in time")
	return sensor.Reading{}
}

func good(r sensor.Reading) bool { return r.Status == sensor.OK }

// says returns whether a reading gives a reason.
func says(part string) func(sensor.Reading) bool {
	return func(r sensor.Reading) bool { return strings.Contains(said(r), part) }
}

// A topic that the broker refuses is told by name to its own source; the others are
// read. A broker that cuts the connection for a topic is told as such.
func TestARefusedTopic(t *testing.T) {
	b := sensortest.NewBroker(t)
	b.Set(func() { b.Refuse["secret"], b.Cut["deadly"] = true, true })
	of := func(topic string) *Source { return reads(t, sensor.MQTT{Broker: b.URL(), Topic: topic}) }
	fine, secret := of("fine"), of("secret")
	until(t, b, secret, "none", says("it refuses the topic secret (reason 0x87)"))
	until(t, b, of("deadly"), "none", says("it closes the connection again and again just after it was made; let our user read its topics"))
	until(t, b, fine, "fine", good)
}

func TestPublishTellsTheReason(t *testing.T) {
	b := sensortest.NewBroker(t)
	b.Set(func() { b.Refuse["no"] = true })
	c := Connect(Options{Broker: b.URL()})
	reason, err := c.Publish(t.Context(), "yes", []byte("1"), true)
	require.NoError(t, err)
	assert.Zero(t, reason)
	assert.Equal(t, "1", b.Retained("yes"))
	reason, err = c.Publish(t.Context(), "no", []byte("1"), false)
	assert.Error(t, err)
	assert.EqualValues(t, 0x87, reason)
	require.NoError(t, c.Close())
	b.Stop()
	dead := Connect(Options{Broker: b.URL()})
	defer dead.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	_, err = dead.Publish(ctx, "yes", []byte("1"), false)
	assert.Contains(t, text.New(text.Locale{}).Error(err), "no connection to the broker: cannot connect")
}

// said is why a reading has no value, in English.
func said(r sensor.Reading) string { return text.New(text.Locale{}).Error(r.Err) }

// certificate lets a broker show a new certificate from its next start on, and
// returns it.
func certificate(t *testing.T, b *sensortest.Broker) (pemText string) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	form := x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, &form, &form, &key.PublicKey, key)
	require.NoError(t, err)
	b.Set(func() {
		b.TLS = &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
	})
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
}

// reads opens a source that ends with the test.
func reads(t *testing.T, conf sensor.MQTT) *Source {
	s := New(sensor.Distance, conf)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	return s
}

func TestABrokerThatWasAway(t *testing.T) {
	b := sensortest.NewBroker(t)
	s := reads(t, sensor.MQTT{Broker: b.URL(), Topic: "tub"})
	until(t, b, s, "tub", good)
	b.Stop()
	until(t, b, s, "tub", says("the connection was lost and is being made anew"))
	b.Start()
	until(t, b, s, "tub", good)
}

func TestAStrangersCertificate(t *testing.T) {
	b := sensortest.NewBroker(t)
	b.Stop()
	ca := filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(ca, []byte(certificate(t, b)), 0o644))
	b.Start()
	own := b.TLS
	s := reads(t, sensor.MQTT{Broker: b.URL(), Topic: "tub", CAFile: ca})
	until(t, b, s, "tub", good)
	b.Stop()
	certificate(t, b)
	b.Start()
	until(t, b, s, "tub", says("its certificate is not trusted: an authority signed it that is not known here; set ca_file"))
	b.Stop()
	b.Set(func() { b.TLS = own })
	b.Start()
	until(t, b, s, "tub", good)
}

func TestAWrongPasswordIsPutRightInItsFile(t *testing.T) {
	b := sensortest.NewBroker(t)
	b.Set(func() { b.User, b.Password = "baker", "flour and water" })
	secret := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(secret, []byte("salt"), 0o644))
	s := reads(t, sensor.MQTT{Broker: b.URL(), Topic: "tub", User: "baker", PasswordFile: secret})
	assert.Equal(t, "broker "+b.URL()+": it refuses our user or password", said(until(t, b, s, "tub", says("it refuses"))))
	require.NoError(t, os.WriteFile(secret, []byte("flour and water\n"), 0o644))
	until(t, b, s, "tub", good)
}

// A message that the broker kept from before the node died is no reading.
func TestAKeptMessageIsNotTaken(t *testing.T) {
	b := sensortest.NewBroker(t)
	b.Retain("tub", "99")
	s := reads(t, sensor.MQTT{Broker: b.URL(), Topic: "tub", StaleAfter: "1s"})
	until(t, b, s, "other", says("no message on tub for"))
	until(t, b, s, "tub", good)
}
