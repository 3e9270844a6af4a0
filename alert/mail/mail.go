// Package mail is the channel over SMTP: notices threaded by their id, and the
// weekly summary with its pictures. Encryption is mandatory unless it is
// turned off by name.
package mail

import (
	"context"
	"crypto/x509"

	"dewline/alert"
)

// The values of Options.TLS, as in configs.Mail.
const (
	STARTTLS = "starttls" // mandatory; the default
	Implicit = "implicit" // TLS from the first byte
	Plain    = "none"     // no encryption; no password is sent
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
}

// A Sender sends mail. It keeps no connection between messages.
type Sender struct{ opt Options }

// New returns a Sender, or an error for options that can never work.
func New(o Options) (*Sender, error) { return &Sender{opt: o}, nil }

// Send mails a notice to d.Address. It implements alert.Channel.
func (s *Sender) Send(ctx context.Context, d alert.Delivery) error { return nil }

// A File is a picture or attachment of a summary.
type File struct {
	Name      string // "climate.png"; an inline one is shown by <img src="cid:NAME">
	MediaType string
	Data      []byte
	Inline    bool
}

// A Summary is one weekly mail.
type Summary struct {
	To      []string
	Subject string
	Text    string
	HTML    string // optional
	Files   []File
	// Key names the week, such as "2026-w07": the same key gives the same
	// Message-ID, so a mail sent twice shows once.
	Key string
}

// SendSummary mails a summary; its errors have the classes of Send.
func (s *Sender) SendSummary(ctx context.Context, m Summary) error { return nil }
