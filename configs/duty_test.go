package configs

import (
	"strings"
	"testing"
	"time"
)

const dutyRoom = `[[person]]
id = "ann"
channels = ["mqtt"]
[[person]]
id = "ben"
channels = ["mqtt"]
[[person]]
id = "sitter"
channels = ["mqtt"]
`

func withDuty(t *testing.T, sections string) (*Config, error) {
	t.Helper()
	text := strings.Replace(quietRoom("", dutyRoom+sections), `timezone = "UTC"`, `timezone = "Europe/Berlin"`, 1)
	return Decode("room.toml", []byte(text), testFamilies)
}

// Nights belong to the day on which they begin, dates go before the week, and the
// changes of the clock (Europe, 2026-03-29 and 2026-10-25) move no end.
func TestDutyAt(t *testing.T) {
	c, err := withDuty(t, `[[duty]]
person = "sitter"
from = "2026-12-24"
to = "2026-12-26"
[[duty]]
person = "ben"
days = ["Friday", "saturday"]
hours = "22:00-07:00"
[[duty]]
person = "ann"
`)
	if err != nil {
		t.Fatal(err)
	}
	c.Room.Location, err = time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for at, want := range map[string]string{
		"2026-11-27 21:59": "ann", "2026-11-27 22:00": "ben", "2026-11-28 06:59": "ben", "2026-11-28 07:00": "ann", // Fri, Sat
		"2026-11-29 06:59": "ben", "2026-11-29 23:00": "ann", "2026-11-30 03:00": "ann", // Sun, Mon
		"2026-12-23 23:59": "ann", "2026-12-24 00:00": "sitter", "2026-12-26 23:59": "sitter", "2026-12-27 00:00": "ben", "2026-12-27 07:00": "ann",
		"2026-03-29 01:59": "ben", "2026-03-29 03:00": "ben", "2026-03-29 06:59": "ben", "2026-03-29 07:00": "ann",
		"2026-10-25 02:30": "ben", "2026-10-25 06:59": "ben", "2026-10-25 07:00": "ann",
	} {
		wall, err := time.ParseInLocation("2006-01-02 15:04", at, c.Room.Location)
		if err != nil {
			t.Fatal(err)
		}
		if got := c.DutyAt(wall); got != want {
			t.Errorf("%s: %s, want %s", at, got, want)
		}
	}
	from := time.Date(2026, 10, 24, 12, 0, 0, 0, c.Room.Location)
	turns := c.Turns(from, 24*time.Hour)
	if len(turns) != 3 || turns[2].From.Sub(turns[1].From) != 10*time.Hour {
		t.Errorf("the night on which the clocks go back: %v", turns)
	}
}

func TestDutyFaults(t *testing.T) {
	for section, want := range map[string]string{
		"[[duty]]\n":                   "names nobody",
		"[[duty]]\nperson = \"eve\"\n": "eve",
		"[[duty]]\nperson = \"ann\"\ndays = [\"someday\"]\n":                       "no day of the week",
		"[[duty]]\nperson = \"ann\"\nfrom = \"2026-02-30\"\n":                      "is no day",
		"[[duty]]\nperson = \"ann\"\nfrom = \"2026-12-24 25:00\"\n":                "no time of a day",
		"[[duty]]\nperson = \"ann\"\nfrom = \"2026-12-24\"\nto = \"2026-12-23\"\n": "ends before it begins",
		"[[duty]]\nperson = \"ann\"\nfrom = \"2026-12-24\"\nto = \"2026-12-24\"\n": "",
	} {
		_, err := withDuty(t, section)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", section, err, want)
		}
	}
}

func TestDutyWarnings(t *testing.T) {
	for section, want := range map[string]string{
		"[[duty]]\nperson = \"ann\"\n":                          "",
		"[[duty]]\nperson = \"ann\"\nhours = \"07:00-22:00\"\n": "nobody is on duty from Monday 00:00 to Monday 07:00",
		"[[duty]]\nperson = \"ann\"\nhours = \"07:00-22:00\"\n[[duty]]\nperson = \"ben\"\nhours = \"22:00-07:00\"\n":                          "",
		"[[duty]]\nperson = \"ann\"\n[[duty]]\nperson = \"ben\"\nhours = \"22:00-07:00\"\n":                                                   `"ann" and "ben" are both on duty`,
		"[[duty]]\nperson = \"sitter\"\nfrom = \"2026-12-24\"\n[[duty]]\nperson = \"ann\"\n":                                                  "",
		"[[duty]]\nperson = \"sitter\"\nto = \"2026-12-24\"\n[[duty]]\nperson = \"ben\"\nfrom = \"2026-12-25\"\n[[duty]]\nperson = \"ann\"\n": "",
	} {
		c, err := withDuty(t, section)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, w := range c.Warnings {
			if strings.Contains(w.What, "duty") {
				got = append(got, w.What)
			}
		}
		if (len(got) == 0) != (want == "") || want != "" && !strings.Contains(strings.Join(got, "\n"), want) {
			t.Errorf("%s: %v, want %q", section, got, want)
		}
	}
}
