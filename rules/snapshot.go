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
		OutOfService: en.slots[kLethal].rec.Life.State == alarm.OutOfService,
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

// viewMeasures fills what the probes say, or said last.
func (e *Engine) viewMeasures(en *enclosure, v *EnclosureView, now time.Duration) {
	e.viewLast(en, v, now)
	temp, hum := e.sources(en, now)
	v.Blind = !temp && !hum
	if temp {
		v.Temperature.Known, v.Hottest.Known = true, true
		if en.now.hasTemp {
			v.Temperature.Value, v.Hottest.Value = float64(en.now.main)/100, float64(en.now.hot)/100
		}
	} else {
		v.Unknown = append(v.Unknown, "temperature")
	}
	if hum {
		v.Humidity.Known = true
		if en.now.hasHum {
			v.Humidity.Value = float64(en.now.hum) / 100
		}
	} else {
		v.Unknown = append(v.Unknown, "humidity")
	}
	if temp && hum {
		viewMoisture(v)
	}
}

// viewLast fills the last trusted values, of whatever age: those of the probes
// that the enclosure is judged on, or else of the first that ever had one.
func (e *Engine) viewLast(en *enclosure, v *EnclosureView, now time.Duration) {
	for _, i := range en.probes {
		p := &e.probes[i]
		st := &p.st
		if st.HasTemp && (!v.Temperature.Ever || i == en.now.hotProbe) {
			m := Measure{Value: st.Temp.Celsius(), Ever: true, Age: now - st.TempAt, Probe: p.cfg.ID}
			v.Hottest, v.Temperature = m, m
		}
		if st.HasHum && (!v.Humidity.Ever || i == en.now.humProbe) {
			v.Humidity = Measure{Value: st.Hum.Percent(), Ever: true, Age: now - st.HumAt, Probe: p.cfg.ID,
				Uncertainty: max(st.HumLess, st.HumMore).Percent()}
		}
	}
}

// viewMoisture fills what temperature and humidity say together.
func viewMoisture(v *EnclosureView) {
	if dew, err := climate.DewPoint(v.Temperature.Value, v.Humidity.Value); err == nil {
		v.DewPoint = &dew
	}
	if deficit, err := climate.VPD(v.Temperature.Value, v.Humidity.Value); err == nil {
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
		v.Fresh = st.Goods > 0 && p.fresh(&e.cfg.Rules, e.now.Mono, st.Good.Mono)
	}
	if v.Fresh { // a probe that delivers one quantity does not vouch for another
		v.HasTemperature = v.HasTemperature && p.fresh(&e.cfg.Rules, e.now.Mono, st.TempAt)
		v.HasHumidity = v.HasHumidity && p.fresh(&e.cfg.Rules, e.now.Mono, st.HumAt)
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

// Open returns every alarm that is not NORM, the most urgent first.
func (e *Engine) Open() []AlarmView {
	list := []AlarmView{}
	e.eachSlot(func(s *slot) {
		if s.open() {
			list = append(list, e.viewAlarm(s))
		}
	})
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
	text, detail := told.told()
	v := AlarmView{
		Key: r.Key, ID: OnsetID(r.Key, r.Life.Seq), Seq: r.Life.Seq, State: r.Life.State,
		Active: r.Life.Active, Unknown: r.Life.Unknown, Priority: r.Priority, Cause: r.Cause,
		Value: r.Value, HasValue: r.HasValue, Limit: r.Limit, HasLimit: r.HasLimit, Unit: r.Unit,
		Since: r.Life.Since, AckedBy: r.AckedBy, Text: text, Detail: detail,
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
