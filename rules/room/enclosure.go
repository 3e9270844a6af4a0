package room

import (
	"slices"
	"time"

	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// Band returns the temperatures in force, both inside the band, and the band's
// name. Without a lamp schedule (nil) or a clock, and for a while after the lamps
// switched, the wider of both bands holds.
func (l *Limits) Band(lamps *Lamps, settle time.Duration) (low, high int32, name string) {
	switch {
	case lamps == nil || !lamps.Known || lamps.Edge < settle:
		return min(l.DayLow, l.NightLow), max(l.DayHigh, l.NightHigh), "day or night"
	case lamps.On:
		return l.DayLow, l.DayHigh, "day"
	}
	return l.NightLow, l.NightHigh, "night"
}

// EnclosureState is what is remembered of one enclosure beside its alarms, for
// every judge to see.
type EnclosureState struct {
	Estimates
	// Turns are causes other than those told, for the alarms by temperature.
	Turns [alarm.NumByTemperature]CauseTurn `json:"turns"`

	At sensors.Instant `json:"at"` // of the last reading of any of its probes

	QuickAt   time.Duration `json:"quick_at"` // last time the fast estimators looked
	SlowAt    time.Duration `json:"slow_at"`  // and the slow ones
	RefitAt   time.Duration `json:"refit_at"`
	DoorAt    time.Duration `json:"door_at"` // last opening
	Excused   time.Duration `json:"excused"` // the floor is excused until then
	HasExcuse bool          `json:"has_excuse"`
	PulseAt   time.Duration `json:"pulse_at"` // start of the last mist pulse
	HasPulse  bool          `json:"has_pulse"`
	Missed    int           `json:"missed"` // scheduled mists in a row without a pulse
}

// Estimates are what is worked out from the readings of one enclosure. Each is
// fed by one judge and asked by any.
type Estimates struct {
	Trend    climate.Trend        `json:"trend"`
	Thermal  *climate.Thermal     `json:"thermal"`
	Offset   climate.HourOffset   `json:"offset"`
	Dose     climate.Dose         `json:"dose"`
	DoseTold DoseTold             `json:"dose_told,omitzero"`
	Mist     climate.MistDetector `json:"mist"`
	Dry      climate.DryDown      `json:"dry"`
	Night    climate.Night        `json:"night"`
	Lamps    climate.LampWatch    `json:"lamps"`
	Door     climate.Door         `json:"door"`
	Moist    Moist                `json:"moist,omitzero"`
	Ahead    Ahead                `json:"ahead"`
	Turned   Turned               `json:"turned,omitzero"`
}

// CauseTurn is another cause for an open alarm and since when it has shown.
type CauseTurn struct {
	Cause alarm.Cause   `json:"cause,omitzero"`
	At    time.Duration `json:"at,omitempty"`
}

// DoseTold is what was last told of the dose, and its peak since.
type DoseTold struct {
	At     time.Duration `json:"at"`
	Hours  float64       `json:"hours"`
	Unseen time.Duration `json:"unseen"`
	Share  float64       `json:"share"`
	Peak   float64       `json:"peak"`
	// Warned is the most that somebody was alarmed at, until little of the dose is left.
	Warned float64 `json:"warned,omitempty"`
}

// Ahead is the last look at what is coming.
type Ahead struct {
	At       time.Duration `json:"at"`
	ToLethal climate.Eta   `json:"to_ceiling"`
	LampsOff climate.Eta   `json:"lamps_off"`
	Learned  bool          `json:"learned"`
}

// Turned is how far the rises went that were told and turned before the lethal limit.
type Turned struct {
	At      time.Duration `json:"at"`       // of the last look at one of them
	Num     int32         `json:"num"`      // that turned
	Up      bool          `json:"up"`       // one has not yet
	Peak    int32         `json:"peak"`     // hundredths of °C
	PerHour float64       `json:"per_hour"` // °C/h, the fastest of them
}

// Enclosure is a configured enclosure with its state and alarms. What every reading asks
// for stands together, here and in what it is made of: in a large room every line and
// every page of memory counts.
type Enclosure struct {
	St         EnclosureState
	Now        Present
	Limits     Limits
	Index      int
	Probes     []int // indices, in file order
	Lamps      int   // index of its lamp schedule; -1 for none
	Mist       int   // index of its misting schedule; -1 for none
	Shelf      int   // enclosures of one rack and shelf share a number
	HasLitter  bool  // a probe hangs there, so the band is judged there
	NamedFloor bool  // a probe is named for the floor
	Open       Kinds // of alarms that are not NORM
	Alarms     [int(alarm.FirstProbeKind)]Alarm
	DoseLimits climate.DoseLimits
	DropMin    float64            // °C by which a night is to be cooler; 0 for any
	Cfg        *configs.Enclosure // of the room's configuration
}

// Limits are the species' limits in the units of readings.
type Limits struct {
	DayLow, DayHigh, NightLow, NightHigh int32
	Warn, Act, Lethal, Cold              int32
	Floor, Dry                           int32
}

// LimitsOf returns the limits of a species.
func LimitsOf(s configs.Species) Limits {
	c := func(v configs.Celsius) int32 { return int32(sensors.CelsiusOf(float64(v))) }
	p := func(v configs.Percent) int32 { return int32(sensors.PercentOf(float64(v))) }
	day, night := s.Watched(s.Day), s.Watched(s.Night)
	return Limits{
		DayLow: c(day.Low), DayHigh: c(day.High), NightLow: c(night.Low), NightHigh: c(night.High),
		Warn: c(s.Warn), Act: c(s.Act), Lethal: c(s.Lethal), Cold: c(s.Cold),
		Floor: p(s.Floor), Dry: p(s.Dry),
	}
}

// take puts the limits of a day in force.
func (en *Enclosure) take(s configs.Species) {
	en.Limits, en.DropMin = LimitsOf(s), float64(s.DropMin)
	en.DoseLimits = climate.DoseLimits{
		Boundary: float64(s.Boundary), ReferenceTemp: float64(s.ReferenceTemp),
		ReferenceTime: s.ReferenceTime.D(), TenfoldPer: float64(s.TenfoldPer),
	}
}

// takeToday takes the limits in force on the local day, where that is another.
func (v *View) takeToday(today time.Time) {
	if today.Equal(v.today) {
		return
	}
	v.today = today
	for i := range v.Enclosures {
		en := &v.Enclosures[i]
		en.take(v.Cfg.SpeciesOn(*en.Cfg, today))
	}
}

// dayOf is noon of the local day, zero where the clock is not set.
func dayOf(now sensors.Instant, loc *time.Location) time.Time {
	if !now.Synced {
		return time.Time{}
	}
	y, m, d := now.Wall.In(loc).Date()
	return time.Date(y, m, d, 12, 0, 0, 0, loc)
}

// Present is what the probes of an enclosure say together at one moment.
type Present struct {
	Main, Hot, Cold    int32 // hundredths of °C
	Hum                int32 // hundredths of %
	HotProbe, HumProbe int   // indices of probes
	Waits              bool  // some probe has not spoken yet: what is judged is not enough for more
	HasTemp, HasHum    bool
	Doubt              bool          // a probe takes no part, or is doubted
	Gap                time.Duration // longest gap that delays may count
	Lux                uint32
	HasLux             bool
}

// The places that the band is judged on, the first that is there.
const (
	rankLitter = iota
	rankOther
	rankWater
	NumRanks
)

// RankOf is the rank of a place.
func RankOf(p configs.Place) int {
	switch p {
	case configs.Litter:
		return rankLitter
	case configs.Water:
		return rankWater
	}
	return rankOther
}

// Few holds the values of as many probes as an enclosure or the room has; of
// more than eight the first count.
type Few struct {
	v [8]int32
	n int
}

// Add takes one more.
func (f *Few) Add(v int32) {
	if f.n < len(f.v) {
		f.v[f.n] = v
		f.n++
	}
}

// Median returns the middle value, false for none.
func (f *Few) Median() (int32, bool) {
	if f.n == 0 {
		return 0, false
	}
	return median(f.v[:f.n]), true
}

// reach takes one more temperature for the hottest and the coldest.
func (p *Present) reach(t int32, probe int) {
	if !p.HasTemp {
		p.Hot, p.Cold, p.HotProbe, p.HasTemp = t, t, probe, true
		return
	}
	if t > p.Hot {
		p.Hot, p.HotProbe = t, probe
	}
	p.Cold = min(p.Cold, t)
}

// median sorts s and returns its middle, the mean of the two
// middle ones for an even number.
func median(s []int32) int32 {
	slices.Sort(s)
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}

// Misted reports whether a pulse began within the last span.
func (en *Enclosure) Misted(now, span time.Duration) bool {
	return en.St.HasPulse && now-en.St.PulseAt < span
}

// Degrees are hundredths of °C as readings hold them.
func Degrees(centi int32) unit.Temperature { return unit.Temperature(centi) / 100 }

// Moist compares how temperature and humidity move in an enclosure with one
// probe. Air that is heated gets drier: at the same vapour by 6 % of the
// relative humidity for each °C (the slope of the Magnus formula). A
// temperature that climbs while the humidity stays is the probe's own.
type Moist struct {
	Slot   int64             `json:"slot,omitempty"` // number of the newest slot
	Temp   [MoistSlots]int16 `json:"temp"`           // newest first; hundredths of °C
	Hum    [MoistSlots]int16 `json:"hum"`            // hundredths of %
	Filled int               `json:"filled,omitempty"`
	Apart  time.Duration     `json:"apart,omitempty"` // when they were seen to part; 0 for never
	Rise   float64           `json:"rise,omitempty"`  // °C by which the temperature had moved then
}

// MoistSlots are an hour, and the open one.
const MoistSlots = 7

// forget is that for the estimators which do not see the gap by themselves.
func (en *Enclosure) forget(a Absence) {
	st := &en.St
	st.Door.Interrupt()
	st.Moist.Filled = 0
	st.Ahead, st.Turns = Ahead{}, [alarm.NumByTemperature]CauseTurn{}
	if !a.Known {
		st.Dose.Started = false // the length is added when it is known
	}
	if !a.Known || a.Nobody >= UnknownOff {
		st.Night.Interrupt()
	}
}

// HideAhead hides what was ahead and is here, and after that until it is over or rises
// again: who answered the heat is not woken because it falls.
func (en *Enclosure) HideAhead() {
	r := &en.Alarms[alarm.KindAhead].Rec.Life
	r.Suppress = en.Alarms[alarm.KindLethal].Rec.Life.Active || r.Suppress && r.Active && r.Seen != alarm.Beyond
}

// OutOfService reports whether a person took the enclosure out of service: all
// its alarms go together, but that of lethal heat only where nobody lives there.
func (en *Enclosure) OutOfService() bool {
	return en.Alarms[alarm.KindAbove].Rec.Life.State == alarm.OutOfService
}

// Empty reports whether the keeper said that nobody lives there.
func (en *Enclosure) Empty() bool {
	return en.Alarms[alarm.KindLethal].Rec.Life.State == alarm.OutOfService
}
