package configs

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// The species' own limits, of the table: auratus by day 21–26 °C, lethal 30 °C, floor
// 70 %; leucomelas by day 22–28 °C.
func TestLethalLimitsAndFloors(t *testing.T) {
	own := func(keys string) string { return "[[species]]\nid = \"dendrobates-auratus\"\n" + keys }
	for name, c := range map[string]struct {
		keys, sections string
		want           string // of the only fault; empty for none
	}{
		"°F written as °C":              {`ceiling = "86 °C"`, "", `f:10:1: the lethal limit of enclosure "a" is 86 °C, above 36 °C; did you mean 86 °F, which is 30 °C?`},
		"the highest":                   {`ceiling = "36 °C"`, "", ""},
		"the highest in °F":             {`ceiling = "96.8 °F"`, "", ""},
		"a hundredth above":             {`ceiling = "36.01 °C"`, "", `f:10:1: the lethal limit of enclosure "a" is 36.01 °C, above 36 °C; write 36 °C or less`},
		"above in °F":                   {`ceiling = "97 °F"`, "", `f:10:1: the lethal limit of enclosure "a" is 36.11 °C, above 36 °C; write 36 °C or less`},
		"hot, and no °F of a frog room": {`ceiling = "60 °C"`, "", `f:10:1: the lethal limit of enclosure "a" is 60 °C, above 36 °C; write 36 °C or less`},
		"°C written as °F":              {`ceiling = "30 °F"`, "", `f:10:1: the lethal limit of enclosure "a" is -1.11 °C, not above the top of the day band, 26 °C; did you mean 30 °C?`},
		"at the band's top":             {`ceiling = "26 °C"`, "", `f:10:1: the lethal limit of enclosure "a" is 26 °C, not above the top of the day band, 26 °C; write a lethal limit above it, or change the band in [[species]]`},
		"at the band's top in °F":       {`ceiling = "78.8 °F"`, "", `f:10:1: the lethal limit of enclosure "a" is 26 °C, not above the top of the day band, 26 °C; write a lethal limit above it, or change the band in [[species]]`},
		"just above the band":           {`ceiling = "26.01 °C"`, "", ""},
		"a floor of all":                {`floor = "100 %"`, "", `f:10:1: the humidity floor of enclosure "a" is 100 %, which no air stays above; write a floor under 100 %, as in 70 %`},
		"a floor rounded to all":        {`floor = "99.999 %"`, "", `f:10:1: the humidity floor of enclosure "a" is 100 %, which no air stays above; write a floor under 100 %, as in 70 %`},
		"a high floor":                  {`floor = "99 %"`, "", ""},
		"a ratio as a floor":            {`floor = "0.7 %"`, "", `f:10:1: the humidity floor of enclosure "a" is 0.7 %; did you mean 70 %?`},
		"no floor":                      {`floor = "0 %"`, "", ""},
		"a froglet's floor of 95 and 5": {`stage = "froglet"`, own("floor = \"95 %\"\n"), `f:26:1: the humidity floor of enclosure "a", a froglet, is 100 %, which no air stays above; write a floor under 100 %, as in 70 %`},
		"a froglet's own floor":         {"stage = \"froglet\"\nfloor = \"95 %\"", own("floor = \"95 %\"\n"), ""},
		"an adult's floor of 95":        {"", own("floor = \"95 %\"\n"), ""},
		"a species' floor of all":       {"", own("floor = \"100 %\"\n"), `f:26:1: the humidity floor of species "dendrobates-auratus" is 100 %, which no air stays above; write a floor under 100 %, as in 70 %`},
		"a species in °F":               {"", own("warn = \"81 °C\"\nact = \"83 °C\"\nceiling = \"86 °C\"\n"), `f:28:1: the lethal limit of species "dendrobates-auratus" is 86 °C, above 36 °C; did you mean 86 °F, which is 30 °C?`},
		"a species' band in °F":         {"", own("day = \"72-79 °C\"\n"), `f:26:1: day 79 °C of species "dendrobates-auratus" is not below warn 27.5 °C; did you mean 79 °F, which is 26.11 °C?`},
		"a species at its band's top":   {"", own("day = \"21-30 °C\"\nwarn = \"30 °C\"\nact = \"30 °C\"\n"), `f:26:1: the lethal limit of species "dendrobates-auratus" is 30 °C, not above the top of the day band, 30 °C; write a lethal limit above it, or change the band in [[species]]`},
		"told once, of the species":     {`stage = "froglet"`, own("ceiling = \"86 °C\"\n"), `f:26:1: the lethal limit of species "dendrobates-auratus" is 86 °C, above 36 °C; did you mean 86 °F, which is 30 °C?`},
		"the enclosure's own is better": {`ceiling = "30 °C"`, own("ceiling = \"86 °C\"\n"), `f:26:1: the lethal limit of species "dendrobates-auratus" is 86 °C, above 36 °C; did you mean 86 °F, which is 30 °C?`},
		"a froglet's under its band":    {`stage = "froglet"`, own("day = \"21-28 °C\"\nwarn = \"28 °C\"\nact = \"28.5 °C\"\nceiling = \"28.8 °C\"\n"), `f:29:1: the lethal limit of enclosure "a", a froglet, is 27.8 °C, not above the top of the day band, 28 °C; write a lethal limit above it, or change the band in [[species]]`},
		"an adult's in that band":       {"", own("day = \"21-28 °C\"\nwarn = \"28 °C\"\nact = \"28.5 °C\"\nceiling = \"28.8 °C\"\n"), ""},
		"a froglet's own, in that band": {"stage = \"froglet\"\nceiling = \"28.6 °C\"", own("day = \"21-28 °C\"\nwarn = \"28 °C\"\nact = \"28.5 °C\"\nceiling = \"28.8 °C\"\n"), ""},
		"tadpole water of any species":  {`stage = "tadpole"`, own("floor = \"95 %\"\n"), ""},
		"tadpole water too hot":         {"stage = \"tadpole\"\nceiling = \"86 °C\"", "", `f:11:1: the lethal limit of enclosure "a" is 86 °C, above 36 °C; did you mean 86 °F, which is 30 °C?`},
		"an own limit beside a fault":   {`ceiling = "86 °C"`, own("day = \"26-21 °C\"\n"), `f:10:1: the lethal limit of enclosure "a" is 86 °C, above 36 °C; did you mean 86 °F, which is 30 °C?`},
	} {
		text := quietRoom(c.keys+"\n", c.sections)
		_, err := Decode("f", []byte(text), testFamilies)
		if c.want == "" {
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if name == "an own limit beside a fault" { // both are told
			if err == nil || !strings.HasPrefix(err.Error(), c.want+"\nf:26:7: ") {
				t.Errorf("%s: got\n%v", name, err)
			}
			continue
		}
		if err == nil || err.Error() != c.want {
			t.Errorf("%s: got\n%v\nwant\n%s", name, err, c.want)
		}
	}
}

// No default is refused, whatever the species and the stage.
func TestDefaultLimitsPass(t *testing.T) {
	for _, s := range SpeciesTable() {
		for _, stage := range []Stage{Egg, Tadpole, Froglet, Adult} {
			text := strings.Replace(quietRoom(fmt.Sprintf("stage = %q\n", stage), ""), "dendrobates-auratus", s.ID, 1)
			if _, err := Decode("f", []byte(text), testFamilies); err != nil {
				t.Errorf("%s, %s: %v", s.ID, stage, err)
			}
		}
	}
}

// rack is a room of so many probes in one enclosure.
func rack(poll string, probes int) string {
	var b strings.Builder
	b.WriteString("[room]\npoll = \"" + poll + "\"\n[[enclosure]]\nid = \"a\"\nspecies = \"dendrobates-auratus\"\n")
	for i := range probes {
		fmt.Fprintf(&b, "[[probe]]\nid = \"p-%d\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"a\"\n", i)
	}
	return b.String()
}

// What the record cannot keep is refused, and one probe or second less is not.
func TestMostProbesAndReadings(t *testing.T) {
	for _, c := range []struct {
		poll   string
		probes int
		want   string
	}{
		{"10 s", 5000, ""},
		{"10 s", 1100, ""},
		{"1 s", 500, ""},
		{"10 min", 5000, ""},
		{"10 min", 5001, "f:25006:3: the file has 5001 probes, more than the 5000 that one dewline records; share them out to two boards"},
		{"1 s", 501, "f:2:1: 501 probes every 1 s are more than the 500 readings a second that one dewline records; poll every 2 s or slower"},
		{"9 s", 5000, "f:2:1: 5000 probes every 9 s are more than the 500 readings a second that one dewline records; poll every 10 s or slower"},
		{"5 s", 2501, "f:2:1: 2501 probes every 5 s are more than the 500 readings a second that one dewline records; poll every 6 s or slower"},
	} {
		text := []byte(rack(c.poll, c.probes))
		_, err := Decode("f", text, testFamilies)
		if got := fmt.Sprint(err); c.want == "" && err != nil || c.want != "" && got != c.want {
			t.Errorf("%d probes every %s: got\n%v\nwant\n%s", c.probes, c.poll, err, c.want)
		}
		if cfg, _, err := DecodeInForce("f", text, testFamilies); err != nil || len(cfg.Probes) != c.probes {
			t.Errorf("%d probes every %s are not watched where they were before: %v", c.probes, c.poll, err)
		}
	}
}

// What check refuses now and the version before took starts where it is in force;
// what leaves no room to watch does not.
func TestInForce(t *testing.T) {
	for keys, want := range map[string]int{`ceiling = "86 °C"`: 1, `floor = "100 %"`: 1, "ceiling = \"38 °C\"\nfloor = \"100 %\"": 2, "": 0} {
		text := []byte(quietRoom(keys+"\n", ""))
		c, refused, err := DecodeInForce("f", text, testFamilies)
		if err != nil || len(refused) != want || c == nil {
			t.Errorf("%s: %d faults of %v, %v", keys, len(refused), refused, err)
		}
		if _, err := Decode("f", text, testFamilies); (err != nil) != (want > 0) {
			t.Errorf("%s: a reload says %v", keys, err)
		}
	}
	c, refused, err := DecodeInForce("f", []byte(quietRoom("ceiling = \"86 °C\"\nanimals = -1\n", "")), testFamilies)
	var faults *Faults
	if c != nil || refused != nil || !errors.As(err, &faults) || len(*faults) != 2 {
		t.Errorf("with a fault that leaves no room: %v, %v, %v", c, refused, err)
	}
}

// A broker that no connection can reach is refused, and a room that is in force with
// one is watched all the same.
func TestBrokerOverAWebConnection(t *testing.T) {
	for _, scheme := range []string{"ws", "wss"} {
		text := []byte(strings.ReplaceAll(quietRoom("", ""), "tcp://", scheme+"://"))
		if _, err := Decode("f", text, testFamilies); err == nil || !strings.Contains(err.Error(), "tcp://") {
			t.Errorf("%s is taken: %v", scheme, err)
		}
		if c, refused, err := DecodeInForce("f", text, testFamilies); err != nil || c.MQTT.Broker == "" || len(refused) != 1 {
			t.Errorf("%s in force: %v, refused %v", scheme, err, refused)
		}
	}
}
