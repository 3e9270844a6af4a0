package rules

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// EnclosureState is what is remembered of one enclosure beside its alarms.
type EnclosureState struct {
	At      sensors.Instant      `json:"at"` // of the last reading of any of its probes
	Trend   climate.Trend        `json:"trend"`
	Thermal *climate.Thermal     `json:"thermal"`
	Offset  climate.HourOffset   `json:"offset"`
	Dose    climate.Dose         `json:"dose"`
	Mist    climate.MistDetector `json:"mist"`
	Watch   climate.MistWatch    `json:"watch"`
	Dry     climate.DryDown      `json:"dry"`
	Night   climate.Night        `json:"night"`
	Lamps   climate.LampWatch    `json:"lamps"`
	Door    climate.Door         `json:"door"`

	QuickAt   time.Duration `json:"quick_at"` // last time the fast estimators looked
	SlowAt    time.Duration `json:"slow_at"`  // and the slow ones
	RefitAt   time.Duration `json:"refit_at"`
	DoorAt    time.Duration `json:"door_at"` // last opening
	Excused   time.Duration `json:"excused"` // the floor is excused until then
	HasExcuse bool          `json:"has_excuse"`
	PulseAt   time.Duration `json:"pulse_at"` // start of the last mist pulse
	HasPulse  bool          `json:"has_pulse"`
	Missed    int           `json:"missed"`  // scheduled mists in a row without a pulse
	Weak      int           `json:"weak"`    // weak ones in a row
	DryOdd    int           `json:"dry_odd"` // pulses in a row that dried oddly
	Soaks     Soaks         `json:"soaks"`
	StandIn   StandIn       `json:"stand_in,omitzero"`
	Moist     Moist         `json:"moist,omitzero"`
	// Verdict on the mist due at VerdictAt, kept until the whole supply is
	// judged.
	Verdict   climate.MistVerdict `json:"verdict"`
	VerdictAt time.Duration       `json:"verdict_at"`
	DueAt     time.Duration       `json:"due_at"` // last scheduled mist
	HasDue    bool                `json:"has_due"`
	Cut       bool                `json:"cut,omitempty"` // a gap hid whether an endless mist ended

	// Act and Cold are the times at the limits that make the band urgent.
	Act   alarm.Record `json:"act"`
	Cold  alarm.Record `json:"cold"`
	Ahead Ahead        `json:"ahead"`
	// Turns are causes other than those told, for the alarms by temperature.
	Turns [alarm.NumByTemperature]CauseTurn `json:"turns"`
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
type enclosure struct {
	cfg        configs.Enclosure
	sp         configs.Species
	lim        limits
	probes     []int // indices, in file order
	lamps      int   // index of its lamp schedule; -1 for none
	mist       int   // index of its misting schedule; -1 for none
	shelf      int   // enclosures of one rack and shelf share a number
	hasLitter  bool  // a probe hangs there, so the band is judged there
	namedFloor bool  // a probe is named for the floor
	calm       calm
	open       int // alarms that are not NORM
	now        present
	st         EnclosureState
	slots      [int(alarm.FirstProbeKind)]slot
	doseLim    climate.DoseLimits
}

// limits are the species' limits in the units of readings.
type limits struct {
	dayLow, dayHigh, nightLow, nightHigh int32
	warn, act, ceiling, cold             int32
	floor, dry                           int32
}

func limitsOf(s configs.Species) limits {
	c := func(v configs.Celsius) int32 { return int32(sensors.CelsiusOf(float64(v))) }
	p := func(v configs.Percent) int32 { return int32(sensors.PercentOf(float64(v))) }
	return limits{
		dayLow: c(s.Day.Low), dayHigh: c(s.Day.High), nightLow: c(s.Night.Low), nightHigh: c(s.Night.High),
		warn: c(s.Warn), act: c(s.Act), ceiling: c(s.Ceiling), cold: c(s.Cold),
		floor: p(s.Floor), dry: p(s.Dry),
	}
}

// present is what the probes of an enclosure say together at one moment.
type present struct {
	main, hot, cold    int32 // hundredths of °C
	hum                int32 // hundredths of %
	hotProbe, humProbe int   // indices of probes
	hasTemp, hasHum    bool
	doubt              bool          // a probe takes no part, or is doubted
	gap                time.Duration // longest gap that delays may count
	lux                uint32
	hasLux             bool
}

// combine looks at every probe of the enclosure. Heat is judged on the hottest
// trustworthy one; the band on the one over the litter, where frogs live, or
// the median of what there is; the floor on the named one or the median. A
// probe that is silent, doubted or out of service takes no part.
func (e *Engine) combine(en *enclosure, now time.Duration) {
	if len(en.probes) == 1 {
		e.combineOne(en, now)
		return
	}
	var temps [numRanks]few
	var hums few
	p := present{}
	named := false
	rules := &e.cfg.Rules
	for _, i := range en.probes {
		pr := &e.probes[i]
		p.gap = max(p.gap, pr.gap())
		st := &pr.st
		use := pr.use(rules, now)
		p.doubt = p.doubt || use.doubt
		if use.temp {
			p.reach(int32(st.Temp), i)
			temps[rankOf(pr.cfg.Place)].add(int32(st.Temp))
		}
		if use.hum && !named {
			if named = pr.cfg.FloorProbe; named {
				hums.n = 0
			}
			hums.add(int32(st.Hum))
			p.humProbe = i
		}
		if st.HasLux {
			p.lux, p.hasLux = st.Lux, true
		}
	}
	for i := range temps {
		if v, ok := temps[i].median(); ok {
			p.main = v
			break
		}
	}
	p.hum, p.hasHum = hums.median()
	en.now = p
}

// The places that the band is judged on, the first that is there.
const (
	rankLitter = iota
	rankOther
	rankWater
	numRanks
)

func rankOf(p configs.Place) int {
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
type few struct {
	v [8]int32
	n int
}

func (f *few) add(v int32) {
	if f.n < len(f.v) {
		f.v[f.n] = v
		f.n++
	}
}

// median returns the middle value, false for none.
func (f *few) median() (int32, bool) {
	if f.n == 0 {
		return 0, false
	}
	return median(f.v[:f.n]), true
}

// reach takes one more temperature for the hottest and the coldest.
func (p *present) reach(t int32, probe int) {
	if !p.hasTemp {
		p.hot, p.cold, p.hotProbe, p.hasTemp = t, t, probe, true
		return
	}
	if t > p.hot {
		p.hot, p.hotProbe = t, probe
	}
	p.cold = min(p.cold, t)
}

// combineOne is combine for the only probe of an enclosure.
func (e *Engine) combineOne(en *enclosure, now time.Duration) {
	i := en.probes[0]
	pr := &e.probes[i]
	st := &pr.st
	use := pr.use(&e.cfg.Rules, now)
	t := int32(st.Temp)
	p := present{
		hasTemp: use.temp, hasHum: use.hum, doubt: use.doubt, gap: pr.gap(), lux: st.Lux, hasLux: st.HasLux,
	}
	if use.temp {
		p.main, p.hot, p.cold, p.hotProbe = t, t, t, i
	}
	if use.hum {
		p.hum, p.humProbe = int32(st.Hum), i
	}
	en.now = p
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
func (e *Engine) hotInput(en *enclosure, now time.Duration, limit, deadband int32) alarm.Input {
	in := alarm.Missing
	if en.now.hasTemp {
		in = alarm.High(en.now.hot, limit, deadband)
	}
	if in == alarm.Back && e.anyDoubt(en, now, upper, limit, deadband, false) {
		return alarm.Missing
	}
	return in
}

// mainInput classifies the temperature that the band is judged on.
func (e *Engine) mainInput(en *enclosure, now time.Duration, d side, limit, deadband int32) alarm.Input {
	if !en.now.hasTemp {
		return alarm.Missing
	}
	in := d.classify(en.now.main, limit, deadband)
	if in == alarm.Back && e.anyDoubt(en, now, d, limit, deadband, en.hasLitter) {
		return alarm.Missing
	}
	return in
}

// anyDoubt asks the probes, or only those in the litter, that take no part now.
func (e *Engine) anyDoubt(en *enclosure, now time.Duration, d side, limit, deadband int32, litterOnly bool) bool {
	for _, i := range en.probes {
		p := &e.probes[i]
		if litterOnly && p.cfg.Place != configs.Litter {
			continue
		}
		if p.inDoubt(&e.cfg.Rules, now, d, limit, deadband) {
			return true
		}
	}
	return false
}

// judge steps the threshold alarms with what the probes say now. It returns
// false while that is not enough for more than the ceiling.
func (e *Engine) judge(en *enclosure, now sensors.Instant) bool {
	if e.calmNow(en, now.Mono) {
		return true
	}
	en.endCalm()
	e.judgeCeiling(en, now)
	if e.gathering(en, now.Mono) {
		return false
	}
	e.judgeBand(en, now)
	e.judgeFloor(en, now)
	e.beginCalm(en)
	return true
}
