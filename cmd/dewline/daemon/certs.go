package daemon

import (
	"context"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"maps"
	"os"
	"slices"
	"sync"
	"time"

	"dewline/alert/words"
	"dewline/cmd/dewline/core"
	"dewline/configs"
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
		return time.Time{}, fmt.Errorf("read %s: %w", words.Certificate(subject), err)
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
			return time.Time{}, fmt.Errorf("read %s from %s: %w", words.Certificate(subject), file, err)
		}
		if end.IsZero() || c.NotAfter.After(end) == authority {
			end = c.NotAfter
		}
	}
	if end.IsZero() {
		return end, fmt.Errorf("read %s: %s holds no certificate in PEM form", words.Certificate(subject), file)
	}
	return end, nil
}

// certBook remembers until when the certificates hold that other machines showed. Its
// zero value knows none.
type certBook struct{ ends sync.Map } // of subjects to times

func (b *certBook) saw(subject string, notAfter time.Time) { b.ends.Store(subject, notAfter) }

func (b *certBook) seen(subject string) time.Time {
	end, _ := b.ends.Load(subject)
	t, _ := end.(time.Time) // zero where it was never seen
	return t
}

// used returns every certificate that a configuration depends on. Files that
// cannot be read are told of where they are used.
func (b *certBook) used(cfg *configs.Config) []core.Certificate {
	ends := map[string]time.Time{}
	if cfg.MQTT.Broker != "" {
		ends[certBroker] = b.seen(certBroker)
	}
	if cfg.Mail.Host != "" && cfg.Mail.TLS != "none" {
		ends[certMail] = b.seen(certMail)
	}
	for subject, file := range certFiles(cfg) {
		ends[subject], _ = certEnd(subject, file)
	}
	var out []core.Certificate
	for _, subject := range slices.Sorted(maps.Keys(ends)) {
		out = append(out, core.Certificate{Subject: subject, Ends: ends[subject]})
	}
	return out
}

const certEvery = time.Hour

// watch tells which certificates are used and when they end, until ctx does.
func (b *certBook) watch(ctx context.Context, cfg func() *configs.Config, tell func([]core.Certificate)) {
	ticker := time.NewTicker(certEvery)
	defer ticker.Stop()
	for {
		tell(b.used(cfg()))
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}
