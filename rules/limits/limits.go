// Package limits holds each reading against the limits in force: the lethal one,
// those of the band and beyond it, and the humidity floor. A limit is reached at
// the value itself.
package limits

import (
	"math"
	"slices"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/cause"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// LethalDead is the lethal limit's deadband in hundredths of °C.
const LethalDead = 50

// judgeLethal is promise number one. A trusted reading at the lethal limit raises
// at once. A doubted one does when the next of the same probe says so too.
func (l look) judgeLethal(en *room.Enclosure) {
	s := &en.Alarms[alarm.KindLethal]
	limit := en.Limits.Lethal
	in := l.v.HotInput(en, l.v.At.Mono, limit, LethalDead)
	value := en.Now.Hot
	if in != alarm.Beyond {
		for _, i := range en.Probes {
			st := &l.v.Probes[i].St
			if st.Doubtful && !st.Alone && st.HotRun >= 2 {
				in, value = alarm.Beyond, max(value, int32(st.Doubt))
				en.Now.HotProbe = i
			}
		}
	}
	if in != alarm.Missing {
		s.Against(float64(value)/100, float64(limit)/100)
	}
	l.out.Apply(s, in, en.Now.Gap)
	en.HideAhead()
}

// judgeFloor steps the humidity floor. The floor is reached at the value
// itself, as every limit: a keeper who wants it above 70 % hears at 70.00 %.
func (l look) judgeFloor(en *room.Enclosure) {
	if en.Limits.Floor <= 0 {
		return // tadpole water has none
	}
	s := &en.Alarms[alarm.KindFloor]
	in := l.floorInput(en, s, l.v.At.Mono)
	l.excuse(en, s, in, l.v.At.Mono)
	if in == alarm.Beyond && !s.Rec.Life.Active && l.waitForDoor(en, s) {
		in = alarm.Missing
	}
	f := room.Finding{Alarm: s, In: in, Gap: en.Now.Gap}
	if l.v.StandsIn(en) {
		f.Slow = standInDelay
	}
	l.out.Find(f) // each time: the floor holds at all hours
}

// excuse keeps the floor from rising while a door that was opened excuses it, and
// after that while the air is on its way back. It does not hide an alarm that has
// risen, and a door that opens again and again excuses no more than one.
func (l look) excuse(en *room.Enclosure, s *room.Alarm, in alarm.Input, now time.Duration) {
	r := &s.Rec.Life
	if r.State != alarm.Norm && r.State != alarm.Suppressed {
		return
	}
	long := (r.Active || r.OnFor > 0) && now-r.Since.Mono >= l.v.Cfg.Rules.DoorExcuse.D()
	back := r.State == alarm.Suppressed && r.Active && (in == alarm.Between || in == alarm.Back)
	r.Suppress = en.St.HasExcuse && now < en.St.Excused && !long || back
}

// floorInput classifies the humidity that the floor is held against.
func (l look) floorInput(en *room.Enclosure, s *room.Alarm, now time.Duration) alarm.Input {
	floor, dead := en.Limits.Floor, l.v.FloorDead
	in := alarm.Missing
	if en.Now.HasHum {
		v := l.floorHum(en)
		in = alarm.Low(v, floor, dead)
		s.Against(float64(v)/100, float64(floor)/100)
	}
	if in == alarm.Back && en.Now.Doubt && l.dryDoubt(en, now, floor, dead) {
		return alarm.Missing
	}
	return in
}

// floorHum is that humidity, in hundredths of a percent.
func (l look) floorHum(en *room.Enclosure) int32 {
	v := en.Now.Hum
	if l.v.Cfg.Rules.FloorLessUncert {
		v -= int32(l.v.Probes[en.Now.HumProbe].St.HumLess)
	}
	if l.v.StandsIn(en) {
		v = l.standInHum(en, v)
	}
	return v
}

// waitForDoor reports whether the floor is about to rise under an excuse that
// a door which has not recovered is about to lose: a minute sooner or later
// the one is told with the other.
func (l look) waitForDoor(en *room.Enclosure, s *room.Alarm) bool {
	since, open := en.St.Door.Open()
	return s.Rec.Life.Suppress && open && !en.St.Door.Ajar() &&
		l.v.EstAt(en.St.At.Mono)-since < climate.DoorWait+room.QuickEvery && s.Rec.Life.OnFor >= l.v.Cfg.Rules.FloorOnDelay.D()-2*room.QuickEvery
}

// StandIn is by how much the humidity where the floor is judged usually
// differs from the other probes of the enclosure, in %: what they say is good
// for the floor only with that taken off.
type StandIn struct {
	Gap     float64 `json:"gap,omitempty"`
	Minutes float64 `json:"minutes,omitempty"` // seen together, at most standInFull
}

const (
	standInFull  = 60 // minutes that the mean of the difference looks back
	standInFew   = 15 // minutes after which it is used
	standInDelay = 3  // times the floor's on-delay, on another place's word
)

// standInHum is what the named place would say, in hundredths of a percent.
func (l look) standInHum(en *room.Enclosure, v int32) int32 {
	if g := &l.At[en.Index].StandIn; g.Minutes >= standInFew {
		return min(v+int32(math.Round(g.Gap*100)), 10000)
	}
	return v
}

// learnStandIn compares the named probe with the others while all deliver.
func (l look) learnStandIn(en *room.Enclosure, now time.Duration) {
	if !en.NamedFloor || len(en.Probes) < 2 || !en.Now.HasHum || l.v.StandsIn(en) {
		return
	}
	var hums room.Few
	for _, i := range en.Probes {
		if p := &l.v.Probes[i]; !p.Cfg.FloorProbe && p.HumUsable(&l.v.Cfg.Rules, now) {
			hums.Add(int32(p.St.Hum))
		}
	}
	others, ok := hums.Median()
	if !ok {
		return
	}
	g := &l.At[en.Index].StandIn
	step := room.QuickEvery.Minutes()
	g.Minutes = min(g.Minutes+step, standInFull)
	g.Gap += (float64(en.Now.Hum-others)/100 - g.Gap) * step / g.Minutes
}

// dryDoubt reports whether a probe that the floor is judged on, and that takes
// no part now, was dry when it last could.
func (l look) dryDoubt(en *room.Enclosure, now time.Duration, floor, dead int32) bool {
	return slices.ContainsFunc(en.Probes, func(i int) bool {
		p := &l.v.Probes[i]
		return (!en.NamedFloor || p.Cfg.FloorProbe) && p.DryDoubt(&l.v.Cfg.Rules, now, floor, dead)
	})
}

// standInFact says on whose word the floor is judged.
func (l look) standInFact(en *room.Enclosure) alarm.Fact {
	f := alarm.Fact{ID: alarm.FactStandIn, About: l.v.Probes[en.Now.HumProbe].Cfg.ID}
	if g := &l.At[en.Index].StandIn; g.Minutes >= standInFew {
		f.ID, f.Percent = alarm.FactStandInSet, g.Gap
	}
	return f
}

// State is what the judge of limits remembers of one enclosure.
type State struct {
	// Act and Cold are the times at the limits that make the band urgent.
	Act  alarm.Record `json:"act"`
	Cold alarm.Record `json:"cold"`
	// Top and Long are the times above what the band has at any hour.
	Top     alarm.Record `json:"top,omitzero"`
	Long    alarm.Record `json:"long,omitzero"`
	Warm    Habits       `json:"warm,omitzero"`
	Cool    Habits       `json:"cool,omitzero"` // of values below zero
	StandIn StandIn      `json:"stand_in,omitzero"`
}

// Judge holds every reading against the limits in force: lethal, those of
// the band, and the humidity floor.
type Judge struct {
	At []State // by the enclosure's index
}

// New returns a judge of the enclosures of a room.
func New(v *room.View) *Judge {
	j := &Judge{At: make([]State, len(v.Enclosures))}
	for i := range v.Enclosures {
		en := &v.Enclosures[i]
		en.Alarms[alarm.KindAbove].Severe, en.Alarms[alarm.KindBelow].Severe = &j.At[i].Act, &j.At[i].Cold
	}
	return j
}

type look struct {
	*Judge
	v   *room.View
	out *room.Out
}

// Step judges the enclosure that a reading came for.
func (j *Judge) Step(v *room.View, out *room.Out) {
	l := look{j, v, out}
	switch v.Due {
	case room.Arrived:
		if en := v.Enclosure; en != nil && v.Reading.Quality != sensors.Bad {
			l.judge(en)
		}
	case room.Quick:
		if v.Enclosure.Now.HasTemp {
			l.learnStandIn(v.Enclosure, v.At.Mono)
		}
	case room.Blind:
		for i := range v.Enclosures {
			l.forget(&v.Enclosures[i], v.At)
		}
	}
}

func (l look) judge(en *room.Enclosure) {
	l.judgeLethal(en)
	if en.Now.Waits = l.v.Gathering(en, l.v.At.Mono); en.Now.Waits {
		return
	}
	l.judgeBand(en)
	l.judgeFloor(en)
}

// forget lets go of what a gap hides. A door that opened before is forgotten,
// but the floor was excused.
func (l look) forget(en *room.Enclosure, now sensors.Instant) {
	a, st, excuse := &l.v.Absence, &en.St, l.v.Cfg.Rules.DoorExcuse.D()
	if f := &en.Alarms[alarm.KindFloor].Rec.Life; f.Suppress && f.Seen == alarm.Beyond && !st.HasExcuse && a.Known && a.Off < excuse {
		st.Excused, st.HasExcuse, st.DoorAt = now.Mono+excuse, true, now.Mono
	}
	if a.Long() {
		own := &l.At[en.Index]
		for _, r := range [...]*alarm.Record{&own.Act, &own.Cold, &own.Top, &own.Long} {
			r.Interrupt(now)
		}
	}
}

// Cause says what is at fault, with the numbers behind it.
func (j *Judge) Cause(v *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	if a.Kind == alarm.KindFloor {
		return cause.Look{V: v}.Dry(&v.Enclosures[a.Index], v.At)
	}
	return cause.Look{V: v}.ByTemperature(a, v.At)
}

// Fact says what is the matter.
func (j *Judge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
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
func (j *Judge) Detail(v *room.View, a *room.Alarm, d *alarm.Detail) {
	if a.Kind != alarm.KindFloor {
		return
	}
	l, en := look{Judge: j, v: v}, &v.Enclosures[a.Index]
	if en.St.HasExcuse && v.At.Mono < en.St.Excused {
		d.Excused = append(d.Excused, v.Ago(alarm.Fact{ID: alarm.FactDoorOpened}, v.At, v.At.Mono-en.St.DoorAt))
	}
	if v.StandsIn(en) {
		d.Unknown = append(d.Unknown, l.standInFact(en))
	}
}
