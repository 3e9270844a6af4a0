package daemon

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/alert/webhook"
)

func newTestBeat() (*webhook.Beat, error) { return webhook.NewBeat("http://127.0.0.1:1/", nil) }

// An issuer makes certificates for tests.
type issuer struct {
	dir  string
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
	file string
}

func newIssuer(t *testing.T, dir string) *issuer {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().AddDate(1, 0, 0), KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	c := &issuer{dir: dir, key: key}
	if c.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	c.file = c.write(t, "ca.pem", "CERTIFICATE", der)
	return c
}

func (c *issuer) pool() *x509.CertPool {
	p := x509.NewCertPool()
	p.AddCert(c.cert)
	return p
}

func (c *issuer) write(t *testing.T, name, kind string, der []byte) string {
	t.Helper()
	file := filepath.Join(c.dir, name)
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// issue writes a certificate for loopback and its key.
func (c *issuer) issue(t *testing.T, name string, until time.Time) (certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.CreateCertificate(rand.Reader, &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-48 * time.Hour), NotAfter: until, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}, c.cert, &key.PublicKey, c.key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	return c.write(t, name+".pem", "CERTIFICATE", der), c.write(t, name+".key", "EC PRIVATE KEY", keyDER)
}

func TestCertEnd(t *testing.T) {
	dir := t.TempDir()
	ca := newIssuer(t, dir)
	soon, _ := ca.issue(t, "soon", time.Now().Add(48*time.Hour).Truncate(time.Second))
	late, _ := ca.issue(t, "late", time.Now().Add(480*time.Hour).Truncate(time.Second))
	var both []byte
	for _, f := range []string{late, soon} {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		both = append(both, b...)
	}
	bundle := filepath.Join(dir, "both.pem")
	if err := os.WriteFile(bundle, both, 0o600); err != nil {
		t.Fatal(err)
	}
	chain, err := certEnd(certPage, bundle)
	if err != nil || time.Until(chain) > 49*time.Hour {
		t.Errorf("a chain ends on %v (%v), want its earliest end", chain, err)
	}
	authorities, err := certEnd(certBrokerIssuer, bundle)
	if err != nil || time.Until(authorities) < 479*time.Hour {
		t.Errorf("a bundle of authorities ends on %v (%v), want its latest end", authorities, err)
	}
	for name, text := range map[string]string{"empty": "", "no certificate": "hello", "broken": "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"} {
		f := filepath.Join(dir, "bad.pem")
		if err := os.WriteFile(f, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := certEnd(certPage, f); err == nil || !strings.Contains(err.Error(), "page") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
