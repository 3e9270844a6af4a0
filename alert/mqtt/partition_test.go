package mqtt

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/sensors/remote/mosquitto"
)

// A farBroker is a broker in a network namespace of its own, behind a link that can
// be taken down: what is sent then disappears without a word, unlike over a
// connection that is cut.
type farBroker struct {
	t       *testing.T
	ns, if0 string
	addr    string
	port    int
}

func newFarBroker(t *testing.T) *farBroker {
	t.Helper()
	if _, err := exec.LookPath("ip"); err != nil {
		t.Skip("ip is not installed; the partition in a network namespace is left out")
	}
	bin := mosquitto.Program(t) // skips where there is no Mosquitto
	id := os.Getpid()%250 + 2
	f := &farBroker{t: t, ns: fmt.Sprintf("dewline%d", id), if0: fmt.Sprintf("dewl%da", id), port: 1883}
	f.addr = fmt.Sprintf("10.213.%d.2", id)
	if out, err := exec.Command("ip", "netns", "add", f.ns).CombinedOutput(); err != nil {
		t.Skipf("a network namespace cannot be made (needs root): %s", strings.TrimSpace(string(out)))
	}
	t.Cleanup(func() {
		_ = exec.Command("ip", "link", "del", f.if0).Run()
		_ = exec.Command("ip", "netns", "del", f.ns).Run()
	})
	peer := fmt.Sprintf("dewl%db", id)
	for _, args := range [][]string{
		{"link", "add", f.if0, "type", "veth", "peer", "name", peer},
		{"link", "set", peer, "netns", f.ns},
		{"addr", "add", fmt.Sprintf("10.213.%d.1/24", id), "dev", f.if0},
		{"link", "set", f.if0, "up"},
		{"-n", f.ns, "addr", "add", f.addr + "/24", "dev", peer},
		{"-n", f.ns, "link", "set", "lo", "up"},
		{"-n", f.ns, "link", "set", peer, "up"},
	} {
		if out, err := exec.Command("ip", args...).CombinedOutput(); err != nil {
			t.Skipf("a link to a network namespace cannot be made: ip %v: %s", args, strings.TrimSpace(string(out)))
		}
	}
	conf := filepath.Join(t.TempDir(), "far.conf")
	text := fmt.Sprintf("listener %d %s\nlistener %d 127.0.0.1\nallow_anonymous true\nuser root\n", f.port, f.addr, f.port)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("ip", "netns", "exec", f.ns, bin, "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	eventually(t, "the far broker listens", func() bool {
		c, err := net.DialTimeout("tcp", fmt.Sprintf("%s:%d", f.addr, f.port), time.Second)
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	})
	return f
}

func (f *farBroker) url() string { return fmt.Sprintf("tcp://%s:%d", f.addr, f.port) }

// part drops everything that passes the link, in both directions, or no more.
func (f *farBroker) part(on bool) {
	f.t.Helper()
	args := []string{"qdisc", "add", "dev", f.if0, "root", "netem", "loss", "100%"}
	if !on {
		args = []string{"qdisc", "del", "dev", f.if0, "root"}
	}
	if out, err := exec.Command("tc", args...).CombinedOutput(); err != nil {
		// Without netem the far end of the link goes down, which drops as well.
		state := "up"
		if on {
			state = "down"
		}
		if lout, lerr := exec.Command("ip", "-n", f.ns, "link", "set", strings.TrimSuffix(f.if0, "a")+"b", state).CombinedOutput(); lerr != nil {
			f.t.Fatalf("tc: %s; ip: %s", out, lout)
		}
	}
}

// A partition in the middle of alarms is noticed though no connection is
// closed, and what was raised meanwhile arrives after it under its id.
func TestDelivery_partition(t *testing.T) {
	f := newFarBroker(t)
	c := newCore(t, Options{Broker: f.url(), KeepAlive: 2 * time.Second, Rebuild: 2 * time.Second}, 10)
	phone := newPhone(t, f.url(), "pocket", "dewline/attic/notice")
	eventually(t, "connected", c.client.connected)
	ids := c.raise(20, "before-")
	eventually(t, "the first 20", has(phone, ids))
	f.part(true)
	ids = append(ids, c.raise(20, "parted-")...)
	eventually(t, "the partition noticed", func() bool { return !c.client.connected() })
	if has(phone, ids)() {
		t.Fatal("notices passed through a partition")
	}
	f.part(false)
	eventually(t, "connected again", c.client.connected)
	eventually(t, "all 40 notices", has(phone, ids))
	if n := len(phone.notices()); n != 40 {
		t.Errorf("%d ids arrived, 40 were raised", n)
	}
	t.Log("tally: half-open connection: 40 notices, 0 lost")
}

// A broker that asks who calls takes a certificate of its own authority, and
// nobody without one; the name in it is the user.
func TestClient_clientCertificate(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	ca := writeCerts(t, dir)
	if err := os.WriteFile(filepath.Join(dir, "acl"), []byte("user attic\ntopic readwrite dewline/attic/#\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	b := mosquitto.New(t, "cafile "+ca, "certfile "+filepath.Join(dir, "server.pem"), "keyfile "+filepath.Join(dir, "server.key"),
		"require_certificate true", "use_identity_as_username true", "acl_file "+filepath.Join(dir, "acl"), "tls_version tlsv1.2")
	clientCA, key := clientAuthority(t, ca)
	good := clientCertificate(t, "attic", clientCA, key, time.Now().Add(time.Hour))
	over := clientCertificate(t, "late", clientCA, key, time.Now().Add(-time.Minute))
	b.Start()
	url := fmt.Sprintf("ssl://127.0.0.1:%d", b.Port())
	with := func(name string, pair *tls.Certificate) *Client {
		conf := trusting(t, ca)
		if pair != nil {
			conf.Certificates = []tls.Certificate{*pair}
		}
		c, _ := client(t, Options{Broker: url, ClientID: name, TLS: conf})
		return c
	}
	c := with("good", &good)
	eventually(t, "connected by certificate", c.connected)
	if err := c.Send(t.Context(), notice("n/1")); err != nil {
		t.Error(err)
	}
	for name, pair := range map[string]*tls.Certificate{"without one": nil, "with one that is over": &over} {
		bad := with(strings.ReplaceAll(name, " ", "-"), pair)
		eventually(t, "a refusal "+name, func() bool {
			err := bad.Send(t.Context(), notice("n/2"))
			return err != nil && err.Error() != errNotConnected.Error()
		})
		if bad.connected() {
			t.Errorf("connected %s", name)
		}
	}
}

// clientAuthority adds an authority for clients to the broker's file.
func clientAuthority(t *testing.T, file string) (*x509.Certificate, *ecdsa.PrivateKey) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	cert := &x509.Certificate{SerialNumber: big.NewInt(7), Subject: pkix.Name{CommonName: "clients"}, IsCA: true,
		BasicConstraintsValid: true, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, cert, cert, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(file, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := pem.Encode(f, &pem.Block{Type: "CERTIFICATE", Bytes: der}); err != nil {
		t.Fatal(err)
	}
	return cert, key
}

func clientCertificate(t *testing.T, name string, ca *x509.Certificate, caKey *ecdsa.PrivateKey, until time.Time) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	cert := &x509.Certificate{SerialNumber: big.NewInt(8), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-2 * time.Hour), NotAfter: until, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
	der, err := x509.CreateCertificate(rand.Reader, cert, ca, &key.PublicKey, caKey)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}
