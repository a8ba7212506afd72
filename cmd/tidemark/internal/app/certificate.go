package app

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"time"

	"tidemark/cmd/tidemark/internal/config"
)

// A certificate of one's own is made for certificateSpan, as long as phones take at
// most (825 days, from memory), and anew when less than certificateRest is left.
const (
	certificateSpan = 820 * 24 * time.Hour
	certificateRest = 30 * 24 * time.Hour
)

// certificate returns what the page is served over TLS with: the files configured, a
// certificate of its own, made on the first use and kept in the state folder, or nil for
// plain HTTP.
func (a *App) certificate(w config.Web) (*tls.Config, error) {
	switch {
	case w.TLSCert != "":
		c, err := tls.LoadX509KeyPair(w.TLSCert, w.TLSKey)
		if err != nil {
			return nil, fmt.Errorf("web.tls_cert and web.tls_key: %w", err)
		}
		return &tls.Config{Certificates: []tls.Certificate{c}}, nil
	case w.TLS == "":
		return nil, nil
	}
	host, err := os.Hostname()
	if err != nil {
		return nil, fmt.Errorf("the page's certificate needs this machine's name: %w", err)
	}
	names, now := append([]string{host, host + ".local", "localhost"}, w.Hosts...), a.opt.Clock.Now()
	file := filepath.Join(a.opt.Config.StateDir, "page.pem")
	own, err := tls.LoadX509KeyPair(file, file)
	if err != nil || !serves(own.Leaf, names, now) {
		made, err := makeCertificate(names, now)
		if err != nil {
			return nil, fmt.Errorf("the page's certificate cannot be made: %w", err)
		}
		if own, err = tls.X509KeyPair(made, made); err != nil {
			return nil, err
		}
		if err := os.WriteFile(file, made, 0o600); err != nil {
			a.log.Error("the page's new certificate cannot be kept; the next start makes another one", "error", err)
		}
	}
	a.log.Info("the page is served with a certificate of its own; a browser asks once whether to trust it, compare", "sha256", fmt.Sprintf("% X", sha256.Sum256(own.Leaf.Raw)))
	return &tls.Config{Certificates: []tls.Certificate{own}}, nil
}

// serves reports whether a certificate still stands for all names.
func serves(c *x509.Certificate, names []string, now time.Time) bool {
	return c != nil && now.After(c.NotBefore) && now.Add(certificateRest).Before(c.NotAfter) &&
		!slices.ContainsFunc(names, func(name string) bool { return c.VerifyHostname(name) != nil })
}

// makeCertificate returns a certificate that vouches for itself and for nobody else, for
// the names and this machine's addresses, and its key, as PEM.
func makeCertificate(names []string, now time.Time) ([]byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return nil, err
	}
	c := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "tidemark on " + names[0]},
		NotBefore: now.Add(-24 * time.Hour), NotAfter: now.Add(certificateSpan),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
	}
	for _, name := range names {
		if ip := net.ParseIP(name); ip != nil {
			c.IPAddresses = append(c.IPAddresses, ip)
		} else {
			c.DNSNames = append(c.DNSNames, name)
		}
	}
	addrs, _ := net.InterfaceAddrs() // the names do without
	for _, x := range addrs {
		if ip, ok := x.(*net.IPNet); ok && ip.IP.IsGlobalUnicast() {
			c.IPAddresses = append(c.IPAddresses, ip.IP)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, key.Public(), key)
	if err != nil {
		return nil, err
	}
	sec, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: sec})...), nil
}
