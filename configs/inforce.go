package configs

import (
	"math"
	"slices"
	"time"
)

// SpeciesFor is SpeciesOn of a day that is not known.
func (c *Config) SpeciesFor(e Enclosure) Species { return c.SpeciesOn(e, time.Time{}) }

// SpeciesOn returns the limits in force for e on the day of at: its species with
// the keeper's own values, then the changes that e's stage asks for, then those of
// a season for the species, then e's own lethal limit and floor, then those of a season
// for e itself. A lowered lethal limit takes the limits below it down with it; a raised
// one leaves them. A zero at stands for a clock that is not set: no season holds
// then, which is the safer side of a dry spell, and froglets have no age.
func (c *Config) SpeciesOn(e Enclosure, at time.Time) Species {
	if at = c.local(at); at.IsZero() {
		return c.aimed(e, at)
	}
	return c.ramped(e, at)
}

// ramped is what a change of seasons leaves of the limits of a day: the mean of those that
// the last seven days aim at, so that limits move a seventh of the way each day. Their
// order holds for each day, and so for their mean.
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

// aimed are the limits of one day without a ramp between seasons.
func (c *Config) aimed(e Enclosure, at time.Time) Species {
	var s Species
	if i := indexSpecies(c.Species, e.Species); i >= 0 {
		s = c.Species[i]
	}
	s = forStage(s, e, at)
	season, ok := c.SeasonOn(e, at)
	if ok && !season.names(e) {
		s.lay(&season)
	}
	s.own(e)
	if ok && season.names(e) {
		s.lay(&season)
	}
	return s
}

func (s *Species) own(e Enclosure) {
	if e.Lethal != nil {
		s.grade(CellLethal, GradeKeeper)
		s.Lethal = *e.Lethal
		s.Act = min(s.Act, s.Lethal)
		s.Warn = min(s.Warn, s.Act)
	}
	if e.Floor != nil {
		s.grade(CellFloor, GradeKeeper)
		s.Floor = *e.Floor
		s.Dry = min(s.Dry, s.Floor)
	}
}

// DutyAt returns who is told first at a moment, by id; empty where no [[duty]]
// says.
func (c *Config) DutyAt(wall time.Time) string {
	loc := c.Room.Location
	if loc == nil {
		loc = time.Local
	}
	for i := range c.Duties {
		if c.Duties[i].covers(wall, loc) {
			return c.Duties[i].Person
		}
	}
	return ""
}

// A Turn is from when a person is told first; Person is empty where the order of
// the file holds.
type Turn struct {
	From   time.Time
	Person string
}

// Turns lists who is told first from a moment on and for so long.
func (c *Config) Turns(from time.Time, length time.Duration) []Turn {
	out := []Turn{{from, c.DutyAt(from)}}
	for t := from.Truncate(time.Minute).Add(time.Minute); t.Before(from.Add(length)); t = t.Add(time.Minute) {
		if p := c.DutyAt(t); p != out[len(out)-1].Person {
			out = append(out, Turn{t, p})
		}
	}
	return out
}
