package rules

import (
	"cmp"
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// explain fills what a person is told with a transition: cause and detail.
func (e *Engine) explain(s *slot, now sensors.Instant, c alarm.Change) {
	r := &s.rec
	if c.From == alarm.Norm && !r.Life.Active { // put away in peace: nothing was judged
		r.Value, r.HasValue, r.Limit, r.HasLimit = 0, false, 0, false
	}
	if c.Changed() && (c.To == alarm.Unack || c.To == alarm.Suppressed) || r.Cause.Kind == "" || c.Why == whyCause {
		r.Cause, r.Detail.Evidence = e.causeOf(s, now)
	}
	r.Detail = Detail{Evidence: r.Detail.Evidence, Place: e.place(s)}
	if s.kind.Row().Of == alarm.OfEnclosure {
		e.detailEnclosure(&e.encls[s.subj], s, now)
	}
	if s.kind.Row().Of == alarm.OfDewline {
		r.Detail.Evidence = said(r.Given.Evidence)
	}
	e.advise(s, &r.Detail)
	if r.Life.Unknown {
		r.Detail.Unknown = append(r.Detail.Unknown, alarm.Fact{ID: alarm.FactNoReading})
	}
	r.Text = "" // of an older version
	e.tell(s, now, c)
}

// detailEnclosure fills rate, time left and what was excused.
func (e *Engine) detailEnclosure(en *enclosure, s *slot, now sensors.Instant) {
	d := &s.rec.Detail
	if s.kind.Row().ByTemperature {
		e.detailTemperature(en, s, now)
	}
	if en.lamps >= 0 && !e.lamps[en.lamps].known {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactNoDayNight})
	}
	if s.kind == alarm.KindFloor && en.st.HasExcuse && now.Mono < en.st.Excused {
		d.Excused = append(d.Excused, alarm.Fact{ID: alarm.FactDoorOpened, For: now.Mono - en.st.DoorAt})
	}
	if s.kind == alarm.KindFloor && e.standsIn(en) {
		d.Unknown = append(d.Unknown, e.standInFact(en))
	}
	if s.kind == alarm.KindExposure && en.st.Dose.Unknown > 0 {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactDoseGaps, For: en.st.Dose.Unknown})
	}
}

// detailTemperature fills what a person needs beside a temperature.
func (e *Engine) detailTemperature(en *enclosure, s *slot, now sensors.Instant) {
	d, hot := &s.rec.Detail, s.kind != alarm.KindBelow && en.now.hasTemp
	if hot {
		d.Temperature, d.Ceiling = float64(en.now.hot)/100, float64(en.lim.ceiling)/100
	}
	if slope, ok := en.st.Trend.Slope(); ok {
		d.RatePerHour, d.HasRate = round(slope.PerHour, 10), true
		if hot && slope.PerHour > climbs && en.now.hot < en.lim.ceiling {
			e.detailAhead(en, now, slope, d)
		}
	} else {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactNoRate})
	}
	if _, ok := e.roomTemp(now.Mono); !ok {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactNoRoom})
	}
}

func (e *Engine) detailAhead(en *enclosure, now sensors.Instant, slope climate.Slope, d *Detail) {
	if en.st.Ahead.At != now.Mono {
		e.forecast(en, now, slope)
	}
	if d.TimeToCeiling = rangeOf(en.st.Ahead.ToCeiling); d.TimeToCeiling != nil {
		d.LampsOffGain = gainOf(en.st.Ahead.LampsOff)
	}
}

// rangeOf turns a forecast into whole minutes, nil where nothing can be said.
func rangeOf(t climate.Eta) *Range {
	if !t.Known {
		return nil
	}
	return &Range{FromMinutes: math.Round(t.From.Minutes()), ToMinutes: math.Round(t.To.Minutes())}
}

// gainOf is rangeOf for time won, nil where it is not worth a word.
func gainOf(t climate.Eta) *Range {
	if r := rangeOf(t); r != nil && r.ToMinutes >= 5 {
		return r
	}
	return nil
}

func round(v, per float64) float64 { return math.Round(v*per) / per }

// said are words from outside, as facts.
func said(list []string) []alarm.Fact {
	var out []alarm.Fact
	for _, text := range list {
		out = append(out, alarm.Fact{ID: alarm.FactSaid, Note: text})
	}
	return out
}

// tell notes what became of an alarm: since when, for how long, what is the
// matter.
func (e *Engine) tell(s *slot, now sensors.Instant, c alarm.Change) {
	d, l := &s.rec.Detail, &s.rec.Life
	d.Active, d.Turn, d.Is = l.Active, alarm.TurnActive, e.state(s)
	d.Value, d.Limit, d.Peak = s.rec.Value, s.rec.Limit, s.rec.Peak
	if !l.Since.IsZero() {
		d.For, d.Began = now.Sub(l.Since), e.local(l.Since.Wall, l.Since.Synced && now.Synced)
	}
	switch {
	case c.To == alarm.OutOfService:
		d.Turn = alarm.TurnOut
		if l.Out != nil {
			d.Until, d.Left = e.local(l.Out.Until, now.Synced), l.Out.Mono-now.Mono
		}
	case c.To == alarm.Shelved:
		d.Turn = alarm.TurnShelved
		if l.Shelf != nil {
			d.Left = l.Shelf.Until - now.Mono
		}
	case c.To == alarm.Suppressed:
		d.Turn = alarm.TurnSuppressed
	case c.Why == alarm.WhyConfig:
		d.Turn = alarm.TurnRemoved
	case !l.Active:
		e.ended(s, c)
	}
}

// ended notes how an alarm is over.
func (e *Engine) ended(s *slot, c alarm.Change) {
	d, l := &s.rec.Detail, &s.rec.Life
	if !l.Since.IsZero() {
		d.Lasted = max(l.EndedAt-l.Since.Mono, 0)
	}
	switch c.To {
	case alarm.LatchUnack, alarm.LatchAck:
		d.Turn = alarm.TurnHeld
	case alarm.RTNUN:
		d.Turn = alarm.TurnUnanswered
	default:
		d.Turn = alarm.TurnOver
	}
}

// local is a time by the room's clock, empty where nobody knows it.
func (e *Engine) local(t time.Time, known bool) alarm.LocalTime {
	if !known {
		return ""
	}
	return alarm.LocalTime(t.In(e.loc).Format(alarm.LocalLayout))
}

// place says where the subject is.
func (e *Engine) place(s *slot) (p alarm.Place) {
	en := e.enclosureOf(s)
	if s.kind.Row().Of == alarm.OfProbe {
		c := &e.probes[s.subj].cfg
		p.Probe, p.At = c.ID, string(c.Place)
	}
	if en != nil {
		p.Enclosure = cmp.Or(en.cfg.Name, en.cfg.ID)
		p.Rack, p.Shelf, p.Slot = en.cfg.Rack, en.cfg.Shelf, en.cfg.Slot
	}
	return p
}

// enclosureOf is the enclosure that an alarm or its probe is of, nil for none.
func (e *Engine) enclosureOf(s *slot) *enclosure {
	switch {
	case s.kind.Row().Of == alarm.OfEnclosure:
		return &e.encls[s.subj]
	case s.kind.Row().Of == alarm.OfProbe && e.probes[s.subj].encl >= 0:
		return &e.encls[e.probes[s.subj].encl]
	}
	return nil
}
