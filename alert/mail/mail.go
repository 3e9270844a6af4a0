// Package mail is the channel over SMTP: notices threaded by their id, and the
// weekly summary with its pictures. Encryption is mandatory unless it is
// turned off by name, and then no password is sent.
//
// It decides nothing about what is sent or when it is tried again; its errors
// say whether trying again makes sense.
package mail

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/peer"

	gomail "github.com/wneessen/go-mail"
	"github.com/wneessen/go-mail/smtp"
)

// The values of Options.TLS, as in configs.Mail.
const (
	STARTTLS = "starttls" // mandatory; the default
	Implicit = "implicit" // TLS from the first byte
	Plain    = "none"     // no encryption; no password is sent
)

// patience bounds one conversation where the caller sets no deadline, goodbye its end.
const (
	patience = 30 * time.Second
	goodbye  = 2 * time.Second
)

// Options are what a Sender works by.
type Options struct {
	Host     string
	Port     int // 0: 587, 465 for implicit, 25 for none
	Username string
	Password string
	From     string
	TLS      string
	Roots    *x509.CertPool // nil for the system's
	Room     string         // id, part of message ids
	// ClockSet reports whether the board's clock was set; nil for always.
	ClockSet func() bool
	// OnPeer is shown the server's certificate at every conversation over TLS;
	// nil for nobody.
	OnPeer func(*x509.Certificate)
}

// A Sender sends mail. It keeps no connection between messages.
type Sender struct {
	opt    Options
	domain string // of From, for message ids
}

// New returns a Sender, or an error for options that can never work.
func New(o Options) (*Sender, error) {
	if o.Host == "" {
		return nil, errors.New("mail: no host is set")
	}
	ports := map[string]int{STARTTLS: 587, Implicit: 465, Plain: 25}
	if o.TLS == "" {
		o.TLS = STARTTLS
	}
	port, ok := ports[o.TLS]
	if !ok {
		return nil, fmt.Errorf("mail: tls %q is not one of starttls, implicit, none", o.TLS)
	}
	if o.Port == 0 {
		o.Port = port
	}
	if o.TLS == Plain && o.Password != "" {
		return nil, errors.New(`mail: a password is never sent unencrypted; remove it or use tls "starttls" or "implicit"`)
	}
	if o.ClockSet == nil {
		o.ClockSet = func() bool { return true }
	}
	m := gomail.NewMsg()
	if err := m.From(o.From); err != nil {
		return nil, fmt.Errorf("mail: from address %q: %w", o.From, err)
	}
	addr := m.GetFrom()[0].Address
	return &Sender{opt: o, domain: addr[strings.LastIndexByte(addr, '@')+1:]}, nil
}

// Send mails a notice to d.Address. It implements alert.Channel.
func (s *Sender) Send(ctx context.Context, d alert.Delivery) error {
	if d.Address == "" {
		return alert.Permanent(fmt.Errorf("mail notice %s: %s has no mail_to address in the configuration", d.NoticeID, d.Person))
	}
	m, err := s.notice(&d)
	if err != nil {
		return alert.Permanent(fmt.Errorf("mail notice %s to %s: %w", d.NoticeID, d.Address, err))
	}
	if err := s.deliver(ctx, m); err != nil {
		return classify(fmt.Errorf("mail notice %s to %s: %w", d.NoticeID, d.Address, err))
	}
	return nil
}

// Reach holds a conversation without a message: greeting, encryption and login.
func (s *Sender) Reach(ctx context.Context) error {
	if err := s.converse(ctx, func(*gomail.Client, *smtp.Client) error { return nil }); err != nil {
		return fmt.Errorf("reach the mail server %s: %w", s.opt.Host, err)
	}
	return nil
}

// SendSummary mails a summary; its errors have the classes of Send.
func (s *Sender) SendSummary(ctx context.Context, sum Summary) error {
	m, err := s.summary(&sum)
	if err != nil {
		return alert.Permanent(fmt.Errorf("mail summary %s: %w", sum.Key, err))
	}
	if err := s.deliver(ctx, m); err != nil {
		return classify(fmt.Errorf("mail summary %s: %w", sum.Key, err))
	}
	return nil
}

// deliver holds one conversation in which the server takes a message over.
func (s *Sender) deliver(ctx context.Context, m *gomail.Msg) error {
	return s.converse(ctx, func(c *gomail.Client, conv *smtp.Client) error { return c.SendWithSMTPClient(conv, m) })
}

func (s *Sender) converse(ctx context.Context, say func(*gomail.Client, *smtp.Client) error) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	deadline, _ := ctx.Deadline()
	c, err := s.client(ctx, time.Until(deadline))
	if err != nil {
		return err
	}
	conv, err := c.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return err
	}
	// The library looks at ctx only while it dials.
	stop := context.AfterFunc(ctx, func() { conv.UpdateDeadline(-time.Second) })
	defer stop()
	defer conv.Close()
	if err := say(c, conv); err != nil {
		return err
	}
	conv.UpdateDeadline(goodbye) // the mail was taken over, whatever comes of that
	conv.Quit()
	return nil
}

func (s *Sender) client(ctx context.Context, limit time.Duration) (*gomail.Client, error) {
	conf := &tls.Config{ServerName: s.opt.Host, RootCAs: s.opt.Roots, MinVersion: tls.VersionTLS12}
	if s.opt.OnPeer != nil {
		conf.VerifyConnection = func(state tls.ConnectionState) error {
			s.opt.OnPeer(state.PeerCertificates[0])
			return nil
		}
	}
	peer.Check(conf, s.opt.Host, s.opt.ClockSet)
	opts := []gomail.Option{
		gomail.WithPort(s.opt.Port), gomail.WithTimeout(max(limit, time.Millisecond)), gomail.WithTLSConfig(conf),
		gomail.WithoutNoop(),
	}
	switch s.opt.TLS {
	case Implicit:
		opts = append(opts, gomail.WithSSL())
	case Plain:
		opts = append(opts, gomail.WithTLSPolicy(gomail.NoTLS), gomail.WithDialContextFunc(closing(ctx)))
	default:
		opts = append(opts, gomail.WithTLSPolicy(gomail.TLSMandatory), gomail.WithDialContextFunc(closing(ctx)))
	}
	if s.opt.Username != "" {
		opts = append(opts, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover),
			gomail.WithUsername(s.opt.Username), gomail.WithPassword(s.opt.Password))
	}
	return gomail.NewClient(s.opt.Host, opts...)
}

// closing dials a connection that the end of ctx cuts, also while the server
// keeps its greeting back.
func closing(ctx context.Context) gomail.DialContextFunc {
	return func(dialCtx context.Context, network, addr string) (net.Conn, error) {
		conn, err := new(net.Dialer).DialContext(dialCtx, network, addr)
		if err == nil {
			context.AfterFunc(ctx, func() { conn.Close() })
		}
		return conn, err
	}
}

// classify finds the server's reply code in err: 5yz is refused, anything
// else, 4yz and broken conversations, can be tried again (RFC 5321, 4.2.1).
func classify(err error) error {
	code := 0
	var se *gomail.SendError
	var te *textproto.Error
	if errors.As(err, &se) {
		code = se.ErrorCode()
	} else if errors.As(err, &te) {
		code = te.Code
	}
	if code >= 500 && code < 600 {
		return alert.Permanent(err)
	}
	return err
}
