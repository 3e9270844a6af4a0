package rules

import (
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// LimitsOwn is what the judge of limits remembers of one enclosure.
type LimitsOwn struct {
	// Act and Cold are the times at the limits that make the band urgent.
	Act     alarm.Record `json:"act"`
	Cold    alarm.Record `json:"cold"`
	StandIn StandIn      `json:"stand_in,omitzero"`

	calm calm
}

// limitsJudge holds every reading against the limits in force: lethal, those of
// the band, and the humidity floor.
type limitsJudge struct {
	At []LimitsOwn // by the enclosure's index
}

func newLimitsJudge(v *room.View) *limitsJudge {
	j := &limitsJudge{At: make([]LimitsOwn, len(v.Enclosures))}
	for i := range v.Enclosures {
		en := &v.Enclosures[i]
		en.Alarms[alarm.KindAbove].Severe, en.Alarms[alarm.KindBelow].Severe = &j.At[i].Act, &j.At[i].Cold
	}
	return j
}

// limitsLook is one look at the room.
type limitsLook struct {
	*limitsJudge
	v   *room.View
	out *room.Out
}

// Step judges the enclosure that a reading came for.
func (j *limitsJudge) Step(v *room.View, out *room.Out) {
	l := limitsLook{j, v, out}
	switch v.Due {
	case room.Arrived:
		if en := v.Enclosure; en != nil && v.Reading.Quality != sensors.Bad {
			l.judge(en, v.At)
		}
	case room.Quick:
		if v.Enclosure.Now.HasTemp {
			l.learnStandIn(v.Enclosure, v.At.Mono)
		}
	case room.Blind:
		for i := range v.Enclosures {
			l.forget(&v.Enclosures[i], v.At)
		}
	case room.Settle:
		for i := range v.Enclosures {
			l.endCalm(&v.Enclosures[i])
		}
	}
}

// judge steps the threshold alarms with what the probes say now.
func (l limitsLook) judge(en *room.Enclosure, now sensors.Instant) {
	if l.calmNow(en, now.Mono) {
		return
	}
	l.endCalm(en)
	l.judgeCeiling(en, now)
	if en.Now.Waits = l.v.Gathering(en, now.Mono); en.Now.Waits {
		return
	}
	l.judgeBand(en, now)
	l.judgeFloor(en, now)
	l.beginCalm(en)
}

// forget lets go of what a gap hides. A door that opened before is forgotten,
// but the floor was excused.
func (l limitsLook) forget(en *room.Enclosure, now sensors.Instant) {
	a, st, excuse := &l.v.Absence, &en.St, l.v.Cfg.Rules.DoorExcuse.D()
	if f := &en.Alarms[alarm.KindFloor].Rec.Life; f.Suppress && f.Seen == alarm.Beyond && !st.HasExcuse && a.Known && a.Off < excuse {
		st.Excused, st.HasExcuse, st.DoorAt = now.Mono+excuse, true, now.Mono
	}
	if a.Long() {
		own := &l.At[en.Index]
		own.Act.Interrupt(now)
		own.Cold.Interrupt(now)
		l.endCalm(en)
	}
}

// Cause says what is at fault, with the numbers behind it.
func (j *limitsJudge) Cause(v *room.View, a *room.Alarm) (Cause, []alarm.Fact) {
	if a.Kind == alarm.KindFloor {
		return causes{v}.dryCause(&v.Enclosures[a.Index], v.At)
	}
	return causes{v}.byTemperature(a, v.At)
}

// Fact says what is the matter.
func (j *limitsJudge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	en, f := &v.Enclosures[a.Index], alarm.Fact{ID: alarm.FactID(a.Kind.Row().ID)}
	switch a.Kind {
	case alarm.KindAbove, alarm.KindBelow:
		return bandFact(v, en, a)
	case alarm.KindFloor:
		if en.Limits.Dry > 0 && a.Rec.Value*100 <= float64(en.Limits.Dry) {
			f.ID = alarm.FactFarDry
		}
	}
	return f
}

// Detail says what excuses the floor, and on whose word it is judged.
func (j *limitsJudge) Detail(v *room.View, a *room.Alarm, d *alarm.Detail) {
	if a.Kind != alarm.KindFloor {
		return
	}
	l, en := limitsLook{limitsJudge: j, v: v}, &v.Enclosures[a.Index]
	if en.St.HasExcuse && v.At.Mono < en.St.Excused {
		d.Excused = append(d.Excused, alarm.Fact{ID: alarm.FactDoorOpened, For: v.At.Mono - en.St.DoorAt})
	}
	if v.StandsIn(en) {
		d.Unknown = append(d.Unknown, l.standInFact(en))
	}
}
