package mail

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/rules/alarm"

	gomail "github.com/wneessen/go-mail"
)

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
