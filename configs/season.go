package configs

import (
	"slices"
	"time"
)

// rampDays is how long a season takes to come fully into force, and to leave.
const rampDays = 7

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
