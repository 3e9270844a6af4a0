package configs

import (
	"cmp"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
)

func prefill(target any, source *element, table []Species) {
	fill(reflect.ValueOf(target).Elem())
	s, ok := target.(*Species)
	if !ok {
		return
	}
	s.grade(CellExposure, GradeExposure)
	if id := source.fields["id"]; id != nil {
		if i := indexSpecies(table, id.text); i >= 0 {
			*s = table[i]
		}
	}
	for key, cell := range cells {
		if source.Has(key) {
			s.grade(cell, GradeKeeper)
		}
	}
}

// derive fills in defaults that depend on other keys. It runs before the
// checks, which so see the values that would be used.
func (c *Config) derive(families Families) {
	c.Room.Name = cmp.Or(c.Room.Name, c.Room.ID)
	c.Summary.Weekday = strings.ToLower(c.Summary.Weekday)
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
