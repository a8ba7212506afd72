package mqtt

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/sensortest"
)

// write writes a file and returns its path.
func write(t *testing.T, name, text string) string {
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	return path
}

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
	ca := write(t, "ca.pem", certificate(t, b))
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
	secret := write(t, "secret", "salt")
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
