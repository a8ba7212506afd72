// Package credential reads what proves who somebody is: secrets and the certificates of
// authorities, in the files that the configuration names.
//
// A name of a secret without a slash is one of the credentials that systemd hands over
// (systemd.exec(5), LoadCredential). An error names the file and never its contents.
package credential

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// maxSecret is the largest secret file that is taken, in bytes.
const maxSecret = 4096

// Secret reads the secret of a file: one line, without the white space around it.
func Secret(name string) (string, error) {
	path := name
	if !strings.Contains(name, "/") {
		dir := os.Getenv("CREDENTIALS_DIRECTORY")
		if dir == "" {
			return "", fmt.Errorf("%q is the name of a systemd credential, but systemd gave none; use LoadCredential=%s:/path in the unit, or write a path", name, name)
		}
		path = filepath.Join(dir, name)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("the secret cannot be read: %w", err)
	}
	value := strings.TrimSpace(string(data))
	switch {
	case len(data) > maxSecret:
		return "", fmt.Errorf("%s is larger than %d bytes; a secret file holds one line", path, maxSecret)
	case value == "":
		return "", fmt.Errorf("%s is empty; write the secret into it", path)
	case strings.ContainsAny(value, "\r\n\x00"):
		return "", fmt.Errorf("%s has more than one line; a secret file holds one line", path)
	}
	return value, nil
}

// Trust returns the settings of TLS with the certificates of a file, in PEM form, to trust
// beside the system's; an empty name is none.
func Trust(caFile string) (*tls.Config, error) {
	cfg := &tls.Config{MinVersion: tls.VersionTLS12}
	if caFile == "" {
		return cfg, nil
	}
	data, err := os.ReadFile(caFile)
	if err != nil {
		return nil, fmt.Errorf("ca_file: the certificates cannot be read: %w", err)
	}
	if cfg.RootCAs, err = x509.SystemCertPool(); err != nil {
		cfg.RootCAs = x509.NewCertPool()
	}
	if !cfg.RootCAs.AppendCertsFromPEM(data) {
		return nil, fmt.Errorf("ca_file: %s holds no certificate in PEM form", caFile)
	}
	return cfg, nil
}
