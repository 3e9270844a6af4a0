package configs

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// Each limit of a span holds at the value itself and not one step beyond.
func TestSpansAtTheirLimits(t *testing.T) {
	type limit struct {
		section, key string
		min, max     Duration
	}
	person := "[[person]]\nid = \"p\""
	bus := "[[probe]]\nid = \"h\"\nfamily = \"sht4x\"\nplace = \"room\"\nbus = \"/dev/i2c-1\""
	for _, x := range []limit{
		{"[room]", "poll", second, 10 * minute},
		{"[rules]", "band_on_delay", 0, 24 * hour},
		{"[rules]", "band_off_delay", 0, 24 * hour},
		{"[rules]", "band_settle", 0, 12 * hour},
		{"[rules]", "floor_on_delay", 0, 24 * hour},
		{"[rules]", "floor_off_delay", 0, 24 * hour},
		{"[rules]", "door_excuse", 0, 4 * hour},
		{"[rules]", "silent_after", 10 * second, hour},
		{"[rules]", "frozen_after", 10 * minute, Duration(7 * day)},
		{"[rules]", "ahead_within", minute, 12 * hour},
		{"[rules]", "realarm_after", minute, 24 * hour},
		{"[rules]", "calibrate_humidity_every", Duration(day), Duration(10 * year)},
		{"[rules]", "calibrate_temperature_every", Duration(day), Duration(10 * year)},
		{"[mqtt]\nbroker = \"tcp://h:1883\"", "heartbeat", 5 * second, 10 * minute},
		{"[store]", "batch", second, hour},
		{"[store]", "keep_raw", Duration(day), Duration(100 * year)},
		{"[heartbeat]", "every", 10 * second, 24 * hour},
		{"[drill]", "every", hour, Duration(year)},
		{person, "escalate_after", minute, 24 * hour},
		{bus, "budget", second / 100, minute},
		{"[[mist]]\nid = \"m\"\ntimes = [\"08:00\"]", "longest", 5 * second, 4 * hour},
		{"[[species]]\nid = \"dendrobates-auratus\"", "exposure_time", minute, Duration(week)},
	} {
		set := func(d Duration) error {
			_, err := Decode("f", []byte(fmt.Sprintf("%s\n%s\n%s = %q\n", minimalRoom, x.section, x.key, d)), testFamilies)
			return err
		}
		for _, inside := range []Duration{x.min, x.max} {
			if err := set(inside); err != nil {
				t.Errorf("%s = %s refused: %v", x.key, inside, err)
			}
		}
		if err := set(x.max + second); err == nil {
			t.Errorf("%s = %s taken", x.key, x.max+second)
		}
		// 0 s means "the default" for silence.
		if below := x.min - Duration(time.Millisecond); below > 0 {
			if err := set(below); err == nil {
				t.Errorf("%s = %s taken", x.key, below)
			}
		}
	}
}

// What is right must pass: each of these once looked like a fault or is next
// to one.
func TestRightRoomsPass(t *testing.T) {
	mux := func(id string, mux, channel int) string {
		return fmt.Sprintf("[[probe]]\nid = %q\nfamily = \"sht4x\"\nplace = \"litter\"\nenclosure = \"a\"\nbus = \"/dev/i2c-1\"\nmux_address = %#x\nmux_channel = %d\n", id, mux, channel)
	}
	for name, more := range map[string]string{
		"one address behind two channels":      mux("x", 0x70, 0) + mux("y", 0x70, 1),
		"one channel number of two muxes":      mux("x", 0x70, 0) + mux("y", 0x71, 0),
		"one address on two buses":             mux("x", 0x70, 0) + strings.Replace(mux("y", 0x70, 0), "i2c-1", "i2c-2", 1),
		"one address before and one behind":    mux("x", 0x70, 0) + "[[probe]]\nid = \"y\"\nfamily = \"sht4x\"\nplace = \"room\"\nbus = \"/dev/i2c-1\"\naddress = 0x45\n",
		"sections of defaults":                 "[room]\n[rules]\n[store]\n[[person]]\nid = \"p\"\nquiet = \"22:00-07:00\"\n",
		"dotted keys":                          "[mqtt]\nbroker = \"mqtts://h\"\n[summary]\nweekday = \"Sunday\"\n",
		"units spelt out":                      "[[person]]\nid = \"p\"\nunits = \"°F\"\n",
		"names are free text":                  "[room]\nname = \"Größe, \\\"Nr. 1\\\" <b>\"\n",
		"any free port":                        "[http]\nlisten = \"127.0.0.1:0\"\n",
		"no page":                              "[http]\nlisten = \"\"\n",
		"a tank of tadpoles under water":       "[[enclosure]]\nid = \"t\"\nspecies = \"oophaga-pumilio\"\nstage = \"tadpole\"\n[[probe]]\nid = \"w\"\nfamily = \"ds18b20\"\nplace = \"water\"\nenclosure = \"t\"\npath = \"/sys/bus/w1/devices/28-0123456789ab\"\n",
		"eggs in water":                        "[[enclosure]]\nid = \"t\"\nspecies = \"oophaga-pumilio\"\nstage = \"egg\"\n[[probe]]\nid = \"w\"\nfamily = \"simulated\"\nplace = \"water\"\nenclosure = \"t\"\n",
		"no drill":                             "[drill]\nevery = \"0 s\"\n",
		"tables kept for ever":                 "[store]\nkeep_table = \"0 s\"\n",
		"two values of one node":               "[mqtt]\nbroker = \"tcp://h\"\n[[probe]]\nid = \"n\"\nfamily = \"remote\"\nplace = \"room\"\ntopic = \"t\"\ntemperature_pointer = \"/a\"\n[[probe]]\nid = \"m\"\nfamily = \"remote\"\nplace = \"outside\"\ntopic = \"t\"\ntemperature_pointer = \"/b\"\n",
		"a pointer with escapes, RFC 6901":     "[mqtt]\nbroker = \"tcp://h\"\n[[probe]]\nid = \"n\"\nfamily = \"remote\"\nplace = \"room\"\ntopic = \"t\"\ntemperature_pointer = \"/a~1b/0\"\n",
		"a webhook with headers of its own":    "[[webhook]]\nid = \"w\"\nurl = \"https://example.org:8443/x?y=z\"\n[webhook.headers]\nX-Priority = \"5\"\n",
		"mail without a login":                 "[mail]\nhost = \"smtp.example.org\"\nfrom = \"Frogs <a@example.org>\"\n",
		"one shelf of two racks":               "[[enclosure]]\nid = \"b\"\nrack = \"r\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-auratus\"\n[[enclosure]]\nid = \"c\"\nrack = \"s\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-auratus\"\n[[probe]]\nid = \"b\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"b\"\n[[probe]]\nid = \"c\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"c\"\n",
		"a probe named as its enclosure":       "[[probe]]\nid = \"a\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"a\"\n",
		"sections behind each other, any line": "\n\n# only a comment\n",
	} {
		if _, err := Decode("f", []byte(minimalRoom+more), testFamilies); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestSentinelNeedsNoEnclosure(t *testing.T) {
	c := decodeOK(t, "[sentinel]\nrooms = [\"attic\", \"cellar\"]\n[mqtt]\nbroker = \"tcp://h:1883\"\n[[person]]\nid = \"p\"\nchannels = [\"mqtt\"]\n")
	if len(c.Sentinel.Rooms) != 2 || c.Sentinel.SilentAfter != 90*second {
		t.Errorf("%+v", c.Sentinel)
	}
}

func TestInlineTablesAndDottedKeys(t *testing.T) {
	c := decodeOK(t, `
room = { id = "attic", poll = "5 s" }
rules.band_deadband = "0.9 F"
enclosure = [{ id = "a", species = "dendrobates-auratus" }]
probe = [{ id = "p", family = "simulated", place = "litter", enclosure = "a" }]
webhook = [{ id = "w", url = "https://example.org/", headers = { X-A = "1" } }]
`)
	if c.Room.Poll != 5*second || c.Rules.BandDeadband != 0.5 || c.Probes[0].Budget != 2*second || c.Webhooks[0].Headers["X-A"] != "1" {
		t.Errorf("%+v", c)
	}
}

// Ids become MQTT topic levels, in which + # / have a meaning (MQTT 3.1.1,
// section 4.7), label values and file names.
func TestIDs(t *testing.T) {
	for id, fine := range map[string]bool{
		"a": true, "a-1": true, "0": true, strings.Repeat("x", 64): true,
		"": false, "A": false, "a b": false, "a_b": false, "a/b": false, "ä": false, "a.b": false, "a+": false, "#": false,
		"a\n": false, strings.Repeat("x", 65): false,
	} {
		if validID(id) != fine {
			t.Errorf("%q: %v", id, !fine)
		}
	}
	for id, want := range map[string]string{
		"Tank A": `write for example "tank-a"`, "a_b": `write for example "a-b"`, "ÄÖ": `write for example "a-1"`,
	} {
		if got := idAdvice(id); got != want {
			t.Errorf("%q: %s, want %s", id, got, want)
		}
	}
}
