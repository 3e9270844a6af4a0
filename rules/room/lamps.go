package room

import (
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// A Band knows the band in force of one enclosure at any instant, by the same
// rule as the Engine. It does not change and may be shared.
type Band struct {
	cfg       *configs.Config
	enclosure configs.Enclosure
	lamps     *Lamps // nil for none
}

// BandOf returns the Band of an enclosure of a configuration.
func BandOf(cfg *configs.Config, enclosure configs.Enclosure) Band {
	b := Band{cfg: cfg, enclosure: enclosure}
	if l, ok := cfg.LampsOf(enclosure); ok {
		b.lamps = &Lamps{Cfg: l}
	}
	return b
}

// At returns the temperatures between which all is well, both included, and the
// limits in force.
func (b Band) At(now sensors.Instant) (low, high sensors.CentiCelsius, s configs.Species) {
	var lamps *Lamps
	if b.lamps != nil {
		then := Lamps{Cfg: b.lamps.Cfg}
		then.Read(now.Wall.Truncate(time.Minute).In(b.cfg.Room.Location), now.Synced)
		lamps = &then
	}
	s = b.cfg.SpeciesOn(b.enclosure, dayOf(now, b.cfg.Room.Location))
	lim := LimitsOf(s)
	l, h, _ := lim.Band(lamps, b.cfg.Rules.BandSettle.D())
	return sensors.CentiCelsius(l), sensors.CentiCelsius(h), s
}

const dayMinutes = 24 * 60

// Lamps is a photoperiod as of the present minute.
type Lamps struct {
	Cfg   configs.Lamps
	Known bool // the clock is set
	On    bool
	Edge  time.Duration // since the last switch
	Next  time.Duration // until the next
	// coming are the next switches, as spans from the last forecast.
	coming    [8]time.Duration
	numComing int
}

// Mist is a misting schedule.
type Mist struct {
	Cfg configs.Mist
	St  MistState
}

// MistState is where a misting schedule stands.
type MistState struct {
	Next time.Time       `json:"next"` // wall time of the next pulse
	Seen sensors.Instant `json:"seen"` // last look at the clock
}

// Read takes the minute that local begins, if the clock is set.
func (l *Lamps) Read(local time.Time, synced bool) {
	if l.Known = synced; !synced {
		return
	}
	l.On = l.Cfg.IsOn(local, local.Location())
	minute := local.Hour()*60 + local.Minute()
	from, to := sinceClock(minute, l.Cfg.On.From), sinceClock(minute, l.Cfg.On.To)
	l.Edge = time.Duration(min(from, to)) * time.Minute
	l.Next = time.Duration(dayMinutes-max(from, to)) * time.Minute
}

func sinceClock(minute int, t configs.ClockTime) int {
	return ((minute-int(t))%dayMinutes + dayMinutes) % dayMinutes
}

// Coming fills the switches of the next six hours.
func (l *Lamps) Coming(now sensors.Instant, loc *time.Location) {
	l.numComing = 0
	t := now.Wall
	for range l.coming {
		t = l.Cfg.NextChange(t, loc)
		if t.IsZero() || t.Sub(now.Wall) > 6*time.Hour {
			return
		}
		l.coming[l.numComing] = t.Sub(now.Wall)
		l.numComing++
	}
}

// Band is the band in force of an enclosure at the engine's present minute.
func (v *View) Band(en *Enclosure) (low, high int32, name string) {
	return en.Limits.Band(v.LampsOf(en), v.Cfg.Rules.BandSettle.D())
}

// LampsOf returns the lamps of an enclosure as they are by schedule; nil without
// one, or without a clock.
func (v *View) LampsOf(en *Enclosure) *Lamps {
	if en.Lamps < 0 || !v.Lamps[en.Lamps].Known {
		return nil
	}
	return &v.Lamps[en.Lamps]
}

// ReadClock reads the schedules when the minute has changed: which lamps are on
// depends on the minute alone, so a restart within it changes nothing.
func (v *View) ReadClock(now sensors.Instant) {
	minute := now.Wall.Unix() / 60
	if minute == v.minute && now.Synced == v.synced {
		return
	}
	v.minute, v.synced = minute, now.Synced
	local := now.Wall.Truncate(time.Minute).In(v.Loc)
	v.hourNow = -1
	if now.Synced {
		v.hourNow = float64(local.Hour()) + float64(local.Minute())/60
	}
	for i := range v.Lamps {
		v.Lamps[i].Read(local, now.Synced)
	}
	v.takeToday(dayOf(now, v.Loc))
}

// Mists are the misting schedules of a room.
type Mists []Mist

// SupplyOf is the supply of a misting schedule.
func (m Mists) SupplyOf(mist int) string {
	c := &m[mist].Cfg
	if c.Supply != "" {
		return c.Supply
	}
	return c.ID
}

// FirstOfSupply is the first schedule on the same supply.
func (m Mists) FirstOfSupply(mist int) int {
	for i := range mist {
		if m.SupplyOf(i) == m.SupplyOf(mist) {
			return i
		}
	}
	return mist
}

// supplyNamed is the supply of a schedule by its id.
func (m Mists) supplyNamed(mist string) string {
	for i := range m {
		if m[i].Cfg.ID == mist {
			return m.SupplyOf(i)
		}
	}
	return mist
}
