package configs

// faultMessages is what each file of testdata is answered with: the whole text,
// every fault of the file, in the order of their places.
var faultMessages = map[string]string{
	"invalid-bands.toml": `invalid-bands.toml:13:7: day: the range "26-22 °C" does not rise; write the lower end first
invalid-bands.toml:14:9: night: "20 °C" is not a range; write both ends and the unit, as in "22-26 °C" or "72-79 F"`,
	"invalid-before-the-mux.toml": `invalid-before-the-mux.toml:19:1: probes "p1" and "p2" both answer at 0x44 on /dev/i2c-1; correct bus, address, mux_address or mux_channel of one of them`,
	"invalid-beyond-range.toml": `invalid-beyond-range.toml:4:11: ceiling: "290 °C" is outside -50 to 100 °C; check the number and its unit
invalid-beyond-range.toml:5:9: floor: "101 %" is outside 0 to 100 %; check the number
invalid-beyond-range.toml:6:10: volume: "-1 L" is not the volume of an enclosure; check the number and its unit
invalid-beyond-range.toml:13:10: budget: "-1 s" is negative; write a span of 0 or more
invalid-beyond-range.toml:16:1: floor_deadband = "21 %" is out of range; write 0 % to 20 %
invalid-beyond-range.toml:17:17: band_deadband: the difference "-1 °C" is outside 0 to 50 °C; check the number and its unit
invalid-beyond-range.toml:18:1: band_on_delay = "25 h" is out of range; write 0 s to 1 day
invalid-beyond-range.toml:19:1: drop_nights = 0 is out of range; write 1 to 30
invalid-beyond-range.toml:20:16: frozen_after: "200 years" is longer than 100 years; check the number and its unit`,
	"invalid-channels.toml": `invalid-channels.toml:13:13: person "p" has channel "mqtt" and there is no broker; add [mqtt] with a broker
invalid-channels.toml:13:21: person "p" has channel "mail" and no address; add mail_to
invalid-channels.toml:13:29: channel "psuh" of person "p" does not exist; did you mean "push"?
invalid-channels.toml:13:45: channel "push" stands twice for person "p"; write it once`,
	"invalid-clock.toml": `invalid-clock.toml:13:6: on: "24:00" is not a time of day; write hours and minutes from "00:00" to "23:59"
invalid-clock.toml:17:6: on: the span "08:00-08:00" begins and ends at one time; write two different times, or leave the key out
invalid-clock.toml:21:6: on: "8 to 20" is not a span of the day; write start and end, as in "08:00-20:00"
invalid-clock.toml:25:19: times: "7.30" is not a time of day; write hours and minutes from "00:00" to "23:59"
invalid-clock.toml:25:27: times: "08:60" is not a time of day; write hours and minutes from "00:00" to "23:59"`,
	"invalid-comma.toml":           `invalid-comma.toml:4:11: ceiling: "29,5 °C" has a comma in its number; write a decimal point, as in 26.5`,
	"invalid-double-brackets.toml": `invalid-double-brackets.toml:11:3: room is a list; write [room] as a section of its own, once`,
	"invalid-floor-probe.toml": `invalid-floor-probe.toml:17:1: probes "a-canopy" and "a-litter" both judge the floor of enclosure "a"; set it on one of them
invalid-floor-probe.toml:25:1: probe "a-wire" cannot judge the floor; set it on a probe that measures humidity`,
	"invalid-http.toml": `invalid-http.toml:12:1: listen = "8077" is not host:port; write for example "127.0.0.1:8077"
invalid-http.toml:13:1: url = "https:///x" names no host; write for example http://host/
invalid-http.toml:14:1: key_file needs cert_file beside it; add cert_file
invalid-http.toml:17:1: url = "example.org" has no known beginning; begin it with one of https://, http://
invalid-http.toml:18:1: every = "1 s" is out of range; write 10 s to 1 day`,
	"invalid-id-twice.toml": `invalid-id-twice.toml:12:1: the id "a-canopy" of this [[probe]] is used already in line 6; give each its own
invalid-id-twice.toml:18:1: the id "a" of this [[enclosure]] is used already in line 2; give each its own`,
	"invalid-ids.toml": `invalid-ids.toml:1:3: enclosure "Tank A" has no probe; add a [[probe]] with enclosure = "Tank A"
invalid-ids.toml:2:1: the id "Tank A" has characters outside a-z, 0-9 and hyphen, or is too long; write for example "tank-a"
invalid-ids.toml:5:3: this [[enclosure]] has no id; add one, as in id = "a-1"
invalid-ids.toml:9:1: the id "dewline" stands for the program itself; choose another id
invalid-ids.toml:12:1: enclosure = "a" names no [[enclosure]]; write one of "Tank A"
invalid-ids.toml:15:1: the id "Über" has characters outside a-z, 0-9 and hyphen, or is too long; write for example "ber"`,
	"invalid-names.toml": `invalid-names.toml:3:1: the name "Attic\nroom" has characters that break or turn a line; write it on one line, without characters that nobody sees
invalid-names.toml:7:1: the name "left \u202eright" has characters that break or turn a line; write it on one line, without characters that nobody sees`,
	"invalid-key-twice.toml": `invalid-key-twice.toml:11:1: not valid TOML: key floor_probe is already defined; write it once: join the two, or give the second another name`,
	"invalid-lamps-and-mist.toml": `invalid-lamps-and-mist.toml:11:3: [[lamps]] "day" has no hours; add on = "08:00-20:00"
invalid-lamps-and-mist.toml:14:3: [[mist]] "m" has no times; add times = ["08:00", "20:00"]
invalid-lamps-and-mist.toml:19:28: the time 08:00 stands twice in [[mist]] "n"; write it once
invalid-lamps-and-mist.toml:20:1: longest = "1 s" is out of range; write 5 s to 4 h
invalid-lamps-and-mist.toml:21:1: the supply "Pump 1" has characters outside a-z, 0-9 and hyphen; write for example "pump-1"`,
	"invalid-limit-order.toml": `invalid-limit-order.toml:13:1: warn 29 °C of species "dendrobates-auratus" is not below act 28.5 °C; put the limits in order: cold, cool, bands, warn, act, ceiling
invalid-limit-order.toml:14:1: cold 19 °C of species "dendrobates-auratus" is not below cool 17 °C; put the limits in order: cold, cool, bands, warn, act, ceiling
invalid-limit-order.toml:15:1: dry 75 % of species "dendrobates-auratus" is not below floor 70 %; lower dry or raise floor
invalid-limit-order.toml:17:1: exposure_boundary 33 °C of species "dendrobates-auratus" is not below exposure_reference 32 °C; lower exposure_boundary or raise exposure_reference
invalid-limit-order.toml:18:1: exposure_tenfold of species "dendrobates-auratus" is zero; write for example "3 °C"`,
	"invalid-contacts.toml": `invalid-contacts.toml:12:1: the id "a-canopy" of this [[contact]] is that of a probe; give each its own
invalid-contacts.toml:17:3: contact "a" is the door of no enclosure; add serves = ["…"] with its enclosure
invalid-contacts.toml:18:1: the id "a" of this [[contact]] is that of an enclosure; give each its own
invalid-contacts.toml:20:1: chip = "gpiochip0" is no device; write the whole path, as in "/dev/gpiochip0"
invalid-contacts.toml:21:1: line = 2000 is out of range; write the line's offset on the chip, as gpioinfo shows it
invalid-contacts.toml:22:1: bias = "up" is not known; write one of "pull-up", "pull-down", "none"
invalid-contacts.toml:26:1: is = "pomp" is not known; did you mean "pump"?
invalid-contacts.toml:28:3: contact "d" is read nowhere; add chip = "/dev/gpiochip0" and line, or topic and pointer
invalid-contacts.toml:31:1: mist = "m" names no [[mist]]; add a [[mist]] section with that id
invalid-contacts.toml:32:1: low is for a battery, and contact "d" is a pump; remove it
invalid-contacts.toml:33:11: serves = "b" names no [[enclosure]]; write one of "a"
invalid-contacts.toml:38:1: topic = "x/+" has a wildcard; write the topic of one node
invalid-contacts.toml:39:1: pointer = "v" is not a JSON pointer (RFC 6901); write "/v"
invalid-contacts.toml:40:7: low: the unit "mV" is neither % nor V; write it with its unit, as in "20 %" or "3.3 V"
invalid-contacts.toml:41:1: debounce is for a GPIO line only; remove it
invalid-contacts.toml:43:3: nobody knows when the battery of contact "f" is low; add low = "20 %" or "3.3 V"
invalid-contacts.toml:46:1: a GPIO line has no figure to tell the battery of contact "f" by; write topic and pointer
invalid-contacts.toml:49:3: contact "g" does not say what it is; add is, one of "battery", "door", "mains", "pump", "reservoir"`,
	"invalid-sounder.toml": `invalid-sounder.toml:13:13: the sounder is no way to person "p": it sounds for everybody in the room by its section [sounder] alone; remove it here
invalid-sounder.toml:16:1: the id "sounder" is a channel of its own; choose another id
invalid-sounder.toml:20:1: chip = "gpiochip0" is no device; write the whole path, as in "/dev/gpiochip0"
invalid-sounder.toml:21:1: line = -1 is out of range; write the line's offset on the chip, as gpioinfo shows it
invalid-sounder.toml:22:1: [sounder] has a GPIO line and an LED; write one of them
invalid-sounder.toml:23:1: when = "allways" is not known; did you mean "always"?`,
	"invalid-sounder-empty.toml": `invalid-sounder-empty.toml:11:2: [sounder] names nothing that could sound; add chip = "/dev/gpiochip0" and line = 17, or led = "…" as in /sys/class/leds, or remove [sounder]
invalid-sounder-empty.toml:12:1: active_low is for a GPIO line only; remove it`,
	"invalid-mail-empty.toml": `invalid-mail-empty.toml:11:2: [mail] has no from; add the address that mail comes from
invalid-mail-empty.toml:11:2: [mail] has no host; add the server's name, or remove [mail]`,
	"invalid-mail.toml": `invalid-mail.toml:12:1: host = "smtp.example.org:587" is not the name of a server; write the name alone; the port has a key of its own
invalid-mail.toml:13:1: port = 70000 is out of range; write 1 to 65535
invalid-mail.toml:14:1: from = "here" is not a mail address; write for example "keeper@example.org"
invalid-mail.toml:15:1: username needs password_file beside it; add password_file
invalid-mail.toml:16:1: tls = "ssl" is not known; write one of "starttls", "implicit", "none"`,
	"invalid-mqtt.toml": `invalid-mqtt.toml:12:1: broker = "localhost:1883" has no known beginning; begin it with one of tcp://, mqtt://, ssl://, tls://, mqtts://, ws://, wss://
invalid-mqtt.toml:13:1: password_file needs username beside it; add username
invalid-mqtt.toml:14:1: cert_file needs key_file beside it; add key_file
invalid-mqtt.toml:15:1: heartbeat = "1 s" is out of range; write 5 s to 10 min`,
	"invalid-mux-in-the-way.toml": `invalid-mux-in-the-way.toml:20:1: probe "p2" answers at 0x76 on /dev/i2c-1, where the multiplexer of probe "p1" is; set one of them to another address`,
	"invalid-no-enclosure.toml":   `invalid-no-enclosure.toml:1:1: the file describes no enclosure; add an [[enclosure]] for each`,
	"invalid-no-probe.toml": `invalid-no-probe.toml:1:3: enclosure "a" has no probe; add a [[probe]] with enclosure = "a"
invalid-no-probe.toml:5:3: enclosure "b" has no probe that measures the air's temperature; add a probe in the litter or the canopy`,
	"invalid-no-unit.toml": `invalid-no-unit.toml:4:11: ceiling: "29" has no unit; write it with its unit, as in "26.5 °C" or "80 F"
invalid-no-unit.toml:5:9: floor: "70" has no unit; write it with its unit, as in "70 %"
invalid-no-unit.toml:6:10: volume: "90.5" has no unit; write it with its unit, as in "90 L" or "24 gal"
invalid-no-unit.toml:13:10: budget: "2" has no unit; write it with its unit, as in "10 s", "5 min", "36 h", "7 days" or "6 months"
invalid-no-unit.toml:16:17: band_deadband: "0.5" has no unit; write the difference with its unit, as in "0.5 °C" or "0.9 F"`,
	"invalid-not-a-number.toml": `invalid-not-a-number.toml:4:11: ceiling: "NaN °C" does not begin with a number; write it with its unit, as in "26.5 °C" or "80 F"
invalid-not-a-number.toml:5:9: floor: "Inf %" does not begin with a number; write it with its unit, as in "70 %"
invalid-not-a-number.toml:6:10: volume: "nan" does not begin with a number; write it with its unit, as in "90 L" or "24 gal"
invalid-not-a-number.toml:13:10: budget: "e" is not a unit of time; write it with its unit, as in "10 s", "5 min", "36 h", "7 days" or "6 months"`,
	"invalid-number-too-large.toml": `invalid-number-too-large.toml:4:1: animals: the number 99999999999 is too large; write a smaller one`,
	"invalid-one-address.toml":      `invalid-one-address.toml:19:1: probes "p1" and "p2" both answer at 0x44 on /dev/i2c-1; correct bus, address, mux_address or mux_channel of one of them`,
	"invalid-one-channel.toml":      `invalid-one-channel.toml:21:1: probes "p1" and "p2" both answer at 0x44 on /dev/i2c-1 behind channel 3 of multiplexer 0x70; correct bus, address, mux_address or mux_channel of one of them`,
	"invalid-one-path.toml":         `invalid-one-path.toml:16:1: probes "w1" and "w2" read the same path; give each its own`,
	"invalid-own-ceiling.toml": `invalid-own-ceiling.toml:4:1: the lethal limit of enclosure "a" is 25 °C, not above the top of the day band, 26 °C; write a lethal limit above it, or change the band in [[species]]
invalid-own-ceiling.toml:16:1: tadpole water in enclosure "t" has no humidity floor; remove it`,
	"invalid-person.toml": `invalid-person.toml:13:1: units = "K" is not known; write one of "°C", "F"
invalid-person.toml:14:1: mail_to = "nobody" is not a mail address; write for example "keeper@example.org"
invalid-person.toml:15:1: escalate_after = "1 s" is out of range; write 1 min to 1 day
invalid-person.toml:16:9: quiet: "22:00" is not a span of the day; write start and end, as in "08:00-20:00"
invalid-person.toml:17:13: person "p" has channel "mail" and there is no mail server; add [mail] with a host`,
	"invalid-probe-place.toml": `invalid-probe-place.toml:11:3: probe "lost" hangs in the canopy of no enclosure; add enclosure, or write place = "room"
invalid-probe-place.toml:16:3: probe "placeless" has no place; add place, one of "litter", "canopy", "water", "room", "outside"
invalid-probe-place.toml:23:1: place = "ceiling" is not known; write one of "litter", "canopy", "water", "room", "outside"
invalid-probe-place.toml:30:1: probe "both" hangs in an enclosure and has place = "room"; remove enclosure, or write place = "canopy"`,
	"invalid-references.toml": `invalid-references.toml:4:1: lamps = "dya" names no [[lamps]]; did you mean "day"?
invalid-references.toml:5:1: mist = "m" names no [[mist]]; add a [[mist]] section with that id
invalid-references.toml:11:1: enclosure = "aa" names no [[enclosure]]; write one of "a"`,
	"invalid-sentinel-no-room.toml": `invalid-sentinel-no-room.toml:1:2: [sentinel] watches no room; name them, as in rooms = ["attic"]`,
	"invalid-sentinel-sounder.toml": `invalid-sentinel-sounder.toml:8:2: a sentinel has no [sounder]; remove [sounder], which belongs in the file of a room that is watched`,
	"invalid-sentinel.toml": `invalid-sentinel.toml:2:1: [sentinel] watches through a broker and there is none; add [mqtt] with a broker
invalid-sentinel.toml:2:19: the id "The Cellar" of a room has characters outside a-z, 0-9 and hyphen; write for example "the-cellar"
invalid-sentinel.toml:3:1: silent_after = "1 s" is out of range; write 10 s to 1 day`,
	"invalid-single-brackets.toml": `invalid-single-brackets.toml:11:2: lamps is a section; write [[lamps]] with double brackets before each one`,
	"invalid-slot-twice.toml": `invalid-slot-twice.toml:13:1: enclosures "a" and "b" both stand at rack "r", shelf 1, slot 2; correct the place of one of them
invalid-slot-twice.toml:18:1: shelf of enclosure "c" is negative; count from 1
invalid-slot-twice.toml:19:1: animals = -3 is negative; write 0 or more`,
	"invalid-species-incomplete.toml": `invalid-species-incomplete.toml:12:1: species "hyloxalus-azureiventris" is new to the table and lacks night, floor, dry, warn, act, ceiling, cool, cold; add them
invalid-species-incomplete.toml:16:1: species "dendrobates-aurato" is new to the table and lacks day, night, floor, dry, warn, act, ceiling, cool, cold; did you mean "dendrobates-auratus"?`,
	"invalid-species.toml": `invalid-species.toml:3:1: species = "dendrobates-auratos" is not in the table; did you mean "dendrobates-auratus"? another species needs a [[species]] section with its limits
invalid-species.toml:7:1: species = "leucomelas" is not in the table; did you mean "dendrobates-leucomelas"?
invalid-species.toml:11:1: species = "newt" is not in the table; write one of "dendrobates-auratus", "dendrobates-leucomelas", "dendrobates-tinctorius", "epipedobates-anthonyi", "oophaga-pumilio", "phyllobates-terribilis", "ranitomeya-imitator", or add a [[species]] section
invalid-species.toml:12:1: stage = "frogllet" is not known; did you mean "froglet"?
invalid-species.toml:14:3: enclosure "d" has no species; add species, one of "dendrobates-auratus", "dendrobates-leucomelas", "dendrobates-tinctorius", "epipedobates-anthonyi", "oophaga-pumilio", "phyllobates-terribilis", "ranitomeya-imitator"`,
	"invalid-store.toml": `invalid-store.toml:12:1: dir = "data" depends on where dewline is started; write a full path, as in "/var/lib/dewline"
invalid-store.toml:13:1: max_mib = 1 leaves no room for alarms; write 16 or more
invalid-store.toml:14:1: batch = "2 h" is out of range; write 1 s to 1 h`,
	"invalid-summary.toml": `invalid-summary.toml:12:1: weekday = "mondey" is not known; did you mean "monday"?
invalid-summary.toml:13:6: at: "7 am" is not a time of day; write hours and minutes from "00:00" to "23:59"
invalid-summary.toml:16:1: a drill every 1 min would teach people to ignore it; write 1 h or more, or 0 s for none`,
	"invalid-syntax.toml": `invalid-syntax.toml:1:6: not valid TOML: expected ']' to close table name; correct this place first, then check again`,
	"invalid-timezone.toml": `invalid-timezone.toml:12:1: the timezone "Middle/Earth" is not known; write a name such as "Europe/Berlin" or "America/Chicago"
invalid-timezone.toml:13:1: poll = "100 ms" is out of range; write 1 s to 10 min`,
	"invalid-unknown-key.toml": `invalid-unknown-key.toml:12:1: unknown key "timezon" in [room]; did you mean "timezone"?
invalid-unknown-key.toml:13:1: unknown key "colour" in [room]; remove it, or write one of "id", "name", "poll", "timezone"`,
	"invalid-unknown-section.toml": `invalid-unknown-section.toml:11:2: unknown key "brokr" in the file; remove it, or write one of "contact", "drill", "duty", "enclosure", "heartbeat", "http", "lamps", "mail", "mist", "mqtt", "person", "probe", "room", "rules", "season", "sentinel", "sounder", "species", "store", "summary", "webhook"
invalid-unknown-section.toml:14:2: unknown key "mqqt" in the file; did you mean "mqtt"?`,
	"invalid-webhook.toml": `invalid-webhook.toml:12:1: the id "mail" is a channel of its own; choose another id
invalid-webhook.toml:13:1: url = "ftp://example.org" has no known beginning; begin it with one of https://, http://
invalid-webhook.toml:15:3: webhook "w" has no url; add url = "https://…"
invalid-webhook.toml:20:1: url holds a user name or password; keep secrets in a file of their own
invalid-webhook.toml:24:1: "X Bad" is not a header; use letters, digits and hyphens, and a value on one line
invalid-webhook.toml:25:1: "X-Line" is not a header; use letters, digits and hyphens, and a value on one line`,
	"invalid-wrong-types.toml": `invalid-wrong-types.toml:4:1: volume is true or false; write a text in quotes, as in volume = "90 L"
invalid-wrong-types.toml:5:1: animals is a text; write a whole number, without quotes or unit
invalid-wrong-types.toml:6:1: name is a whole number; write a text in quotes
invalid-wrong-types.toml:7:1: shelf is a decimal number; write a whole number, without quotes or unit
invalid-wrong-types.toml:14:1: floor_probe is a text; write true or false, without quotes
invalid-wrong-types.toml:17:1: at is a bare date or time; write a text in quotes, as in at = "08:00"
invalid-wrong-types.toml:21:1: channels is a text; write a list, as in channels = ["…"]
invalid-wrong-types.toml:26:13: "X-A" is a whole number; write a text in quotes`,
	"invalid-wrong-unit.toml": `invalid-wrong-unit.toml:4:11: ceiling: "K" is not a unit of temperature; write it with its unit, as in "26.5 °C" or "80 F"
invalid-wrong-unit.toml:5:9: floor: "°C" is not a unit of humidity; write it with its unit, as in "70 %"
invalid-wrong-unit.toml:6:10: volume: "kg" is not a unit of volume; write it with its unit, as in "90 L" or "24 gal"
invalid-wrong-unit.toml:13:10: budget: "parsecs" is not a unit of time; write it with its unit, as in "10 s", "5 min", "36 h", "7 days" or "6 months"
invalid-wrong-unit.toml:16:17: band_deadband: "%" is not a unit of temperature; write the difference with its unit, as in "0.5 °C" or "0.9 F"
invalid-wrong-unit.toml:17:15: band_settle: the unit "m" in "5m" may mean minutes or months; write "min" or "months"`,
}
