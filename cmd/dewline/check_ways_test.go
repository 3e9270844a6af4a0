package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// An issuer makes certificates for tests.
type issuer struct {
	dir  string
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
}

// newIssuer makes an authority and writes it to ca.pem.
func newIssuer(t *testing.T, dir string) *issuer {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &issuer{dir: dir, key: key}
	c.cert = &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().AddDate(1, 0, 0), KeyUsage: x509.KeyUsageCertSign,
	}
	c.write(t, "ca.pem", "CERTIFICATE", c.sign(t, c.cert, &key.PublicKey))
	return c
}

func (c *issuer) sign(t *testing.T, cert *x509.Certificate, pub any) []byte {
	t.Helper()
	der, err := x509.CreateCertificate(rand.Reader, cert, c.cert, pub, c.key)
	if err != nil {
		t.Fatal(err)
	}
	return der
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
	der := c.sign(t, &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-48 * time.Hour), NotAfter: until, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}, &key.PublicKey)
	keyDER, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	return c.write(t, name+".pem", "CERTIFICATE", der), c.write(t, name+".key", "EC PRIVATE KEY", keyDER)
}

// check finds what would only show when a notice should leave.
func TestCheck_Ways(t *testing.T) {
	dir := t.TempDir()
	ca := newIssuer(t, dir)
	good, goodKey := ca.issue(t, "good", time.Now().AddDate(0, 6, 0))
	soon, soonKey := ca.issue(t, "soon", time.Now().AddDate(0, 0, 20))
	over, overKey := ca.issue(t, "over", time.Now().Add(-time.Hour))
	secret := write(t, dir, "secret", "s3cret\n")
	open := write(t, dir, "open", "s3cret\n")
	if err := os.Chmod(open, 0o644); err != nil {
		t.Fatal(err)
	}
	base := smallRoom
	for _, c := range []struct {
		name, sections string
		code           int
		want           string
	}{
		{"all well", fmt.Sprintf("[http]\nlisten = \"127.0.0.1:0\"\ntoken_file = %q\ncert_file = %q\nkey_file = %q\n", secret, good, goodKey), exitOK, "no fault"},
		{"a certificate that ends soon", fmt.Sprintf("[http]\nlisten = \"127.0.0.1:0\"\ntoken_file = %q\ncert_file = %q\nkey_file = %q\n", secret, soon, soonKey), exitOK, "the page's certificate ends on"},
		{"one that is over", fmt.Sprintf("[http]\nlisten = \"127.0.0.1:0\"\ntoken_file = %q\ncert_file = %q\nkey_file = %q\n", secret, over, overKey), exitUsage, "the page's certificate ended on"},
		{"a key of another certificate", fmt.Sprintf("[http]\nlisten = \"127.0.0.1:0\"\ntoken_file = %q\ncert_file = %q\nkey_file = %q\n", secret, good, soonKey), exitUsage, "[http] read the page's certificate"},
		{"a token that all may read", fmt.Sprintf("[http]\nlisten = \"127.0.0.1:0\"\ntoken_file = %q\n", open), exitUsage, "chmod 600"},
		{"where that is", fmt.Sprintf("[http]\nlisten = \"127.0.0.1:0\"\ntoken_file = %q\n", open), exitUsage, "c.toml:25:1: [http] read the secret"},
		{"no token", "[http]\nlisten = \"127.0.0.1:0\"\n", exitOK, "nothing can be changed over HTTP"},
		{"a signing key that is missing", "[http]\n[[webhook]]\nid = \"push\"\nurl = \"https://push.example.org/x\"\nsecret_file = \"/nowhere/key\"\n", exitUsage, "c.toml:26:1: [webhook push] read the signing key"},
		{"an authority that is no certificate", fmt.Sprintf("[http]\n[mqtt]\nbroker = \"ssl://broker.example.org:8883\"\nca_file = %q\n", secret), exitUsage, "holds no certificate in PEM form"},
		{"a template with a wrong field", "[http]\n[[webhook]]\nid = \"push\"\nurl = \"https://push.example.org/x\"\n  template = \"{{.Titel}}\"\n", exitUsage, ":3: webhook \"push\""},
		{"a template that never ends", "[http]\n[[webhook]]\nid = \"push\"\nurl = \"https://push.example.org/x\"\ntemplate = \"{{.Title\"\n", exitUsage, "template"},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := write(t, t.TempDir(), "c.toml", base+"\n"+c.sections)
			code, out, errs := runDewline(t, "check", "--config", file, "--ways")
			if code != c.code || !strings.Contains(out+errs, c.want) {
				t.Errorf("exit %d, want %d and %q\n%s%s", code, c.code, c.want, out, errs)
			}
			if strings.Contains(out+errs, "s3cret") {
				t.Errorf("the secret is shown:\n%s%s", out, errs)
			}
		})
	}
}

// smallRoom is a small room to which sections can be added.
const smallRoom = "[room]\nid = \"den\"\ntimezone = \"UTC\"\n[[lamps]]\nid = \"day\"\non = \"08:00-20:00\"\n" +
	"[[probe]]\nid = \"room\"\nfamily = \"simulated\"\nplace = \"room\"\n" +
	"[[enclosure]]\nid = \"moss\"\nrack = \"a\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\nvolume = \"90 L\"\nlamps = \"day\"\n" +
	"[[probe]]\nid = \"p\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"moss\"\n"

// The flags that say for how long, and what cannot be meant.
func TestAnswerFlags(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"shelve", "lethal-ceiling", "moss"}, "say how long"},
		{[]string{"shelve", "--until", "2026-12-24", "above-band", "moss"}, "lists the flags"},
		{[]string{"out-of-service", "moss"}, "say how long"},
		{[]string{"out-of-service", "--until", "christmas", "moss"}, "write the end once"},
		{[]string{"out-of-service", "--until", "2026-12-24", "--for", "3h", "moss"}, "write the end once"},
		{[]string{"ack", "--one-shot", "n/1"}, "lists the flags"},
	} {
		code, _, errs := runDewline(t, append([]string{"alarm"}, c.args...)...)
		if code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("%v: exit %d, want %d and %q\n%s", c.args, code, exitUsage, c.want, errs)
		}
	}
	day, err := parseTime("2026-12-24", time.Local)
	if h, m, s := day.Clock(); err != nil || h+m+s != 0 || day.Location() != time.Local {
		t.Errorf("a date is read as %v, %v", day, err)
	}
}
