package configs

import (
	"net"
	"net/mail"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// room also loads the time zone: a Config without a usable one would move
// day and night by hours.
func (k services) room() {
	t, r := k.section("room"), &k.c.Room
	if t.Has("id") {
		t.plainID(r.ID)
	}
	r.Location = time.Local // with a warning, see warnRoom
	if r.Timezone == "" {
		return
	}
	loc, err := time.LoadLocation(r.Timezone)
	if err != nil || loc == time.Local { // "Local" is Go's word and whatever the board has
		t.Fault("timezone", `write a name such as "Europe/Berlin" or "America/Chicago"`, "the timezone %q is not known", r.Timezone)
		return
	}
	r.Location = loc
}

// rules refuses a silence of less than one poll, which would call every probe silent.
func (k services) rules() {
	k.section("rules").Within("silent_after", k.c.Rules.SilentAfter, k.c.Room.Poll, hour)
}

// mqtt refuses the schemes ws and wss, which were taken once: no connection speaks
// them.
func (k services) mqtt() {
	t, m := k.section("mqtt"), k.c.MQTT
	if strings.HasPrefix(m.Broker, "ws") {
		t.refuse("broker", "write tcp://, or ssl:// for TLS, and the broker's port for those", "broker = %q speaks MQTT over a web connection, which dewline does not", m.Broker)
	}
	t.Together("cert_file", "key_file")
	t.FaultIf(t.Has("password_file") && !t.Has("username"), "password_file",
		"add username", "password_file needs username beside it")
}

func (k services) http() {
	t, h := k.section("http"), k.c.HTTP
	if h.Listen != "" {
		t.listenAddress("listen", h.Listen)
	}
	t.FaultIf(h.Proxy != "" && net.ParseIP(h.Proxy) == nil, "proxy",
		`write its address, as in "127.0.0.1"`, "proxy = %q is not an address", h.Proxy)
	t.Together("cert_file", "key_file")
}

// store refuses a relative directory: under systemd it would lie in / and the
// history of the last start would seem lost.
func (k services) store() {
	t, s := k.section("store"), k.c.Store
	t.FaultIf(!filepath.IsAbs(s.Dir), "dir",
		`write a full path, as in "/var/lib/dewline"`, "dir = %q depends on where dewline is started", s.Dir)
	t.FaultIf(s.MaxMiB < 16, "max_mib", "write 16 or more", "max_mib = %d leaves no room for alarms", s.MaxMiB)
}

func (k services) drill() {
	if d := k.c.Drill.Every; d > 0 && d < hour {
		k.section("drill").Fault("every", "write 1 h or more, or 0 s for none", "a drill every %s would teach people to ignore it", d)
	}
}

// sentinel checks what a second machine watches. Its file needs no enclosure,
// but a broker to watch through.
func (k services) sentinel() {
	t, s := k.section("sentinel"), k.c.Sentinel
	for i, room := range s.Rooms {
		if !validID(room) {
			at := t.item("rooms", i)
			k.add(at.key, idAdvice(room), "the id %q of a room has characters outside a-z, 0-9 and hyphen", room)
		}
	}
	t.FaultIf(k.doc.Has("sentinel") && len(s.Rooms) == 0, "rooms",
		`name them, as in rooms = ["attic"]`, "[sentinel] watches no room")
	t.FaultIf(len(s.Rooms) > 0 && k.c.MQTT.Broker == "", "rooms",
		"add [mqtt] with a broker", "[sentinel] watches through a broker and there is none")
}

// The channels that are no webhook. The sounder is told of like one, and reaches
// nobody by name.
const (
	channelMQTT    = "mqtt"
	channelMail    = "mail"
	ChannelSounder = "sounder"
)

func (k services) people() {
	channels := append([]string{channelMQTT, channelMail}, k.ids["webhook"]...)
	for i, p := range k.c.People {
		t := k.item("person", i)
		k.channels(t, p, channels)
		if p.MailTo != "" {
			t.mailAddress("mail_to", p.MailTo)
		}
	}
}

// channels checks that each channel of a person leads somewhere. A way that
// ends nowhere is worse than none: the keeper relies on it.
func (k services) channels(t *Section, p Person, known []string) {
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
func (s *Section) mailAddress(key, got string) {
	if _, err := mail.ParseAddress(got); err != nil || strings.ContainsAny(got, "\r\n") {
		s.Fault(key, `write for example "keeper@example.org"`, "%s = %q is not a mail address", key, got)
	}
}

// mail checks the server. A whole [mail] section without a host is half a
// setting, not the wish for no mail: that is no section.
func (k services) mail() {
	t, m := k.section("mail"), k.c.Mail
	if !k.doc.Has("mail") {
		return
	}
	t.FaultIf(m.Host == "", "host", "add the server's name, or remove [mail]", "[mail] has no host")
	t.FaultIf(strings.ContainsAny(m.Host, ":/ "), "host",
		"write the name alone; the port has a key of its own", "host = %q is not the name of a server", m.Host)
	if m.From == "" {
		t.Fault("from", "add the address that mail comes from", "[mail] has no from")
	} else {
		t.mailAddress("from", m.From)
	}
	t.Together("username", "password_file")
}

// webhooks checks the addresses that notices are posted to. Their templates are
// the sender's matter, which knows the words that they may use.
func (k services) webhooks() {
	for i, w := range k.c.Webhooks {
		t := k.item("webhook", i)
		t.FaultIf(slices.Contains([]string{channelMQTT, channelMail, ChannelSounder}, w.ID), "id",
			"choose another id", "the id %q is a channel of its own", w.ID)
		switch {
		case w.URL != "" && w.URLFile != "":
			t.Fault("url_file", "write one of them", "webhook %q has url and url_file", w.ID)
		case w.URL == "" && w.URLFile == "":
			t.Fault("url", `add url = "https://…"`, "webhook %q has no url", w.ID)
		}
		t.headers("headers", w.Headers)
		t.headers("header_files", w.HeaderFiles)
	}
}

func (s *Section) headers(key string, all map[string]string) {
	if !s.Has(key) {
		return
	}
	h := &Section{s.fields[key], s.k}
	for _, name := range h.names {
		h.FaultIf(!validHeader(name, all[name]), name,
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
	days := make([]string, 7)
	for d := range days {
		days[d] = strings.ToLower(time.Weekday(d).String())
	}
	for i := range k.c.Duties {
		d, t := &k.c.Duties[i], k.item("duty", i)
		t.FaultIf(!t.Has("person"), "person", "add person", "this [[duty]] names nobody")
		for j := range d.Days {
			if d.Days[j] = strings.ToLower(d.Days[j]); !slices.Contains(days, d.Days[j]) {
				t.Fault("days", "write one of "+listed(days), "%q is no day of the week", d.Days[j])
			}
		}
		t.FaultIf(d.From != nil && d.To != nil && !d.From.In(time.UTC, false).Before(d.To.In(time.UTC, true)), "to",
			"write a later one", "this [[duty]] ends before it begins")
	}
}

func (k services) sounder() {
	t, s := k.section("sounder"), k.c.Sounder
	if !k.doc.Has("sounder") {
		return
	}
	t.Together("chip", "line")
	switch {
	case t.Has("chip") && t.Has("led"):
		t.Fault("led", "write one of them", "[sounder] has a GPIO line and an LED")
	case k.doc.Has("sentinel") && len(k.c.Enclosures) == 0:
		t.Fault("", "remove [sounder], which belongs in the file of a room that is watched", "a sentinel has no [sounder]")
	case !s.InUse():
		t.Fault("chip", `add chip = "/dev/gpiochip0" and line = 17, or led = "…" as in /sys/class/leds, or remove [sounder]`, "[sounder] names nothing that could sound")
	}
	t.gpioLine(s.Chip, s.Line)
	t.FaultIf(strings.Contains(s.LED, "/") || strings.HasPrefix(s.LED, "."), "led",
		"write its name alone, as ls /sys/class/leds shows it", "led = %q is no name of an LED", s.LED)
	t.FaultIf(t.Has("active_low") && s.Chip == "", "active_low", "remove it", "active_low is for a GPIO line only")
}

func (s *Section) gpioLine(chip string, line int) {
	s.FaultIf(chip != "" && !strings.HasPrefix(chip, "/dev/"), "chip",
		`write the whole path, as in "/dev/gpiochip0"`, "chip = %q is no device", chip)
	s.FaultIf(line < 0 || line > mostLine, "line",
		"write the line's offset on the chip, as gpioinfo shows it", "line = %d is out of range", line)
}

// mostLine is more than the lines of any chip: GPIOs of a whole kernel were 512 at
// most (ARCH_NR_GPIOS, up to Linux 6.1).
const mostLine = 1023
