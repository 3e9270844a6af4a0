package daemon

import (
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"slices"
	"sync"
	"time"

	"dewline/alert/mqtt"
	"dewline/alert/page"
	"dewline/alert/words"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/configs"
	"dewline/configs/unit"
)

// CheckWays builds every channel, the page's token and the outside heartbeat
// without connecting to anything, and looks when certificates end. Secrets are
// read as the user who asks: one of the service's own may be refused here.
func CheckWays(cfg *configs.Config, now time.Time) []WayFault {
	out := buildChannels(cfg, cfg.Room.ID, slog.New(slog.DiscardHandler), hooks{}).faults
	fault := func(section string, err error) {
		if err != nil {
			out = append(out, WayFault{Section: section, What: err.Error()})
		}
	}
	if cfg.MQTT.Broker != "" {
		out = append(out, checkSenders(cfg)...)
	}
	_, err := secret(cfg.HTTP.TokenFile)
	fault("http", err)
	if list, err := secret(cfg.HTTP.TokensFile); err != nil {
		fault("http", err)
	} else if _, err := page.ParseTokens(list); err != nil {
		fault("http", fmt.Errorf("%s: %w", cfg.HTTP.TokensFile, err))
	}
	if cfg.HTTP.Listen != "" && cfg.HTTP.TokenFile+cfg.HTTP.TokensFile == "" {
		out = append(out, WayFault{"http", true, "no token_file: nothing can be changed over HTTP, and only this board can look"})
	}
	if cfg.HTTP.CertFile != "" {
		cert := &web.Certificate{CertFile: cfg.HTTP.CertFile, KeyFile: cfg.HTTP.KeyFile}
		_, err := cert.Get(nil)
		fault("http", err)
	}
	return append(out, checkEnds(cfg, now)...)
}

// shortToken is a token that can be guessed in the years that it is in use: at
// 4,000 guesses a second 12 letters at random last for ever.
const shortToken = 12

// checkSenders looks at whose commands over the broker are taken.
func checkSenders(cfg *configs.Config) []WayFault {
	var out []WayFault
	who := senders(cfg)
	for _, what := range words.Facts(who.faults, unit.Celsius) {
		out = append(out, WayFault{"mqtt", false, what})
	}
	note := func(what string) { out = append(out, WayFault{"mqtt", true, what}) }
	switch use := tokenFor(cfg); {
	case len(who.keys) == 0 && cfg.MQTT.CommandTokenFile == "":
		note("no command_key_file of a person: every command over MQTT is refused")
	case use == mqtt.TokenNothing && cfg.MQTT.CommandTokenFile != "":
		note("the token of command_token_file opens nothing: commands are signed")
	case use == "" || use == mqtt.TokenAnswers:
		note("commands with the token may only acknowledge, and anybody who hears one can send more: give each person a command_key_file; the token goes with the next version")
	case use == mqtt.TokenAll:
		note("anybody who hears a command with the token can silence alarms: give each person a command_key_file; the token goes with the next version")
	}
	if who.token != "" && len(who.token) < shortToken {
		note(fmt.Sprintf("the token of commands has fewer than %d characters and can be guessed", shortToken))
	}
	return out
}

// checkEnds looks at the dates of the certificates that are files.
func checkEnds(cfg *configs.Config, now time.Time) []WayFault {
	var out []WayFault
	section := map[string]string{certPage: "http", certClient: "mqtt", certBrokerIssuer: "mqtt", certMailIssuer: "mail"}
	files := certFiles(cfg)
	for _, subject := range slices.Sorted(maps.Keys(files)) {
		end, err := certEnd(subject, files[subject])
		switch left := end.Sub(now); {
		case err != nil: // told of by the channel that needs it
		case left <= 0:
			out = append(out, WayFault{section[subject], false, fmt.Sprintf("%s ended on %s: renew it", words.Certificate(subject), end.Format(time.DateOnly))})
		case left < core.CertificateNote:
			out = append(out, WayFault{section[subject], true, fmt.Sprintf("%s ends on %s: renew it before", words.Certificate(subject), end.Format(time.DateOnly))})
		}
	}
	return out
}

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

const certEvery = time.Hour // between looks at the certificates
