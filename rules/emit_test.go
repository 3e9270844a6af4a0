package rules

import (
	"reflect"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
)

// How urgent an alarm rises and how urgent it becomes: what is urgent wakes, what is mild
// is for the week, and what stands at its limit again and is no longer mild for today.
func TestFind_Urgency(t *testing.T) {
	for _, c := range []struct {
		name   string
		kind   alarm.Kind
		finds  []room.Finding
		want   alarm.Priority
		raised int // times that it was told to be more urgent
	}{
		{"plain", alarm.KindAbove, []room.Finding{{In: alarm.Beyond}}, alarm.Today, 0},
		{"urgent", alarm.KindAbove, []room.Finding{{In: alarm.Beyond, Urgent: true}}, alarm.Wake, 0},
		{"mild", alarm.KindAbove, []room.Finding{{In: alarm.Beyond, Mild: true}}, alarm.Note, 0},
		{"mild, then not", alarm.KindAbove, []room.Finding{{In: alarm.Beyond, Mild: true}, {In: alarm.Beyond}}, alarm.Today, 1},
		{"mild, then on its way back", alarm.KindAbove, []room.Finding{{In: alarm.Beyond, Mild: true}, {In: alarm.Between}}, alarm.Note, 0},
		{"mild, then urgent", alarm.KindAbove, []room.Finding{{In: alarm.Beyond, Mild: true}, {In: alarm.Beyond, Urgent: true, Mild: true}}, alarm.Wake, 1},
		{"urgent, then not", alarm.KindAbove, []room.Finding{{In: alarm.Beyond, Urgent: true}, {In: alarm.Beyond, Mild: true}}, alarm.Wake, 0},
		{"plain, then mild", alarm.KindAbove, []room.Finding{{In: alarm.Beyond}, {In: alarm.Beyond, Mild: true}}, alarm.Today, 0},
	} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.run(time.Minute, r.calm)
		s := &r.e.v.Enclosures[0].Alarms[c.kind]
		for p := range r.e.lives.specs[c.kind] {
			r.e.lives.specs[c.kind][p].OnDelay, r.e.lives.specs[c.kind][p].OffDelay = 0, 0
		}
		r.e.lives.out = nil
		for _, f := range c.finds {
			f.Alarm, f.Gap = s, time.Hour
			r.e.v.At = r.e.v.At.Add(time.Minute)
			r.e.lives.Find(f)
		}
		raised := 0
		for _, x := range r.e.lives.out {
			if x.Why == "more urgent" {
				raised++
			}
		}
		if s.Rec.Priority != c.want || raised != c.raised || !s.Rec.Life.Active {
			t.Errorf("%s: %v, raised %d times", c.name, s.Rec.Priority, raised)
		}
	}
}

// A finding may pass the delays of its alarm, or wait a multiple of them.
func TestFind_Delays(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	s := &r.e.v.Enclosures[0].Alarms[alarm.KindFloor]
	usual := r.e.lives.spec(s, time.Minute)
	for _, c := range []struct {
		f       room.Finding
		on, off time.Duration
	}{
		{room.Finding{}, usual.OnDelay, usual.OffDelay}, {room.Finding{AtOnce: true}, 0, 0}, {room.Finding{Urgent: true}, 0, usual.OffDelay},
		{room.Finding{Slow: 3}, 3 * usual.OnDelay, usual.OffDelay}, {room.Finding{Slow: 3, AtOnce: true}, 0, 0},
	} {
		c.f.Alarm, c.f.Gap = s, time.Minute
		if got := r.e.lives.specFor(c.f); got.OnDelay != c.on || got.OffDelay != c.off || got.MaxGap != time.Minute {
			t.Errorf("%+v: %+v", c.f, got)
		}
	}
	if usual.OnDelay == 0 || usual.OffDelay == 0 {
		t.Error("the floor has no delays")
	}
}

// An alarm that becomes more urgent is told so while it is open; what was answered rings
// again.
func TestRaise(t *testing.T) {
	for _, c := range []struct {
		name  string
		state alarm.State
		from  alarm.Priority
		to    alarm.Priority
		why   string // of what is told; empty for nothing
		next  alarm.State
	}{
		{"as urgent", alarm.Unack, alarm.Wake, alarm.Wake, "", alarm.Unack}, {"less", alarm.Unack, alarm.Wake, alarm.Today, "", alarm.Unack},
		{"more, while it rings", alarm.Unack, alarm.Today, alarm.Wake, "more urgent", alarm.Unack}, {"more, and it was answered", alarm.Acked, alarm.Today, alarm.Wake, "more urgent than what was acknowledged", alarm.Unack},
		{"more, and it is none yet", alarm.Norm, alarm.Today, alarm.Wake, "", alarm.Norm},
	} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.run(time.Minute, r.calm)
		s := &r.e.v.Enclosures[0].Alarms[alarm.KindAbove]
		s.Rec.Life.State, s.Rec.Life.Active, s.Rec.Priority = c.state, c.state != alarm.Norm, c.from
		s.Rec.Cause = alarm.Cause{Kind: alarm.CauseProbe, ID: "p1"}
		r.e.lives.out = nil
		r.e.lives.Raise(s, c.to)
		got := ""
		for _, x := range r.e.lives.out {
			got += x.Why
		}
		if got != c.why || s.Rec.Life.State != c.next || s.Rec.Priority != max(c.from, c.to) {
			t.Errorf("%s: told %q, %v, %v", c.name, got, s.Rec.Life.State, s.Rec.Priority)
		}
		if blamed := s.Rec.Cause.Kind == alarm.CauseProbe; blamed != (c.to <= c.from || c.state == alarm.Norm) {
			t.Errorf("%s: the probe is blamed still: %v", c.name, blamed)
		}
	}
}

// What was put away in peace tells no value of before, what cannot be judged says so, and
// the peak begins anew with each ring.
func TestEmit_WhatIsTold(t *testing.T) {
	for _, c := range []struct {
		name     string
		from, to alarm.State
		active   bool
		hasValue bool
		unknown  int
	}{
		{"rings", alarm.Norm, alarm.Unack, true, true, 0}, {"rings again", alarm.Acked, alarm.Unack, true, true, 0}, {"is hidden", alarm.Norm, alarm.Suppressed, true, true, 0},
		{"is answered", alarm.Unack, alarm.Acked, true, true, 0}, {"is shelved in peace", alarm.Norm, alarm.Shelved, false, false, 0}, {"is shelved", alarm.Unack, alarm.Shelved, true, true, 0},
		{"comes from the shelf", alarm.Shelved, alarm.Unack, true, true, 1},
	} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(time.Hour, r.calm)
		s := &r.e.v.Enclosures[0].Alarms[alarm.KindAbove]
		rec := &s.Rec
		rec.Life.State, rec.Life.Active, rec.Life.Unknown = c.to, c.active, c.unknown > 0
		rec.Value, rec.HasValue, rec.Limit, rec.HasLimit, rec.Peak = 27, true, 26, true, &alarm.Peak{Value: 30, Limit: 26}
		r.e.lives.out = nil
		r.e.lives.emit(s, r.e.v.Latest, alarm.Change{From: c.from, To: c.to}, "una", "because")
		x := r.e.lives.out[0]
		if x.HasValue != c.hasValue || x.HasLimit != c.hasValue || x.By != "una" || x.Why != "because" || x.Peak == nil || x.Peak.Value != 30 || x.From != c.from || x.To != c.to {
			t.Errorf("%s: %+v", c.name, x)
		}
		unknown := 0
		for _, f := range x.Detail.Unknown {
			if f.ID == alarm.FactNoReading {
				unknown++
			}
		}
		if unknown != c.unknown {
			t.Errorf("%s: unknown is %+v", c.name, x.Detail.Unknown)
		}
	}
}

// What nothing is known of beside an alarm is said: no rate, no room, no day or night.
func TestDetail_WhatIsUnknown(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(r *rig)
		want []alarm.FactID
	}{
		{"all is known", func(*rig) {}, nil},
		{"no room", func(r *rig) { r.e.v.Probes[0].St.HasTemp = false }, []alarm.FactID{alarm.FactNoRoom}},
		{"no clock", func(r *rig) { r.e.v.Lamps[0].Known = false }, []alarm.FactID{alarm.FactNoDayNight}},
		{"no lamps", func(r *rig) { r.e.v.Lamps[0].Known = false; r.e.v.Enclosures[0].Lamps = -1 }, nil},
	} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(time.Hour, r.calm)
		c.set(r)
		s := &r.e.v.Enclosures[0].Alarms[alarm.KindAbove]
		s.Rec.Detail = &alarm.Detail{}
		r.e.lives.detailEnclosure(&r.e.v.Enclosures[0], s, r.e.v.Latest)
		var got []alarm.FactID
		for _, f := range s.Rec.Detail.Unknown {
			got = append(got, f.ID)
		}
		if d := s.Rec.Detail; !reflect.DeepEqual(got, c.want) || !d.HasRate || d.Temperature < 23.9 || d.Lethal != 30 || d.TimeToLethal != nil {
			t.Errorf("%s: unknown %v, %+v", c.name, got, d)
		}
	}
}

// An alarm that is over says for how long it lasted and whether somebody has to answer.
func TestTell_Turns(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	now := r.e.v.Latest
	for _, c := range []struct {
		to     alarm.State
		active bool
		why    string
		want   alarm.Turn
		lasted time.Duration
		left   time.Duration
	}{
		{alarm.Unack, true, "", alarm.TurnActive, 0, 0}, {alarm.RTNUN, false, "", alarm.TurnUnanswered, 30 * time.Minute, 0}, {alarm.Norm, false, "", alarm.TurnOver, 30 * time.Minute, 0},
		{alarm.LatchUnack, false, "", alarm.TurnHeld, 30 * time.Minute, 0}, {alarm.LatchAck, false, "", alarm.TurnHeld, 30 * time.Minute, 0},
		{alarm.Shelved, true, "", alarm.TurnShelved, 0, time.Hour}, {alarm.OutOfService, true, "", alarm.TurnOut, 0, 2 * time.Hour}, {alarm.Suppressed, true, "", alarm.TurnSuppressed, 0, 0},
		{alarm.Norm, false, alarm.WhyConfig, alarm.TurnRemoved, 0, 0},
	} {
		s := &r.e.v.Enclosures[0].Alarms[alarm.KindAbove]
		s.Rec.Detail = &alarm.Detail{}
		s.Rec.Life = alarm.Record{State: c.to, Active: c.active, EndedAt: now.Mono - 30*time.Minute, Shelf: &alarm.Shelf{Until: now.Mono + time.Hour}}
		s.Rec.Life.Since = now.Add(-time.Hour)
		if c.to == alarm.OutOfService {
			s.Rec.Life.Out = &alarm.Out{Mono: now.Mono + 2*time.Hour, Until: now.Wall.Add(2 * time.Hour)}
		}
		r.e.lives.tell(s, now, alarm.Change{From: alarm.Unack, To: c.to, Why: c.why})
		d := s.Rec.Detail
		if d.Turn != c.want || d.Lasted != c.lasted || d.Left != c.left || d.For != time.Hour || d.Active != c.active || d.Began == "" || (d.Until != "") != (c.to == alarm.OutOfService || c.left > 0) {
			t.Errorf("%s: %+v", c.to, d)
		}
	}
	if r.e.v.Local(now.Wall, false) != "" {
		t.Error("a time that nobody knows")
	}
}

// After a start from a store that lost its newest part nothing lies ahead of now.
func TestPull_NothingIsAhead(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, "[[contact]]\nid = \"door\"\nis = \"door\"\nchip = \"/dev/gpiochip0\"\nline = 4\nserves = [\"e1\"]\n"))
	const now = 5 * time.Hour
	e := r.e
	for i := range e.v.Probes {
		p := &e.v.Probes[i]
		p.St.Last.Mono, p.St.Heard.Mono, p.St.Good.Mono, p.St.Began.Mono = now+1, now+1, now+1, now+1
		p.St.TempAt, p.St.AnyAt, p.St.HumAt, p.St.StillAt, p.St.JumpAt, p.St.LeapAt, p.Since = now+1, now+1, now+1, now+1, now+1, now+1, now+1
	}
	for i := range e.v.Enclosures {
		st := &e.v.Enclosures[i].St
		st.At.Mono, st.QuickAt, st.SlowAt, st.RefitAt = now+1, now+1, now+1, now+1
	}
	for i := range e.v.Contacts {
		st := &e.v.Contacts[i].St
		st.At, st.Since, st.Sure, st.Ran = now+1, now+1, now+1, now+1
	}
	e.v.Latest.Mono, e.v.Watched, e.v.Off.At, e.minuteAt, e.hourAt = now+1, now+1, now+1, now+1, now+1
	e.pull(now)
	for i := range e.v.Probes {
		p := &e.v.Probes[i]
		for name, at := range map[string]time.Duration{
			"last": p.St.Last.Mono, "heard": p.St.Heard.Mono, "good": p.St.Good.Mono, "began": p.St.Began.Mono, "temperature": p.St.TempAt, "any": p.St.AnyAt,
			"humidity": p.St.HumAt, "still": p.St.StillAt, "jump": p.St.JumpAt, "leap": p.St.LeapAt, "since": p.Since,
		} {
			if at > now || at < now-1 {
				t.Errorf("%s of %s is at %v", name, p.Cfg.ID, at)
			}
		}
		if p.St.Last.Mono >= now || p.St.Heard.Mono >= now || p.Since >= now {
			t.Errorf("the first reading of %s may come at once: %+v", p.Cfg.ID, p.St.Rhythm)
		}
	}
	for i := range e.v.Enclosures {
		if st := &e.v.Enclosures[i].St; st.At.Mono != now || st.QuickAt != now || st.SlowAt != now || st.RefitAt != now {
			t.Errorf("%+v", st.At)
		}
	}
	for i := range e.v.Contacts {
		if st := &e.v.Contacts[i].St; st.At != now || st.Since != now || st.Sure != now || st.Ran != now {
			t.Errorf("%+v", st)
		}
	}
	if e.v.Latest.Mono != now || e.v.Watched != now || e.v.Off.At != now || e.minuteAt != now || e.hourAt != now {
		t.Errorf("%v, %v, %v, %v, %v", e.v.Latest.Mono, e.v.Watched, e.v.Off.At, e.minuteAt, e.hourAt)
	}
}

// A time off makes older what was seen before it, and nothing that was seen since.
func TestAge_WhatWasSeenBefore(t *testing.T) {
	const now, off = 10 * time.Hour, time.Hour
	r := newRig(t, rigConfig(t, 1, ""))
	p, en := probeOf(r.e, "p1"), &r.e.v.Enclosures[0]
	before, since := now-time.Minute, now+time.Minute
	for at, want := range map[time.Duration]time.Duration{before: before - off, since: since} {
		p.St.Last.Mono, p.St.Heard.Mono, p.St.Good.Mono, p.St.TempAt, p.St.AnyAt, p.St.HumAt = at, at, at, at, at, at
		en.St.At.Mono, en.St.PulseAt, en.St.DoorAt, en.St.Excused = at, at, at, at
		p.St.Unseen = 0
		s := &en.Alarms[alarm.KindAbove].Rec.Life
		s.State, s.AckedAt, r.e.v.Off.At = alarm.Acked, at, now
		r.e.lives.age(off, now)
		if p.St.Last.Mono != want || p.St.Heard.Mono != want || p.St.Good.Mono != want || p.St.TempAt != want || p.St.AnyAt != want || p.St.HumAt != want {
			t.Errorf("a probe of %v: %+v", at, p.St.Rhythm)
		}
		if en.St.At.Mono != want || en.St.PulseAt != want || en.St.DoorAt != want || en.St.Excused != want || s.AckedAt != want {
			t.Errorf("an enclosure of %v: %v, answered %v", at, en.St.At.Mono, s.AckedAt)
		}
		if (p.St.Unseen == off) != (at == before) {
			t.Errorf("unheard for %v since %v", p.St.Unseen, at)
		}
	}
}

// Prospects stand by what is reached soonest, then by what comes nearest, and what nobody
// knows is last.
func TestWhatIf_WorstFirst(t *testing.T) {
	known := func(lethal float64, peak Tenth, after time.Duration) Prospect {
		return Prospect{Now: new(float64), Lethal: lethal, Peak: &peak, ToLethal: Given(after > 0, Seconds(after))}
	}
	list := []Prospect{
		known(30, 31, time.Hour), known(30, 40, 2*time.Hour), known(30, 29, 0), known(28, 26, 0), known(33, 30, 0), {Lethal: 30},
	}
	for i := range list {
		for j := range list {
			if got := worse(list[i], list[j]); got < 0 != (i < j) || got > 0 != (i > j) {
				t.Errorf("%+v against %+v: %d", list[i], list[j], got)
			}
		}
	}
}
