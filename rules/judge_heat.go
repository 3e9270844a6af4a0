package rules

import (
	"dewline/rules/alarm"
	"dewline/rules/room"
)

// heatJudge looks at the heat that is coming and at what it adds up to.
type heatJudge struct{}

// heatLook is one look at the room.
type heatLook struct {
	v   *room.View
	out *room.Out
}

// Step looks ahead of one enclosure, or hides what was ahead and is here.
func (heatJudge) Step(v *room.View, out *room.Out) {
	l := heatLook{v, out}
	if v.Due == room.Slow {
		l.judgeAhead(v.Enclosure, v.At)
		l.judgeExposure(v.Enclosure, v.At)
		return
	}
	aged := v.Aged()
	for i := range v.Enclosures {
		if en := &v.Enclosures[i]; aged || en.Open > 0 {
			if s := &en.Alarms[alarm.KindAhead]; s.Open() {
				s.Rec.Life.Suppress = en.Alarms[alarm.KindLethal].Rec.Life.Active
			}
		}
	}
}

// Cause says what is at fault, with the numbers behind it.
func (heatJudge) Cause(v *room.View, a *room.Alarm) (Cause, []alarm.Fact) {
	if a.Kind == alarm.KindExposure {
		if o := (heatLook{v: v}).heatOf(a); o != nil {
			return o.Rec.Cause, o.Rec.Detail.Evidence
		}
	}
	return causes{v}.byTemperature(a, v.At)
}

// Fact says what is the matter.
func (heatJudge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	en, f := &v.Enclosures[a.Index], alarm.Fact{ID: alarm.FactID(a.Kind.Row().ID)}
	if a.Kind == alarm.KindAhead {
		f.Temperature, f.Lethal, f.Ahead = room.Degrees(en.Now.Hot), room.Degrees(en.Limits.Ceiling), room.RangeOf(en.St.Ahead.ToCeiling)
		if en.Now.Hot >= en.Limits.Ceiling {
			f.ID = alarm.FactReached
		}
	}
	return f
}

// Detail says what a dose does not know.
func (heatJudge) Detail(v *room.View, a *room.Alarm, d *alarm.Detail) {
	if dose := &v.Enclosures[a.Index].St.Dose; a.Kind == alarm.KindExposure && dose.Unknown > 0 {
		d.Unknown = append(d.Unknown, alarm.Fact{ID: alarm.FactDoseGaps, For: dose.Unknown})
	}
}
