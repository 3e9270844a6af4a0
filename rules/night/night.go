// Package night judges the drop of the temperature from lamps on to lamps off.
package night

import (
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// Judge follows the drop of the temperature from lamps on to lamps off.
type Judge struct{}

// nightLook is one look at the room.
type look struct {
	v   *room.View
	out *room.Out
}

// Step feeds the night. Nothing is judged while the clock is unset.
func (Judge) Step(v *room.View, out *room.Out) {
	en := v.Enclosure
	if l := v.LampsOf(en); l != nil && en.St.Night.Observe(v.EstAt(v.At.Mono), float64(en.Now.Main)/100, l.On) {
		l := look{v, out}
		l.nightFact(en, v.At)
		l.judgeNight(en, v.At)
	}
}

// Fact says what is the matter.
func (Judge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	return alarm.Fact{ID: alarm.FactID(alarm.NightDrop), Count: v.Enclosures[a.Index].St.Night.Streak(a.Rec.Limit)}
}

// judgeNight counts nights without the wanted drop. A drop that is only too
// small is for the weekly summary, and so is any after a night inside its band;
// none at all, or twice as many nights, is worth a notice.
func (l look) judgeNight(en *room.Enclosure, now sensors.Instant) {
	need := l.v.Cfg.Rules.DropNights
	if need <= 0 || en.Species.DropMin <= 0 {
		return
	}
	s := &en.Alarms[alarm.KindNightDrop]
	least := float64(en.Species.DropMin)
	streak := en.St.Night.Streak(least)
	report, ok := en.St.Night.Report()
	if !ok || !report.Complete {
		return
	}
	s.Against(report.Drop, least)
	notice := (report.Drop < least/2 || streak >= 2*need) && report.NightMean*100 > float64(en.Limits.NightHigh)
	switch {
	case !s.Rec.Life.Active && !notice:
		s.Rec.Priority = alarm.Note
	case !s.Rec.Life.Active:
		s.Rec.Priority = alarm.Today
	case notice:
		l.out.Raise(s, alarm.Today)
	}
	if streak >= need || s.Open() {
		l.out.Hold(s, streak >= need)
	}
}
