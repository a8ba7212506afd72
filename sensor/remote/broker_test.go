package remote_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/deploy/outsidetest"
	"tidemark/sensor"
	"tidemark/sensor/remote"
)

// brokerProgram is what the broker is called.
const brokerProgram = "mosquitto" //nolint:misspell // a name

// broker is a real broker on this machine with a user baker and TLS.
type broker struct {
	t          *testing.T
	dir        string
	port, tls  int
	cmd        *exec.Cmd
	ca, secret string // files
}

// freePort asks the system for a port.
func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// write writes a file into the broker's folder and gives its path.
func (b *broker) write(name, text string) string {
	b.t.Helper()
	path := filepath.Join(b.dir, name)
	require.NoError(b.t, os.WriteFile(path, []byte(text), 0o644))
	return path
}

func newBroker(t *testing.T) *broker {
	t.Helper()
	passwd := outsidetest.Program(t, brokerProgram, brokerProgram+"_passwd")
	outsidetest.Program(t, brokerProgram, brokerProgram)
	b := &broker{t: t, dir: t.TempDir(), port: freePort(t), tls: freePort(t)}
	require.NoError(t, os.Chmod(filepath.Dir(b.dir), 0o755))
	require.NoError(t, os.Chmod(b.dir, 0o755))
	b.secret = b.write("secret", "flour and water\n")
	users := filepath.Join(b.dir, "users")
	out, err := exec.Command(passwd, "-b", "-c", users, "baker", "flour and water").CombinedOutput()
	require.NoError(t, err, string(out))
	require.NoError(t, os.Chmod(users, 0o644))
	cert, key := b.certificate()
	b.ca = cert
	b.configure(cert, key)
	b.start()
	return b
}

// configure writes the broker's configuration.
func (b *broker) configure(cert, key string) {
	b.t.Helper()
	b.write("conf", fmt.Sprintf("persistence false\nallow_anonymous false\npassword_file %s\nlistener %d 127.0.0.1\nlistener %d 127.0.0.1\ncertfile %s\nkeyfile %s\n",
		filepath.Join(b.dir, "users"), b.port, b.tls, cert, key))
}

// certificate makes a certificate for localhost that is its own authority.
func (b *broker) certificate() (cert, key string) { return b.certificateAs("") }

// otherCertificate gives the broker a certificate that nobody knows.
func (b *broker) otherCertificate() {
	cert, key := b.certificateAs("other-")
	b.configure(cert, key)
}

// ownCertificate gives it back its own.
func (b *broker) ownCertificate() { b.configure(b.ca, filepath.Join(b.dir, "key.pem")) }

func (b *broker) certificateAs(prefix string) (cert, key string) {
	b.t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(b.t, err)
	tmpl := x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, &tmpl, &tmpl, &k.PublicKey, k)
	require.NoError(b.t, err)
	kder, err := x509.MarshalECPrivateKey(k)
	require.NoError(b.t, err)
	cert = b.write(prefix+"cert.pem", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
	key = b.write(prefix+"key.pem", string(pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: kder})))
	return cert, key
}

// start runs the broker and waits until it listens.
func (b *broker) start() {
	b.t.Helper()
	b.cmd = exec.Command(outsidetest.Program(b.t, brokerProgram, brokerProgram), "-c", filepath.Join(b.dir, "conf"))
	require.NoError(b.t, b.cmd.Start())
	b.t.Cleanup(b.stop)
	require.Eventually(b.t, func() bool {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", b.tls))
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	}, 10*time.Second, 20*time.Millisecond, "the broker does not listen")
}

// stop ends the broker.
func (b *broker) stop() {
	if b.cmd != nil {
		_ = b.cmd.Process.Kill()
		_ = b.cmd.Wait()
		b.cmd = nil
	}
}

// node is a sensor node that publishes.
func (b *broker) node(ctx context.Context) *autopaho.ConnectionManager {
	b.t.Helper()
	u, err := url.Parse(fmt.Sprintf("mqtt://127.0.0.1:%d", b.port))
	require.NoError(b.t, err)
	cm, err := autopaho.NewConnection(ctx, autopaho.ClientConfig{ServerUrls: []*url.URL{u}, KeepAlive: 10,
		ConnectUsername: "baker", ConnectPassword: []byte("flour and water"),
		ReconnectBackoff: func(int) time.Duration { return 50 * time.Millisecond },
		ClientConfig:     paho.ClientConfig{ClientID: "node"}})
	require.NoError(b.t, err)
	require.NoError(b.t, cm.AwaitConnection(ctx))
	return cm
}

// options are those of a reader on the plain listener.
func (b *broker) options() remote.Options {
	return remote.Options{Broker: fmt.Sprintf("mqtt://localhost:%d", b.port), Topic: "fridge/tub/mm",
		User: "baker", PasswordFile: b.secret, Clock: sensor.SystemClock()}
}

// until publishes again and again and reads until something satisfies ok.
func until(ctx context.Context, t *testing.T, m *remote.MQTT, publish func(), ok func(sensor.Reading) bool) sensor.Reading {
	t.Helper()
	for ctx.Err() == nil {
		publish()
		short, cancel := context.WithTimeout(ctx, 100*time.Millisecond)
		r := m.Read(short)
		cancel()
		if ok(r) {
			return r
		}
	}
	t.Fatal("nothing of the kind came in time")
	return sensor.Reading{}
}

func isOK(r sensor.Reading) bool { return r.Status == sensor.OK }

func TestReadsFromARealBroker(t *testing.T) {
	b := newBroker(t)
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	node := b.node(ctx)
	publish := func() {
		_, err := node.Publish(ctx, &paho.Publish{Topic: "fridge/tub/mm", QoS: 1, Payload: []byte("182.5")})
		require.NoError(t, err)
	}
	_, err := node.Publish(ctx, &paho.Publish{Topic: "fridge/tub/mm", QoS: 1, Retain: true, Payload: []byte("99")})
	require.NoError(t, err)

	plain := remote.New(remote.NewHub(), sensor.Distance, b.options())
	assert.Equal(t, 182.5, until(ctx, t, plain, publish, isOK).Value, "the kept message of 99 is not taken")
	require.NoError(t, plain.Close())

	opt := b.options()
	opt.Broker, opt.CAFile = fmt.Sprintf("mqtts://localhost:%d", b.tls), b.ca
	secure := remote.New(remote.NewHub(), sensor.Distance, opt)
	assert.Equal(t, 182.5, until(ctx, t, secure, publish, isOK).Value)
	require.NoError(t, secure.Close())
}

func TestBrokerRefusesOrIsNotTrusted(t *testing.T) {
	b := newBroker(t)
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	says := func(opt remote.Options, want string) {
		t.Helper()
		m := remote.New(remote.NewHub(), sensor.Distance, opt)
		r := until(ctx, t, m, func() {}, func(r sensor.Reading) bool {
			return r.Status == sensor.Missing && r.Reason != "" && !assert.ObjectsAreEqual(r.Reason, "broker "+opt.Broker+": not connected yet")
		})
		assert.Contains(t, r.Reason, want)
		assert.NotContains(t, r.Reason, "flour")
		require.NoError(t, m.Close())
	}
	wrong := b.options()
	wrong.PasswordFile = b.write("wrong", "salt")
	says(wrong, "it refuses our user or password")
	untrusted := b.options()
	untrusted.Broker = fmt.Sprintf("mqtts://localhost:%d", b.tls)
	says(untrusted, "its certificate is not trusted")
	b.stop()
	says(b.options(), "cannot connect")
}

func TestComesBackAfterTheBroker(t *testing.T) {
	b := newBroker(t)
	ctx, cancel := context.WithTimeout(t.Context(), 40*time.Second)
	defer cancel()
	m := remote.New(remote.NewHub(), sensor.Distance, b.options())
	defer func() { require.NoError(t, m.Close()) }()
	node := b.node(ctx)
	publish := func() { // fails while the broker is down
		_, _ = node.Publish(ctx, &paho.Publish{Topic: "fridge/tub/mm", QoS: 0, Payload: []byte("150")})
	}
	until(ctx, t, m, publish, isOK)
	b.stop()
	r := until(ctx, t, m, func() {}, func(r sensor.Reading) bool { return r.Status == sensor.Missing })
	assert.Contains(t, r.Reason, "broker mqtt://localhost")
	b.start()
	assert.Equal(t, 150.0, until(ctx, t, m, publish, isOK).Value)
}
