package configs

import (
	"slices"
	"time"
)

// Stage is a stage of life.
type Stage string

// The stages.
const (
	Egg     Stage = "egg"
	Tadpole Stage = "tadpole"
	Froglet Stage = "froglet"
	Adult   Stage = "adult"
)

// Enclosure is one planted glass enclosure.
type Enclosure struct {
	ID      string `toml:"id"`
	Name    string `toml:"name"`
	Rack    string `toml:"rack"`
	Shelf   int    `toml:"shelf"`
	Slot    int    `toml:"slot"`
	Species string `toml:"species"`
	Stage   Stage  `toml:"stage" default:"adult" oneof:"egg,tadpole,froglet,adult"`
	// OutOfWater is when the youngest froglets left the water; zero for unknown.
	OutOfWater Date   `toml:"out_of_water"`
	Volume     Litres `toml:"volume"`
	Animals    int    `toml:"animals"`
	Lamps      string `toml:"lamps" ref:"lamps"` // id of a [[lamps]] section
	Mist       string `toml:"mist" ref:"mist"`   // id of a [[mist]] section
	// Overrides of the species' limits for this enclosure; nil keeps them.
	Lethal *Celsius `toml:"ceiling"`
	Floor  *Percent `toml:"floor"`
}

// Lamps is a photoperiod: when a set of lamps is on.
type Lamps struct {
	ID string    `toml:"id"`
	On ClockSpan `toml:"on"`
}

// IsOn reports whether the lamps are on at wall, read on the clock of loc.
func (l Lamps) IsOn(wall time.Time, loc *time.Location) bool { return l.On.Covers(wall, loc) }

// NextChange returns the first moment after wall at which IsOn changes.
func (l Lamps) NextChange(wall time.Time, loc *time.Location) time.Time {
	return l.On.NextChange(wall, loc)
}

// Mist is a misting schedule.
type Mist struct {
	ID    string      `toml:"id"`
	Times []ClockTime `toml:"times"`
	// Longest a pulse runs before it counts as endless.
	Longest Duration `toml:"longest" default:"15 min" within:"5 s to 4 h"`
	// Supply groups enclosures fed by one pump; empty means the schedule's id.
	Supply string `toml:"supply"`

	seasons []Season // with times of their own
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

// Next returns the first due pulse after wall; zero for an empty schedule.
func (m Mist) Next(wall time.Time, loc *time.Location) time.Time {
	var best time.Time
	for _, t := range m.around(wall, loc) {
		if t.After(wall) && (best.IsZero() || t.Before(best)) {
			best = t
		}
	}
	return best
}

// around lists the pulses of the days near wall. Three days either side
// outlast the one calendar day that a zone has ever skipped.
func (m Mist) around(wall time.Time, loc *time.Location) []time.Time {
	y, mo, d := wall.In(loc).Date()
	var due []time.Time
	for offset := -2; offset <= 2; offset++ {
		for _, c := range m.TimesOn(YearDayOf(time.Date(y, mo, d+offset, 12, 0, 0, 0, time.UTC))) {
			if t, ok := onDay(y, mo, d+offset, c, loc); ok {
				due = append(due, t)
			}
		}
	}
	slices.SortFunc(due, time.Time.Compare)
	return due
}

// A Season changes limits and mist times from a day of the year to another, both
// included. It is for adults: a dry spell would kill eggs.
type Season struct {
	ID         string   `toml:"id"`
	From       YearDay  `toml:"from"`
	To         YearDay  `toml:"to"`
	Species    []string `toml:"species" ref:"species"`
	Enclosures []string `toml:"enclosures" ref:"enclosure"`
	// What it changes; nil leaves that.
	Day   *Band       `toml:"day"`
	Night *Band       `toml:"night"`
	Floor *Percent    `toml:"floor"`
	Mist  []ClockTime `toml:"mist"` // in place of the schedule's times
}

func (s *Season) names(e Enclosure) bool { return slices.Contains(s.Enclosures, e.ID) }

func (s *Season) holds(e Enclosure) bool {
	return e.Stage == Adult && (s.names(e) || slices.Contains(s.Species, e.Species))
}

// covers may go over the turn of the year.
func (s *Season) covers(d YearDay) bool {
	if s.From <= s.To {
		return d >= s.From && d <= s.To
	}
	return d >= s.From || d <= s.To
}

func (s *Season) days() int { return (int(s.To-s.From)+365)%365 + 1 }

// meets reports whether two seasons share a day.
func (s *Season) meets(o *Season) bool { return s.covers(o.From) || o.covers(s.From) }

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
