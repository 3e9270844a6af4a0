package mqtt

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules/alarm"
	"dewline/sensors/remote/mosquitto"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(patient{m}) }

// patient gives what the tests ended the time that a busy machine needs for it.
type patient struct{ *testing.M }

func (p patient) Run() int {
	code := p.M.Run()
	for end := time.Now().Add(patience); goleak.Find() != nil && time.Now().Before(end); {
		continue // each look waits up to half a second
	}
	return code
}

func notice(id string) alert.Delivery {
	return alert.Delivery{ID: id + "|keeper|mqtt", NoticeID: id, Channel: "mqtt", Priority: alarm.Wake,
		Message: alert.Message{ID: id, Version: 1, Kind: alert.Raise, Priority: alarm.Wake, Cause: "room",
			Title: "t", Text: "x", FirstAction: "a", Subjects: []string{"e1"}}}
}

func TestClient_statusIsRetainedBothWays(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	c, stop := client(t, Options{Broker: b.URL()})
	eventually(t, "connected", c.connected)
	late := newPhone(t, b.URL(), "", "dewline/attic/status")
	eventually(t, "retained online", late.lastIs("dewline/attic/status", "online"))
	stop()
	eventually(t, "offline said before a clean stop", late.lastIs("dewline/attic/status", "offline"))
	later := newPhone(t, b.URL(), "", "dewline/attic/status")
	eventually(t, "retained offline", later.lastIs("dewline/attic/status", "offline"))
}

// A room that is stopped as soon as it has said "online", before it listens, is not
// left standing as online.
func TestClient_stoppedWhileItBegins(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	said := make(chan string, 256)
	newPhone(t, b.URL(), "").client.Subscribe("dewline/attic/status", 1, func(_ paho.Client, m paho.Message) { said <- string(m.Payload()) }).Wait()
	hears := func(want string) {
		t.Helper()
		for late := time.After(patience); ; {
			select {
			case got := <-said:
				if got == want {
					return
				}
			case <-late:
				t.Fatalf("%q is not said", want)
			}
		}
	}
	for range 30 {
		_, stop := client(t, Options{Broker: b.URL()})
		hears(online)
		stop()
		hears(offline)
	}
}

// A connection cut without DISCONNECT makes the broker publish the will
// (MQTT 3.1.1, 3.1.2.5), retained as the birth was; the next birth replaces it.
func TestClient_lastWill(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	proxy := newProxy(t, b.Port())
	p := newPhone(t, b.URL(), "", "dewline/attic/status")
	c, _ := client(t, Options{Broker: proxy.url()})
	eventually(t, "online", p.lastIs("dewline/attic/status", "online"))
	proxy.refuse(true)
	proxy.cut()
	eventually(t, "the will", p.lastIs("dewline/attic/status", "offline"))
	eventually(t, "loss noticed", func() bool { return !c.connected() })
	if err := c.Send(t.Context(), notice("n/1")); !errors.Is(err, errNotConnected) {
		t.Errorf("send while away: %v", err)
	}
	proxy.refuse(false)
	eventually(t, "birth again", p.lastIs("dewline/attic/status", "online"))
}

// Another's word on the status topic, such as the late will of a connection
// that was taken over, does not stand while the room lives.
func TestClient_contradictsFalseStatus(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	c, stop := client(t, Options{Broker: b.URL()})
	eventually(t, "connected", c.connected)
	p := newPhone(t, b.URL(), "", "dewline/attic/status")
	eventually(t, "online", p.lastIs("dewline/attic/status", "online"))
	p.client.Publish("dewline/attic/status", 1, true, "offline").Wait()
	eventually(t, "offline seen", func() bool { return len(p.all()) >= 2 })
	eventually(t, "online again", p.lastIs("dewline/attic/status", "online"))
	stop()
	eventually(t, "offline at the end", p.lastIs("dewline/attic/status", "offline"))
	late := newPhone(t, b.URL(), "", "dewline/attic/status")
	eventually(t, "and it stays", late.lastIs("dewline/attic/status", "offline"))
}

func TestOptions_clientID(t *testing.T) {
	for _, room := range []string{"attic", "a-room-with-a-rather-long-name"} {
		c, err := New(Options{Room: room, Broker: "tcp://host"})
		if err != nil {
			t.Fatal(err)
		}
		again, _ := New(Options{Room: room, Broker: "tcp://host"})
		if id := c.opt.ClientID; len(id) > 23 || id != again.opt.ClientID {
			t.Errorf("client id %q", id)
		}
	}
}

func TestClient_documents(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	states := make(chan bool, 64)
	c, _ := client(t, Options{Broker: b.URL(), OnState: func(down error) { states <- down == nil }})
	key := alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}
	c.Alarm(key, []byte(`{"state":"UNACK"}`))
	c.Climate("e1", []byte(`{"temperature":24.1}`))
	c.Climate("e1", []byte(`{"temperature":24.2}`))
	late := func(topic string) *phone { return newPhone(t, b.URL(), "", topic) }
	const alarmTopic, climateTopic = "dewline/attic/alarm/lethal-ceiling/e1", "dewline/attic/enclosure/e1/climate"
	p := newPhone(t, b.URL(), "", "dewline/attic/#")
	eventually(t, "alarm", p.lastIs(alarmTopic, `{"state":"UNACK"}`))
	eventually(t, "climate", p.lastIs(climateTopic, `{"temperature":24.2}`))
	eventually(t, "retained", late(alarmTopic).lastIs(alarmTopic, `{"state":"UNACK"}`))

	b.Kill() // without persistence: everything retained is gone
	eventually(t, "loss noticed", func() bool { return !c.connected() })
	c.Climate("e1", []byte(`{"temperature":24.3}`))
	b.Start()
	eventually(t, "alarm again", late(alarmTopic).lastIs(alarmTopic, `{"state":"UNACK"}`))
	eventually(t, "newest climate", late(climateTopic).lastIs(climateTopic, `{"temperature":24.3}`))

	c.Alarm(key, nil)
	eventually(t, "alarm removed", p.lastIs(alarmTopic, ""))
	gone := newPhone(t, b.URL(), "", "dewline/attic/#")
	eventually(t, "rest is there", gone.lastIs(climateTopic, `{"temperature":24.3}`))
	if got, ok := gone.last(alarmTopic); ok {
		t.Errorf("a removed alarm is still retained: %q", got)
	}
	var told []bool
	for len(told) < 4 { // word that it is down comes again with each attempt
		if up := <-states; len(told) == 0 || told[len(told)-1] != up {
			told = append(told, up)
		}
	}
	if told[0] {
		t.Errorf("states told: %v, want down, up, down, up", told)
	}
}

// An alarm that ended while the daemon was away must not stay on the phone.
func TestClient_sweepsOldAlarms(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	p := newPhone(t, b.URL(), "", "dewline/attic/alarm/#")
	p.client.Publish("dewline/attic/alarm/above-band/gone", 1, true, `{"state":"UNACK"}`).Wait()
	c, _ := client(t, Options{Broker: b.URL()})
	c.Alarm(alarm.Key{Alarm: alarm.AboveBand, Subject: "here"}, []byte(`{"state":"UNACK"}`))
	eventually(t, "a living alarm", p.lastIs("dewline/attic/alarm/above-band/here", `{"state":"UNACK"}`))
	eventually(t, "old alarm removed", p.lastIs("dewline/attic/alarm/above-band/gone", ""))
	if got, _ := p.last("dewline/attic/alarm/above-band/here"); got == "" {
		t.Error("a living alarm was removed")
	}
}

func TestClient_command(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	got := make(chan alert.Command, 4)
	c, _ := client(t, Options{Broker: b.URL(), Token: "sesame", TokenFor: TokenAll, OnCommand: func(_ context.Context, cmd alert.Command) alert.Reply {
		got <- cmd
		if cmd.Subject == "e9" {
			return alert.Reply{Error: "no such alarm"}
		}
		return alert.Reply{OK: true}
	}})
	const cmdTopic, replyTopic = "dewline/attic/command", "dewline/attic/command/reply"
	p := newPhone(t, b.URL(), "", replyTopic)
	eventually(t, "connected", c.connected)
	ask := func(payload string, retained bool) string {
		t.Helper()
		p.mu.Lock()
		p.got = nil
		p.mu.Unlock()
		p.client.Publish(cmdTopic, 1, retained, payload).Wait()
		eventually(t, "a reply to "+payload, func() bool { _, ok := p.last(replyTopic); return ok })
		r, _ := p.last(replyTopic)
		return r
	}
	tests := []struct {
		name, payload, reply string
		retained, reaches    bool
	}{
		{"acknowledge", `{"token":"sesame","action":"acknowledge","notice":"n/1","by":"una","id":"r1"}`, `{"id":"r1","ok":true}`, false, true},
		{"rules refuse", `{"token":"sesame","action":"acknowledge","alarm":"above-band","subject":"e9","by":"una","id":"r2"}`, `{"id":"r2","ok":false,"error":"no such alarm"}`, false, true},
		{"wrong token", `{"token":"guess","action":"acknowledge","notice":"n/1","id":"r3"}`, `{"id":"r3","ok":false,"error":"token refused"}`, false, false},
		{"no token", `{"action":"acknowledge","notice":"n/1","id":"r4"}`, `{"id":"r4","ok":false,"error":"token refused"}`, false, false},
		{"junk", `acknowledge all`, `{"ok":false,"error":"command is not the JSON object expected: invalid character 'a' looking for beginning of value"}`, false, false},
		{"retained", `{"token":"sesame","action":"acknowledge","notice":"n/1","id":"r5"}`, `{"id":"r5","ok":true}`, true, true},
		{"too long", strings.Repeat("x", 5000), `{"ok":false,"error":"command longer than 4096 bytes"}`, false, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if r := ask(tt.payload, tt.retained); r != tt.reply {
				t.Errorf("reply %s, want %s", r, tt.reply)
			}
			select {
			case cmd := <-got:
				if !tt.reaches {
					t.Errorf("command got through: %+v", cmd)
				}
				if cmd.Token != "" {
					t.Error("the token was passed on")
				}
			default:
				if tt.reaches {
					t.Error("command did not get through")
				}
			}
		})
	}
}

// What was retained on the command topic comes at every connection (MQTT
// 3.1.1, 3.3.1.3) and must not act.
func TestClient_retainedCommandIsRefused(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	p := newPhone(t, b.URL(), "", "dewline/attic/command/reply")
	p.client.Publish("dewline/attic/command", 1, true, `{"token":"sesame","action":"acknowledge","notice":"n/1"}`).Wait()
	client(t, Options{Broker: b.URL(), Token: "sesame", OnCommand: func(context.Context, alert.Command) alert.Reply {
		t.Error("a retained command was carried out")
		return alert.Reply{}
	}})
	eventually(t, "refusal", func() bool {
		r, _ := p.last("dewline/attic/command/reply")
		return strings.Contains(r, "retained commands are refused")
	})
}

func TestClient_passwordAndAccessList(t *testing.T) {
	t.Parallel()
	tool, err := exec.LookPath("mosquitto_passwd")
	if err != nil {
		t.Skip("mosquitto_passwd is not installed")
	}
	dir := t.TempDir()
	pw, acl := filepath.Join(dir, "pw"), filepath.Join(dir, "acl")
	os.WriteFile(pw, nil, 0o600)
	for _, u := range []string{"room", "phone"} {
		if out, err := exec.Command(tool, "-b", pw, u, u+"-secret").CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	// The access list of the manual: the room writes everything but commands.
	os.WriteFile(acl, []byte("user room\ntopic readwrite dewline/attic/#\nuser phone\ntopic read dewline/attic/#\ntopic write dewline/attic/command\n"), 0o600)
	b := mosquitto.New(t, "allow_anonymous false", "password_file "+pw, "acl_file "+acl)
	b.Start()
	good, _ := client(t, Options{Broker: b.URL(), Username: "room", Password: "room-secret"})
	eventually(t, "connected with the password", good.connected)
	if err := good.Send(t.Context(), notice("n/1")); err != nil {
		t.Error(err)
	}
	bad, _ := client(t, Options{Broker: b.URL(), ClientID: "other", Username: "room", Password: "wrong"})
	eventually(t, "a plain reason", func() bool {
		err := bad.Send(t.Context(), notice("n/2"))
		return err != nil && strings.Contains(strings.ToLower(err.Error()), "not authori")
	})
	if bad.connected() {
		t.Error("connected with a wrong password")
	}
}

func TestClient_tls(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	ca := writeCerts(t, dir)
	b := mosquitto.New(t, "cafile "+ca, "certfile "+filepath.Join(dir, "server.pem"), "keyfile "+filepath.Join(dir, "server.key"))
	b.Start()
	url := fmt.Sprintf("ssl://127.0.0.1:%d", b.Port())
	good, _ := client(t, Options{Broker: url, TLS: trusting(t, ca)})
	eventually(t, "connected by TLS", good.connected)
	if err := good.Send(t.Context(), notice("n/1")); err != nil {
		t.Error(err)
	}
	stranger, _ := client(t, Options{Broker: url, ClientID: "other"}) // the system's roots only
	eventually(t, "certificate refused", func() bool {
		err := stranger.Send(t.Context(), notice("n/2"))
		return err != nil && strings.Contains(err.Error(), "certificate")
	})
}

// trusting believes the certificates of one authority only.
func trusting(t *testing.T, ca string) *tls.Config {
	t.Helper()
	pem, err := os.ReadFile(ca)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		t.Fatalf("%s holds no certificate", ca)
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool}
}

// writeCerts makes a CA and a server certificate for 127.0.0.1 and returns
// the CA's file.
func writeCerts(t *testing.T, dir string) string {
	t.Helper()
	write := func(name, kind string, der []byte) string {
		f := filepath.Join(dir, name)
		if err := os.WriteFile(f, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
			t.Fatal(err)
		}
		return f
	}
	caKey, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	caTmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test CA"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true,
		BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	caDER, err := x509.CreateCertificate(rand.Reader, caTmpl, caTmpl, &caKey.PublicKey, caKey)
	if err != nil {
		t.Fatal(err)
	}
	key, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, caTmpl, &key.PublicKey, caKey)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, _ := x509.MarshalECPrivateKey(key)
	write("server.pem", "CERTIFICATE", der)
	write("server.key", "EC PRIVATE KEY", keyDER)
	return write("ca.pem", "CERTIFICATE", caDER)
}

// A broker that stands still with its connection open is found out by the
// missing confirmation, and the connection is made anew.
func TestClient_frozenBroker(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	c, _ := client(t, Options{Broker: b.URL(), Rebuild: 300 * time.Millisecond, KeepAlive: time.Hour})
	eventually(t, "connected", c.connected)
	b.Signal(syscall.SIGSTOP)
	eventually(t, "connection given up", func() bool {
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		if err := c.Send(ctx, notice("n/1")); err == nil {
			t.Fatal("a frozen broker confirmed")
		}
		return !c.connected()
	})
	b.Signal(syscall.SIGCONT)
	eventually(t, "sent after the thaw", func() bool { return c.Send(t.Context(), notice("n/1")) == nil })
}

func TestNew_refusals(t *testing.T) {
	tests := []struct{ room, broker, want string }{
		{"attic", "host:1883", "not of the form"},
		{"attic", "ftp://host", "not of the form"},
		{"attic", "tcp://", "not of the form"},
		{"at/tic", "tcp://host", "cannot be part of a topic"},
		{"", "tcp://host", "cannot be part of a topic"},
	}
	for _, tt := range tests {
		if _, err := New(Options{Room: tt.room, Broker: tt.broker}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("room %q broker %q: %v, want %q", tt.room, tt.broker, err, tt.want)
		}
	}
}

// A proxy stands between client and broker and can cut.
type proxy struct {
	l      net.Listener
	target string
	ctl    chan func(p *proxyState)
	done   chan struct{} // closed at its end
}

type proxyState struct {
	refuse bool
	conns  []net.Conn
}

func newProxy(t *testing.T, port int) *proxy {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{l: l, target: fmt.Sprintf("127.0.0.1:%d", port), ctl: make(chan func(*proxyState)), done: make(chan struct{})}
	go func() {
		st := &proxyState{}
		for {
			select {
			case f := <-p.ctl:
				f(st)
			case <-p.done:
				for _, c := range st.conns {
					c.Close()
				}
				return
			}
		}
	}()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			p.serve(c)
		}
	}()
	t.Cleanup(func() { l.Close(); close(p.done) })
	return p
}

func (p *proxy) serve(c net.Conn) {
	join := func(st *proxyState) {
		if st.refuse {
			c.Close()
			return
		}
		up, err := net.Dial("tcp", p.target)
		if err != nil {
			c.Close()
			return
		}
		st.conns = append(st.conns, c, up)
		go func() { io.Copy(up, c); up.Close() }()
		go func() { io.Copy(c, up); c.Close() }()
	}
	select {
	case p.ctl <- join:
	case <-p.done: // it came with the end
		c.Close()
	}
}

func (p *proxy) do(f func(*proxyState)) {
	done := make(chan struct{})
	p.ctl <- func(st *proxyState) { f(st); close(done) }
	<-done
}

func (p *proxy) refuse(on bool) { p.do(func(st *proxyState) { st.refuse = on }) }

func (p *proxy) cut() {
	p.do(func(st *proxyState) {
		for _, c := range st.conns {
			c.Close()
		}
		st.conns = nil
	})
}

func (p *proxy) url() string { return "tcp://" + p.l.Addr().String() }

// The wire form of a notice is a contract with phones.
func TestNotice_wire(t *testing.T) {
	data, err := json.Marshal(notice("lethal-ceiling/e1/3").Message)
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(data, &m); err != nil {
		t.Fatal(err)
	}
	for _, f := range []string{"id", "time", "priority", "cause", "title", "text", "first_action", "subjects"} {
		if _, ok := m[f]; !ok {
			t.Errorf("field %q is missing: %s", f, data)
		}
	}
	if m["priority"] != "wake" || m["cause"] != "room" {
		t.Errorf("priority %v cause %v", m["priority"], m["cause"])
	}
}
