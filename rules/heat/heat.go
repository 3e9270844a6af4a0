// Package heat judges the heat that is coming, as a forecast, and what the heat
// of the last days adds up to, as a dose.
package heat

import (
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/cause"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// heatOf returns the enclosure's other active alarm of heat, whose cause is
// that of a dose as well; nil for none.
func (l look) heatOf(s *room.Alarm) *room.Alarm {
	for _, k := range [...]alarm.Kind{alarm.KindLethal, alarm.KindAhead, alarm.KindAbove} {
		if o := &l.v.Enclosures[s.Index].Alarms[k]; o.Rec.Life.Active && o.Rec.Cause.Kind != "" {
			return o
		}
	}
	return nil
}

// judgeAhead forecasts, once a minute and only above the limit that is worth a
// look: below it a lamp that goes on looks like a fire, unless it is warmer than ever at
// this hour.
func (l look) judgeAhead(en *room.Enclosure, now sensors.Instant) {
	s := &en.Alarms[alarm.KindAhead]
	here := en.Alarms[alarm.KindLethal].Rec.Life.Active || en.Now.Hot >= en.Limits.Lethal
	if here {
		en.St.Turned = room.Turned{}
		if !s.Open() { // nothing is ahead
			en.St.Ahead = room.Ahead{At: now.Mono}
			return
		}
	}
	in, slope, isSteep := l.rise(en, now)
	f := room.Finding{Alarm: s, In: in, Gap: max(en.Now.Gap, 3*room.SlowEvery), Urgent: in == alarm.Beyond && isSteep}
	f.Hold = !s.Rec.Life.Active && in == alarm.Beyond && turns(en, slope)
	l.out.Find(f)
	if !here {
		followTurned(en, &f, slope, now.Mono)
	}
}

// rise looks for a rise that leads to the lethal limit.
func (l look) rise(en *room.Enclosure, now sensors.Instant) (in alarm.Input, slope climate.Slope, isSteep bool) {
	s := &en.Alarms[alarm.KindAhead]
	if en.Now.Hot < en.Limits.Warn && !s.Rec.Life.Active && !en.MayBeSteep() {
		return alarm.Back, slope, false // as nearly always
	}
	slope, isSteep, ok := en.Rise()
	if en.Now.Hot < en.Limits.Warn && !((isSteep || ok && slope.IsSteep()) && l.isOdd(en, now)) {
		return alarm.Back, slope, false
	}
	if !ok {
		return alarm.Missing, slope, false
	}
	misted := en.Misted(now.Mono, mistDips) && !en.Alarms[alarm.KindLethal].Rec.Life.Active
	if slope.PerHour <= 0 && !misted {
		en.St.Ahead = room.Ahead{At: now.Mono}
		return alarm.Back, slope, isSteep
	}
	l.v.Forecast(en, now, slope, isSteep)
	if slope.PerHour <= 0 { // the mist cools, for a moment
		return alarm.Between, slope, isSteep
	}
	return l.ahead(s, en.St.Ahead.ToLethal, slope), slope, isSteep
}

const (
	turnedFor  = 12 * time.Hour // is how long a source that heats and rests by turns may rest
	turnedRate = 2              // times as fast as before is another rise
	turnedOver = 0.3            // °C over the last peak, or so much more than readings stray, is too
)

// turns reports whether a rise is like those that were told and turned by themselves, and
// not past where they did: a heater that goes on and off wakes nobody each time. After n
// that turned, one in n+2 does not (Laplace's rule of succession): so much of the way from
// the first look to the limit is left to be told in.
func turns(en *room.Enclosure, slope climate.Slope) bool {
	t, lethal := &en.St.Turned, en.Limits.Lethal
	past := t.Peak + int32(100*max(turnedOver, 2*en.St.Trend.Blur()))
	return t.Num > 0 && en.Now.Hot <= past && slope.PerHour <= turnedRate*t.PerHour && (t.Num+2)*(lethal-past) >= lethal-en.Limits.Warn
}

// followTurned keeps how far the rises go that are told, and counts them and those that
// are held as one of them.
func followTurned(en *room.Enclosure, f *room.Finding, slope climate.Slope, now time.Duration) {
	switch t, told := &en.St.Turned, f.Alarm.Rec.Life.Active; {
	case told, f.Hold:
		if t.At, t.Up = now, true; told {
			t.Peak, t.PerHour = max(t.Peak, en.Now.Hot), max(t.PerHour, slope.PerHour)
		}
	case t.Up && f.In == alarm.Back:
		t.Up, t.Num = false, min(t.Num+1, turnedMost)
	case now-t.At > turnedFor || t.At > now:
		*t = room.Turned{}
	}
}

// turnedMost rises are as many as any.
const turnedMost = 8

// ahead holds what is forecast against how near is told.
func (l look) ahead(s *room.Alarm, eta climate.Eta, slope climate.Slope) alarm.Input {
	within := l.v.Cfg.Rules.AheadWithin.D()
	switch {
	case !eta.Known || eta.Mid > within*3/2:
		return alarm.Back
	case eta.Mid < within && slope.Rises(room.Climbs):
		s.Against(eta.Mid.Minutes(), within.Minutes())
		return alarm.Beyond
	}
	return alarm.Between
}

// oddBy in °C is more than lamps that are early or a door that is shut again make an
// enclosure warmer than usual at this hour, beside the room or, where that is not known,
// beside what all others are.
const oddBy = 2.0

// isOdd reports whether an enclosure is so much warmer than usual.
func (l look) isOdd(en *room.Enclosure, now sensors.Instant) bool {
	pic, c := l.v.Survey(now), l.v.CaseOf(en, now)
	c.ProbeDoubt = false // heat is believed
	f := pic.CauseOf(c)
	if !pic.Room.HasTemp {
		f.Residual -= max(0, f.Median)
	}
	return c.HasOffset && !c.DoorOpen && f.Residual-l.comes(en, now, c.Offset) >= oddBy && (pic.Room.HasTemp || f.Judged >= enoughPeers)
}

// comes is by how much more than its usual offset an enclosure is warmer than the room
// within the hour: the mean of an hour does not say when in it the lamps come.
func (l look) comes(en *room.Enclosure, now sensors.Instant, offset float64) float64 {
	hour := l.v.Hour(now)
	if _, ok := l.v.RoomTemp(now.Mono); !ok || hour < 0 {
		return 0
	}
	soon, _ := en.St.Offset.At(math.Mod(hour+1, 24))
	return max(0, soon-offset)
}

// enoughPeers tell what all others are.
const enoughPeers = 3

// mistDips is how long the fall that a mist makes says nothing about the rise.
const mistDips = 25 * time.Minute

// judgeExposure follows the dose: half of the keeper's reference is worth a
// look, all of it is urgent. What has been suffered is not undone by cooling,
// so the dose is kept and falls slowly; but the alarm ends when it has been too
// cool for it to grow: nobody is to be woken all night for an afternoon. The next
// warm evening is the same story, until it adds another half.
func (l look) judgeExposure(en *room.Enclosure, now sensors.Instant) {
	if en.DoseLimits.ReferenceTime <= 0 {
		return
	}
	s := &en.Alarms[alarm.KindExposure]
	if en.Now.HasTemp {
		en.St.Dose.Observe(en.DoseLimits, l.v.EstAt(now.Mono), float64(en.Now.Hot)/100)
	}
	share := en.St.Dose.Fraction(en.DoseLimits)
	l.doseFact(en, now, share)
	in := alarm.Missing
	if en.Now.HasTemp {
		in = alarm.High(int32(min(share*1000, 1e9)), doseMore*1000, 100)
	}
	told := l.doseTold(en, s, share)
	switch grows := float64(en.Now.Hot)/100 - en.DoseLimits.Boundary; {
	case in != alarm.Beyond:
	case grows < -doseDead:
		in = alarm.Back
	case grows < 0, told:
		in = alarm.Between
	}
	if s.Rec.Priority == alarm.Wake {
		s.Against(share*100, 100)
	} else {
		s.Against(share*100, doseMore*100)
	}
	l.out.Apply(s, in, max(en.Now.Gap, 3*room.SlowEvery))
	if share >= 1 && s.Rec.Life.Active && s.Rec.Priority < alarm.Wake {
		s.Against(share*100, 100)
		l.out.Raise(s, alarm.Wake)
	}
}

// doseTold reports whether a dose was told, or all but half of the reference of it. Who
// is woken by the heat is not told of half of it as well.
func (l look) doseTold(en *room.Enclosure, s *room.Alarm, share float64) bool {
	warned := &en.St.DoseTold.Warned
	switch {
	case s.Rec.Life.Active:
		*warned = max(*warned, share)
		return false
	case share < doseOver:
		*warned = 0
	case share >= doseMore && share < 1 && l.rings(en):
		*warned = max(*warned, share)
	}
	next := *warned + doseMore
	if *warned < 1 {
		next = 1 // which wakes
	}
	return *warned > 0 && share < next
}

// Parts of the reference: what is worth a look, at first and again, and what is left
// of it after two days without.
const (
	doseMore = 0.5
	doseOver = 0.2
)

// rings reports whether somebody is woken by the heat of an enclosure.
func (l look) rings(en *room.Enclosure) bool {
	return en.Alarms[alarm.KindLethal].Rec.Life.Active || en.Alarms[alarm.KindAhead].Rec.Life.Active
}

// doseDead in °C below the boundary is cool enough to call it over.
const doseDead = 0.5

// Judge looks at the heat that is coming and at what it adds up to.
type Judge struct{}

type look struct {
	v   *room.View
	out *room.Out
}

// Step looks ahead of one enclosure, or hides what was ahead and is here.
func (Judge) Step(v *room.View, out *room.Out) {
	l := look{v, out}
	if v.Due == room.Slow {
		l.judgeAhead(v.Enclosure, v.At)
		l.judgeExposure(v.Enclosure, v.At)
		return
	}
	if v.Open == 0 {
		return
	}
	for i := range v.Enclosures {
		if en := &v.Enclosures[i]; en.Open.Has(alarm.KindAhead) {
			en.HideAhead()
		}
	}
}

// Cause says what is at fault, with the numbers behind it.
func (Judge) Cause(v *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	if a.Kind == alarm.KindExposure {
		if o := (look{v: v}).heatOf(a); o != nil {
			return o.Rec.Cause, o.Rec.Told().Evidence
		}
	}
	return cause.Look{V: v}.ByTemperature(a, v.At)
}

// Fact says what is the matter.
func (Judge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	en, f := &v.Enclosures[a.Index], alarm.Fact{ID: alarm.FactID(a.Kind.Row().ID)}
	if a.Kind == alarm.KindAhead {
		f.Temperature, f.Lethal, f.Ahead = room.Degrees(en.Now.Hot), room.Degrees(en.Limits.Lethal), room.RangeOf(en.St.Ahead.ToLethal)
		if en.Now.Hot >= en.Limits.Lethal {
			f.ID = alarm.FactReached
		}
	}
	return f
}

// Detail says what a dose does not know.
func (Judge) Detail(v *room.View, a *room.Alarm, d *alarm.Detail) {
	if dose := &v.Enclosures[a.Index].St.Dose; a.Kind == alarm.KindExposure && dose.Unknown > 0 {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactDoseGaps, For: dose.Unknown})
	}
}
