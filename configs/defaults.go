package configs

import (
	"cmp"
	"path/filepath"
	"strconv"
	"time"
)

const (
	second = Duration(time.Second)
	minute = Duration(time.Minute)
	hour   = Duration(time.Hour)
)

// defaults returns the values that hold for keys left out of single sections.
func defaults() *Config {
	return &Config{
		Room: Room{ID: "room", Poll: 10 * second},
		Rules: Rules{
			BandOnDelay:    30 * minute,
			BandOffDelay:   10 * minute,
			BandDeadband:   0.5,
			BandSettle:     3 * hour,
			FloorOnDelay:   10 * minute,
			FloorOffDelay:  5 * minute,
			FloorDeadband:  3,
			DoorExcuse:     30 * minute,
			FrozenAfter:    6 * hour,
			AheadWithin:    hour,
			DropNights:     3,
			RealarmAfter:   30 * minute,
			HumidityDue:    Duration(6 * month),
			TemperatureDue: Duration(12 * month),
		},
		MQTT: MQTT{Heartbeat: 30 * second},
		HTTP: HTTP{Listen: "127.0.0.1:8077"},
		Store: Store{
			Dir:     "/var/lib/dewline",
			Batch:   3 * minute,
			KeepRaw: Duration(2 * year),
		},
		Mail:     Mail{TLS: "starttls"},
		Summary:  Summary{Weekday: "monday", At: 7 * 60},
		Outside:  Outside{Every: minute},
		Sounder:  Sounder{When: "unreached"},
		Drill:    Drill{Every: Duration(month)},
		Sentinel: Sentinel{SilentAfter: 90 * second, ClockWithin: 2 * minute, StalledAfter: 10 * minute},
	}
}

// prefill puts the defaults of a repeated section into target before the keys
// of source are read over them.
func prefill(target any, source *element, table []Species) {
	switch t := target.(type) {
	case *Probe:
		t.Budget, t.MaxAge = 2*second, 5*minute
		t.TemperatureUnit, t.HumidityUnit = "°C", "%"
	case *Contact:
		t.MaxAge, t.Debounce = 5*minute, second
	case *Enclosure:
		t.Stage = Adult
	case *Mist:
		t.Longest = 15 * minute
	case *Person:
		t.Units, t.EscalateAfter = "°C", 10*minute
	case *Species:
		*t = Species{ReferenceTemp: 32, Boundary: 28, ReferenceTime: 120 * minute, TenfoldPer: 3, Space: tenGallons}
		t.grade(CellExposure, GradeExposure)
		if id := source.fields["id"]; id != nil {
			if i := indexSpecies(table, id.text); i >= 0 {
				*t = table[i]
			}
		}
		for key, cell := range cells {
			if source.has(key) {
				t.grade(cell, GradeKeeper)
			}
		}
	}
}

// derive fills in defaults that depend on other keys. It runs before the
// checks, which so see the values that would be used.
func (c *Config) derive(families Families) {
	c.Room.Name = cmp.Or(c.Room.Name, c.Room.ID)
	// One reading may be lost to a collision on the bus without a word.
	if c.Rules.SilentAfter == 0 {
		c.Rules.SilentAfter = max(3*c.Room.Poll, 30*second)
	}
	if c.Store.MaxMiB == 0 {
		c.Store.MaxMiB = 4096
		if strconv.IntSize == 32 { // the file is mapped into 3 GB at most
			c.Store.MaxMiB = 256
		}
	}
	if c.Mail.Port == 0 {
		c.Mail.Port = map[string]int{"implicit": 465, "none": 25}[c.Mail.TLS]
		c.Mail.Port = cmp.Or(c.Mail.Port, 587)
	}
	for i := range c.Probes {
		p := &c.Probes[i]
		families.Complete(p)
		p.TemperatureUnit = plainUnit(p.TemperatureUnit)
		// Two spellings of one bus would get two owners.
		p.Bus, p.Path = cleanPath(p.Bus), cleanPath(p.Path)
	}
	for i := range c.Enclosures {
		c.Enclosures[i].Name = cmp.Or(c.Enclosures[i].Name, c.Enclosures[i].ID)
	}
	for i := range c.Mists {
		c.Mists[i].Supply = cmp.Or(c.Mists[i].Supply, c.Mists[i].ID)
	}
	for i := range c.People {
		p := &c.People[i]
		p.Name, p.Units = cmp.Or(p.Name, p.ID), plainUnit(p.Units)
	}
}

// cleanPath leaves an empty path empty.
func cleanPath(path string) string {
	if path == "" {
		return ""
	}
	return filepath.Clean(path)
}

// plainUnit brings the spellings of a temperature unit to "°C" and "F".
func plainUnit(unit string) string {
	switch unit {
	case "C":
		return "°C"
	case "°F":
		return "F"
	}
	return unit
}
