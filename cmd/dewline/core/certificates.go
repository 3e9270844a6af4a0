package core

import (
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A certificate that ends within CertificateNote is a note, and one that ends in
// days is told at once. Thirty days are what the common free authority advises
// for renewing its 90-day certificates: common practice, no source.
const (
	CertificateNote  = 30 * 24 * time.Hour
	certificateToday = 7 * 24 * time.Hour
)

// A Certificate is one that dewline depends on.
type Certificate struct {
	Subject string    // of certificate-due
	Ends    time.Time // zero while that is not known
}

// Certificates raises certificate-due for those that end within 30 days, as a
// note, and within 7 days, to be told at once. Without a clock nothing is known
// of it. An alarm about a certificate that is not among them ends.
func (p *parts) Certificates(now sensors.Instant, used []Certificate) Effects {
	var e Effects
	if !now.Synced {
		return e
	}
	needed := map[string]bool{}
	for _, cert := range used {
		needed[cert.Subject] = true
		if !cert.Ends.IsZero() {
			e.add(p.Set(now, certificateDue(now, cert)))
		}
	}
	for _, v := range p.engine.Open() {
		if v.Key.Alarm == alarm.CertificateDue && v.Active && !needed[v.Key.Subject] {
			e.add(p.Set(now, rules.Condition{Key: v.Key}))
		}
	}
	return e
}

func certificateDue(now sensors.Instant, cert Certificate) rules.Condition {
	left := cert.Ends.Sub(now.Wall)
	cond := rules.Condition{
		Key: alarm.Key{Alarm: alarm.CertificateDue, Subject: cert.Subject}, Active: left < CertificateNote, Priority: alarm.Note,
		Value: max(left, 0).Hours() / 24, HasValue: true, Limit: CertificateNote.Hours() / 24, HasLimit: true, Unit: "d",
		Is: alarm.Fact{ID: alarm.FactCertEnds, About: cert.Subject, At: alarm.LocalTime(cert.Ends.UTC().Format(alarm.LocalLayout))},
	}
	if left < certificateToday {
		cond.Priority = alarm.Today
	}
	if left <= 0 {
		cond.Is.ID = alarm.FactCertEnded
	}
	return cond
}
