package daemon

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"maps"
	"os"
	"slices"
	"sync"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
)

// The certificates that dewline depends on, as subjects of certificate-due.
const (
	certPage         = "page"
	certBroker       = "broker" // the broker's own, seen when connecting
	certClient       = "broker-client"
	certBrokerIssuer = "broker-authority"
	certMail         = "mail" // the mail server's own, seen when sending
	certMailIssuer   = "mail-authority"
)

// A certificate that ends soon is a note, and one that ends in days is told at
// once. Thirty days are what the common free authority advises for renewing
// its 90-day certificates: common practice, no source.
const (
	certNote  = 30 * 24 * time.Hour
	certToday = 7 * 24 * time.Hour
	certEvery = time.Hour
)

// certWords names a certificate to people.
var certWords = map[string]string{
	certPage: "the page's certificate", certBroker: "the broker's certificate",
	certClient: "dewline's own certificate for the broker", certBrokerIssuer: "the authority of the broker's certificate",
	certMail: "the mail server's certificate", certMailIssuer: "the authority of the mail server's certificate",
}

// certFiles returns the certificate files that a configuration names, by
// subject.
func certFiles(cfg *configs.Config) map[string]string {
	files := map[string]string{
		certPage: cfg.HTTP.CertFile, certClient: cfg.MQTT.CertFile, certBrokerIssuer: cfg.MQTT.CAFile, certMailIssuer: cfg.Mail.CAFile,
	}
	maps.DeleteFunc(files, func(_, file string) bool { return file == "" })
	return files
}

// certEnd returns when the last useful moment of a PEM file is: the earliest
// end of a chain, the latest of a bundle of authorities.
func certEnd(subject, file string) (time.Time, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return time.Time{}, fmt.Errorf("read %s: %w", certWords[subject], err)
	}
	authority := subject == certBrokerIssuer || subject == certMailIssuer
	var end time.Time
	for {
		var block *pem.Block
		if block, b = pem.Decode(b); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return time.Time{}, fmt.Errorf("read %s from %s: %w", certWords[subject], file, err)
		}
		if end.IsZero() || c.NotAfter.After(end) == authority {
			end = c.NotAfter
		}
	}
	if end.IsZero() {
		return end, fmt.Errorf("read %s: %s holds no certificate in PEM form", certWords[subject], file)
	}
	return end, nil
}

// certBook remembers the certificates that other machines showed. Its zero
// value knows none.
type certBook struct {
	mu   sync.Mutex // guards ends
	ends map[string]time.Time
}

func (b *certBook) saw(subject string, notAfter time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ends == nil {
		b.ends = map[string]time.Time{}
	}
	b.ends[subject] = notAfter
}

func (b *certBook) seen() map[string]time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return maps.Clone(b.ends)
}

// all returns when every certificate that is known ends. Files that cannot be
// read are told of where they are used.
func (b *certBook) all(cfg *configs.Config) map[string]time.Time {
	ends := map[string]time.Time{}
	maps.Copy(ends, b.seen())
	for subject, file := range certFiles(cfg) {
		if end, err := certEnd(subject, file); err == nil {
			ends[subject] = end
		}
	}
	return ends
}

// watchCertificates tells the core when certificates end, until ctx does.
func (d *Daemon) watchCertificates(ctx context.Context) {
	ticker := time.NewTicker(certEvery)
	defer ticker.Stop()
	for {
		cfg := d.cfg.Load()
		ends := d.certs.all(cfg)
		d.post(ctx, func(now sensors.Instant) { d.apply(d.core.Certificates(now, cfg, ends)) })
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// Certificates raises certificate-due for those that end within 30 days, as a
// note, and within 7 days, to be told at once. Without a clock nothing is
// known of it. An alarm about a certificate that is no longer used ends.
func (c *Core) Certificates(now sensors.Instant, cfg *configs.Config, ends map[string]time.Time) Effects {
	var e Effects
	if !now.Synced {
		return e
	}
	for _, subject := range slices.Sorted(maps.Keys(ends)) {
		left := ends[subject].Sub(now.Wall)
		cond := rules.Condition{
			Key: rules.Key{Alarm: rules.CertificateDue, Subject: subject}, Active: left < certNote, Priority: rules.Note,
			Value: max(left, 0).Hours() / 24, HasValue: true, Limit: certNote.Hours() / 24, HasLimit: true, Unit: "d",
			Text:        fmt.Sprintf("%s ends on %s.", title(certWords[subject]), ends[subject].UTC().Format("2006-01-02")),
			FirstAction: "Renew it; then restart dewline unless it is the page's or dewline's own, which are read again by themselves.",
		}
		if left < certToday {
			cond.Priority = rules.Today
		}
		if left <= 0 {
			cond.Text = fmt.Sprintf("%s ended on %s: connections are refused.", title(certWords[subject]), ends[subject].UTC().Format("2006-01-02"))
		}
		e.add(c.Set(now, cond))
	}
	for _, v := range c.engine.Open() {
		if v.Key.Alarm == rules.CertificateDue && v.Active && !needsCertificate(cfg, v.Key.Subject) {
			e.add(c.Set(now, rules.Condition{Key: v.Key}))
		}
	}
	return e
}

// needsCertificate reports whether a configuration still depends on one.
func needsCertificate(cfg *configs.Config, subject string) bool {
	switch subject {
	case certBroker:
		return cfg.MQTT.Broker != ""
	case certMail:
		return cfg.Mail.Host != "" && cfg.Mail.TLS != "none"
	default:
		return certFiles(cfg)[subject] != ""
	}
}

func title(s string) string {
	if s == "" {
		return "A certificate"
	}
	return string(s[0]-'a'+'A') + s[1:]
}

// A pageCertificate is the page's certificate, read again when its file
// changes, so that a renewed one needs no restart.
type pageCertificate struct {
	certFile, keyFile string

	mu   sync.Mutex // guards what follows
	at   time.Time  // the file's, when it was read
	pair *tls.Certificate
}

// get implements tls.Config.GetCertificate. While a new file cannot be read
// the old certificate is used.
func (p *pageCertificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	fi, err := os.Stat(p.certFile)
	if err == nil && p.pair != nil && fi.ModTime().Equal(p.at) {
		return p.pair, nil
	}
	pair, lerr := tls.LoadX509KeyPair(p.certFile, p.keyFile)
	if lerr != nil && p.pair == nil {
		return nil, fmt.Errorf("read the page's certificate: %w", lerr)
	}
	if lerr == nil {
		p.pair, p.at = &pair, time.Time{}
		if err == nil {
			p.at = fi.ModTime()
		}
	}
	return p.pair, nil
}
