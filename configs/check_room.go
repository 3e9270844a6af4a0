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
	if m.Broker != "" {
		t.address("broker", m.Broker, "tcp", "mqtt", "ssl", "tls", "mqtts", "ws", "wss")
	}
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
	if h.URL != "" {
		t.address("url", h.URL, "http", "https")
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

func (k services) heartbeat() {
	t, o := k.section("heartbeat"), k.c.Outside
	if o.URL != "" {
		t.secretAddress(o.URL)
	}
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
