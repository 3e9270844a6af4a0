// Package lamps judges whether the lamps follow their schedule: by a light probe,
// or by what their warmth does at each switch and between them, for all enclosures
// on one timer together.
package lamps

import (
	"math"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/cause"
	"dewline/rules/climate"
	"dewline/rules/room"
)

// The figures of the judge, this project's own, tuned on the tuned half of
// rules/corpus. Evidence is in natural logarithms of odds: 8 is one in 3,000.
const (
	told       = 7.0              // for one enclosure, of itself or with the others on its timer
	shelfTold  = 8.0              // with those on its shelf: there are more shelves than timers
	follows    = -3.0             // against: the lamps switched
	powerGone  = 6.5              // of the same where the room itself falls: the heating went with them
	roomFalls  = -0.8             // °C in half an hour, more than a window that is opened for a while
	roomCool   = 0.5              // °C below what is usual at this hour
	roomCold   = 1.0              // the same, however it goes on
	roomFast   = -0.5             // °C in half an hour, with that
	parted     = 14.0             // for a timer, of a step without a switch: there are 100 looks a day
	bareParted = 4.5              // of the mean of its enclosures, where the room has no probe
	bareApart  = 9.0              // of that and of how they moved beside each other, at one look
	returned   = 5.0              // of one back to the schedule
	some       = cause.SomeDark   // of one enclosure, to count among those that show such a step
	unlike     = 0.6              // of what it moved, beside what is usual at this hour
	otherDays  = 0.2              // of what its lamps make
	mostOf     = 0.75             // of a timer's enclosures that show such a step
	looks      = 3                // tens of minutes after a switch before anything is told
	bareLooks  = 8                // without the room's temperature, which may turn as the lamps do
	mistDips   = 70 * time.Minute // after a mist, which cools all enclosures at once
	ramp       = 80 * time.Minute // before a switch, in which lamps that dim say nothing
	every      = 10 * time.Minute // between two looks at the warmth
	lateness   = 3 * time.Minute  // that readings of one look may come late
	standing   = 30 * time.Minute // without a change: it is the probe that shows nothing
	doorLong   = 24 * time.Hour
)

// FalseAlarms is how many wrong tellings in 100 tank-days these figures are meant for:
// two switches a day at odds of one in e to the power of told.
const FalseAlarms = 0.2

// Judge looks whether the lamps follow their schedule.
type Judge struct {
	faults []climate.LampFault
}

// A look is one look at the room.
type look struct {
	*Judge
	v     *room.View
	out   *room.Out
	parts map[[2]int]climate.Contrast // by timer and shelf
}

// Step feeds what is learned and, every ten minutes, looks at all enclosures together.
// Nothing is judged while the clock is unset.
func (j *Judge) Step(v *room.View, out *room.Out) {
	l := look{Judge: j, v: v, out: out}
	if v.Due == room.Slow {
		l.feed(v.Enclosure)
		return
	}
	at := v.EstAt(v.At.Mono)
	if n := int64((at - lateness) / every); at >= lateness && n != v.Air.LampsLook {
		v.Air.LampsLook = n
		l.judge()
	}
}

// feed takes the present values; an open door is no lamp.
func (l look) feed(en *room.Enclosure) {
	lamps, w := l.v.LampsOf(en), &en.St.Lamps
	if lamps == nil {
		return
	}
	at := l.v.EstAt(l.v.At.Mono)
	if en.Now.HasLux {
		w.ObserveLight(at, float64(en.Now.Lux), lamps.On)
	}
	if !l.v.DoorOpen(en) {
		t, ok := l.v.RoomTemp(l.v.At.Mono)
		w.Observe(at, float64(en.Now.Main)/100, float64(t)/100, ok, lamps.On)
	}
}

// lit reports whether a light probe sees the lamps.
func lit(en *room.Enclosure) (on, known bool) {
	light := en.St.Lamps.Light.State
	return light == climate.LampsOn, en.Now.HasLux && light != climate.LampsUnknown
}

// late is the fault of lamps that are not as they have been scheduled.
func late(on bool) climate.LampFault {
	if on {
		return climate.LampsNotOn
	}
	return climate.LampsNotOff
}

// judge judges all enclosures. What is found of each is settled only when all have been
// looked at.
func (l look) judge() {
	l.faults = l.faults[:0]
	l.seeSwitch()
	l.parts = l.part()
	for i := range l.v.Enclosures {
		l.faults = append(l.faults, l.faultOf(&l.v.Enclosures[i]))
	}
	for i, f := range l.faults {
		if en := &l.v.Enclosures[i]; f != climate.LampsFollow {
			l.settle(en, f, l.cause(en, f))
			en.St.Lamps.IsWrong()
		}
	}
	for i, f := range l.faults {
		en := &l.v.Enclosures[i]
		if _, known := lit(en); f == climate.LampsFollow && (known || l.isBack(en)) {
			l.settle(en, f, alarm.Cause{})
		}
	}
}

// seeSwitch notes where the enclosures of a shelf show together that their timer switched,
// of which each alone may show little. What moves their temperature later is not the lamps.
func (l look) seeSwitch() {
	of := func(o *room.Enclosure) [2]int { return [2]int{o.Lamps, o.Shelf} }
	sums := map[[2]int]float64{}
	for i := range l.v.Enclosures {
		if o := &l.v.Enclosures[i]; o.Lamps >= 0 {
			if s := &o.St.Lamps.Sign; s.Missing > 0 && l.contrary(o) {
				s.Missing = 0
			}
			sums[of(o)] += l.shows(o)
		}
	}
	for i := range l.v.Enclosures {
		o := &l.v.Enclosures[i]
		if w := &o.St.Lamps; w.Sign.Missing < some && sums[of(o)] <= -told {
			w.Switched()
		}
	}
}

// settle tells of one enclosure.
func (l look) settle(en *room.Enclosure, f climate.LampFault, why alarm.Cause) {
	s := &en.Alarms[alarm.KindLampStuck]
	if f == climate.LampsFollow {
		if en.St.Lamps.Wrong = false; s.Open() {
			l.out.Hold(s, false)
		}
		return
	}
	en.St.Lamps.Fault = f
	if early := f == climate.LampsOffEarly || f == climate.LampsOnEarly; early && !en.St.Lamps.Wrong {
		en.St.Lamps.OffHour = l.v.EstAt(l.v.At.Mono)
	}
	s.Blame(why)
	s.Rec.Value, s.Rec.HasValue = 0, false
	l.out.Hold(s, true)
}

// byLight is what a light probe says, which decides alone.
func byLight(w *climate.LampWatch, lamps *room.Lamps, on bool) climate.LampFault {
	lag := w.LightLag()
	switch early := w.Light.Since > w.Switch+lag; {
	case on == lamps.On, lamps.Edge < lag:
		return climate.LampsFollow
	case early && on:
		return climate.LampsOnEarly
	case early:
		return climate.LampsOffEarly
	}
	return late(lamps.On)
}

// faultOf asks a light probe, or weighs the evidence of one enclosure and of the others on its
// timer.
func (l look) faultOf(en *room.Enclosure) climate.LampFault {
	lamps, w := l.v.LampsOf(en), &en.St.Lamps
	if lamps == nil {
		return climate.LampsFollow
	}
	if on, known := lit(en); known {
		return byLight(w, lamps, on)
	}
	if w.Wrong || l.mute(en) {
		return climate.LampsFollow
	}
	if l.notSwitched(en) && (w.On || !l.wentDark(en)) { // lamps without power are off already
		return late(w.On)
	}
	if w.Sign.Moved < some || !l.departs(en.Lamps) {
		return climate.LampsFollow
	}
	if w.On {
		return climate.LampsOffEarly
	}
	return climate.LampsOnEarly
}

// contrary reports whether an enclosure is cooler beside the room than it usually is at this
// hour though its lamps are to burn on, or warmer though they are to be dark: they were the
// other way round before the switch. Other days are cooler or warmer by less.
func (l look) contrary(en *room.Enclosure) bool {
	c, r, w := l.v.CaseOf(en, l.v.At), l.v.RoomCase(l.v.At), &en.St.Lamps
	warmer, least := c.Temp-r.Temp-c.Offset, otherDays*math.Abs(w.Step())
	return c.HasOffset && r.HasTemp && (w.On && warmer > least || !w.On && warmer < -least)
}

// wentDark reports whether the lamps of an enclosure are known to be off before their time.
func (l look) wentDark(en *room.Enclosure) bool {
	c := cause.Look{V: l.v}
	return c.PowerTold() || c.WentDark(en.Lamps)
}

// notSwitched reports whether the last switch did not come: its own evidence tells
// it, or some of it and that of the others on its timer, or of its shelf, where one
// lamp is over all. One that was early steps no more.
func (l look) notSwitched(en *room.Enclosure) bool {
	own, least := &en.St.Lamps, looks
	// The sun warms one shelf as well, some evenings: it has to be odd for its own days too.
	odd := !own.Early && !own.Since.Seen && (!own.HasRoom || own.Sign.Missing >= climate.LampHint)
	if odd && l.apartTold(en) {
		return true
	}
	if !own.HasRoom {
		least = bareLooks
	}
	switch hint := own.Sign.Missing >= climate.LampHint; {
	case own.Early || own.Sign.Looks < least || own.Sign.Missing < some:
		return false
	case hint && (own.Sign.Missing+own.Sign.Carried >= told || l.missing(en, false) >= told):
		return true
	}
	return l.missing(en, true) >= shelfTold
}

// missing is the evidence of all enclosures on a timer, or of one shelf on it.
func (l look) missing(en *room.Enclosure, shelf bool) (sum float64) {
	for i := range l.v.Enclosures {
		o := &l.v.Enclosures[i]
		if beside := o.Cfg.Rack == en.Cfg.Rack && o.Cfg.Shelf == en.Cfg.Shelf; o.Lamps != en.Lamps || shelf && !beside {
			continue
		}
		sum += l.shows(o)
	}
	return sum
}

// shows is what an enclosure adds to the evidence of others: nothing while its evidence is
// still of the switch before, or it shows nothing of a switch because nothing moves it. What
// it saw of one stands though it shows nothing any more.
func (l look) shows(o *room.Enclosure) float64 {
	w := &o.St.Lamps
	if w.Sign.Looks < looks || w.On != l.v.Lamps[o.Lamps].On || w.Sign.Missing > 0 && l.mute(o) {
		return 0
	}
	return min(max(w.Sign.Missing, -told), told)
}

// departs reports whether most enclosures on a timer step together without a
// switch, as nothing but their lamps makes them. Other timers' that do so too speak
// for the same, but where nobody knows the room's, which moves them too.
func (l look) departs(timer int) bool {
	own, ok := l.stepped(timer)
	if !ok {
		return false
	}
	timers, known := 1, l.v.RoomCase(l.v.At).HasTemp
	for t := range l.v.Lamps {
		if sum, ok := l.stepped(t); ok && known && t != timer && l.v.Lamps[t].On == l.v.Lamps[timer].On {
			own += sum
			timers++
		}
	}
	room, ok := l.v.Air.Trend.Change()
	if ok && room <= roomFalls && l.v.Lamps[timer].On && timers >= 2 {
		return own >= powerGone
	}
	return own >= parted
}

// stepped is the evidence of a timer's enclosures; false where not most have it.
func (l look) stepped(timer int) (sum float64, most bool) {
	n, have, once, bare := 0, 0, 0.0, false
	for i := range l.v.Enclosures {
		o := &l.v.Enclosures[i]
		sign := &o.St.Lamps.Sign
		if o.Lamps != timer || !l.tells(o) {
			continue
		}
		if n++; !sign.Known && l.asUsual(o) {
			continue
		}
		most := told
		if !o.St.Lamps.HasRoom {
			bare, most = true, parted
		}
		sum, once = sum+min(sign.Moved, most), once+min(sign.Before, most)
		if sign.Moved >= some {
			have++
		}
	}
	if !bare {
		return sum, n >= 2 && float64(have) >= mostOf*float64(n)
	}
	// What they share may be the room's: their mean counts, at two looks, or at one with what
	// each has of its own.
	least := bareParted
	if !l.v.Lamps[timer].On { // heating comes on as fast
		least = told
	}
	mean, own := parted/least*sum/float64(n), parted/bareApart*(once/float64(n)+l.apart(timer))
	if own > mean && once >= some*float64(n) {
		return own, n >= 2
	}
	return mean, n >= 2 && float64(have) >= mostOf*float64(n)
}

// apart is the evidence of what the enclosures moved by beside each other: each by what its
// own lamps make, or as the others, whose lamps did not switch or make something else.
func (l look) apart(timer int) float64 {
	var c climate.Contrast
	for i := range l.v.Enclosures {
		switch o := &l.v.Enclosures[i]; {
		case o.Lamps == timer && l.tells(o):
			c.Add(o.St.Lamps.Step(), o.St.Lamps.Moved())
		case o.Lamps >= 0 && o.Lamps != timer && l.tells(o) && o.St.Lamps.Sign.Moved <= 0:
			c.Add(0, o.St.Lamps.Moved())
		}
	}
	return c.Evidence()
}

// tells reports whether a step of an enclosure tells of its lamps now: neither they nor a
// mist are known to move it.
func (l look) tells(en *room.Enclosure) bool {
	dims := l.v.Lamps[en.Lamps].Next <= ramp && en.St.Lamps.Ramps()
	return !dims && en.St.Lamps.Sign.Warms && !en.St.Lamps.Wrong && !en.Misted(l.v.At.Mono, mistDips) && !l.mute(en)
}

// asUsual is for the first days: whether an enclosure is at this hour as it usually is beside
// the room, or nobody knows how that is. Its lamps may have a rest that nobody wrote down.
func (l look) asUsual(en *room.Enclosure) bool {
	c, r := l.v.CaseOf(en, l.v.At), l.v.RoomCase(l.v.At)
	moved := en.St.Lamps.Moved()
	return !c.HasOffset || !r.HasTemp || (c.Temp-r.Temp-c.Offset)*moved < unlike*moved*moved
}

// isBack reports whether the lamps are seen to follow their schedule again.
func (l look) isBack(en *room.Enclosure) bool {
	w := &en.St.Lamps
	if w.Wrong && w.Sign.Moved >= returned {
		return true
	}
	return w.Sign.Looks >= looks && w.Sign.Missing < 0 && (w.Sign.Missing <= follows || l.missing(en, true) <= -told)
}

// cause is the power where all timers went dark off schedule, the enclosure's own
// lamp where it alone on its timer did not switch and others did, or the timer.
func (l look) cause(en *room.Enclosure, f climate.LampFault) alarm.Cause {
	if f.Dark() && (l.v.MainsAway(en) != nil || l.allDark(f)) || f == climate.LampsOffEarly && l.roomFalls() {
		return alarm.Cause{Kind: alarm.CausePower}
	}
	stuck, stepped := 0, 0
	for i := range l.v.Enclosures {
		o := &l.v.Enclosures[i]
		w := &o.St.Lamps
		switch {
		case o.Lamps != en.Lamps:
		case w.Wrong || l.faults[i] != climate.LampsFollow || w.Sign.Missing >= some:
			stuck++
		case w.Sign.Looks >= looks && w.Sign.Missing <= follows:
			stepped++
		}
	}
	if stuck < 2 && stepped > 0 {
		return alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}
	}
	return alarm.Cause{Kind: alarm.CauseLamps, ID: en.Cfg.Lamps}
}

// roomFalls reports whether the room cools faster and is cooler than it usually is at
// this hour: its heating went with the lamps.
func (l look) roomFalls() bool {
	r := l.v.Survey(l.v.At).Room
	return r.HasUsual && r.Temp < r.Usual-roomCool && r.HasChange && r.Change <= roomFast
}

// allDark reports whether most lamps, and some on each timer, went off before their time,
// and came on at theirs (a timer that is early is so twice), or did not come on. Of a
// single timer it is the power only where the room cools too, or nobody knows whether it does:
// a keeper looks sooner then, and timers seldom fail between two switches. So it is of lamps
// that do not come on where the room cools: after a cut all timers may be late.
func (l look) allDark(f climate.LampFault) bool {
	timers, all, dark := 0, 0, 0
	for t := range l.v.Lamps {
		n, off := l.darkOn(t, f)
		if n > 0 && off == 0 {
			return false
		}
		if all, dark = all+n, dark+off; n > 0 {
			timers++
		}
	}
	if float64(dark) < mostOf*float64(all) {
		return false
	}
	r := l.v.RoomCase(l.v.At)
	cold := r.HasUsual && (r.Temp < r.Usual-roomCold || r.Temp < r.Usual-roomCool && r.Change < 0)
	return timers >= 1 && cold || f == climate.LampsOffEarly && (timers >= 2 || !r.HasTemp)
}

// darkOn counts the enclosures on a timer that should be lit, and those that are dark by
// that fault.
func (l look) darkOn(timer int, by climate.LampFault) (n, dark int) {
	if !l.v.Lamps[timer].On {
		return 0, 0
	}
	for i, f := range l.faults {
		o := &l.v.Enclosures[i]
		if o.Lamps != timer {
			continue
		}
		n++
		w := &o.St.Lamps
		goes, may := w.On && w.Sign.Moved >= some, !w.Early // and is told with the next look
		if by == climate.LampsNotOn {
			goes, may = w.On && w.Sign.Looks > 0 && w.Sign.Missing >= some, true
		}
		if may && (goes || f == by || w.Wrong && w.Fault == by) {
			dark++
		}
	}
	return n, dark
}

// Cause is set where it was judged. A timer that other lamps follow is not at fault.
func (j *Judge) Cause(v *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	if late := v.Enclosures[a.Index].St.Lamps.Fault <= climate.LampsNotOn; late && a.Rec.Cause.Kind == alarm.CauseLamps {
		for i := range v.Enclosures {
			o := &v.Enclosures[i]
			if s := &o.St.Lamps.Sign; o.Lamps == v.Enclosures[a.Index].Lamps && s.Looks >= looks && s.Missing <= follows {
				return a.Rec.Cause, cause.Facts(alarm.FactLampsSome)
			}
		}
	}
	if doubt := (cause.Look{V: v}).TimerOrPower(&v.Enclosures[a.Index]); doubt != nil && a.Rec.Cause.Kind == alarm.CauseLamps {
		return a.Rec.Cause, []alarm.Fact{*doubt}
	}
	return a.Rec.Cause, nil
}

// Fact names the time by which the lamps should have switched, or before which they
// should not have.
func (j *Judge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	en := &v.Enclosures[a.Index]
	var on configs.ClockSpan
	if en.Lamps >= 0 {
		on = v.Lamps[en.Lamps].Cfg.On
	}
	switch en.St.Lamps.Fault {
	case climate.LampsNotOn:
		return alarm.Fact{ID: alarm.FactLampsNotOn, About: on.From.String()}
	case climate.LampsOffEarly:
		return alarm.Fact{ID: alarm.FactLampsOffEarly, About: on.To.String()}
	case climate.LampsOnEarly:
		return alarm.Fact{ID: alarm.FactLampsOnEarly, About: on.From.String()}
	}
	return alarm.Fact{ID: alarm.FactID(alarm.LampStuck), About: on.To.String()}
}
