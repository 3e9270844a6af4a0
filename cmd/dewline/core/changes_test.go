package core

import (
	"fmt"
	"strings"
	"testing"

	"dewline/configs"
	"dewline/sensors/table"
)

func decode(t *testing.T, text string) *configs.Config {
	t.Helper()
	cfg, err := table.Decode("test.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

func TestChangesOf(t *testing.T) {
	demo := string(configs.Demo())
	if got := changesOf(decode(t, demo), decode(t, demo)); len(got) != 0 {
		t.Errorf("the same file differs from itself: %v", got)
	}
	other := strings.Replace(demo, `on = "08:00-20:00"`, `on = "09:00-20:00"`, 1)
	other = strings.Replace(other, `poll = "10 s"`, `poll = "20 s"`, 1)
	other = strings.Replace(other, `volume = "90 L"`, "volume = \"90 L\"\nceiling = \"29 °C\"", 1)
	other += "\n[[lamps]]\nid = \"spare\"\non = \"06:00-07:00\"\n"
	got := map[string]string{}
	for _, c := range changesOf(decode(t, demo), decode(t, other)) {
		got[c.key] = c.old + " → " + c.new
	}
	for key, want := range map[string]string{
		"room.poll":               "10 s → 20 s",
		"lamps.day.on":            "08:00-20:00 → 09:00-20:00",
		"enclosure.a-1-1.ceiling": "the default → 29 °C",
		"lamps.spare":             "not there → added",
	} {
		if got[key] != want {
			t.Errorf("%s: %q, want %q (all: %s)", key, got[key], want, fmt.Sprint(got))
		}
	}
}
