package configs

import (
	"fmt"
	"slices"
)

// floorToKeep is the humidity that must be kept at all times: the owner's
// trade fact, common practice, no source.
const floorToKeep Percent = 70

// narrowest is the least width of a band that a room can keep: two probes of
// ±0.3 °C are that far apart in the same air, and a band alarm ends only a
// deadband inside. A judgement.
const narrowest Celsius = 1

// warnLimits looks for limits that are allowed and yet watch little, or cannot be
// kept.
func (k warner) warnLimits() {
	defaults := &Config{Species: SpeciesTable()}
	for i, s := range k.ownSpecies {
		t, whose := k.doc.item("species", i), fmt.Sprintf("species %q", s.ID)
		if j := indexSpecies(defaults.Species, s.ID); j >= 0 {
			k.warnLooser(t, whose, "its default", s, defaults.Species[j])
		}
		k.warnBands(t, whose, s)
	}
	for i, e := range k.c.Enclosures {
		t, whose := k.doc.item("enclosure", i), fmt.Sprintf("enclosure %q", e.ID)
		s := k.c.SpeciesFor(e)
		if indexSpecies(defaults.Species, e.Species) >= 0 {
			k.warnLooser(t, whose, "the default of its species and stage", s, defaults.SpeciesFor(Enclosure{Species: e.Species, Stage: e.Stage}))
		}
		if e.Lethal != nil && s.Act >= s.Lethal {
			k.warning(t.at("ceiling"), "write a higher one", "in %s the limit to act on and the lethal limit are both %s: nothing is told between them", whose, s.Lethal)
		}
	}
	for i, x := range k.c.Seasons {
		j := slices.IndexFunc(k.c.Enclosures, x.holds)
		if j < 0 {
			continue
		}
		s := k.c.SpeciesFor(k.c.Enclosures[j])
		s.lay(&x)
		k.warnBands(k.doc.item("season", i), fmt.Sprintf("season %q", x.ID), s)
	}
}

// warnLooser tells each limit written in t that watches less than the default. A
// floor under what must always be kept is told anyway.
func (k warner) warnLooser(t *element, whose, what string, s, def Species) {
	for _, x := range []struct {
		key, name     string
		got, standard fmt.Stringer
		looser        bool
	}{
		{"warn", "limit worth a look", s.Warn, def.Warn, s.Warn > def.Warn},
		{"act", "limit to act on", s.Act, def.Act, s.Act > def.Act},
		{"ceiling", "lethal limit", s.Lethal, def.Lethal, s.Lethal > def.Lethal},
		{"cool", "cold limit worth a look", s.Cool, def.Cool, s.Cool < def.Cool},
		{"cold", "cold limit", s.Cold, def.Cold, s.Cold < def.Cold},
		{"floor", "humidity floor", s.Floor, def.Floor, s.Floor < def.Floor && s.Floor >= floorToKeep},
		{"dry", "humidity that is urgent", s.Dry, def.Dry, s.Dry < def.Dry},
	} {
		if x.looser && t.has(x.key) {
			k.warning(t.at(x.key), fmt.Sprintf("write %s, unless you know better", x.standard),
				"the %s of %s is %s, looser than %s, %s", x.name, whose, x.got, what, x.standard)
		}
	}
}

// warnBands looks at the bands written in t.
func (k warner) warnBands(t *element, whose string, s Species) {
	at := func(keys ...string) *element {
		i := slices.IndexFunc(keys, t.has)
		if i < 0 {
			return nil
		}
		return t.at(keys[i])
	}
	if at("day", "night") == nil {
		return
	}
	least := max(narrowest, Celsius(2*k.c.Rules.BandDeadband))
	for key, b := range map[string]Band{"day": s.Day, "night": s.Night} {
		if x := at(key); x != nil && b.High-b.Low < least-0.001 {
			k.warning(x, fmt.Sprintf("make it %s wide or more", least), "no room keeps the %s band of %s, %s: that is less than probes differ by, or twice band_deadband", key, whose, b)
		}
	}
	if s.Night.High > s.Day.High || s.Night.Low > s.Day.Low {
		k.warning(at("night", "day"), "lower the night band, or raise the day band", "the night band of %s, %s, is warmer than its day band, %s", whose, s.Night, s.Day)
	}
	if most := CelsiusDelta(s.Day.High - s.Night.Low); s.DropMin > most {
		k.warning(at("night", "day"), "widen the bands, or lower drop_min", "the bands of %s allow a night drop of %s at most, and %s is wanted", whose, most, s.DropMin)
	}
}
