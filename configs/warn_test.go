package configs

import (
	"strings"
	"testing"
)

func TestWarnings(t *testing.T) {
	for _, x := range []struct{ name, source, want string }{
		{"nobody, no lamps, no zone", minimalRoom, `room.toml:1:1: no timezone: day and night follow the board's own setting; add timezone to [room], as in "Europe/Berlin"
room.toml:1:1: nobody is told: there is no person; add a [[person]] with channels
room.toml:2:3: enclosure "a" has no lamp schedule: the day band holds at night too and the night drop is not watched; add lamps`},
		{"crowded", quietRoom("volume = \"20 gal\"\nanimals = 3\n", ""),
			`room.toml:11:1: enclosure "a" has 6.67 US gallons per adult, under 10 (common practice, no source); fewer animals, or a larger enclosure`},
		{"roomy", quietRoom("volume = \"20 gal\"\nanimals = 2\n", ""), ""},
		{"a third of a pairs' species", strings.Replace(quietRoom("volume = \"60 gal\"\nanimals = 3\n", ""), "auratus", "tinctorius", 1),
			`room.toml:11:1: enclosure "a" has 3 adults of a species that lives in pairs (common practice, no source); keep two of them together`},
		{"a small pair", strings.Replace(quietRoom("volume = \"10 gal\"\nanimals = 2\n", ""), "dendrobates-auratus", "ranitomeya-imitator", 1), ""},
		{"drop_max of older files", quietRoom("", "[[species]]\nid = \"dendrobates-auratus\"\ndrop_max = \"1 °C\"\n"),
			`room.toml:25:1: drop_max is not judged: the low end of the night band says how cold a night may be; remove it`},
		{"crowded froglets", quietRoom("volume = \"20 gal\"\nanimals = 9\nstage = \"froglet\"\n", ""), ""},
		{"own floor", quietRoom("floor = \"65 %\"\n", ""),
			`room.toml:10:1: the humidity floor of enclosure "a" is 65 %, under 70 % (common practice, no source); keep 70 % or more`},
		{"species floor", quietRoom("", "[[species]]\nid = \"dendrobates-auratus\"\nfloor = \"60 %\"\n"),
			`room.toml:8:1: the humidity floor of enclosure "a" is 60 %, under 70 % (common practice, no source); keep 70 % or more`},
		{"a floor that no reading gets back above", quietRoom("floor = \"97.5 %\"\n", ""),
			`room.toml:10:1: the humidity floor of enclosure "a" is 97.5 % and its alarm ends 3 % above that: it never would; write a floor of 97 % or less, or a smaller floor_deadband`},
		{"the highest floor that ends", quietRoom("floor = \"97 %\"\n", ""), ""},
		{"told by MQTT", quietRoom("", "[[person]]\nid = \"q\"\n"), ""},
		{"silent person", strings.NewReplacer("[mqtt]\nbroker = \"tcp://127.0.0.1:1883\"\n", "", "channels = [\"mqtt\"]\n", "").Replace(quietRoom("", "")),
			`room.toml:14:3: person "p" has no channel for notices; add channels, as in channels = ["mqtt"]`},
		{"mail only, in the clear", quietRoom("", "[[person]]\nid = \"q\"\nchannels = [\"mail\"]\nmail_to = \"q@example.org\"\n[mail]\nhost = \"smtp.example.org\"\nfrom = \"a@example.org\"\ntls = \"none\"\n"),
			`room.toml:25:1: wake notices reach person "q" by mail only, which wakes nobody; add a channel that rings, mqtt or a webhook
room.toml:30:1: mail leaves without TLS: notices and the password can be read on the way; write tls = "starttls" if the server can`},
		{"nobody to wake", strings.Replace(quietRoom("", "[mail]\nhost = \"smtp.example.org\"\nfrom = \"a@example.org\"\n"), "channels = [\"mqtt\"]\n", "channels = [\"mail\"]\nmail_to = \"q@example.org\"\n", 1),
			`room.toml:1:1: nobody can be woken; give a [[person]] a channel that rings, mqtt or a webhook
room.toml:18:1: wake notices reach person "p" by mail only, which wakes nobody; add a channel that rings, mqtt or a webhook`},
		{"links to the board itself", quietRoom("", "[http]\nlisten = \"127.0.0.1:8077\"\nurl = \"http://localhost:8077\"\n"),
			`room.toml:25:1: the links in notices lead to localhost, which a phone cannot reach; write the board's name or address on the network`},
		{"links to a page on the board only", quietRoom("", "[http]\nlisten = \"127.0.0.1:8077\"\nurl = \"http://attic.example.org:8077\"\n"),
			`room.toml:25:1: the links in notices lead to attic.example.org and the page listens on this board only: a phone cannot reach it; listen on the network, or name in proxy what passes the page on`},
		{"links through a proxy", quietRoom("", "[http]\nlisten = \"127.0.0.1:8077\"\nurl = \"https://attic.example.org\"\nproxy = \"127.0.0.1\"\n"), ""},
		{"open page", quietRoom("", "[http]\nlisten = \":8077\"\n"),
			`room.toml:24:1: the page is open to the network without TLS; add cert_file and key_file, or listen on 127.0.0.1
room.toml:24:1: the page listens on the network and has no token: only the board itself can look at it, and nobody can change anything; add token_file, or listen on 127.0.0.1`},
		{"no probe in the room", quietRoom("", "[[enclosure]]\nid = \"b\"\nspecies = \"dendrobates-auratus\"\nlamps = \"day\"\n[[probe]]\nid = \"b\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"b\"\n"),
			`room.toml:1:1: nothing measures the room: a warm room cannot be told from a warm enclosure; add a [[probe]] with place = "room"`},
		{"broker in the clear", strings.Replace(quietRoom("", ""), "127.0.0.1:1883\"", "broker.example.org:1883\"\ncommand_token_file = \"token\"", 1),
			`room.toml:4:1: the broker is reached without TLS: passwords and the token of commands can be read on the way; write ssl:// if the broker can`},
		{"a broker on the board", strings.Replace(quietRoom("", ""), "1883\"", "1883\"\ncommand_token_file = \"token\"", 1), ""},
		{"page on the loopback", quietRoom("", "[http]\nlisten = \"[::1]:8077\"\n"), ""},
		{"unused", quietRoom("", "[[lamps]]\nid = \"l\"\non = \"08:00-20:00\"\n[[mist]]\nid = \"m\"\ntimes = [\"08:00\"]\n[[webhook]]\nid = \"w\"\nurl = \"http://example.org/\"\n"),
			`room.toml:23:3: no enclosure uses [[lamps]] "l"; name it in an enclosure, or remove it
room.toml:26:3: no enclosure uses [[mist]] "m"; name it in an enclosure, or remove it
room.toml:29:3: nobody uses webhook "w"; name it in the channels of a person, or remove it
room.toml:31:1: webhook "w" leaves without TLS; write https if the receiver can`},
	} {
		t.Run(x.name, func(t *testing.T) {
			if got := decodeOK(t, x.source).Warnings.Error(); got != x.want {
				t.Errorf("got:\n%s\nwant:\n%s", got, x.want)
			}
		})
	}
}

// Limits that are allowed and yet watch little, or cannot be kept, with line and
// column; neighbours that are right draw no word. The table: auratus by day
// 21–26 °C, by night 18–22 °C, worth a look 27.5, act 28.5, lethal 30, floor 70 %.
func TestLimitsThatAreNotSane(t *testing.T) {
	own := func(keys string) string { return quietRoom("", "[[species]]\nid = \"dendrobates-auratus\"\n"+keys) }
	for name, x := range map[string]struct{ source, want string }{
		"a looser lethal limit": {quietRoom("ceiling = \"30.5 °C\"\n", ""),
			`room.toml:10:1: the lethal limit of enclosure "a" is 30.5 °C, looser than the default of its species and stage, 30 °C; write 30 °C, unless you know better`},
		"the default":         {quietRoom("ceiling = \"30 °C\"\n", ""), ""},
		"the default in °F":   {quietRoom("ceiling = \"86 °F\"\n", ""), ""},
		"a stricter one":      {quietRoom("ceiling = \"29 °C\"\nfloor = \"75 %\"\n", ""), ""},
		"a froglet's limit":   {quietRoom("stage = \"froglet\"\nceiling = \"29 °C\"\n", ""), ""},
		"an adult's, of eggs": {quietRoom("stage = \"egg\"\nfloor = \"80 %\"\n", ""), `room.toml:11:1: the humidity floor of enclosure "a" is 80 %, looser than the default of its species and stage, 90 %; write 90 %, unless you know better`},
		"nothing left to act in": {quietRoom("ceiling = \"28.5 °C\"\n", ""),
			`room.toml:10:1: in enclosure "a" the limit to act on and the lethal limit are both 28.5 °C: nothing is told between them; write a higher one`},
		"a looser species": {own("act = \"29 °C\"\ncold = \"14 °C\"\ndry = \"50 %\"\n"), `room.toml:25:1: the limit to act on of species "dendrobates-auratus" is 29 °C, looser than its default, 28.5 °C; write 28.5 °C, unless you know better
room.toml:26:1: the cold limit of species "dendrobates-auratus" is 14 °C, looser than its default, 15 °C; write 15 °C, unless you know better
room.toml:27:1: the humidity that is urgent of species "dendrobates-auratus" is 50 %, looser than its default, 60 %; write 60 %, unless you know better`},
		"a band that no room keeps":   {own("night = \"20-20.5 °C\"\n"), `room.toml:25:1: no room keeps the night band of species "dendrobates-auratus", 20–20.5 °C: that is less than probes differ by, or twice band_deadband; make it 1 °C wide or more`},
		"a band of 1 °C":              {own("night = \"20.1-21.1 °C\"\n"), ""},
		"a deadband of half a band":   {own("day = \"22-25 °C\"\n[rules]\nband_deadband = \"2 °C\"\n"), `room.toml:25:1: no room keeps the day band of species "dendrobates-auratus", 22–25 °C: that is less than probes differ by, or twice band_deadband; make it 4 °C wide or more`},
		"a night warmer than the day": {own("night = \"22-27 °C\"\n"), `room.toml:25:1: the night band of species "dendrobates-auratus", 22–27 °C, is warmer than its day band, 21–26 °C; lower the night band, or raise the day band`},
		"a day cooler than the night": {own("day = \"17-21 °C\"\n"), `room.toml:25:1: the night band of species "dendrobates-auratus", 18–22 °C, is warmer than its day band, 17–21 °C; lower the night band, or raise the day band`},
		"a drop that has no room":     {own("day = \"21-23 °C\"\nnight = \"20-22 °C\"\ndrop_min = \"4 °C\"\n"), `room.toml:26:1: the bands of species "dendrobates-auratus" allow a night drop of 3 °C at most, and 4 °C is wanted; widen the bands, or lower drop_min`},
		"a season's night":            {quietRoom("", "[[season]]\nid = \"s\"\nfrom = \"1 Nov\"\nto = \"1 Dec\"\nenclosures = [\"a\"]\nnight = \"22-27 °C\"\n"), `room.toml:28:1: the night band of season "s", 22–27 °C, is warmer than its day band, 21–26 °C; lower the night band, or raise the day band`},
	} {
		if got := decodeOK(t, x.source).Warnings.Error(); got != x.want {
			t.Errorf("%s: got:\n%s\nwant:\n%s", name, got, x.want)
		}
	}
}

func TestSlowPollWarns(t *testing.T) {
	c := decodeOK(t, minimalRoom+"[room]\npoll = \"2 min\"\n")
	want := `room.toml:12:1: a poll every 2 min leaves heat unseen for so long; poll every 60 s or faster`
	if got := c.Warnings[len(c.Warnings)-1].String(); got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
}

func TestDryWireOnlyWarns(t *testing.T) {
	c := decodeOK(t, "[[enclosure]]\nid = \"a\"\nspecies = \"dendrobates-auratus\"\n[[probe]]\nid = \"p\"\nfamily = \"ds18b20\"\nplace = \"litter\"\nenclosure = \"a\"\npath = \"/sys/bus/w1/devices/28-0123456789ab\"\n")
	want := `room.toml:1:3: nothing measures the humidity of enclosure "a": its floor is not watched; add a probe that measures humidity`
	if got := c.Warnings.Error(); !hasFault(c.Warnings, want, "") {
		t.Errorf("got %s\nwithout %s", got, want)
	}
}

// quietRoom is a room that draws no warning, with more keys for its enclosure
// from line 10 on and more sections behind.
func quietRoom(keys, sections string) string {
	return `[room]
timezone = "UTC"
[mqtt]
broker = "tcp://127.0.0.1:1883"

[[enclosure]]
id = "a"
species = "dendrobates-auratus"
lamps = "day"
` + keys + `
[[probe]]
id = "a-canopy"
family = "simulated"
place = "canopy"
enclosure = "a"
[[person]]
id = "p"
channels = ["mqtt"]
[[lamps]]
id = "day"
on = "08:00-20:00"

` + sections
}
