package rules

import (
	"slices"
	"strings"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// views makes what is shown of enclosures and probes, with the air around.
type views struct {
	v   *room.View
	air alarm.Air
}

func viewsOf(v *room.View) views {
	w := views{v: v}
	if air := v.AirAround(v.Latest.Mono); air != nil {
		w.air = *air
	}
	return w
}

// Enclosures returns a snapshot of every enclosure in file order.
func (e *Engine) Enclosures() []EnclosureView {
	list := make([]EnclosureView, len(e.v.Enclosures))
	w := viewsOf(e.v)
	for i := range e.v.Enclosures {
		list[i] = w.viewEnclosure(&e.v.Enclosures[i])
	}
	return list
}

// EnclosuresOf returns a snapshot of each enclosure that one of the alarms is of.
func (e *Engine) EnclosuresOf(alarms []AlarmView) []EnclosureView {
	var list []EnclosureView
	seen, w := make(map[int]bool), viewsOf(e.v)
	for i := range alarms {
		if j, ok := e.v.EnclosureByID[alarms[i].Key.Subject]; ok && !seen[j] {
			seen[j] = true
			list = append(list, w.viewEnclosure(&e.v.Enclosures[j]))
		}
	}
	return list
}

func (w views) viewEnclosure(en *room.Enclosure) EnclosureView {
	now := w.v.Latest.Mono
	low, high, name := w.v.Band(en)
	v := EnclosureView{
		EnclosureHome: EnclosureHome{
			ID: en.Cfg.ID, Name: en.Cfg.Name, Rack: en.Cfg.Rack, Shelf: en.Cfg.Shelf, Slot: en.Cfg.Slot,
			Species: en.Cfg.Species, Stage: string(en.Cfg.Stage),
		},
		At:           Moment{en.St.At},
		EnclosureAir: EnclosureAir{RoomWet: w.air.Room, OutsideWet: w.air.Outside},
		BandName:     name,
		EnclosureLimits: EnclosureLimits{
			BandLow: float64(low) / 100, BandHigh: float64(high) / 100,
			Floor: float64(en.Limits.Floor) / 100, Warn: float64(en.Limits.Warn) / 100,
			Act: float64(en.Limits.Act) / 100, Lethal: float64(en.Limits.Lethal) / 100,
		},
		EnclosureState: EnclosureState{OutOfService: en.OutOfService(), Unknown: []string{}, Alarms: []alarm.ID{}},
	}
	w.viewMeasures(en, &v, now)
	if v.Temperature.Known {
		v.BlownIn = climate.BlownIn(w.air.Room, v.Temperature.Value)
	}
	w.viewEstimates(en, &v, now)
	for k := range en.Alarms {
		v.Alarms, v.Worst = addAlarm(&en.Alarms[k], v.Alarms, v.Worst)
	}
	for _, i := range en.Probes {
		for k := range w.v.Probes[i].Alarms {
			v.Alarms, v.Worst = addAlarm(&w.v.Probes[i].Alarms[k], v.Alarms, v.Worst)
		}
	}
	return v
}

func addAlarm(s *room.Alarm, list []alarm.ID, worst *alarm.Priority) ([]alarm.ID, *alarm.Priority) {
	if !s.Open() {
		return list, worst
	}
	if p := s.Rec.Priority; s.Rec.Life.State.Annunciated() && (worst == nil || p > *worst) {
		worst = &p
	}
	return append(list, s.Rec.Key.Alarm), worst
}

// viewMeasures fills what the probes say, or said last. It is the one place
// that decides which probe an enclosure's number is of.
func (w views) viewMeasures(en *room.Enclosure, v *EnclosureView, now time.Duration) {
	temp, hum := w.v.Sources(en, now)
	v.Blind = !temp && !hum
	v.Temperature = w.temperatureOf(en, now, temp)
	v.Band = w.bandOf(en, v.Temperature)
	v.Humidity = w.humidityOf(en, now, hum)
	if !v.Temperature.Known {
		v.Unknown = append(v.Unknown, "temperature")
	}
	if !v.Humidity.Known {
		v.Unknown = append(v.Unknown, "humidity")
	}
	if v.Temperature.Known && v.Humidity.Known {
		w.viewMoisture(v)
	}
}

// temperatureOf is the temperature of the hottest trustworthy probe, as the
// lethal limit is judged; while none is, the last trusted one of any.
func (w views) temperatureOf(en *room.Enclosure, now time.Duration, known bool) Measure {
	if known && en.Now.HasTemp {
		return w.temperatureAt(en.Now.HotProbe, now, true)
	}
	last := -1
	for _, i := range en.Probes {
		if st := &w.v.Probes[i].St; st.HasTemp && (last < 0 || st.TempAt > w.v.Probes[last].St.TempAt) {
			last = i
		}
	}
	if last < 0 {
		return Measure{}
	}
	return w.temperatureAt(last, now, known)
}

// temperatureAt is the temperature that a probe told last, or tells.
func (w views) temperatureAt(i int, now time.Duration, known bool) Measure {
	p := &w.v.Probes[i]
	return measureOf(p, p.St.Temp.Celsius(), now-p.St.TempAt, known)
}

func measureOf(p *room.Probe, value float64, age time.Duration, known bool) Measure {
	return Measure{Value: value, Known: known, Ever: true, Age: age, Probe: p.Cfg.ID, Place: string(p.Cfg.Place)}
}

// bandOf is the temperature that the band is judged on, with its probe where it
// is the value of one.
func (w views) bandOf(en *room.Enclosure, hottest Measure) Measure {
	m := hottest
	if !m.Known || !en.Now.HasTemp {
		return m
	}
	m.Value, m.Probe, m.Place = float64(en.Now.Main)/100, "", ""
	best := room.NumRanks
	for _, i := range en.Probes {
		p := &w.v.Probes[i]
		if r := room.RankOf(p.Cfg.Place); r < best && int32(p.St.Temp) == en.Now.Main && p.Usable(&w.v.Cfg.Rules, w.v.Latest.Mono) {
			best, m.Probe, m.Place, m.Age = r, p.Cfg.ID, string(p.Cfg.Place), w.v.Latest.Mono-p.St.TempAt
		}
	}
	return m
}

// humidityOf is the humidity of the probe that the floor is judged on, or,
// where that is the middle of several, of the one next to it, the drier of two.
// Where nothing is trusted it is what a doubted probe says now, or else the
// last good value.
func (w views) humidityOf(en *room.Enclosure, now time.Duration, known bool) Measure {
	best, doubted, last := -1, -1, -1
	for _, i := range en.Probes {
		p := &w.v.Probes[i]
		switch {
		case known && en.Now.HasHum && p.HumUsable(&w.v.Cfg.Rules, now):
			if best < 0 || nearer(p, &w.v.Probes[best], en.Now.Hum) {
				best = i
			}
		case wild(w.v, p, now) != "":
			doubted = i
		}
		if p.St.HasHum && (last < 0 || p.St.HumAt > w.v.Probes[last].St.HumAt) {
			last = i
		}
	}
	if best < 0 && doubted >= 0 {
		p := &w.v.Probes[doubted]
		hum, at := wildHum(p)
		m := measureOf(p, hum.Percent(), now-at, false)
		m.Doubt = wild(w.v, p, now)
		return m
	}
	if best >= 0 { // then it is known
		last = best
	}
	if last < 0 {
		return Measure{}
	}
	p := &w.v.Probes[last]
	m := measureOf(p, p.St.Hum.Percent(), now-p.St.HumAt, known)
	m.Uncertainty = max(p.St.HumLess, p.St.HumMore).Percent()
	return m
}

// nearer reports whether p's humidity, in hundredths of a percent, tells better
// than q's what is judged.
func nearer(p, q *room.Probe, judged int32) bool {
	off, other := room.Abs(int32(p.St.Hum)-judged), room.Abs(int32(q.St.Hum)-judged)
	return off < other || off == other && (p.Cfg.FloorProbe || p.St.Hum < q.St.Hum)
}

// wildHum is the humidity that wild is about.
func wildHum(p *room.Probe) (sensors.CentiPercent, time.Duration) {
	if p.St.HumLost {
		return p.St.WildHum, p.St.WildHumAt
	}
	return p.St.Hum, p.St.HumAt
}

// viewMoisture fills what temperature and humidity say together: both of the
// probe that the humidity is of, or the band's temperature where that probe
// has none.
func (w views) viewMoisture(v *EnclosureView) {
	t := v.Band.Value
	if i, ok := w.v.ByID[sensors.ProbeID(v.Humidity.Probe)]; ok && w.v.Probes[i].Usable(&w.v.Cfg.Rules, w.v.Latest.Mono) {
		t = w.v.Probes[i].St.Temp.Celsius()
	}
	dew, err := climate.DewPoint(t, v.Humidity.Value)
	v.DewPoint = Given(err == nil, Tenth(dew))
	deficit, err := climate.VPD(t, v.Humidity.Value)
	v.VPD = Given(err == nil, Tenth(deficit))
}

func (w views) viewEstimates(en *room.Enclosure, v *EnclosureView, now time.Duration) {
	st := &en.St
	v.Exposure, v.MissedMists = Share(st.Dose.Fraction(en.DoseLimits)), st.Missed
	if en.Lamps >= 0 && w.v.Lamps[en.Lamps].Known {
		on := w.v.Lamps[en.Lamps].On
		v.LampsOn = &on
	} else if en.Lamps >= 0 {
		v.Unknown = append(v.Unknown, "lamps")
	}
	if slope, _, ok := en.Rise(); ok && v.Temperature.Known {
		v.RatePerHour = Given(true, Tenth(slope.Shown()))
		if now-st.Ahead.At <= 3*room.SlowEvery {
			v.ToLethal, v.LampsOffGain = room.RangeOf(st.Ahead.ToLethal), room.GainOf(st.Ahead.LampsOff)
		}
	}
	v.LastMist = Given(st.HasPulse, Seconds(now-st.PulseAt))
	recent, usual, _, ok := st.Dry.Trend()
	v.DryDown, v.DryDownUsual = Given(ok, Seconds(recent)), Given(ok, Seconds(usual))
	if r, ok := st.Night.Report(); ok {
		v.NightDrop, v.NightsNoDrop = Given(true, Tenth(r.Drop)), st.Night.Streak(en.DropMin)
	}
	_, v.DoorOpen = st.Door.Open()
}

// Probes returns a snapshot of every probe in file order.
func (e *Engine) Probes() []ProbeView {
	list := make([]ProbeView, len(e.v.Probes))
	for i := range e.v.Probes {
		list[i] = views{v: e.v}.viewProbe(&e.v.Probes[i])
	}
	return list
}

// Contacts returns a snapshot of every contact in file order.
func (e *Engine) Contacts() []ContactView {
	list := make([]ContactView, len(e.v.Contacts))
	now := e.v.Latest.Mono
	for i := range e.v.Contacts {
		c, v := &e.v.Contacts[i], &list[i]
		v.ID, v.Is, v.Known, v.Serves = c.Cfg.ID, string(c.Cfg.Is), c.Known(now), append([]string{}, c.Cfg.Serves...)
		if !v.Known {
			v.Why = c.St.Why
			continue
		}
		v.Active, v.For = Given(true, c.St.Active), Given(true, Seconds(now-c.St.Since))
		v.Unit = c.Cfg.Low.Unit
		v.Value = Given(v.Unit != "", c.St.Value)
	}
	return list
}

func (w views) viewProbe(p *room.Probe) ProbeView {
	st, now := &p.St, w.v.Latest.Mono
	v := ProbeView{
		ID: p.Cfg.ID, Family: p.Cfg.Family, Place: string(p.Cfg.Place), Enclosure: p.Cfg.Enclosure, Reason: st.Reason.String(),
		ProbeAge: ProbeAge{At: Moment{st.Last}, LastGood: Moment{st.Good}, Age: Given(st.Goods > 0, Seconds(now-st.Good.Mono))},
		ProbeValues: ProbeValues{
			Temperature: Given(st.HasTemp, st.Temp.Celsius()), Humidity: Given(st.HasHum, st.Hum.Percent()),
			LightLux: Given(st.HasLux, st.Lux), Uncertainty: Tenth(max(st.HumLess, st.HumMore).Percent()),
		},
		Readings: st.Readings, Good: st.Goods, Frozen: st.Frozen, Counts: map[string]uint64{},
	}
	if st.Readings > 0 {
		v.Quality = st.Quality.String()
		v.Heard = !st.Heard.IsZero()
		v.Fresh = v.Heard && p.Fresh(&w.v.Cfg.Rules, now, st.Heard.Mono)
		v.HeardAge = Given(true, Seconds(now-p.HeardAt()))
	}
	if v.Fresh { // a probe that delivers one quantity does not vouch for another
		w.viewPresent(p, &v)
	}
	for r, n := range st.Counts {
		if n > 0 {
			v.Counts[sensors.Reason(r).String()] = uint64(n)
		}
	}
	if !st.Seen.IsZero() {
		t, ok := w.v.HumidityDue(p)
		v.HumidityDue = Given(ok, t)
		t, ok = w.v.TemperatureDue(p)
		v.TemperatureDue = Given(ok, t)
	}
	return v
}

// viewPresent keeps what a probe that answers says now, with the doubts about it.
func (w views) viewPresent(p *room.Probe, v *ProbeView) {
	st, now := &p.St, w.v.Latest.Mono
	if !p.Fresh(&w.v.Cfg.Rules, now, st.TempAt) {
		v.Temperature = nil
	}
	if !p.Fresh(&w.v.Cfg.Rules, now, st.HumAt) {
		v.Humidity = nil
	}
	if st.Doubtful || st.Alone {
		v.Temperature, v.TemperatureDoubt = Given(true, st.Doubt.Celsius()), st.Reason.String()
	}
	if why := wild(w.v, p, now); why != "" {
		hum, _ := wildHum(p)
		v.Humidity, v.HumidityDoubt = Given(true, hum.Percent()), why
	}
}

// Alarm returns an alarm that is not NORM, false where it is.
func (e *Engine) Alarm(k alarm.Key) (AlarmView, bool) {
	if s := e.lives.find(k); s != nil && s.Open() {
		return e.lives.view(s), true
	}
	return AlarmView{}, false
}

// Open returns every alarm that is not NORM, the most urgent first.
func (e *Engine) Open() []AlarmView {
	list := []AlarmView{}
	e.lives.eachOpen(func(s *room.Alarm) { list = append(list, e.lives.view(s)) })
	slices.SortStableFunc(list, func(a, b AlarmView) int {
		if a.State.Annunciated() != b.State.Annunciated() {
			if a.State.Annunciated() {
				return -1
			}
			return 1
		}
		if a.Priority != b.Priority {
			return int(b.Priority) - int(a.Priority)
		}
		return strings.Compare(a.ID(), b.ID())
	})
	return list
}

func (ls *lives) view(s *room.Alarm) AlarmView {
	r := &s.Rec
	v := AlarmView{Onset: r.Onset(), State: r.Life.State, Active: r.Life.Active, Unknown: r.Life.Unknown, AckedBy: r.AckedBy}
	ls.advise(s, &v.Detail) // the situation moves while nothing else does
	if r.Life.State.Over() {
		v.OverFor = max(ls.v.Latest.Mono-r.Life.EndedAt, 0)
	}
	switch {
	case r.Life.Out != nil:
		v.ShelfLeft = r.Life.Out.Mono - ls.v.Latest.Mono
	case r.Life.Shelf != nil:
		v.ShelfLeft = r.Life.Shelf.Until - ls.v.Latest.Mono
	}
	return v
}

// wild says why the humidity that a probe delivers now is not trusted, empty
// where it is or where it delivers none. A probe that is wet is wet: it is not
// silent.
func wild(v *room.View, p *room.Probe, now time.Duration) string {
	st := &p.St
	switch {
	case st.HumLost && st.Quality == sensors.Suspect && st.WildHumAt == st.Last.Mono && p.Fresh(&v.Cfg.Rules, now, st.WildHumAt):
		return st.Reason.String()
	case st.Dewy && p.HumFresh(&v.Cfg.Rules, now):
		return sensors.DewTooHigh.String()
	}
	return ""
}
