package rules

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// EnclosureState is what is remembered of one enclosure beside its alarms, for
// every judge to see.
type EnclosureState struct {
	Estimates
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
	// Turns are causes other than those told, for the alarms by temperature.
	Turns [alarm.NumByTemperature]CauseTurn `json:"turns"`
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
}

// CauseTurn is another cause for an open alarm and since when it has shown.
type CauseTurn struct {
	Cause Cause         `json:"cause,omitzero"`
	At    time.Duration `json:"at,omitempty"`
}

// Ahead is the last look at what is coming.
type Ahead struct {
	At        time.Duration `json:"at"`
	ToCeiling climate.Eta   `json:"to_ceiling"`
	LampsOff  climate.Eta   `json:"lamps_off"`
	Learned   bool          `json:"learned"`
}

// enclosure is a configured enclosure with its state and alarms.
type Enclosure struct {
	Index      int
	Cfg        configs.Enclosure
	Species    configs.Species
	Limits     Limits
	Probes     []int // indices, in file order
	Lamps      int   // index of its lamp schedule; -1 for none
	Mist       int   // index of its misting schedule; -1 for none
	Shelf      int   // enclosures of one rack and shelf share a number
	HasLitter  bool  // a probe hangs there, so the band is judged there
	NamedFloor bool  // a probe is named for the floor
	Open       int   // alarms that are not NORM
	Now        Present
	St         EnclosureState
	Alarms     [int(alarm.FirstProbeKind)]Alarm
	DoseLimits climate.DoseLimits
}

// limits are the species' limits in the units of readings.
type Limits struct {
	DayLow, DayHigh, NightLow, NightHigh int32
	Warn, Act, Ceiling, Cold             int32
	Floor, Dry                           int32
}

func LimitsOf(s configs.Species) Limits {
	c := func(v configs.Celsius) int32 { return int32(sensors.CelsiusOf(float64(v))) }
	p := func(v configs.Percent) int32 { return int32(sensors.PercentOf(float64(v))) }
	return Limits{
		DayLow: c(s.Day.Low), DayHigh: c(s.Day.High), NightLow: c(s.Night.Low), NightHigh: c(s.Night.High),
		Warn: c(s.Warn), Act: c(s.Act), Ceiling: c(s.Ceiling), Cold: c(s.Cold),
		Floor: p(s.Floor), Dry: p(s.Dry),
	}
}

// present is what the probes of an enclosure say together at one moment.
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

// combine looks at every probe of the enclosure. Heat is judged on the hottest
// trustworthy one; the band on the one over the litter, where frogs live, or
// the median of what there is; the floor on the named one or the median. A
// probe that is silent, doubted or out of service takes no part.
func (v *View) Combine(en *Enclosure, now time.Duration) {
	if len(en.Probes) == 1 {
		v.combineOne(en, now)
		return
	}
	var temps [NumRanks]Few
	var hums Few
	p := Present{}
	named := false
	rules := &v.Cfg.Rules
	for _, i := range en.Probes {
		pr := &v.Probes[i]
		p.Gap = max(p.Gap, pr.Gap())
		st := &pr.St
		use := pr.Use(rules, now)
		p.Doubt = p.Doubt || use.Doubt
		if use.Temp {
			p.reach(int32(st.Temp), i)
			temps[RankOf(pr.Cfg.Place)].Add(int32(st.Temp))
		}
		if use.Hum && !named {
			if named = pr.Cfg.FloorProbe; named {
				hums.n = 0
			}
			hums.Add(int32(st.Hum))
			p.HumProbe = i
		}
		if st.HasLux {
			p.Lux, p.HasLux = st.Lux, true
		}
	}
	for i := range temps {
		if v, ok := temps[i].Median(); ok {
			p.Main = v
			break
		}
	}
	p.Hum, p.HasHum = hums.Median()
	en.Now = p
}

// The places that the band is judged on, the first that is there.
const (
	rankLitter = iota
	rankOther
	rankWater
	NumRanks
)

func RankOf(p configs.Place) int {
	switch p {
	case configs.Litter:
		return rankLitter
	case configs.Water:
		return rankWater
	}
	return rankOther
}

// few holds the values of as many probes as an enclosure or the room has; of
// more than eight the first count.
type Few struct {
	v [8]int32
	n int
}

func (f *Few) Add(v int32) {
	if f.n < len(f.v) {
		f.v[f.n] = v
		f.n++
	}
}

// median returns the middle value, false for none.
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

// combineOne is combine for the only probe of an enclosure.
func (v *View) combineOne(en *Enclosure, now time.Duration) {
	i := en.Probes[0]
	pr := &v.Probes[i]
	st := &pr.St
	use := pr.Use(&v.Cfg.Rules, now)
	t := int32(st.Temp)
	p := Present{
		HasTemp: use.Temp, HasHum: use.Hum, Doubt: use.Doubt, Gap: pr.Gap(), Lux: st.Lux, HasLux: st.HasLux,
	}
	if use.Temp {
		p.Main, p.Hot, p.Cold, p.HotProbe = t, t, t, i
	}
	if use.Hum {
		p.Hum, p.HumProbe = int32(st.Hum), i
	}
	en.Now = p
}

// median sorts s, which is short, and returns its middle, the mean of the two
// middle ones for an even number.
func median(s []int32) int32 {
	for i := 1; i < len(s); i++ {
		for j := i; j > 0 && s[j] < s[j-1]; j-- {
			s[j], s[j-1] = s[j-1], s[j]
		}
	}
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}

// hotInput classifies the hottest trustworthy temperature.
func (v *View) HotInput(en *Enclosure, now time.Duration, limit, deadband int32) alarm.Input {
	in := alarm.Missing
	if en.Now.HasTemp {
		in = alarm.High(en.Now.Hot, limit, deadband)
	}
	if in == alarm.Back && v.anyDoubt(en, now, Upper, limit, deadband, false) {
		return alarm.Missing
	}
	return in
}

// mainInput classifies the temperature that the band is judged on.
func (v *View) MainInput(en *Enclosure, now time.Duration, d Side, limit, deadband int32) alarm.Input {
	if !en.Now.HasTemp {
		return alarm.Missing
	}
	in := d.Classify(en.Now.Main, limit, deadband)
	if in == alarm.Back && v.anyDoubt(en, now, d, limit, deadband, en.HasLitter) {
		return alarm.Missing
	}
	return in
}

// anyDoubt asks the probes, or only those in the litter, that take no part now.
func (v *View) anyDoubt(en *Enclosure, now time.Duration, d Side, limit, deadband int32, litterOnly bool) bool {
	for _, i := range en.Probes {
		p := &v.Probes[i]
		if litterOnly && p.Cfg.Place != configs.Litter {
			continue
		}
		if p.InDoubt(&v.Cfg.Rules, now, d, limit, deadband) {
			return true
		}
	}
	return false
}
