package configs

import (
	"fmt"
	"slices"
	"time"
)

// seasons checks each season for itself, against the enclosures that it is for,
// and against the others.
func (k racks) seasons() {
	speciesIDs := idsOf(k.c.Species, func(s *Species) string { return s.ID })
	for i, s := range k.c.Seasons {
		t := k.doc.item("season", i)
		for _, key := range []string{"from", "to"} {
			if !t.has(key) {
				k.fault(t, key, fmt.Sprintf("add %s = \"1 Nov\"", key), "season %q has no %s", s.ID, key)
			}
		}
		if len(s.Species)+len(s.Enclosures) == 0 {
			k.fault(t, "species", `add species = ["dendrobates-leucomelas"], or enclosures`, "season %q is for nothing", s.ID)
		}
		if s.Day == nil && s.Night == nil && s.Floor == nil && len(s.Mist) == 0 {
			k.fault(t, "", "add day, night, floor or mist", "season %q changes nothing", s.ID)
		}
		for _, id := range s.Species {
			k.reference(t, "species", id, "species", speciesIDs)
		}
		for _, id := range s.Enclosures {
			k.reference(t, "enclosures", id, "enclosure", k.enclosureIDs)
		}
		for j, at := range s.Mist {
			if slices.Contains(s.Mist[:j], at) && !t.faulty("mist") {
				k.add(t.at("mist").item("mist", j).key, "write it once", "the time %s stands twice in season %q", at, s.ID)
			}
		}
		if !t.spoilt() {
			k.seasonOf(t, s, k.c.Seasons[:i])
		}
	}
}

// seasonOf checks a season against the enclosures that it is for.
func (k racks) seasonOf(t *element, s Season, before []Season) {
	misted := len(s.Mist) == 0
	for _, e := range k.c.Enclosures {
		if s.names(e) && e.Stage != Adult {
			k.fault(t, "enclosures", "take it out", "season %q is for adults, and enclosure %q holds the stage %q", s.ID, e.ID, e.Stage)
		}
		if !s.holds(e) {
			continue
		}
		misted = misted || e.Mist != ""
		k.seasonLimits(t, s, e)
		for _, other := range before {
			if other.holds(e) && s.meets(&other) {
				k.fault(t, "from", "let one end before the other begins, or be for other enclosures",
					"seasons %q and %q overlap, and both are for enclosure %q", other.ID, s.ID, e.ID)
			}
		}
	}
	if !misted {
		k.fault(t, "mist", "add mist to one of them, or remove it here", "season %q has mist times and none of its enclosures a [[mist]]", s.ID)
	}
}

// seasonLimits checks the limits that a season aims at in one enclosure.
func (k racks) seasonLimits(t *element, s Season, e Enclosure) {
	day := time.Date(2001, 1, 1+int(s.From), 12, 0, 0, 0, k.c.Room.Location)
	aim := k.c.aimed(e, day)
	if aim.ID == "" {
		return // told where the species is written
	}
	for key, b := range map[string]*Band{"day": s.Day, "night": s.Night} {
		switch {
		case b == nil:
		case b.High > aim.Warn:
			k.fault(t, key, "lower it", "the %s band of season %q ends at %s, above %s, which is worth a warning in enclosure %q", key, s.ID, b.High, aim.Warn, e.ID)
		case b.Low < aim.Cool:
			k.fault(t, key, "raise it", "the %s band of season %q begins at %s, under %s, which is worth a warning in enclosure %q", key, s.ID, b.Low, aim.Cool, e.ID)
		}
	}
	if s.Floor != nil {
		k.floor(t, "floor", fmt.Sprintf("season %q", s.ID), *s.Floor)
	}
}
