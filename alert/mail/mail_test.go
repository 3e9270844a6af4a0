package mail

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"errors"
	"io"
	"math/big"
	"mime"
	"mime/multipart"
	"net"
	netmail "net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules/alarm"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// A server is a real SMTP conversation partner (emersion/go-smtp) that fails
// as told.
type server struct {
	addr  *net.TCPAddr
	roots *x509.CertPool

	mu       sync.Mutex // guards what follows
	rcptErr  error
	dataErr  error
	password string
	got      [][]byte
	authed   int
}

func newServer(t *testing.T, mode string) *server {
	t.Helper()
	s := &server{password: "secret"}
	cert, roots := certificate(t)
	s.roots = roots
	srv := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &conversation{s}, nil }))
	srv.Domain = "localhost"
	srv.ErrorLog = discard{}
	if mode != Plain {
		srv.TLSConfig = &tls.Config{Certificates: []tls.Certificate{cert}}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.addr = l.Addr().(*net.TCPAddr)
	if mode == Implicit {
		l = tls.NewListener(l, srv.TLSConfig)
	}
	go srv.Serve(l)
	t.Cleanup(func() { srv.Close() })
	return s
}

type discard struct{}

func (discard) Printf(string, ...any) {}
func (discard) Println(...any)        {}

type conversation struct{ s *server }

func (c *conversation) Reset()                               {}
func (c *conversation) Logout() error                        { return nil }
func (c *conversation) Mail(string, *smtp.MailOptions) error { return nil }
func (c *conversation) AuthMechanisms() []string             { return []string{sasl.Plain} }
func (c *conversation) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		c.s.mu.Lock()
		defer c.s.mu.Unlock()
		if user != "room" || password != c.s.password {
			return smtp.ErrAuthFailed
		}
		c.s.authed++
		return nil
	}), nil
}

func (c *conversation) Rcpt(string, *smtp.RcptOptions) error {
	c.s.mu.Lock()
	defer c.s.mu.Unlock()
	return c.s.rcptErr
}

func (c *conversation) Data(r io.Reader) error {
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	c.s.mu.Lock()
	defer c.s.mu.Unlock()
	if c.s.dataErr != nil {
		return c.s.dataErr
	}
	c.s.got = append(c.s.got, data)
	return nil
}

func (s *server) fail(rcpt, data error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.rcptErr, s.dataErr = rcpt, data
}

func (s *server) expect(password string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.password = password
}

// last parses the newest mail.
func (s *server) last(t *testing.T) (*netmail.Message, string) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.got) == 0 {
		t.Fatal("no mail arrived")
	}
	m, err := netmail.ReadMessage(bytes.NewReader(s.got[len(s.got)-1]))
	if err != nil {
		t.Fatal(err)
	}
	body, _ := io.ReadAll(m.Body)
	return m, string(body)
}

// certificate makes a self-signed one for 127.0.0.1 and localhost.
func certificate(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, DNSNames: []string{"localhost"},
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	leaf, _ := x509.ParseCertificate(der)
	pool := x509.NewCertPool()
	pool.AddCert(leaf)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, pool
}

func (s *server) sender(t *testing.T, mode string, change func(*Options)) *Sender {
	t.Helper()
	o := Options{Host: "127.0.0.1", Port: s.addr.Port, From: "dewline@attic.example", TLS: mode, Roots: s.roots, Room: "attic"}
	if mode != Plain {
		o.Username, o.Password = "room", "secret"
	}
	if change != nil {
		change(&o)
	}
	snd, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return snd
}

func delivery(version, sent int) alert.Delivery {
	return alert.Delivery{NoticeID: "lethal-ceiling/e1/3", Person: "una", Address: "una@example.test", Priority: alarm.Wake,
		Message: alert.Message{ID: "lethal-ceiling/e1/3", Version: version, Kind: alert.Raise, Priority: alarm.Wake, Room: "attic",
			Title: "Blåbär (e1): lethal heat, 33.4 °C", Text: "hot", FirstAction: "Lamps off.", Sent: sent, Ack: "https://attic.example/a/1"}}
}

func TestSender_modes(t *testing.T) {
	for _, mode := range []string{STARTTLS, Implicit, Plain} {
		t.Run(mode, func(t *testing.T) {
			s := newServer(t, mode)
			if err := s.sender(t, mode, nil).Send(t.Context(), delivery(1, 1)); err != nil {
				t.Fatal(err)
			}
			m, body := s.last(t)
			subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
			if err != nil || subject != "[wake] Blåbär (e1): lethal heat, 33.4 °C" {
				t.Errorf("subject %q, %v", subject, err)
			}
			for h, want := range map[string]string{"To": "<una@example.test>", "Auto-Submitted": "auto-generated", "Importance": "high"} {
				if got := m.Header.Get(h); got != want {
					t.Errorf("%s: %q, want %q", h, got, want)
				}
			}
			for _, part := range []string{"hot", "First: Lamps off.", "Acknowledge: https://attic.example/a/1"} {
				if !strings.Contains(body, part) {
					t.Errorf("body lacks %q: %s", part, body)
				}
			}
			if wantAuth := mode != Plain; (s.authed == 1) != wantAuth {
				t.Errorf("logged in %d times", s.authed)
			}
		})
	}
}

// A server that offers no STARTTLS, as after a downgrade attack, gets neither
// mail nor password.
func TestSender_refusesDowngrade(t *testing.T) {
	s := newServer(t, Plain)
	err := s.sender(t, STARTTLS, nil).Send(t.Context(), delivery(1, 1))
	if err == nil || len(s.got) != 0 || s.authed != 0 {
		t.Errorf("error %v, %d mails, %d logins", err, len(s.got), s.authed)
	}
}

func TestSender_refusesUnknownCertificate(t *testing.T) {
	for _, mode := range []string{STARTTLS, Implicit} {
		s := newServer(t, mode)
		err := s.sender(t, mode, func(o *Options) { o.Roots = nil }).Send(t.Context(), delivery(1, 1))
		if err == nil || !strings.Contains(err.Error(), "certificate") || s.authed != 0 {
			t.Errorf("%s: %v", mode, err)
		}
	}
}

// The first mail has the root id; everything later refers to it.
func TestSender_threads(t *testing.T) {
	s := newServer(t, STARTTLS)
	snd := s.sender(t, STARTTLS, nil)
	var root string
	ids := make(map[string]bool)
	for i, d := range []alert.Delivery{delivery(1, 1), delivery(1, 2), delivery(2, 3)} {
		if err := snd.Send(t.Context(), d); err != nil {
			t.Fatal(err)
		}
		m, _ := s.last(t)
		id := m.Header.Get("Message-Id")
		if ids[id] {
			t.Errorf("mail %d has an id already used: %s", i, id)
		}
		ids[id] = true
		if i == 0 {
			root = id
			if m.Header.Get("References") != "" {
				t.Error("the first mail refers to another")
			}
			continue
		}
		if m.Header.Get("References") != root || m.Header.Get("In-Reply-To") != root {
			t.Errorf("mail %d refers to %q, want %q", i, m.Header.Get("References"), root)
		}
	}
	again := s.sender(t, STARTTLS, nil) // as after a restart
	if err := again.Send(t.Context(), delivery(1, 1)); err != nil {
		t.Fatal(err)
	}
	if m, _ := s.last(t); m.Header.Get("Message-Id") != root {
		t.Error("a restart changes the root id")
	}
}

func TestSender_errorClasses(t *testing.T) {
	tests := []struct {
		name       string
		rcpt, data error
		password   string
		want       alert.Class
	}{
		{"greylisted", &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 7, 1}, Message: "try later"}, nil, "", alert.Retryable},
		{"no such mailbox", &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "unknown"}, nil, "", alert.Refused},
		{"full", nil, &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "full"}, "", alert.Retryable},
		{"spam", nil, &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 7, 1}, Message: "no"}, "", alert.Refused},
		{"wrong password", nil, nil, "other", alert.Refused},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newServer(t, STARTTLS)
			s.fail(tt.rcpt, tt.data)
			if tt.password != "" {
				s.expect(tt.password)
			}
			snd := s.sender(t, STARTTLS, nil)
			err := snd.Send(t.Context(), delivery(1, 1))
			if err == nil {
				t.Fatal("no error")
			}
			if class, _ := alert.ClassOf(err); class != tt.want {
				t.Errorf("class %v of %v", class, err)
			}
			if strings.Contains(err.Error(), "secret") {
				t.Errorf("the password shows: %v", err)
			}
			s.fail(nil, nil)
			s.expect("secret")
			if err := snd.Send(t.Context(), delivery(1, 1)); err != nil {
				t.Errorf("once the server is well: %v", err)
			}
		})
	}
}

// A server that accepts and then says nothing, at any point, costs no more
// than the caller's limit.
func TestSender_stall(t *testing.T) {
	for name, script := range map[string]string{"no greeting": "", "no answer": "220 hello\r\n"} {
		for _, mode := range []string{STARTTLS, Implicit, Plain} {
			t.Run(name+" "+mode, func(t *testing.T) {
				l, err := net.Listen("tcp", "127.0.0.1:0")
				if err != nil {
					t.Fatal(err)
				}
				defer l.Close()
				go func() {
					if c, err := l.Accept(); err == nil {
						io.WriteString(c, script)
						io.Copy(io.Discard, c)
						c.Close()
					}
				}()
				s := &server{addr: l.Addr().(*net.TCPAddr)}
				ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
				defer cancel()
				err = s.sender(t, mode, nil).Send(ctx, delivery(1, 1))
				if err == nil {
					t.Error("a stall counts as sent")
				}
				if class, _ := alert.ClassOf(err); class != alert.Retryable {
					t.Errorf("a stall counts as refused: %v", err)
				}
			})
		}
	}
}

func TestSender_connectionRefused(t *testing.T) {
	s := newServer(t, Plain)
	snd := s.sender(t, Plain, func(o *Options) { o.Port = 1 })
	err := snd.Send(t.Context(), delivery(1, 1))
	if class, _ := alert.ClassOf(err); err == nil || class != alert.Retryable {
		t.Errorf("error %v", err)
	}
	d := delivery(1, 1)
	d.Address = ""
	if class, _ := alert.ClassOf(snd.Send(t.Context(), d)); class != alert.Refused {
		t.Error("a person without an address is tried again")
	}
}

// The structure that mail programs need to show a picture inside HTML:
// alternative(text, related(html, picture)) or the like, with <cid> (RFC 2387,
// RFC 2392).
func TestSender_summary(t *testing.T) {
	s := newServer(t, STARTTLS)
	png := []byte("\x89PNG not really")
	sum := Summary{To: []string{"una@example.test", "odo@example.test"}, Subject: "Week 7 in the attic\nBcc: all@example.test",
		Text: "a calm week", HTML: `<p>a calm week <img src="cid:climate.png">`, Key: "2026-w07",
		Files: []File{{"climate.png", "image/png", png}}}
	if err := s.sender(t, STARTTLS, nil).SendSummary(t.Context(), sum); err != nil {
		t.Fatal(err)
	}
	m, body := s.last(t)
	if m.Header.Get("Bcc") != "" {
		t.Error("a line break in the subject made a header")
	}
	id := m.Header.Get("Message-Id")
	parts := make(map[string]string)
	walk(t, m.Header.Get("Content-Type"), body, parts)
	if got := parts["image/png"]; got != "<climate.png>|"+string(png) {
		t.Errorf("picture part %q in %v", got, parts)
	}
	if !strings.Contains(parts["text/html"], "cid:climate.png") || !strings.Contains(parts["text/plain"], "calm") {
		t.Errorf("parts %v", parts)
	}
	if err := s.sender(t, STARTTLS, nil).SendSummary(t.Context(), sum); err != nil {
		t.Fatal(err)
	}
	if m, _ := s.last(t); m.Header.Get("Message-Id") != id {
		t.Error("the same week has two message ids")
	}
}

// walk collects leaf parts by media type as "content-id|content".
func walk(t *testing.T, contentType, body string, into map[string]string) {
	t.Helper()
	media, params, err := mime.ParseMediaType(contentType)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(media, "multipart/") {
		into[media] = body
		return
	}
	r := multipart.NewReader(strings.NewReader(body), params["boundary"])
	for {
		p, err := r.NextPart() // decodes quoted-printable
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		data, _ := io.ReadAll(p)
		if p.Header.Get("Content-Transfer-Encoding") == "base64" {
			data, _ = base64.StdEncoding.DecodeString(strings.ReplaceAll(string(data), "\r\n", ""))
		}
		if strings.HasPrefix(p.Header.Get("Content-Type"), "multipart/") {
			walk(t, p.Header.Get("Content-Type"), string(data), into)
			continue
		}
		media, _, _ := mime.ParseMediaType(p.Header.Get("Content-Type"))
		content := string(data)
		if cid := p.Header.Get("Content-Id"); cid != "" {
			content = cid + "|" + content
		}
		into[media] = content
	}
}

func TestNew_refusals(t *testing.T) {
	good := Options{Host: "mail.example", From: "dewline@attic.example"}
	tests := []struct {
		change func(*Options)
		want   string
	}{
		{func(o *Options) { o.Host = "" }, "no host"},
		{func(o *Options) { o.TLS = "maybe" }, "not one of starttls, implicit, none"},
		{func(o *Options) { o.TLS, o.Password = Plain, "x" }, "never sent unencrypted"},
		{func(o *Options) { o.From = "nobody" }, "from address"},
	}
	for _, tt := range tests {
		o := good
		tt.change(&o)
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("error %v, want %q", err, tt.want)
		}
	}
	if s, err := New(good); err != nil || s.opt.Port != 587 || s.opt.TLS != STARTTLS {
		t.Errorf("defaults: %v %v", s, err)
	}
}

// A server that nobody is mailed by yet can be looked for: the login counts.
func TestReach(t *testing.T) {
	s := newServer(t, STARTTLS)
	o := Options{Host: "localhost", Port: s.addr.Port, Username: "room", Password: "secret", From: "den@example.org", Roots: s.roots}
	sender := func(o Options) *Sender {
		m, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	if err := sender(o).Reach(t.Context()); err != nil {
		t.Errorf("a server that is there: %v", err)
	}
	wrong := o
	wrong.Password = "guess"
	if sender(wrong).Reach(t.Context()) == nil {
		t.Error("a wrong password is not seen")
	}
	wrong = o
	wrong.Roots = nil
	if err := sender(wrong).Reach(t.Context()); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("a certificate of nobody: %v", err)
	}
	if s.mu.Lock(); len(s.got) != 0 {
		t.Error("a message was sent")
	}
	s.mu.Unlock()
}
