package rules

import (
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"time"
)

// MistOwn is what the judge of mists remembers of one enclosure.
type MistOwn struct {
	Watch  climate.MistWatch `json:"watch"`
	Weak   int               `json:"weak"`    // weak ones in a row
	DryOdd int               `json:"dry_odd"` // pulses in a row that dried oddly
	Soaks  Soaks             `json:"soaks"`
	// Verdict on the mist due at VerdictAt, kept until the whole supply is
	// judged.
	Verdict   climate.MistVerdict `json:"verdict"`
	VerdictAt time.Duration       `json:"verdict_at"`
	DueAt     time.Duration       `json:"due_at"` // last scheduled mist
	HasDue    bool                `json:"has_due"`
	Cut       bool                `json:"cut,omitempty"` // a gap hid whether an endless mist ended
}

// mistJudge looks for mist pulses, holds them against the schedules, and follows
// how enclosures dry after them.
type mistJudge struct {
	At       []MistOwn // by the enclosure's index
	verdicts []climate.MistVerdict
}

func newMistJudge(v *room.View) *mistJudge {
	return &mistJudge{At: make([]MistOwn, len(v.Enclosures)), verdicts: make([]climate.MistVerdict, 0, len(v.Enclosures))}
}

// mistLook is one look at the room.
type mistLook struct {
	*mistJudge
	v   *room.View
	out *room.Out
}

func (l mistLook) causes() causes { return causes{l.v} }

// Step looks for pulses, or for those that should have come.
func (j *mistJudge) Step(v *room.View, out *room.Out) {
	l := mistLook{j, v, out}
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
func (l mistLook) forget(own *MistOwn) {
	a := &l.v.Absence
	if own.HasDue && (!a.Known || own.DueAt+patience > l.v.At.Mono-a.Lost-a.Off) {
		own.Watch.Waiting, own.HasDue, own.Verdict = false, false, climate.MistPending
	}
}

// Cause says what is at fault, with the numbers behind it.
func (j *mistJudge) Cause(v *room.View, a *room.Alarm) (Cause, []alarm.Fact) {
	en := &v.Enclosures[a.Index]
	switch a.Kind {
	case alarm.KindMistMissing, alarm.KindMistWeak:
		return a.Rec.Cause, nil // set where it was judged
	case alarm.KindMistEndless:
		return mistLook{mistJudge: j, v: v}.endlessCause(en)
	}
	return Cause{Kind: CauseEnclosure, ID: en.Cfg.ID}, nil
}

// Fact says what is the matter.
func (j *mistJudge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	f := alarm.Fact{ID: alarm.FactID(a.Kind.Row().ID)}
	switch a.Kind {
	case alarm.KindMistMissing:
		if f.Count = int(a.Rec.Value); f.Count > 1 {
			f.ID = alarm.FactMissedAgain
		}
	case alarm.KindMistWeak:
		f.Count = int(a.Rec.Value)
	case alarm.KindDryDown:
		if v.Enclosures[a.Index].St.Dry.Hint() == climate.DrySlower {
			f.ID = alarm.FactSlower
		}
	}
	return f
}
