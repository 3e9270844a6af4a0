// Package night judges the drop of the temperature from lamps on to lamps off.
package night

import (
	"dewline/rules/alarm"
	"dewline/rules/cause"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
)

// Judge follows the drop of the temperature from lamps on to lamps off.
type Judge struct{}

// Step feeds the night. Nothing is judged while the clock is unset.
func (Judge) Step(v *room.View, out *room.Out) {
	en := v.Enclosure
	if l := v.LampsOf(en); l != nil && en.St.Night.Observe(v.EstAt(v.At.Mono), float64(en.Now.Main)/100, l.On) {
		tell(en, v.At, out)
		judge(v, en, out)
	}
}

// Fact says what is the matter.
func (Judge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	return alarm.Fact{ID: alarm.FactID(alarm.NightDrop), Count: v.Enclosures[a.Index].St.Night.Streak(a.Rec.Limit)}
}

// judge counts nights without the wanted drop. A drop that is only too
// small is for the weekly summary, and so is any after a night inside its band, or where
// it never was another, as under faint lamps; one that was lost, to less than half of what
// is wanted or for twice as many nights, is worth a notice.
func judge(v *room.View, en *room.Enclosure, out *room.Out) {
	need := v.Cfg.Rules.DropNights
	if need <= 0 || en.DropMin <= 0 {
		return
	}
	s := &en.Alarms[alarm.KindNightDrop]
	least := en.DropMin
	streak := en.St.Night.Streak(least)
	report, ok := en.St.Night.Report()
	if !ok || !report.Complete {
		return
	}
	s.Against(report.Drop, least)
	usual, known := en.St.Night.Usual(least)
	lost := known && usual-report.Drop >= least/2
	notice := lost && (report.Drop < least/2 || streak >= 2*need) && report.NightMean*100 > float64(en.Limits.NightHigh)
	switch {
	case !s.Rec.Life.Active && !notice:
		s.Rec.Priority = alarm.Note
	case !s.Rec.Life.Active:
		s.Rec.Priority = alarm.Today
	case notice:
		out.Raise(s, alarm.Today)
	}
	if streak >= need || s.Open() {
		out.Hold(s, streak >= need)
	}
}

// tell tells of the night that has just ended.
func tell(en *room.Enclosure, now sensors.Instant, out *room.Out) {
	r, ok := en.St.Night.Report()
	if !ok {
		return
	}
	n := event.Night{Enclosure: en.Cfg.ID, DayMin: r.DayMin, DayMax: r.DayMax, NightMin: r.NightMin, NightMax: r.NightMax}
	if r.Complete {
		n.Drop = &r.Drop
	}
	out.Tell(now, n)
}

// Cause is the room where half of its enclosures and more lack the night drop that they want,
// or where it was itself too warm for one, and else the enclosure.
func (Judge) Cause(v *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	lack, judged := 0, 0
	for i := range v.Enclosures {
		o := &v.Enclosures[i]
		report, ok := o.St.Night.Report()
		if !ok || !report.Complete || o.DropMin <= 0 {
			continue
		}
		judged++
		if o.St.Night.Streak(o.DropMin) > 0 {
			lack++
		}
	}
	if lack > 1 && 2*lack >= judged {
		return alarm.Cause{Kind: alarm.CauseRoom}, nil
	}
	en, r := &v.Enclosures[a.Index], v.RoomCase(v.At)
	if why := (cause.Look{V: v}).RoomWarm(en); why != nil {
		return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{*why}
	}
	if r.HasTemp && r.Temp*100 >= float64(en.Limits.NightHigh) {
		return alarm.Cause{Kind: alarm.CauseRoom}, nil
	}
	return alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}, nil
}
