package peer

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"math/big"
	"net"
	"testing"
	"time"
)

// shows returns a certificate for names, signed by ca (nil: by itself), and its authority.
func shows(t *testing.T, ca *tls.Certificate, from, until time.Time, names ...string) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(from.Unix()), NotBefore: from, NotAfter: until, DNSNames: names,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, BasicConstraintsValid: true, IsCA: ca == nil}
	parent, signer := c, any(key)
	if ca != nil {
		parent, signer = ca.Leaf, ca.PrivateKey
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key, Leaf: leaf}
}

// What is out of its dates is refused by a clock that is set and believed by one that
// is not; another name and another authority never are (RFC 5280, 6.1; RFC 6125).
func TestCheck(t *testing.T) {
	now := time.Now()
	day := 24 * time.Hour
	ca := shows(t, nil, now.Add(-9*day), now.Add(9000*day))
	good := shows(t, &ca, now.Add(-day), now.Add(day), "mail.example")
	old := shows(t, &ca, now.Add(-3*day), now.Add(-2*day), "mail.example")
	ahead := shows(t, &ca, now.Add(2000*day), now.Add(2090*day), "mail.example") // by a clock years back
	strangers := shows(t, nil, now.Add(2000*day), now.Add(2090*day), "mail.example")
	for _, c := range []struct {
		name, host string
		shown      tls.Certificate
		set, want  bool
	}{
		{"good", "mail.example", good, true, true}, {"good by an unset clock", "mail.example", good, false, true},
		{"an address", "", good, true, true}, {"another name", "post.example", good, true, false},
		{"ended", "mail.example", old, true, false}, {"ended, by an unset clock", "mail.example", old, false, true},
		{"not begun", "mail.example", ahead, true, false}, {"not begun, by an unset clock", "mail.example", ahead, false, true},
		{"another name by an unset clock", "post.example", ahead, false, false},
		{"another authority by an unset clock", "mail.example", strangers, false, false},
	} {
		roots := x509.NewCertPool()
		roots.AddCert(ca.Leaf)
		conf, seen := &tls.Config{RootCAs: roots, ServerName: c.host, MinVersion: tls.VersionTLS12}, false
		if c.host == "" {
			conf.ServerName = "127.0.0.1"
		}
		conf.VerifyConnection = func(tls.ConnectionState) error { seen = true; return nil }
		Check(conf, conf.ServerName, func() bool { return c.set })
		here, there := net.Pipe()
		server := tls.Server(there, &tls.Config{Certificates: []tls.Certificate{c.shown}, MinVersion: tls.VersionTLS12})
		ended := make(chan struct{})
		go func() { defer close(ended); _ = server.Handshake(); there.Close() }()
		err := tls.Client(here, conf).Handshake()
		here.Close()
		<-ended
		if (err == nil) != c.want || seen != c.want {
			t.Errorf("%s: %v", c.name, err)
		}
		if _, ok := errors.AsType[*tls.CertificateVerificationError](err); err != nil && !ok {
			t.Errorf("%s: %T", c.name, err)
		}
	}
	wrong := &tls.Config{}
	if Check(wrong, "127.0.0.2", func() bool { return false }); wrong.VerifyConnection(tls.ConnectionState{PeerCertificates: []*x509.Certificate{good.Leaf}}) == nil {
		t.Error("an address that the certificate does not name is believed")
	}
	if wrong.VerifyConnection(tls.ConnectionState{}) == nil {
		t.Error("no certificate is believed")
	}
}
