package remote

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"
)

// login is what a connection to a broker is made with. Sources with the same login
// share one connection.
type login struct {
	broker, user, passwordFile, caFile, certFile, keyFile string
}

// login is that of a source.
func (o Options) login() login {
	return login{o.Broker, o.User, o.PasswordFile, o.CAFile, o.CertFile, o.KeyFile}
}

// password reads the secret, anew for each connection, so that a wrong one can be
// put right while the service runs. It is empty where none is configured.
func (l login) password() ([]byte, error) {
	if l.passwordFile == "" {
		return nil, nil
	}
	secret, err := os.ReadFile(l.passwordFile)
	if err != nil {
		return nil, fmt.Errorf("password_file cannot be read: %w", err)
	}
	return []byte(strings.TrimRight(string(secret), "\r\n")), nil
}

// underWay is how many messages the broker may have under way to us. The library
// holds room for all that are allowed, and unless told takes 65,535 (MQTT 5,
// 3.1.2.11.3, receive maximum): half a megabyte for each connection. Too few make
// messages wait for each other. Measured with 2,000 messages a second over a network
// that takes 100 ms there and back: the latest came 150 ms after it was sent with
// 32, 73 ms with 256, 61 ms with 512 and 62 ms with 1,024.
const underWay = 512

// identify puts user and password into the packet that opens a connection, and how
// many messages may be under way.
func (l login) identify(p *paho.Connect, _ *url.URL) (*paho.Connect, error) {
	secret, err := l.password()
	if err != nil {
		return nil, err
	}
	if p.Properties == nil {
		p.Properties = &paho.ConnectProperties{}
	}
	most := uint16(underWay)
	p.Properties.ReceiveMaximum = &most
	if l.user != "" {
		p.UsernameFlag, p.Username = true, l.user
	}
	if l.passwordFile != "" {
		p.PasswordFlag, p.Password = true, secret
	}
	return p, nil
}

// config describes the connection to the library, but for what is done on it.
func (l login) config() (autopaho.ClientConfig, error) {
	u, err := url.Parse(l.broker)
	if err != nil {
		return autopaho.ClientConfig{}, fmt.Errorf("the address cannot be read: %w", err)
	}
	cfg := autopaho.ClientConfig{
		ServerUrls:                    []*url.URL{u},
		KeepAlive:                     30,
		CleanStartOnInitialConnection: true,
		ConnectTimeout:                10 * time.Second,
		ReconnectBackoff:              backOff,
		ConnectPacketBuilder:          l.identify,
		ClientConfig:                  paho.ClientConfig{ClientID: fmt.Sprintf("tidemark-%08x", rand.Uint32())},
	}
	if u.Scheme == "mqtts" {
		cfg.TlsCfg, err = l.tls(u.Hostname())
	}
	return cfg, err
}

// backOff is the pause before connection attempt n: doubling from one second to
// one minute, each by chance between half and the whole, so that many daemons do
// not come back all at once.
func backOff(n int) time.Duration {
	whole := time.Second << min(max(n-1, 0), 6)
	whole = min(whole, time.Minute)
	return whole/2 + rand.N(whole/2+1)
}

// tls is the encryption to a host.
func (l login) tls(host string) (*tls.Config, error) {
	cfg := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	if l.caFile != "" {
		pem, err := os.ReadFile(l.caFile)
		if err != nil {
			return nil, fmt.Errorf("ca_file cannot be read: %w", err)
		}
		cfg.RootCAs = x509.NewCertPool()
		if !cfg.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("ca_file %s holds no certificate in PEM form", l.caFile)
		}
	}
	if l.certFile != "" {
		own, err := tls.LoadX509KeyPair(l.certFile, l.keyFile)
		if err != nil {
			return nil, fmt.Errorf("cert_file and key_file cannot be used: %w", err)
		}
		cfg.Certificates = []tls.Certificate{own}
	}
	return cfg, nil
}

// explain words an error of connecting without anything secret.
func explain(err error) string {
	var refused *autopaho.ConnackError
	if errors.As(err, &refused) {
		switch refused.ReasonCode {
		case 0x86, 0x87: // MQTT 5: bad user name or password, not authorized
			return "it refuses our user or password"
		default:
			return fmt.Sprintf("it refuses the connection (reason 0x%02x)", refused.ReasonCode)
		}
	}
	var cert *tls.CertificateVerificationError
	if errors.As(err, &cert) {
		return untrusted(cert.Err)
	}
	return fmt.Sprintf("cannot connect (%v)", err)
}

// untrusted says what is wrong with the broker's certificate and what to do.
func untrusted(err error) string {
	var name x509.HostnameError
	var bad x509.CertificateInvalidError
	var stranger x509.UnknownAuthorityError
	switch {
	case errors.As(err, &stranger):
		return "its certificate is not trusted: an authority signed it that is not known here; set ca_file to that authority's certificate"
	case errors.As(err, &name):
		return fmt.Sprintf("its certificate is for another name (%v); write the broker's address as the certificate has it", err)
	case errors.As(err, &bad) && bad.Reason == x509.Expired:
		return fmt.Sprintf("its certificate is out of date, or this machine's clock is wrong (%v)", err)
	default:
		return fmt.Sprintf("its certificate is not trusted (%v)", err)
	}
}
