package rules

import (
	"slices"
	"strings"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// Enclosures returns a snapshot of every enclosure in file order.
func (e *Engine) Enclosures() []EnclosureView {
	list := make([]EnclosureView, len(e.encls))
	for i := range e.encls {
		list[i] = e.viewEnclosure(&e.encls[i])
	}
	return list
}

// EnclosuresOf returns a snapshot of each enclosure that one of the alarms is of.
func (e *Engine) EnclosuresOf(alarms []AlarmView) []EnclosureView {
	var list []EnclosureView
	seen := make(map[int]bool)
	for i := range alarms {
		if j, ok := e.encl[alarms[i].Key.Subject]; ok && !seen[j] {
			seen[j] = true
			list = append(list, e.viewEnclosure(&e.encls[j]))
		}
	}
	return list
}

func (e *Engine) viewEnclosure(en *enclosure) EnclosureView {
	now := e.now.Mono
	low, high, name := e.band(en)
	v := EnclosureView{
		ID: en.cfg.ID, Name: en.cfg.Name, Rack: en.cfg.Rack, Shelf: en.cfg.Shelf, Slot: en.cfg.Slot,
		Species: en.sp.ID, Stage: string(en.cfg.Stage), At: en.st.At,
		BandLow: float64(low) / 100, BandHigh: float64(high) / 100, BandName: name,
		Floor: float64(en.lim.floor) / 100, Warn: float64(en.lim.warn) / 100,
		Act: float64(en.lim.act) / 100, Ceiling: float64(en.lim.ceiling) / 100,
		Exposure: en.st.Dose.Fraction(en.doseLim), MissedMists: en.st.Missed,
		OutOfService: en.slots[alarm.KindLethal].rec.Life.State == alarm.OutOfService,
	}
	e.viewMeasures(en, &v, now)
	e.viewEstimates(en, &v, now)
	for k := range en.slots {
		v.Alarms, v.Worst = addAlarm(&en.slots[k], v.Alarms, v.Worst)
	}
	for _, i := range en.probes {
		for k := range e.probes[i].slots {
			v.Alarms, v.Worst = addAlarm(&e.probes[i].slots[k], v.Alarms, v.Worst)
		}
	}
	return v
}

func addAlarm(s *slot, list []AlarmID, worst *Priority) ([]AlarmID, *Priority) {
	if !s.open() {
		return list, worst
	}
	if p := s.rec.Priority; s.rec.Life.State.Annunciated() && (worst == nil || p > *worst) {
		worst = &p
	}
	return append(list, s.rec.Key.Alarm), worst
}

// viewMeasures fills what the probes say, or said last. It is the one place
// that decides which probe an enclosure's number is of.
func (e *Engine) viewMeasures(en *enclosure, v *EnclosureView, now time.Duration) {
	temp, hum := e.sources(en, now)
	v.Blind = !temp && !hum
	v.Temperature = e.temperatureOf(en, now, temp)
	v.Hottest = v.Temperature
	v.Band = e.bandOf(en, v.Temperature)
	v.Humidity = e.humidityOf(en, now, hum)
	if !v.Temperature.Known {
		v.Unknown = append(v.Unknown, "temperature")
	}
	if !v.Humidity.Known {
		v.Unknown = append(v.Unknown, "humidity")
	}
	if v.Temperature.Known && v.Humidity.Known {
		e.viewMoisture(v)
	}
}

// temperatureOf is the temperature of the hottest trustworthy probe, as the
// lethal limit is judged; while none is, the last trusted one of any.
func (e *Engine) temperatureOf(en *enclosure, now time.Duration, known bool) Measure {
	if known && en.now.hasTemp {
		return e.temperatureAt(en.now.hotProbe, now, true)
	}
	last := -1
	for _, i := range en.probes {
		if st := &e.probes[i].st; st.HasTemp && (last < 0 || st.TempAt > e.probes[last].st.TempAt) {
			last = i
		}
	}
	if last < 0 {
		return Measure{}
	}
	return e.temperatureAt(last, now, known)
}

func (e *Engine) temperatureAt(i int, now time.Duration, known bool) Measure {
	p := &e.probes[i]
	return Measure{
		Value: p.st.Temp.Celsius(), Known: known, Ever: true, Age: now - p.st.TempAt, Probe: p.cfg.ID, Place: string(p.cfg.Place),
	}
}

// bandOf is the temperature that the band is judged on, with its probe where it
// is the value of one.
func (e *Engine) bandOf(en *enclosure, hottest Measure) Measure {
	m := hottest
	if !m.Known || !en.now.hasTemp {
		return m
	}
	m.Value, m.Probe, m.Place = float64(en.now.main)/100, "", ""
	best := numRanks
	for _, i := range en.probes {
		p := &e.probes[i]
		if r := rankOf(p.cfg.Place); r < best && int32(p.st.Temp) == en.now.main && p.usable(&e.cfg.Rules, e.now.Mono) {
			best, m.Probe, m.Place, m.Age = r, p.cfg.ID, string(p.cfg.Place), e.now.Mono-p.st.TempAt
		}
	}
	return m
}

// humidityOf is the humidity of the probe that the floor is judged on, or,
// where that is the middle of several, of the one next to it, the drier of two.
// Where nothing is trusted it is what a doubted probe says now, or else the
// last good value.
func (e *Engine) humidityOf(en *enclosure, now time.Duration, known bool) Measure {
	best, doubted, last := -1, -1, -1
	for _, i := range en.probes {
		p := &e.probes[i]
		switch {
		case known && en.now.hasHum && p.humUsable(&e.cfg.Rules, now):
			if best < 0 || p.nearer(&e.probes[best], en.now.hum) {
				best = i
			}
		case e.wild(p, now) != "":
			doubted = i
		}
		if p.st.HasHum && (last < 0 || p.st.HumAt > e.probes[last].st.HumAt) {
			last = i
		}
	}
	switch {
	case best >= 0:
		return e.humidityAt(best, now, true)
	case doubted >= 0:
		p := &e.probes[doubted]
		hum, at := p.wildHum()
		return Measure{
			Value: hum.Percent(), Ever: true, Age: now - at, Probe: p.cfg.ID, Place: string(p.cfg.Place), Doubt: e.wild(p, now),
		}
	case last >= 0:
		return e.humidityAt(last, now, known)
	}
	return Measure{}
}

// nearer reports whether p's humidity, in hundredths of a percent, tells better
// than q's what is judged.
func (p *probe) nearer(q *probe, judged int32) bool {
	off, other := abs(int32(p.st.Hum)-judged), abs(int32(q.st.Hum)-judged)
	return off < other || off == other && (p.cfg.FloorProbe || p.st.Hum < q.st.Hum)
}

func (e *Engine) humidityAt(i int, now time.Duration, known bool) Measure {
	p := &e.probes[i]
	return Measure{
		Value: p.st.Hum.Percent(), Known: known, Ever: true, Age: now - p.st.HumAt,
		Uncertainty: max(p.st.HumLess, p.st.HumMore).Percent(), Probe: p.cfg.ID, Place: string(p.cfg.Place),
	}
}

// wild says why the humidity that a probe delivers now is not trusted, empty
// where it is or where it delivers none. A probe that is wet is wet: it is not
// silent.
func (e *Engine) wild(p *probe, now time.Duration) string {
	st := &p.st
	switch {
	case st.HumLost && st.Quality == sensors.Suspect && st.WildHumAt == st.Last.Mono && p.fresh(&e.cfg.Rules, now, st.WildHumAt):
		return st.Reason.String()
	case st.Dewy && p.humFresh(&e.cfg.Rules, now):
		return sensors.DewTooHigh.String()
	}
	return ""
}

// wildHum is the humidity that wild is about.
func (p *probe) wildHum() (sensors.CentiPercent, time.Duration) {
	if p.st.HumLost {
		return p.st.WildHum, p.st.WildHumAt
	}
	return p.st.Hum, p.st.HumAt
}

// viewMoisture fills what temperature and humidity say together: both of the
// probe that the humidity is of, or the band's temperature where that probe
// has none.
func (e *Engine) viewMoisture(v *EnclosureView) {
	t := v.Band.Value
	if i, ok := e.byID[sensors.ProbeID(v.Humidity.Probe)]; ok && e.probes[i].usable(&e.cfg.Rules, e.now.Mono) {
		t = e.probes[i].st.Temp.Celsius()
	}
	if dew, err := climate.DewPoint(t, v.Humidity.Value); err == nil {
		v.DewPoint = &dew
	}
	if deficit, err := climate.VPD(t, v.Humidity.Value); err == nil {
		v.VPD = &deficit
	}
}

// viewEstimates fills what was computed.
func (e *Engine) viewEstimates(en *enclosure, v *EnclosureView, now time.Duration) {
	st := &en.st
	if en.lamps >= 0 && e.lamps[en.lamps].known {
		on := e.lamps[en.lamps].on
		v.LampsOn = &on
	} else if en.lamps >= 0 {
		v.Unknown = append(v.Unknown, "lamps")
	}
	if slope, ok := st.Trend.Slope(); ok && v.Temperature.Known {
		v.RatePerHour = &slope.PerHour
		if now-st.Ahead.At <= 3*slowEvery {
			v.ToCeiling, v.LampsOffGain = rangeOf(st.Ahead.ToCeiling), gainOf(st.Ahead.LampsOff)
		}
	}
	if st.HasPulse {
		age := now - st.PulseAt
		v.LastMist = &age
	}
	if recent, usual, _, ok := st.Dry.Trend(); ok {
		v.DryDown, v.DryDownUsual = &recent, &usual
	}
	if r, ok := st.Night.Report(); ok {
		v.NightDrop = &r.Drop
		v.NightsNoDrop = st.Night.Streak(float64(en.sp.DropMin))
	}
	_, v.DoorOpen = st.Door.Open()
}

// Probes returns a snapshot of every probe in file order.
func (e *Engine) Probes() []ProbeView {
	list := make([]ProbeView, len(e.probes))
	for i := range e.probes {
		list[i] = e.viewProbe(&e.probes[i])
	}
	return list
}

func (e *Engine) viewProbe(p *probe) ProbeView {
	st := &p.st
	v := ProbeView{
		ID: p.cfg.ID, Family: p.cfg.Family, Place: string(p.cfg.Place), Enclosure: p.cfg.Enclosure,
		At: st.Last, LastGood: st.Good, Age: e.now.Mono - st.Good.Mono, Reason: st.Reason.String(),
		HasTemperature: st.HasTemp, Temperature: st.Temp, HasHumidity: st.HasHum, Humidity: st.Hum,
		HasLight: st.HasLux, LightLux: st.Lux, Uncertainty: max(st.HumLess, st.HumMore).Percent(),
		Readings: st.Readings, Good: st.Goods, Frozen: st.Frozen,
	}
	if st.Readings > 0 {
		v.Quality = st.Quality.String()
		v.Fresh = !st.Heard.IsZero() && p.fresh(&e.cfg.Rules, e.now.Mono, st.Heard.Mono)
		v.HeardAge = e.now.Mono - p.heard()
	}
	if v.Fresh { // a probe that delivers one quantity does not vouch for another
		e.viewPresent(p, &v)
	}
	for r, n := range st.Counts {
		if n == 0 {
			continue
		}
		if v.Counts == nil {
			v.Counts = map[string]uint64{}
		}
		v.Counts[sensors.Reason(r).String()] = n
	}
	if !st.Seen.IsZero() {
		if t, ok := e.humidityDue(p); ok {
			v.HumidityDue = &t
		}
		if t, ok := e.temperatureDue(p); ok {
			v.TemperatureDue = &t
		}
	}
	return v
}

// viewPresent keeps what a probe that answers says now, with the doubts about it.
func (e *Engine) viewPresent(p *probe, v *ProbeView) {
	st := &p.st
	v.HasTemperature = v.HasTemperature && p.fresh(&e.cfg.Rules, e.now.Mono, st.TempAt)
	v.HasHumidity = v.HasHumidity && p.fresh(&e.cfg.Rules, e.now.Mono, st.HumAt)
	if st.Doubtful || st.Alone {
		v.HasTemperature, v.Temperature, v.TemperatureDoubt = true, st.Doubt, st.Reason.String()
	}
	if why := e.wild(p, e.now.Mono); why != "" {
		hum, _ := p.wildHum()
		v.HasHumidity, v.Humidity, v.HumidityDoubt = true, hum, why
	}
}

// Open returns every alarm that is not NORM, the most urgent first.
func (e *Engine) Open() []AlarmView {
	list := []AlarmView{}
	e.eachOpen(func(s *slot) { list = append(list, e.viewAlarm(s)) })
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
		return strings.Compare(OnsetID(a.Key, 0), OnsetID(b.Key, 0))
	})
	return list
}

func (e *Engine) viewAlarm(s *slot) AlarmView {
	r := &s.rec
	told := s.rec
	e.advise(s, &told.Detail) // the situation moves while nothing else does
	v := AlarmView{
		Key: r.Key, ID: OnsetID(r.Key, r.Life.Seq), Seq: r.Life.Seq, State: r.Life.State,
		Active: r.Life.Active, Unknown: r.Life.Unknown, Priority: r.Priority, Cause: r.Cause,
		Value: r.Value, HasValue: r.HasValue, Limit: r.Limit, HasLimit: r.HasLimit, Unit: r.Unit,
		Since: r.Life.Since, AckedBy: r.AckedBy, Text: r.Text, Detail: told.Detail,
	}
	switch r.Life.State {
	case alarm.RTNUN, alarm.LatchUnack, alarm.LatchAck:
		v.OverFor = max(e.now.Mono-r.Life.EndedAt, 0)
	}
	switch {
	case r.Life.Out != nil:
		v.ShelfLeft = r.Life.Out.Mono - e.now.Mono
	case r.Life.Shelf != nil:
		v.ShelfLeft = r.Life.Shelf.Until - e.now.Mono
	}
	return v
}
