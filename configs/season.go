package configs

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// rampDays is how long a season takes to come fully into force, and to leave.
const rampDays = 7

// A Season changes limits and mist times from a day of the year to another, both
// included. It is for adults: a dry spell would kill eggs.
type Season struct {
	ID         string   `toml:"id"`
	From       YearDay  `toml:"from"`
	To         YearDay  `toml:"to"`
	Species    []string `toml:"species"`
	Enclosures []string `toml:"enclosures"`
	// What it changes; nil leaves that.
	Day   *Band       `toml:"day"`
	Night *Band       `toml:"night"`
	Floor *Percent    `toml:"floor"`
	Mist  []ClockTime `toml:"mist"` // in place of the schedule's times
}

// names reports whether the season is for this enclosure itself.
func (s *Season) names(e Enclosure) bool { return slices.Contains(s.Enclosures, e.ID) }

// holds reports whether the season is for the enclosure or its species.
func (s *Season) holds(e Enclosure) bool {
	return e.Stage == Adult && (s.names(e) || slices.Contains(s.Species, e.Species))
}

// covers reports whether the season is on that day; it may go over the turn of
// the year.
func (s *Season) covers(d YearDay) bool {
	if s.From <= s.To {
		return d >= s.From && d <= s.To
	}
	return d >= s.From || d <= s.To
}

// days is how long the season lasts.
func (s *Season) days() int { return (int(s.To-s.From)+365)%365 + 1 }

// SeasonOn returns the season of e on the day of at, false for none; a zero at
// stands for a clock that is not set.
func (c *Config) SeasonOn(e Enclosure, at time.Time) (Season, bool) {
	if at.IsZero() {
		return Season{}, false
	}
	d := YearDayOf(c.local(at))
	for _, s := range c.Seasons {
		if s.holds(e) && s.covers(d) {
			return s, true
		}
	}
	return Season{}, false
}

// local is at by the room's clock.
func (c *Config) local(at time.Time) time.Time {
	if at.IsZero() || c.Room.Location == nil {
		return at
	}
	return at.In(c.Room.Location)
}

// lay puts a season's values over the limits.
func (s *Species) lay(season *Season) {
	if season.Day != nil {
		s.Day, s.Tolerated = *season.Day, Band{}
		s.grade(CellDay, GradeKeeper)
	}
	if season.Night != nil {
		s.Night, s.Tolerated = *season.Night, Band{}
		s.grade(CellNight, GradeKeeper)
	}
	if season.Floor != nil {
		s.Floor, s.Dry = *season.Floor, min(s.Dry, *season.Floor)
		s.grade(CellFloor, GradeKeeper)
	}
}

// ramped is what a change of seasons leaves of the limits of a day: the mean of
// those that the last seven days aim at. So limits move a seventh of the way each
// day, into a season, out of it, and from one to the next. The order of limits
// holds for each day, and so for their mean.
func (c *Config) ramped(e Enclosure, at time.Time) Species {
	s := c.aimed(e, at)
	if !slices.ContainsFunc(c.Seasons, func(x Season) bool { return x.holds(e) }) {
		return s
	}
	var means [len(seasonalCells)]float64
	for k := range rampDays {
		day := c.aimed(e, at.AddDate(0, 0, -k))
		if day.Tolerated == (Band{}) {
			s.Tolerated = Band{}
		}
		for i, v := range day.seasonal() {
			means[i] += *v / rampDays
		}
	}
	for i, v := range s.seasonal() {
		if mean := math.Round(means[i]*10) / 10; math.Abs(mean-*v) > 0.04 {
			*v = mean
			s.grade(seasonalCells[i], GradeKeeper)
		}
	}
	return s
}

// seasonal are the limits that a season changes, seasonalCells their cells.
func (s *Species) seasonal() []*float64 {
	return []*float64{
		(*float64)(&s.Day.Low), (*float64)(&s.Day.High), (*float64)(&s.Night.Low), (*float64)(&s.Night.High),
		(*float64)(&s.Floor), (*float64)(&s.Dry),
	}
}

var seasonalCells = [...]Cell{CellDay, CellDay, CellNight, CellNight, CellFloor, CellDry}

// seasonMists gives enclosures whose season has mist times a schedule of their
// own, on the supply of the one that they name.
func (c *Config) seasonMists() {
	for i := range c.Enclosures {
		e := &c.Enclosures[i]
		own, ok := c.MistOf(*e)
		if !ok {
			continue
		}
		for _, s := range c.Seasons {
			if len(s.Mist) > 0 && s.holds(*e) {
				own.ID += "/" + s.ID // which no keeper can write
				own.seasons = append(slices.Clip(own.seasons), s)
			}
		}
		if own.ID == e.Mist {
			continue
		}
		e.Mist = own.ID
		if _, made := c.MistOf(*e); !made {
			c.Mists = append(c.Mists, own)
		}
	}
}

// TimesOn returns the times of a day.
func (m Mist) TimesOn(d YearDay) []ClockTime {
	for _, s := range m.seasons {
		if s.covers(d) {
			return s.Mist
		}
	}
	return m.Times
}

// seasons checks each season for itself, against the enclosures that it is for,
// and against the others.
func (k *checker) seasons() {
	seen := map[string]int{}
	speciesIDs := idsOf(k.c.Species, func(s *Species) string { return s.ID })
	for i, s := range k.c.Seasons {
		t := k.doc.item("season", i)
		k.identity(t, "season", s.ID, seen)
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
func (k *checker) seasonOf(t *element, s Season, before []Season) {
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

// meets reports whether two seasons share a day.
func (s *Season) meets(o *Season) bool { return s.covers(o.From) || o.covers(s.From) }

// seasonLimits checks the limits that a season aims at in one enclosure.
func (k *checker) seasonLimits(t *element, s Season, e Enclosure) {
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

// warnSeasons looks for seasons that do little.
func (k *checker) warnSeasons() {
	for i, s := range k.c.Seasons {
		t := k.doc.item("season", i)
		if !slices.ContainsFunc(k.c.Enclosures, s.holds) {
			k.warning(t, "name an enclosure with adults", "season %q is for no enclosure of this room", s.ID)
		}
		if s.days() < rampDays {
			k.warning(t.at("to"), fmt.Sprintf("let it last %d days or more", rampDays), "season %q is over before its limits are reached", s.ID)
		}
	}
}
