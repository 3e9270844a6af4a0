package configs

import (
	"net/mail"
	"slices"
	"strings"
	"time"
)

// The channels that are no webhook. The sounder is told of like one, and reaches
// nobody by name.
const (
	channelMQTT    = "mqtt"
	channelMail    = "mail"
	ChannelSounder = "sounder"
)

func (k services) people() {
	channels := []string{channelMQTT, channelMail}
	for _, w := range k.c.Webhooks {
		if w.ID != "" {
			channels = append(channels, w.ID)
		}
	}
	for i, p := range k.c.People {
		t := k.doc.item("person", i)
		k.channels(t, p, channels)
		if p.MailTo != "" {
			k.mailAddress(t, "mail_to", p.MailTo)
		}
	}
}

// channels checks that each channel of a person leads somewhere. A way that
// ends nowhere is worse than none: the keeper relies on it.
func (k services) channels(t *element, p Person, known []string) {
	for j, ch := range p.Channels {
		at := t.item("channels", j)
		switch {
		case at.bad:
		case ch == ChannelSounder:
			k.add(at.key, "remove it here", "the sounder is no way to person %q: it sounds for everybody in the room by its section [sounder] alone", p.ID)
		case !slices.Contains(known, ch):
			do := "write one of " + listed(known) + ", or add a [[webhook]] with that id"
			k.add(at.key, didYouMean(ch, known, do), "channel %q of person %q does not exist", ch, p.ID)
		case slices.Contains(p.Channels[:j], ch):
			k.add(at.key, "write it once", "channel %q stands twice for person %q", ch, p.ID)
		case ch == channelMQTT && k.c.MQTT.Broker == "":
			k.add(at.key, "add [mqtt] with a broker", `person %q has channel "mqtt" and there is no broker`, p.ID)
		case ch == channelMail && k.c.Mail.Host == "":
			k.add(at.key, "add [mail] with a host", `person %q has channel "mail" and there is no mail server`, p.ID)
		case ch == channelMail && p.MailTo == "":
			k.add(at.key, "add mail_to", `person %q has channel "mail" and no address`, p.ID)
		}
	}
}

// mailAddress also refuses line breaks, which could add headers to a mail.
func (k services) mailAddress(t *element, key, got string) {
	if _, err := mail.ParseAddress(got); err != nil || strings.ContainsAny(got, "\r\n") {
		k.fault(t, key, `write for example "keeper@example.org"`, "%s = %q is not a mail address", key, got)
	}
}

// mail checks the server. A whole [mail] section without a host is half a
// setting, not the wish for no mail: that is no section.
func (k services) mail() {
	t, m := k.doc.at("mail"), k.c.Mail
	if !k.doc.has("mail") {
		return
	}
	k.faultIf(m.Host == "", t, "host", "add the server's name, or remove [mail]", "[mail] has no host")
	k.faultIf(strings.ContainsAny(m.Host, ":/ "), t, "host",
		"write the name alone; the port has a key of its own", "host = %q is not the name of a server", m.Host)
	if m.From == "" {
		k.fault(t, "from", "add the address that mail comes from", "[mail] has no from")
	} else {
		k.mailAddress(t, "from", m.From)
	}
	k.together(t, "username", "password_file")
}

// webhooks checks the addresses that notices are posted to. Their templates are
// the sender's matter, which knows the words that they may use.
func (k services) webhooks() {
	for i, w := range k.c.Webhooks {
		t := k.doc.item("webhook", i)
		k.faultIf(slices.Contains([]string{channelMQTT, channelMail, ChannelSounder}, w.ID), t, "id",
			"choose another id", "the id %q is a channel of its own", w.ID)
		switch {
		case w.URL != "" && w.URLFile != "":
			k.fault(t, "url_file", "write one of them", "webhook %q has url and url_file", w.ID)
		case w.URL == "" && w.URLFile == "":
			k.fault(t, "url", `add url = "https://…"`, "webhook %q has no url", w.ID)
		case w.URL != "":
			k.secretAddress(t, w.URL)
		}
		k.headers(t, "headers", w.Headers)
		k.headers(t, "header_files", w.HeaderFiles)
	}
}

func (k services) headers(t *element, key string, all map[string]string) {
	h := t.fields[key]
	if h == nil {
		return
	}
	for _, name := range h.names {
		k.faultIf(!validHeader(name, all[name]), h, name,
			"use letters, digits and hyphens, and a value on one line", "%q is not a header", name)
	}
}

// validHeader keeps line breaks and other tricks out of requests (RFC 9110,
// section 5; field names narrowed to what gateways use).
func validHeader(name, value string) bool {
	return name != "" && !strings.ContainsFunc(name, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && r != '-'
	}) && !strings.ContainsFunc(value, func(r rune) bool { return r < ' ' || r == 0x7f })
}

func (k services) duties() {
	people := idsOf(k.c.People, func(p *Person) string { return p.ID })
	days := make([]string, 7)
	for d := range days {
		days[d] = strings.ToLower(time.Weekday(d).String())
	}
	for i := range k.c.Duties {
		d, t := &k.c.Duties[i], k.doc.item("duty", i)
		if !t.has("person") {
			k.fault(t, "person", "add person", "this [[duty]] names nobody")
		} else {
			k.reference(t, "person", d.Person, "person", people)
		}
		for j := range d.Days {
			if d.Days[j] = strings.ToLower(d.Days[j]); !slices.Contains(days, d.Days[j]) {
				k.fault(t, "days", "write one of "+listed(days), "%q is no day of the week", d.Days[j])
			}
		}
		k.faultIf(d.From != nil && d.To != nil && !d.From.In(time.UTC, false).Before(d.To.In(time.UTC, true)), t, "to",
			"write a later one", "this [[duty]] ends before it begins")
	}
}

func (k services) sounder() {
	t, s := k.doc.at("sounder"), k.c.Sounder
	if !k.doc.has("sounder") {
		return
	}
	k.oneOf(t, "when", s.When, "unreached", "always")
	k.together(t, "chip", "line")
	switch {
	case t.has("chip") && t.has("led"):
		k.fault(t, "led", "write one of them", "[sounder] has a GPIO line and an LED")
	case k.doc.has("sentinel") && len(k.c.Enclosures) == 0:
		k.fault(t, "", "remove [sounder], which belongs in the file of a room that is watched", "a sentinel has no [sounder]")
	case !s.InUse():
		k.fault(t, "chip", `add chip = "/dev/gpiochip0" and line = 17, or led = "…" as in /sys/class/leds, or remove [sounder]`, "[sounder] names nothing that could sound")
	}
	k.gpioLine(t, s.Chip, s.Line)
	k.faultIf(strings.Contains(s.LED, "/") || strings.HasPrefix(s.LED, "."), t, "led",
		"write its name alone, as ls /sys/class/leds shows it", "led = %q is no name of an LED", s.LED)
	k.faultIf(t.has("active_low") && s.Chip == "", t, "active_low", "remove it", "active_low is for a GPIO line only")
}

func (k *checker) gpioLine(t *element, chip string, line int) {
	k.faultIf(chip != "" && !strings.HasPrefix(chip, "/dev/"), t, "chip",
		`write the whole path, as in "/dev/gpiochip0"`, "chip = %q is no device", chip)
	k.faultIf(line < 0 || line > mostLine, t, "line",
		"write the line's offset on the chip, as gpioinfo shows it", "line = %d is out of range", line)
}

// mostLine is more than the lines of any chip: GPIOs of a whole kernel were 512 at
// most (ARCH_NR_GPIOS, up to Linux 6.1).
const mostLine = 1023
