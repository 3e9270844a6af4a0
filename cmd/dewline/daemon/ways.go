package daemon

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"dewline/alert/words"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/configs"
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
		_, err := buildMQTT(cfg, cfg.Room.ID, "", nil, hooks{})
		fault("mqtt", err)
		_, err = secret(cfg.MQTT.CommandTokenFile)
		fault("mqtt", err)
	}
	if cfg.Mail.Host != "" {
		_, err := buildMail(cfg)
		fault("mail", err)
	}
	for _, w := range cfg.Webhooks {
		_, err := buildWebhook(cfg.Room.ID, w)
		fault("webhook "+w.ID, err)
	}
	_, err := secret(cfg.HTTP.TokenFile)
	fault("http", err)
	if cfg.HTTP.Listen != "" && cfg.HTTP.TokenFile == "" {
		out = append(out, WayFault{"http", true, "no token_file: nothing can be changed over HTTP, and only this board can look"})
	}
	if cfg.MQTT.Broker != "" && cfg.MQTT.CommandTokenFile == "" {
		out = append(out, WayFault{"mqtt", true, "no command_token_file: every command over MQTT is refused"})
	}
	if cfg.HTTP.CertFile != "" {
		page := &web.Certificate{CertFile: cfg.HTTP.CertFile, KeyFile: cfg.HTTP.KeyFile}
		_, err := page.Get(nil)
		fault("http", err)
	}
	return append(out, checkEnds(cfg, now)...)
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
