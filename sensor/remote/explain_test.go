package remote

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"testing"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/stretchr/testify/assert"
)

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
		assert.Contains(t, explain(err), want)
	}
}
