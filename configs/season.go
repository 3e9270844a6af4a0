package configs

import (
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
	return find(c.Seasons, func(s Season) bool { return s.holds(e) && s.covers(d) })
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

// meets reports whether two seasons share a day.
func (s *Season) meets(o *Season) bool { return s.covers(o.From) || o.covers(s.From) }
