package configs

import (
	"net"
	"path/filepath"
	"strings"
	"time"
)

// room also loads the time zone: a Config without a usable one would move
// day and night by hours.
func (k services) room() {
	t, r := k.doc.at("room"), &k.c.Room
	if t.has("id") {
		k.plainID(t, r.ID)
	}
	r.Location = time.Local // with a warning, see warnRoom
	if r.Timezone == "" {
		return
	}
	loc, err := time.LoadLocation(r.Timezone)
	if err != nil || loc == time.Local { // "Local" is Go's word and whatever the board has
		k.fault(t, "timezone", `write a name such as "Europe/Berlin" or "America/Chicago"`, "the timezone %q is not known", r.Timezone)
		return
	}
	r.Location = loc
}

// rules refuses a silence of less than one poll, which would call every probe silent.
func (k services) rules() {
	k.within(k.doc.at("rules"), "silent_after", k.c.Rules.SilentAfter, k.c.Room.Poll, hour)
}

// mqtt refuses the schemes ws and wss, which were taken once: no connection speaks
// them.
func (k services) mqtt() {
	t, m := k.doc.at("mqtt"), k.c.MQTT
	if m.Broker != "" {
		k.address(t, "broker", m.Broker, "tcp", "mqtt", "ssl", "tls", "mqtts", "ws", "wss")
	}
	if strings.HasPrefix(m.Broker, "ws") {
		k.refuse(t, "broker", "write tcp://, or ssl:// for TLS, and the broker's port for those", "broker = %q speaks MQTT over a web connection, which dewline does not", m.Broker)
	}
	k.together(t, "cert_file", "key_file")
	k.faultIf(t.has("password_file") && !t.has("username"), t, "password_file",
		"add username", "password_file needs username beside it")
}

func (k services) http() {
	t, h := k.doc.at("http"), k.c.HTTP
	if h.Listen != "" {
		k.listenAddress(t, "listen", h.Listen)
	}
	if h.URL != "" {
		k.address(t, "url", h.URL, "http", "https")
	}
	k.faultIf(h.Proxy != "" && net.ParseIP(h.Proxy) == nil, t, "proxy",
		`write its address, as in "127.0.0.1"`, "proxy = %q is not an address", h.Proxy)
	k.together(t, "cert_file", "key_file")
}

// store refuses a relative directory: under systemd it would lie in / and the
// history of the last start would seem lost.
func (k services) store() {
	t, s := k.doc.at("store"), k.c.Store
	k.faultIf(!filepath.IsAbs(s.Dir), t, "dir",
		`write a full path, as in "/var/lib/dewline"`, "dir = %q depends on where dewline is started", s.Dir)
	k.faultIf(s.MaxMiB < 16, t, "max_mib", "write 16 or more", "max_mib = %d leaves no room for alarms", s.MaxMiB)
}

func (k services) heartbeat() {
	t, o := k.doc.at("heartbeat"), k.c.Outside
	if o.URL != "" {
		k.secretAddress(t, o.URL)
	}
	if d := k.c.Drill.Every; d > 0 && d < hour {
		k.fault(k.doc.at("drill"), "every", "write 1 h or more, or 0 s for none", "a drill every %s would teach people to ignore it", d)
	}
}

// sentinel checks what a second machine watches. Its file needs no enclosure,
// but a broker to watch through.
func (k services) sentinel() {
	t, s := k.doc.at("sentinel"), k.c.Sentinel
	for i, room := range s.Rooms {
		if !validID(room) {
			at := t.item("rooms", i)
			k.add(at.key, idAdvice(room), "the id %q of a room has characters outside a-z, 0-9 and hyphen", room)
		}
	}
	k.faultIf(k.doc.has("sentinel") && len(s.Rooms) == 0, t, "rooms",
		`name them, as in rooms = ["attic"]`, "[sentinel] watches no room")
	k.faultIf(len(s.Rooms) > 0 && k.c.MQTT.Broker == "", t, "rooms",
		"add [mqtt] with a broker", "[sentinel] watches through a broker and there is none")
}
