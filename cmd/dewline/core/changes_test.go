package core

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/event"
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

// A changed limit is told with the setting that changed it, for that enclosure
// alone; a first configuration tells the limits of all.
func TestLimitsAreTold(t *testing.T) {
	demo := string(configs.Demo())
	old := decode(t, demo)
	next := decode(t, strings.Replace(demo, `volume = "90 L"`, "volume = \"90 L\"\nceiling = \"29 °C\"", 1))
	limits := func(old, next *configs.Config) (out []event.Limits) {
		for _, e := range SettingEvents(at(time.Hour, true), old, next) {
			if l, ok := e.Body.(event.Limits); ok {
				out = append(out, l)
			}
		}
		return out
	}
	if got := limits(old, next); len(got) != 1 || got[0].Enclosure != "a-1-1" || got[0].Lethal != 29 {
		t.Errorf("one lethal limit changed, told: %+v", got)
	}
	keys := map[string]string{}
	for _, e := range SettingEvents(at(time.Hour, true), old, next) {
		if s, ok := e.Body.(event.Setting); ok {
			keys[s.Key] = e.Old + " → " + e.New
		}
	}
	if len(keys) != 1 || !strings.HasSuffix(keys["enclosure.a-1-1.ceiling"], "29 °C") {
		t.Errorf("settings told: %q", keys)
	}
	if got := limits(nil, next); len(got) != len(next.Enclosures) {
		t.Errorf("of %d enclosures %d are told", len(next.Enclosures), len(got))
	}
}
