// Package peer checks who answers a connection over TLS, also by a clock that is
// not set: a board without a clock chip wakes years back, where no certificate
// holds yet, and no warning would leave it.
package peer

import (
	"cmp"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"time"
)

// Check makes c check its peers as crypto/tls does: the name, which is host where the
// connection has none (an address), the chain up to c.RootCAs and the dates. While the
// clock is not set, a certificate out of its dates counts as on the day that it was
// issued. A VerifyConnection of c comes after that.
func Check(c *tls.Config, host string, clockSet func() bool) {
	then := c.VerifyConnection
	c.InsecureSkipVerify = true // this checks instead, as crypto/tls shows in its example
	c.VerifyConnection = func(s tls.ConnectionState) error {
		err := verify(s.PeerCertificates, x509.VerifyOptions{Roots: c.RootCAs, DNSName: cmp.Or(s.ServerName, host)}, clockSet())
		if err == nil && then != nil {
			err = then(s)
		}
		return err
	}
}

func verify(chain []*x509.Certificate, o x509.VerifyOptions, clockSet bool) error {
	if len(chain) == 0 {
		return errors.New("the other side shows no certificate")
	}
	o.Intermediates = x509.NewCertPool()
	var issued time.Time
	for _, cert := range chain {
		o.Intermediates.AddCert(cert)
		if cert.NotBefore.After(issued) {
			issued = cert.NotBefore
		}
	}
	_, err := chain[0].Verify(o)
	if invalid, ok := errors.AsType[x509.CertificateInvalidError](err); ok && invalid.Reason == x509.Expired && !clockSet {
		o.CurrentTime = issued
		_, err = chain[0].Verify(o)
	}
	if err != nil {
		return &tls.CertificateVerificationError{UnverifiedCertificates: chain, Err: err}
	}
	return nil
}
