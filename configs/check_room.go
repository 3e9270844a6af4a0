package configs

import (
	"net"
	"path/filepath"
	"time"
)

// room also loads the time zone: a Config without a usable one would move
// day and night by hours.
func (k services) room() {
	t, r := k.doc.at("room"), &k.c.Room
	switch {
	case !t.has("id"):
	case r.ID == "dewline":
		k.fault(t, "id", "choose another id", `the id "dewline" stands for the program itself`)
	case !validID(r.ID):
		k.fault(t, "id", idAdvice(r.ID), "the id %q has characters outside a-z, 0-9 and hyphen, or is too long", r.ID)
	}
	k.durations(t, within{"poll", r.Poll, second, 10 * minute})
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

// rules keeps each number where the rule still does its work: a delay of a day
// would be an alarm that never comes.
func (k services) rules() {
	t, r := k.doc.at("rules"), k.c.Rules
	k.durations(t,
		within{"band_on_delay", r.BandOnDelay, 0, 24 * hour},
		within{"band_off_delay", r.BandOffDelay, 0, 24 * hour},
		within{"band_settle", r.BandSettle, 0, 12 * hour},
		within{"floor_on_delay", r.FloorOnDelay, 0, 24 * hour},
		within{"floor_off_delay", r.FloorOffDelay, 0, 24 * hour},
		within{"door_excuse", r.DoorExcuse, 0, 4 * hour},
		// Less than one poll would call every probe silent.
		within{"silent_after", r.SilentAfter, k.c.Room.Poll, hour},
		within{"frozen_after", r.FrozenAfter, 10 * minute, Duration(7 * day)},
		within{"ahead_within", r.AheadWithin, minute, 12 * hour},
		within{"realarm_after", r.RealarmAfter, minute, 24 * hour},
		within{"calibrate_humidity_every", r.HumidityDue, Duration(day), Duration(10 * year)},
		within{"calibrate_temperature_every", r.TemperatureDue, Duration(day), Duration(10 * year)},
	)
	if r.BandDeadband > 5 {
		k.fault(t, "band_deadband", "write 0 °C to 5 °C", "band_deadband = %q is out of range", r.BandDeadband)
	}
	if r.FloorDeadband > 20 {
		k.fault(t, "floor_deadband", "write 0 % to 20 %", "floor_deadband = %q is out of range", r.FloorDeadband)
	}
	if r.DropNights < 1 || r.DropNights > 30 {
		k.fault(t, "drop_nights", "write 1 to 30", "drop_nights = %d is out of range", r.DropNights)
	}
}

// mqtt also takes the schemes ws and wss, which brokers behind a web proxy
// offer.
func (k services) mqtt() {
	t, m := k.doc.at("mqtt"), k.c.MQTT
	if m.Broker != "" {
		k.address(t, "broker", m.Broker, "tcp", "mqtt", "ssl", "tls", "mqtts", "ws", "wss")
	}
	k.durations(t, within{"heartbeat", m.Heartbeat, 5 * second, 10 * minute})
	k.together(t, "cert_file", "key_file")
	k.oneOf(t, "token_commands", m.TokenCommands, "", "answer", "all", "none")
	if t.has("password_file") && !t.has("username") {
		k.fault(t, "password_file", "add username", "password_file needs username beside it")
	}
}

// http checks the address of the page and how phones reach it.
func (k services) http() {
	t, h := k.doc.at("http"), k.c.HTTP
	if h.Listen != "" {
		k.listenAddress(t, "listen", h.Listen)
	}
	if h.URL != "" {
		k.address(t, "url", h.URL, "http", "https")
	}
	if h.Proxy != "" && net.ParseIP(h.Proxy) == nil {
		k.fault(t, "proxy", `write its address, as in "127.0.0.1"`, "proxy = %q is not an address", h.Proxy)
	}
	k.together(t, "cert_file", "key_file")
}

// store refuses a relative directory: under systemd it would lie in / and the
// history of the last start would seem lost.
func (k services) store() {
	t, s := k.doc.at("store"), k.c.Store
	if !filepath.IsAbs(s.Dir) {
		k.fault(t, "dir", `write a full path, as in "/var/lib/dewline"`, "dir = %q depends on where dewline is started", s.Dir)
	}
	k.durations(t,
		within{"batch", s.Batch, second, hour},
		within{"keep_raw", s.KeepRaw, Duration(day), Duration(100 * year)},
		within{"keep_table", s.KeepTable, 0, Duration(100 * year)},
		within{"keep_journal", s.KeepJournal, 0, Duration(100 * year)},
	)
	if s.MaxMiB < 16 {
		k.fault(t, "max_mib", "write 16 or more", "max_mib = %d leaves no room for alarms", s.MaxMiB)
	}
}

// heartbeat checks the outside address and the reminder of the drill.
func (k services) heartbeat() {
	t, o := k.doc.at("heartbeat"), k.c.Outside
	if o.URL != "" {
		k.secretAddress(t, o.URL)
	}
	k.durations(t, within{"every", o.Every, 10 * second, 24 * hour})
	k.durations(k.doc.at("drill"), within{"every", k.c.Drill.Every, 0, Duration(year)})
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
	if k.doc.has("sentinel") && len(s.Rooms) == 0 {
		k.fault(t, "rooms", `name them, as in rooms = ["attic"]`, "[sentinel] watches no room")
	}
	if len(s.Rooms) > 0 && k.c.MQTT.Broker == "" {
		k.fault(t, "rooms", "add [mqtt] with a broker", "[sentinel] watches through a broker and there is none")
	}
	k.durations(t,
		within{"silent_after", s.SilentAfter, 10 * second, 24 * hour},
		within{"clock_within", s.ClockWithin, 5 * second, 24 * hour},
		within{"stalled_after", s.StalledAfter, 10 * second, 24 * hour},
	)
}
