// Package mist looks for mist pulses: missing, weak or without an end, for all
// enclosures on one supply together; and how the air dries after them.
package mist

import (
	"math"
	"slices"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

func (l look) endlessCause(en *room.Enclosure) (alarm.Cause, []alarm.Fact) {
	n, mates := 0, 0
	for i := range l.v.Enclosures {
		o := &l.v.Enclosures[i]
		if o.Mist < 0 || en.Mist < 0 || l.v.SupplyOf(o.Mist) != l.v.SupplyOf(en.Mist) {
			continue
		}
		mates++
		if w := &l.At[i].Watch; w.Endless || w.Sticks >= hint || o.Now.HasHum && w.Damper(l.v.Hour(l.v.At), float64(o.Now.Hum)/100) {
			n++
		}
	}
	if n > 1 && 2*n >= mates {
		return alarm.Cause{Kind: alarm.CauseSupply, ID: l.v.SupplyOf(en.Mist)}, append([]alarm.Fact{{ID: alarm.FactSupplySoaked, Count: n}}, l.pumpNow(en)...)
	}
	if runs, long := l.pumpRuns(en); long {
		return alarm.Cause{Kind: alarm.CauseSupply, ID: l.v.SupplyOf(en.Mist)}, []alarm.Fact{l.ago(alarm.FactPumpRuns, runs)}
	}
	if why := l.causes().LampsGone(); why != nil {
		return alarm.Cause{Kind: alarm.CausePower}, []alarm.Fact{*why}
	}
	return alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}, l.pumpNow(en)
}

// State is what the judge of mists remembers of one enclosure.
type State struct {
	Watch  climate.MistWatch `json:"watch"`
	Weak   int               `json:"weak"`    // weak ones in a row
	DryOdd int               `json:"dry_odd"` // pulses in a row that dried oddly
	// Verdict on the mist due last, kept until the whole supply is
	// judged.
	Verdict climate.MistVerdict `json:"verdict"`
	DueAt   time.Duration       `json:"due_at"` // last scheduled mist
	HasDue  bool                `json:"has_due"`
}

// Judge looks for mist pulses, holds them against the schedules, and follows
// how enclosures dry after them.
type Judge struct {
	At       []State // by the enclosure's index
	verdicts []climate.MistVerdict
}

// New returns a judge of the enclosures of a room.
func New(v *room.View) *Judge {
	return &Judge{At: make([]State, len(v.Enclosures)), verdicts: make([]climate.MistVerdict, 0, len(v.Enclosures))}
}

// mistLook is one look at the room.
type look struct {
	*Judge
	v   *room.View
	out *room.Out
}

// Step looks for pulses, or for those that should have come.
func (j *Judge) Step(v *room.View, out *room.Out) {
	l := look{j, v, out}
	switch v.Due {
	case room.Quick:
		l.watchMist(v.Enclosure, v.At)
	case room.Schedule:
		l.dueMists(v.At)
		l.judgeMists(v.At)
	case room.Blind:
		for i := range l.At {
			l.forget(&l.At[i])
		}
	}
}

// forget does not judge a mist that may have come while nobody looked.
func (l look) forget(own *State) {
	a := &l.v.Absence
	if own.HasDue && (!a.Known || own.until() > l.v.At.Mono-a.Lost-a.Off) {
		own.Watch.Waiting, own.HasDue, own.Verdict = false, false, climate.MistPending
	}
}

// Cause says what is at fault, with the numbers behind it.
func (j *Judge) Cause(v *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	en := &v.Enclosures[a.Index]
	switch a.Kind {
	case alarm.KindMistMissing, alarm.KindMistWeak:
		l := look{Judge: j, v: v}
		_, why := l.blame(en, a.Rec.Cause) // set where it was judged
		if why == nil && a.Kind == alarm.KindMistMissing && a.Rec.Cause.Kind == alarm.CauseSupply {
			why = l.causes().SupplyOrPower(en)
		}
		return a.Rec.Cause, why
	case alarm.KindMistEndless:
		return look{Judge: j, v: v}.endlessCause(en)
	}
	return alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}, nil
}

// Fact says what is the matter.
func (j *Judge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	f := alarm.Fact{ID: alarm.FactID(a.Kind.Row().ID)}
	switch a.Kind {
	case alarm.KindMistMissing:
		if f.Count = int(a.Rec.Value); f.Count > 1 {
			f.ID = alarm.FactMissedAgain
		}
	case alarm.KindMistWeak:
		if f.Count = int(a.Rec.Value); f.Count == 0 {
			now, long, _ := j.At[a.Index].Watch.Fades()
			f.ID, f.Percent, f.Usual = alarm.FactMistFades, 100*now, 100*long
		}
	case alarm.KindDryDown:
		if v.Enclosures[a.Index].St.Dry.Hint() == climate.DrySlower {
			f.ID = alarm.FactSlower
		}
	}
	return f
}

// watchMist looks for pulses and for a mist that does not end.
func (l look) watchMist(en *room.Enclosure, now sensors.Instant) {
	if !en.Now.HasTemp || !en.Now.HasHum {
		return
	}
	st, own := &en.St, &l.At[en.Index]
	at := l.v.EstAt(now.Mono)
	switch st.Mist.Observe(at, float64(en.Now.Main)/100, float64(en.Now.Hum)/100) {
	case climate.MistStarted:
		if p, ok := st.Mist.Current(); ok {
			st.PulseAt, st.HasPulse = p.Start-l.v.Off.Added, true
		}
	case climate.MistPeaked:
		l.pulseFact(en, now)
	case climate.MistEnded:
		p, ok := st.Mist.Last()
		if ok && p.HalfLife > 0 {
			st.Dry.Add(p.Start, p.HalfLife)
			l.judgeDry(en, now)
		}
		l.dryFact(en, now, p)
	}
	own.Watch.Dry(at, float64(en.Now.Main)/100, float64(en.Now.Hum)/100, st.Lamps.Around(), l.v.Hour(now), &st.Mist, l.timeOf(en, now))
	l.judgeEndless(en, now)
}

// timeOf is when a mist falls that falls now: by the lamps, and where nobody knows of
// them by the hour.
func (l look) timeOf(en *room.Enclosure, now sensors.Instant) climate.MistTime {
	lamps := l.v.LampsOf(en)
	if lamps == nil {
		return timeByHour(l.v.Hour(now))
	}
	if !lamps.On {
		return climate.MistDark
	}
	day := time.Duration(lamps.Cfg.On.To-lamps.Cfg.On.From) * time.Minute
	if day < 0 {
		day += 24 * time.Hour
	}
	if lamps.Edge > day-dusk {
		return climate.MistDusk
	}
	return climate.MistLit
}

// timeByHour is when a mist falls under lamps or a sky that nobody described: in the
// morning it dries, in the evening it may not. A mist by a timer is always the same.
func timeByHour(hour float64) climate.MistTime {
	switch {
	case hour >= 5 && hour < 15:
		return climate.MistLit
	case hour >= 15 && hour < 22:
		return climate.MistDusk
	}
	return climate.MistDark
}

// dusk is how long before the lamps go off a mist dries no more.
const dusk = 3 * time.Hour

// judgeEndless weighs whether the air does not dry as it does after other mists.
// Air that never dries tells nothing.
func (l look) judgeEndless(en *room.Enclosure, now sensors.Instant) {
	w, s := &l.At[en.Index].Watch, &en.Alarms[alarm.KindMistEndless]
	switch {
	case en.Mist < 0:
		return
	case s.Rec.Life.Active && w.Begun == 0: // told before this was watched
		w.Adopt(l.v.EstAt(now.Mono))
	case !w.Endless:
		w.Endless = l.sticks(en) && !l.coolsByItself(en, now.Mono)
	case w.Dried:
		w.Over()
	}
	if w.Endless || s.Open() {
		s.Against(w.Wet().Minutes(), l.v.Mists[en.Mist].Cfg.Longest.D().Minutes())
		l.out.Hold(s, w.Endless)
	}
}

// sticks adds up the evidence of an enclosure and of those on its supply.
func (l look) sticks(en *room.Enclosure) bool {
	own := &l.At[en.Index].Watch
	if own.Sticks < some || own.Wet() <= l.v.Mists[en.Mist].Cfg.Longest.D() {
		return false
	}
	sum, n := 0.0, 0.0
	for i := range l.v.Enclosures {
		if o := &l.v.Enclosures[i]; o.Mist >= 0 && l.v.SupplyOf(o.Mist) == l.v.SupplyOf(en.Mist) {
			sum += min(max(l.At[i].Watch.Sticks, -told), told)
			n++
		}
	}
	// A damp evening is one for all of them: each counts for less than one of its own, and
	// for nothing where nobody knows of the room.
	least := told * math.Sqrt(n)
	if _, known := l.v.RoomTemp(l.v.At.Mono); !known {
		least = told * n
	}
	if _, long := l.pumpRuns(en); long {
		least = 0
	}
	return sum >= least || own.Sticks+l.coolAlone(en) >= told
}

// coolAlone is how much more it says that an enclosure is cool after its mist where
// the others that got the same mist are as usual: then neither the room nor the lamps
// nor the mist's own water made it so.
func (l look) coolAlone(en *room.Enclosure) float64 {
	own, mates := &l.At[en.Index].Watch, 0
	for i := range l.v.Enclosures {
		o, w := &l.v.Enclosures[i], &l.At[i].Watch
		if o == en || o.Mist != en.Mist || w.Time != own.Time || !w.Planned || (w.Since-own.Since).Abs() > patience {
			continue
		}
		if mates++; w.Cool >= 0 {
			return 0
		}
	}
	if mates < 2 {
		return 0
	}
	return min(max(0, own.Cool-climate.MistCools), alone)
}

// dryPulses is how many pulses in a row must dry oddly: mornings and evenings
// differ, and so do single pulses.
const dryPulses = 4

// judgeDry compares the dry-down with the enclosure's own past.
func (l look) judgeDry(en *room.Enclosure, now sensors.Instant) {
	s := &en.Alarms[alarm.KindDryDown]
	recent, usual, _, ok := en.St.Dry.Trend()
	if !ok {
		return
	}
	if l.At[en.Index].DryOdd++; en.St.Dry.Hint() == climate.DryUsual {
		l.At[en.Index].DryOdd = 0
	}
	odd := l.At[en.Index].DryOdd >= dryPulses
	if odd || s.Open() {
		s.Against(recent.Minutes(), usual.Minutes())
		l.out.Hold(s, odd)
	}
}

// judgeMists settles the verdicts on the last scheduled mist, for all
// enclosures on one supply together: one of them alone is a nozzle, most of
// them the pump, the reservoir or the timer.
func (l look) judgeMists(now sensors.Instant) {
	for i := range l.v.Mists {
		if first := l.v.FirstOfSupply(i); first == i {
			l.judgeSupply(i, now)
		}
	}
}

// patience is how long after a mist is to be expected the slowest verdict may come.
const patience = 15 * time.Minute

func (s *State) until() time.Duration { return max(s.DueAt, s.Watch.Expected(s.DueAt)) + patience }

func (l look) judgeSupply(mist int, now sensors.Instant) {
	l.verdicts = l.verdicts[:0]
	pending := false
	for i := range l.v.Enclosures {
		en := &l.v.Enclosures[i]
		if en.Mist < 0 || !l.At[en.Index].HasDue || l.v.FirstOfSupply(en.Mist) != mist {
			continue
		}
		if v, _ := l.At[en.Index].Watch.Verdict(l.v.EstAt(now.Mono), &en.St.Mist); v != climate.MistPending {
			l.At[en.Index].Verdict = v
		}
		switch {
		case l.At[en.Index].Verdict != climate.MistPending:
			l.verdicts = append(l.verdicts, l.At[en.Index].Verdict)
		case now.Mono < l.At[en.Index].until():
			pending = true
		}
	}
	if !pending && len(l.verdicts) > 0 {
		l.settleSupply(mist, now)
	}
}

// settleSupply weighs the verdicts of the enclosures on one supply together.
func (l look) settleSupply(mist int, now sensors.Instant) {
	none, supply, pool := true, climate.MistSupply{}, climate.MistPool{}
	each := func(do func(en *room.Enclosure, own *State)) {
		for i := range l.v.Enclosures {
			en, own := &l.v.Enclosures[i], &l.At[i]
			if en.Mist >= 0 && own.HasDue && l.v.FirstOfSupply(en.Mist) == mist {
				do(en, own)
			}
		}
	}
	each(func(en *room.Enclosure, own *State) {
		was := own.Verdict
		switch own.Verdict = l.softened(en); own.Verdict {
		case climate.MistSeen, climate.MistWeak:
			none = false // it runs
			pool.Add(&own.Watch)
		case was:
			supply.Add(&own.Watch)
		}
	})
	l.verdicts = l.verdicts[:0]
	each(func(en *room.Enclosure, own *State) {
		if own.Verdict == climate.MistMissed {
			own.Watch.Beside(&pool)
		}
		own.Verdict = own.Watch.Settle(own.Verdict, none && supply.None() || l.stood(en))
		l.verdicts = append(l.verdicts, own.Verdict)
	})
	fault := climate.JudgeMist(l.verdicts)
	each(func(en *room.Enclosure, _ *State) { l.settleMist(en, now, fault) })
}

// settleMist draws the conclusion from one enclosure's verdict.
func (l look) settleMist(en *room.Enclosure, now sensors.Instant, fault climate.MistFault) {
	v := l.At[en.Index].Verdict
	l.mistFact(en, now, v)
	l.At[en.Index].Verdict, l.At[en.Index].HasDue = climate.MistPending, false
	missing := &en.Alarms[alarm.KindMistMissing]
	cause := alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}
	if fault == climate.SupplyFault {
		cause = l.causes().NoMist(en, now)
	}
	cause, _ = l.blame(en, cause)
	switch v {
	case climate.MistMissed:
		en.St.Missed = max(en.St.Missed+1, l.At[en.Index].Watch.Missed())
		missing.Blame(cause)
		missing.Against(float64(en.St.Missed), 1)
		l.out.Hold(missing, true)
	case climate.MistSeen, climate.MistWeak:
		en.St.Missed = 0
		if missing.Open() {
			l.out.Hold(missing, false)
		}
	}
	l.settleWeak(en, v, cause)
}

// settleWeak tells of pulses that are weak, of themselves or against two months: for the
// week, and today where the humidity suffers.
func (l look) settleWeak(en *room.Enclosure, v climate.MistVerdict, cause alarm.Cause) {
	own, s := &l.At[en.Index], &en.Alarms[alarm.KindMistWeak]
	switch v {
	case climate.MistWeak:
		own.Weak++
	case climate.MistSeen:
		own.Weak = 0
	default:
		return
	}
	// A single weak one may be a door or a full drip tray.
	row := own.Weak >= 2 && own.Watch.Weak >= climate.MistWeakTold
	if row || l.fades(en) {
		s.Blame(cause)
		s.Against(float64(own.Weak), 2)
		l.out.Hold(s, true)
		if en.Alarms[alarm.KindFloor].Rec.Life.Active {
			l.out.Raise(s, alarm.Today)
		}
	} else if v == climate.MistSeen && s.Open() {
		l.out.Hold(s, false)
	}
}

// What makes a mist one that fades, this project's own.
const (
	faded   = 0.75 // of what it was, beside its mates
	fadedBy = 0.6  // of what it was, where there are too few to tell a drier season
	freshed = 0.85 // of what it was: no more
)

// fades reports whether an enclosure's mists have grown weaker over weeks, beside those
// that the same pump gives to others: the season makes all of them so.
func (l look) fades(en *room.Enclosure) bool {
	now, long, known := l.At[en.Index].Watch.Fades()
	if !known {
		return false
	}
	mates := l.v.Floats[:0]
	for i := range l.v.Enclosures {
		if o := &l.v.Enclosures[i]; o != en && o.Mist == en.Mist {
			if n, was, ok := l.At[i].Watch.Fades(); ok {
				mates = append(mates, n/was)
			}
		}
	}
	least := fadedBy
	if len(mates) >= 2 {
		slices.Sort(mates)
		least = faded * min(1, mates[len(mates)/2])
	}
	if en.Alarms[alarm.KindMistWeak].Open() {
		least *= freshed / faded
	}
	return now < least*long
}

// softened is the verdict, unclear where a mist that fell would not have shown.
func (l look) softened(en *room.Enclosure) climate.MistVerdict {
	open := l.v.DoorOpen(en)
	switch {
	case l.At[en.Index].Verdict != climate.MistMissed:
		return l.At[en.Index].Verdict
	case open, en.St.DoorAt > 0 && en.St.DoorAt >= l.At[en.Index].DueAt-patience: // it would not stay in the air
		return climate.MistUnclear
	case !en.Now.HasHum:
	case l.v.Probes[en.Now.HumProbe].St.StillAt < l.At[en.Index].DueAt: // not a digit has changed since
		return climate.MistUnclear
	}
	return climate.MistMissed
}

// settleFor is how long must have been watched before a mist can be missed.
const settleFor = 5 * time.Minute

// dueMists notes the scheduled mists that have become due. Where the clock
// was set or stepped, the schedule starts anew: a pulse that may or may not
// have been due is not judged.
func (l look) dueMists(now sensors.Instant) {
	for i := range l.v.Mists {
		m := &l.v.Mists[i]
		if !now.Synced {
			m.St = room.MistState{}
			continue
		}
		last := m.St.Seen
		m.St.Seen = now
		drift := now.Wall.Sub(last.Wall) - now.Sub(last)
		if last.IsZero() || m.St.Next.IsZero() || drift.Abs() > 90*time.Second {
			m.St.Next = m.Cfg.Next(now.Wall, l.v.Loc)
			continue
		}
		if m.St.Next.IsZero() || now.Wall.Before(m.St.Next) {
			continue
		}
		due := now.Mono - now.Wall.Sub(m.St.Next)
		m.St.Next = m.Cfg.Next(now.Wall, l.v.Loc)
		if due-l.v.Watched < settleFor {
			continue // nobody knows what the air was like before
		}
		for j := range l.v.Enclosures {
			if en := &l.v.Enclosures[j]; en.Mist == i {
				l.At[en.Index].Watch.Expect(l.v.EstAt(due), l.timeOf(en, now))
				l.At[en.Index].DueAt, l.At[en.Index].HasDue = due, true
			}
		}
	}
}
