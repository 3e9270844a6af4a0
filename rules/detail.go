package rules

import (
	"cmp"
	"math"

	"dewline/rules/advice"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// explain fills what a person is told with a transition: cause and detail.
func (ls *lives) explain(s *room.Alarm, now sensors.Instant, c alarm.Change) {
	r := &s.Rec
	if c.From == alarm.Norm && !r.Life.Active { // put away in peace: nothing was judged
		r.Value, r.HasValue, r.Limit, r.HasLimit = 0, false, 0, false
	}
	d := &alarm.Detail{Evidence: r.Told().Evidence, Place: ls.place(s)}
	if c.Changed() && (c.To == alarm.Unack || c.To == alarm.Suppressed) || r.Cause.Kind == "" || c.Why == whyCause {
		r.Cause, d.Evidence = ls.causeOf(s)
	}
	r.Detail = d
	if s.Kind.Row().Of == alarm.OfEnclosure {
		ls.detailEnclosure(&ls.v.Enclosures[s.Index], s, now)
	}
	if r.Given != nil {
		d.Evidence = r.Given.Evidence
	}
	ls.advise(s, d)
	if r.Life.Unknown {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactNoReading})
	}
	r.Text = "" // of an older version
	ls.tell(s, now, c)
}

// detailEnclosure fills rate, time left and what was excused.
func (ls *lives) detailEnclosure(en *room.Enclosure, s *room.Alarm, now sensors.Instant) {
	d := s.Rec.Detail
	if s.Kind.Row().ByTemperature {
		ls.detailTemperature(en, s, now)
	}
	if en.Lamps >= 0 && !ls.v.Lamps[en.Lamps].Known {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactNoDayNight})
	}
	if j, ok := ls.judge[s.Kind].(detailer); ok {
		j.Detail(ls.v, s, d)
	}
}

// detailTemperature fills what a person needs beside a temperature.
func (ls *lives) detailTemperature(en *room.Enclosure, s *room.Alarm, now sensors.Instant) {
	d, hot := s.Rec.Detail, !s.Kind.Row().Low && en.Now.HasTemp
	if hot {
		d.Temperature, d.Lethal = float64(en.Now.Hot)/100, float64(en.Limits.Lethal)/100
		d.Air = ls.v.AirAround(now.Mono)
	}
	if slope, _, ok := en.Rise(); ok {
		d.RatePerHour, d.HasRate = round(slope.Shown(), 10), true
		if hot && slope.PerHour > room.Climbs && en.Now.Hot < en.Limits.Lethal {
			ls.detailAhead(en, now, slope, d)
		}
	} else {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactNoRate})
	}
	if _, ok := ls.v.RoomTemp(now.Mono); !ok {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactNoRoom})
	}
}

func (ls *lives) detailAhead(en *room.Enclosure, now sensors.Instant, slope climate.Slope, d *alarm.Detail) {
	if en.St.Ahead.At != now.Mono {
		ls.v.Forecast(en, now, slope, false)
	}
	if d.TimeToLethal = room.RangeOf(en.St.Ahead.ToLethal); d.TimeToLethal != nil {
		d.LampsOffGain = room.GainOf(en.St.Ahead.LampsOff)
	}
}

func round(v, per float64) float64 { return math.Round(v*per) / per }

// tell notes what became of an alarm: since when, for how long, what is the
// matter.
func (ls *lives) tell(s *room.Alarm, now sensors.Instant, c alarm.Change) {
	d, l := s.Rec.Detail, &s.Rec.Life
	d.Active, d.Turn, d.Is = l.Active, alarm.TurnActive, ls.state(s)
	d.Value, d.Limit = s.Rec.Value, s.Rec.Limit
	if !l.Since.IsZero() {
		d.For, d.Began = now.Sub(l.Since), ls.v.Local(l.Since.Wall, l.Since.Synced && now.Synced)
	}
	switch {
	case c.To == alarm.OutOfService:
		d.Turn = alarm.TurnOut
		if l.Out != nil {
			d.Until, d.Left = ls.v.Local(l.Out.Until, now.Synced), l.Out.Mono-now.Mono
		}
	case c.To == alarm.Shelved:
		d.Turn = alarm.TurnShelved
		if l.Shelf != nil {
			d.Left = l.Shelf.Until - now.Mono
			d.Until = ls.v.Local(now.Wall.Add(d.Left), now.Synced)
		}
	case c.To == alarm.Suppressed:
		d.Turn = alarm.TurnSuppressed
	case c.Why == alarm.WhyConfig:
		d.Turn = alarm.TurnRemoved
	case !l.Active:
		ls.ended(s, c)
	}
}

func (ls *lives) ended(s *room.Alarm, c alarm.Change) {
	d, l := s.Rec.Detail, &s.Rec.Life
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

func (ls *lives) place(s *room.Alarm) (p alarm.Place) {
	en := ls.v.EnclosureOf(s)
	if s.Kind.Row().Of == alarm.OfProbe {
		c := ls.v.Probes[s.Index].Cfg
		p.Probe, p.At = c.ID, string(c.Place)
	}
	if en != nil {
		p.Enclosure = cmp.Or(en.Cfg.Name, en.Cfg.ID)
		p.Rack, p.Shelf, p.Slot = en.Cfg.Rack, en.Cfg.Shelf, en.Cfg.Slot
	}
	return p
}

// advise fills in what to do first as things stand now.
func (ls *lives) advise(s *room.Alarm, d *alarm.Detail) {
	switch {
	case !s.Rec.Life.Active:
	case s.Rec.Given != nil && len(s.Rec.Given.Steps) > 0:
		d.FirstAction, d.Steps = "", s.Rec.Given.Steps
	default:
		if d.Air != nil {
			d.Air = ls.v.AirAround(ls.v.Latest.Mono)
		}
		d.FirstAction, d.Steps = "", advice.Of(ls.v, s, d.Air)
	}
}

// FirstSteps are what to do first about an alarm of which nothing else is known.
func FirstSteps(id alarm.ID, c alarm.Cause) []alarm.Step { return advice.First(id, c) }

// state says what is the matter. An alarm of which there is one thing to say has
// a fact of its own id.
func (ls *lives) state(s *room.Alarm) alarm.Fact {
	r, row := &s.Rec, s.Kind.Row()
	switch {
	case r.Life.Active && r.Life.Seen == alarm.Back && row.AtLimit:
		return alarm.Fact{ID: alarm.FactReturning}
	case r.Given != nil && r.Given.Is.ID != "":
		return r.Given.Is
	}
	if j, ok := ls.judge[s.Kind].(teller); ok {
		return j.Fact(ls.v, s)
	}
	return alarm.Fact{ID: alarm.FactID(row.ID)}
}

// causeOf finds what is at fault for an alarm, with the numbers behind it.
func (ls *lives) causeOf(s *room.Alarm) (alarm.Cause, []alarm.Fact) {
	if j, ok := ls.judge[s.Kind].(blamer); ok {
		return j.Cause(ls.v, s)
	}
	if s.Kind.Row().Of == alarm.OfEnclosure {
		return alarm.Cause{Kind: alarm.CauseEnclosure, ID: ls.v.Enclosures[s.Index].Cfg.ID}, nil
	}
	return alarm.Cause{Kind: alarm.CauseDewline}, nil
}

// whyCause is why an alarm is told of again when it has another cause.
const whyCause = "another cause"
