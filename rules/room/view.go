// Package room is the room as its judges see it: the View holds what was
// configured, what the probes say and how far they are trusted, what was
// estimated and what the judges before found; a Finding is what one judge tells,
// an Out where it tells it. It judges nothing. Temperatures are in hundredths of
// °C, humidities in hundredths of a percent, times in running time, unless their
// types say otherwise.
package room

import (
	"slices"
	"strconv"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// EnclosureOf is the enclosure that an alarm or its probe is of, nil for none.
func (v *View) EnclosureOf(s *Alarm) *Enclosure {
	switch {
	case s.Kind.Row().Of == alarm.OfEnclosure:
		return &v.Enclosures[s.Index]
	case s.Kind.Row().Of == alarm.OfProbe && v.Probes[s.Index].Encl >= 0:
		return &v.Enclosures[v.Probes[s.Index].Encl]
	case s.Kind.Row().Of == alarm.OfContact && len(v.Contacts[s.Index].Cfg.Serves) == 1:
		if i, ok := v.EnclosureByID[v.Contacts[s.Index].Cfg.Serves[0]]; ok {
			return &v.Enclosures[i]
		}
	}
	return nil
}

// How often the estimators look: a mist and a door in seconds, the rest once a
// minute.
const (
	QuickEvery = 20 * time.Second
	SlowEvery  = time.Minute
)

// EstAt is the time that the estimators live in. It counts the time off too, so
// that what they compare lies as far apart as it did.
func (c *Clock) EstAt(mono time.Duration) time.Duration { return mono + c.Off.Added }

// Wall is the time of day of a running time that the estimators know.
func (c *Clock) Wall(now sensors.Instant, at time.Duration) time.Time {
	return now.Wall.Add(at - c.EstAt(now.Mono)).Round(time.Second)
}

// A View is one room as it is at one moment, for every judge to look at: what
// was configured, what the probes say and how far they are trusted, what was
// estimated, and what the judges before found. Its slices keep their length.
type View struct {
	Clock
	Cfg           *configs.Config
	Loc           *time.Location
	Probes        []Probe
	ByID          map[sensors.ProbeID]int
	Enclosures    []Enclosure
	EnclosureByID map[string]int
	Lamps         []Lamps
	Mists
	Contacts
	Air       RoomState
	InRoom    []int     // probes in the room
	Outside   []int     // and outside
	BandDead  int32     // deadbands: hundredths of °C
	FloorDead int32     // and of a percent
	Open      int       // alarms that are not NORM
	today     time.Time // the day whose limits are in force; zero without a clock
	Look
	scratch
}

// A Look is why the judges are asked now, and with what.
type Look struct {
	Due         Due
	Probe       int        // of Reading
	Enclosure   *Enclosure // that is looked at; nil for none
	Reading     sensors.Reading
	Calibration Calibration
	Absence     Absence
}

// A Clock is what is known of the time.
type Clock struct {
	At      sensors.Instant // the time that came in last
	Latest  sensors.Instant // the latest one that came in
	Watched time.Duration   // since then readings were awaited without a gap
	Off     Off
	hourNow float64 // local hour of At, negative without a clock
	minute  int64   // wall minute that the schedules were read at
	synced  bool
	AgeAt   time.Duration // no value is too old until then
}

// scratch spares allocations.
type scratch struct {
	cases  []climate.Case
	pic    climate.Picture // of the last survey
	picAt  time.Duration   // and when that was
	Ints   []int32
	Floats []float64

	surveyed []float64 // what pic sorts
}

// NewView lays out a room for a complete configuration, without any state. The
// clock is that of the View before, if any.
func NewView(cfg *configs.Config, clock Clock) *View {
	n := len(cfg.Enclosures)
	v := &View{
		Clock: clock, Cfg: cfg, Loc: cfg.Room.Location,
		Enclosures: make([]Enclosure, n), EnclosureByID: make(map[string]int, n),
		Probes: make([]Probe, len(cfg.Probes)), ByID: make(map[sensors.ProbeID]int, len(cfg.Probes)),
		BandDead:  int32(sensors.CelsiusOf(float64(cfg.Rules.BandDeadband))),
		FloorDead: int32(sensors.PercentOf(float64(cfg.Rules.FloorDeadband))),
		scratch: scratch{
			cases: make([]climate.Case, 0, n), Ints: make([]int32, 0, max(n, len(cfg.Probes))+1), Floats: make([]float64, 3*n+4), surveyed: make([]float64, 3*n),
		},
	}
	v.minute = -1
	if v.Loc == nil {
		v.Loc = time.UTC
	}
	for _, l := range cfg.Lamps {
		v.Lamps = append(v.Lamps, Lamps{Cfg: l})
	}
	for _, m := range cfg.Mists {
		v.Mists = append(v.Mists, Mist{Cfg: m})
	}
	thermal := make([]climate.Thermal, n) // each by itself is rounded up to 8 KB
	shelves := map[string]int{}
	for i := range cfg.Enclosures {
		c := &cfg.Enclosures[i]
		thermal[i] = *climate.NewThermal(float64(c.Volume))
		v.placeEnclosure(i, c, &thermal[i])
		key := ShelfName(c.Rack, c.Shelf)
		if _, ok := shelves[key]; !ok {
			shelves[key] = len(shelves)
		}
		v.Enclosures[i].Shelf = shelves[key]
	}
	for i := range cfg.Probes {
		v.placeProbe(i, &cfg.Probes[i])
	}
	for i, c := range cfg.Contacts {
		v.Contacts = append(v.Contacts, newContact(i, c))
	}
	return v
}

// ShelfName names a shelf of a rack.
func ShelfName(rack string, shelf int) string { return rack + "/" + strconv.Itoa(shelf) }

func (v *View) placeEnclosure(i int, c *configs.Enclosure, thermal *climate.Thermal) {
	en := &v.Enclosures[i]
	*en = Enclosure{Index: i, Cfg: c, Lamps: -1, Mist: -1}
	en.take(v.Cfg.SpeciesFor(*c))
	makeAlarms(en.Alarms[:], 0, i, c.ID)
	if c.Lamps != "" {
		en.Lamps = slices.IndexFunc(v.Lamps, func(l Lamps) bool { return l.Cfg.ID == c.Lamps })
	}
	if c.Mist != "" {
		en.Mist = slices.IndexFunc(v.Mists, func(m Mist) bool { return m.Cfg.ID == c.Mist })
	}
	en.St.Thermal = thermal
	v.EnclosureByID[c.ID] = i
}

func (v *View) placeProbe(i int, c *configs.Probe) {
	p := &v.Probes[i]
	*p = Probe{Index: i, Cfg: c, Encl: -1}
	makeAlarms(p.Alarms[:], alarm.FirstProbeKind, i, c.ID)
	v.ByID[sensors.ProbeID(c.ID)] = i
	switch {
	case c.Enclosure != "":
		j, ok := v.EnclosureByID[c.Enclosure]
		if !ok {
			return
		}
		p.Encl = j
		en := &v.Enclosures[j]
		en.Probes = append(en.Probes, i)
		en.HasLitter = en.HasLitter || c.Place == configs.Litter
		en.NamedFloor = en.NamedFloor || c.FloorProbe
	case c.Place == configs.InRoom:
		v.InRoom = append(v.InRoom, i)
	case c.Place == configs.Outdoor:
		v.Outside = append(v.Outside, i)
	}
}

// Aged reports whether a value may have become too old since the last tick.
func (c *Clock) Aged() bool { return c.At.Mono > c.AgeAt }

// Off is what is known of the time in which dewline did not run. Running time
// stands still in it, so only a clock that is set before and after tells its
// length.
type Off struct {
	Set   sensors.Instant `json:"set,omitzero"`    // the newest moment with a set clock
	Open  bool            `json:"open,omitempty"`  // it was off since then, for how long is not known yet
	At    time.Duration   `json:"at,omitempty"`    // running time at which that began
	Added time.Duration   `json:"added,omitempty"` // by how much the estimators' time is ahead of running time
}

// UnknownOff stands in the estimators' time for an unknown length: none of them
// compares values that are so far apart.
const UnknownOff = 6 * time.Hour

// An Absence is one stretch that the engine has to make up for.
type Absence struct {
	Lost   time.Duration // running time of which the engine remembers nothing
	Off    time.Duration // and time that running time does not count
	Known  bool          // Off is
	Nobody time.Duration // looked for so long; what was lost with a state was looked at
	Short  bool          // a reload, a clean stop and start: only silence is forgiven
}

// Long reports whether it was too long for anything to be as it was.
func (a Absence) Long() bool { return !a.Known || a.Nobody > LongestInterval }

// Forget lets go of what a stretch hides that nobody looked in.
func (v *View) Forget(a Absence) {
	for i := range v.Probes {
		v.Probes[i].forget(v.At.Mono)
	}
	for i := range v.Enclosures {
		v.Enclosures[i].forget(a)
		v.Combine(&v.Enclosures[i], v.At.Mono)
	}
}
