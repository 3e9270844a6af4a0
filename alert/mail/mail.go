// Package mail is the channel over SMTP: notices threaded by their id, and the
// weekly summary with its pictures. Encryption is mandatory unless it is
// turned off by name, and then no password is sent.
//
// It decides nothing about what is sent or when it is tried again; its errors
// say whether trying again makes sense.
package mail

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/peer"
	"dewline/alert/words"
	"dewline/rules/alarm"

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
	return s.deliver(ctx, m, err, fmt.Sprintf("notice %s to %s", d.NoticeID, d.Address))
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
	return s.deliver(ctx, m, err, "summary "+sum.Key)
}

// deliver holds one conversation in which the server takes a message over; unmade says
// why there is none.
func (s *Sender) deliver(ctx context.Context, m *gomail.Msg, unmade error, what string) error {
	if unmade != nil {
		return alert.Permanent(fmt.Errorf("mail %s: %w", what, unmade))
	}
	err := s.converse(ctx, func(c *gomail.Client, conv *smtp.Client) error { return c.SendWithSMTPClient(conv, m) })
	if err != nil {
		return classify(fmt.Errorf("mail %s: %w", what, err))
	}
	return nil
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
	if se, ok := errors.AsType[*gomail.SendError](err); ok {
		code = se.ErrorCode()
	} else if te, ok := errors.AsType[*textproto.Error](err); ok {
		code = te.Code
	}
	if code >= 500 && code < 600 {
		return alert.Permanent(err)
	}
	return err
}

// A File is a picture of a summary.
type File struct {
	Name      string // "climate.png", shown by <img src="cid:NAME">
	MediaType string
	Data      []byte
}

// A Summary is one weekly mail.
type Summary struct {
	To      []string
	Subject string
	Text    string
	HTML    string // optional
	Files   []File
	// Key names the week and the reader, such as "2026-W47/sam": the same key
	// gives the same Message-ID, so a mail sent twice shows once.
	Key string
}

// begin makes a message with what all of them share. Auto-Submitted keeps
// holiday replies away (RFC 3834).
func (s *Sender) begin(id, subject string) (*gomail.Msg, error) {
	m := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	if err := m.From(s.opt.From); err != nil {
		return nil, err
	}
	m.Subject(words.OneLine(subject)) // a line break in a name would begin a header
	m.SetDate()
	m.SetMessageIDWithValue(id)
	m.SetGenHeader("Auto-Submitted", "auto-generated")
	return m, nil
}

// notice writes a notice. All mails about one notice to one person refer to
// one root id, which the first of them has, so that mail programs show them
// as one thread (RFC 5322, 3.6.4).
func (s *Sender) notice(d *alert.Delivery) (*gomail.Msg, error) {
	root := s.id("notice", d.NoticeID, d.Person)
	id := root
	first := d.Message.Version <= 1 && d.Message.Sent <= 1
	if !first {
		// With what it says: a version that a restart forgot may be given again for
		// other news, which a mail program must not take for the same.
		id = s.id("notice", d.NoticeID, d.Person, fmt.Sprint(d.Message.Version, " ", d.Message.Sent), d.Message.Title, d.Message.Text)
	}
	m, err := s.begin(id, "["+d.Message.Priority.String()+"] "+d.Message.Title)
	if err != nil {
		return nil, err
	}
	if err := m.To(d.Address); err != nil {
		return nil, err
	}
	if !first {
		m.SetGenHeaderPreformatted(gomail.HeaderInReplyTo, "<"+root+">")
		m.SetGenHeaderPreformatted(gomail.HeaderReferences, "<"+root+">")
	}
	if d.Message.Priority == alarm.Wake && d.Message.Kind != alert.FollowUp {
		m.SetImportance(gomail.ImportanceHigh)
	}
	m.SetBodyString(gomail.TypeTextPlain, noticeText(&d.Message))
	return m, nil
}

func noticeText(m *alert.Message) string {
	var b strings.Builder
	b.WriteString(m.Text)
	b.WriteString("\n")
	switch first := "First: " + m.FirstAction; {
	case m.FirstAction == "" || strings.Contains(m.Text, first):
	case strings.Contains(m.Text, "\nFirst: "): // the beginning of it
		fmt.Fprintf(&b, "\nAll steps: %s\n", m.FirstAction)
	default:
		fmt.Fprintf(&b, "\n%s\n", first)
	}
	if m.Ack != "" {
		fmt.Fprintf(&b, "\nAcknowledge: %s\n", m.Ack)
	}
	if m.Sent > 1 {
		fmt.Fprintf(&b, "\nSent %d times; it repeats until somebody acknowledges it.\n", m.Sent)
	}
	fmt.Fprintf(&b, "\n-- \ndewline, room %s, %s\nnotice %s\n", m.Room, m.Time.Format("2006-01-02 15:04 MST"), m.ID)
	return b.String()
}

// summary writes a weekly mail: text, HTML beside it, pictures inside it.
func (s *Sender) summary(sum *Summary) (*gomail.Msg, error) {
	m, err := s.begin(s.id("summary", sum.Key), sum.Subject)
	if err != nil {
		return nil, err
	}
	if err := m.To(sum.To...); err != nil {
		return nil, err
	}
	m.SetBodyString(gomail.TypeTextPlain, sum.Text)
	if sum.HTML != "" {
		m.AddAlternativeString(gomail.TypeTextHTML, sum.HTML)
	}
	for _, f := range sum.Files {
		// The brackets are part of the header (RFC 2392), the library writes what it is
		// given.
		if err := m.EmbedReader(f.Name, bytes.NewReader(f.Data), gomail.WithFileContentType(gomail.ContentType(f.MediaType)),
			gomail.WithFileContentID("<"+f.Name+">")); err != nil {
			return nil, fmt.Errorf("file %s: %w", f.Name, err)
		}
	}
	return m, nil
}

// id makes a Message-ID's value of what it stands for: the same parts give the
// same id, after a restart too.
func (s *Sender) id(parts ...string) string {
	h := sha256.New()
	for _, p := range append([]string{s.opt.Room}, parts...) {
		fmt.Fprintf(h, "%d:%s", len(p), p)
	}
	return parts[0] + "." + hex.EncodeToString(h.Sum(nil)[:12]) + "@" + s.domain
}
