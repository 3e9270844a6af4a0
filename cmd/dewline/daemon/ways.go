package daemon

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"dewline/alert/mqtt"
	"dewline/alert/page"
	"dewline/alert/words"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/configs"
	"dewline/configs/unit"
)

// A WayFault is something about a way out of dewline that would only show when
// a notice should leave by it.
type WayFault struct {
	Section string // of the configuration, such as "webhook push"
	Note    bool   // worth knowing, but it works
	What    string
}

// CheckWays builds every channel, the page's token and the outside heartbeat
// without connecting to anything, and looks when certificates end. Secrets are
// read as the user who asks: one of the service's own may be refused here.
func CheckWays(cfg *configs.Config, now time.Time) []WayFault {
	var out []WayFault
	fault := func(section string, err error) {
		if err != nil {
			out = append(out, WayFault{Section: section, What: err.Error()})
		}
	}
	if cfg.MQTT.Broker != "" {
		_, err := buildMQTT(cfg, cfg.Room.ID, commandSenders{}, nil, hooks{})
		fault("mqtt", err)
		out = append(out, checkSenders(cfg)...)
	}
	if cfg.Mail.Host != "" {
		_, err := newMail(cfg, cfg.Room.ID, hooks{})
		fault("mail", err)
	}
	for _, w := range cfg.Webhooks {
		_, err := buildWebhook(cfg.Room.ID, w)
		fault("webhook "+w.ID, err)
	}
	_, err := secret(cfg.HTTP.TokenFile)
	fault("http", err)
	if cfg.Outside.URLFile != "" {
		_, err := buildBeat(cfg.Outside)
		fault("heartbeat", err)
	}
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
