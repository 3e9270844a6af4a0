package rules

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// viewRig is a room of two enclosures, the first with two probes, at one in the afternoon.
func viewRig(t *testing.T) *rig {
	r := newRig(t, rigConfig(t, 2, "[[mist]]\nid = \"m\"\ntimes = [\"20:00\"]\n", 1))
	r.now = 12 * time.Hour
	r.run(time.Hour, r.calm)
	return r
}

func probeOf(e *Engine, id sensors.ProbeID) *room.Probe { return &e.v.Probes[e.v.ByID[id]] }

// Each value is shown with its age and the probe that it is of, the last known where none
// is trusted.
func TestView_ValuesHaveAges(t *testing.T) {
	r := viewRig(t)
	now := r.e.v.Latest.Mono
	age := r.now - poll - now // of the last poll
	for id, a := range map[sensors.ProbeID]time.Duration{"p1": 3 * time.Second, "q1": 7 * time.Second} {
		p := probeOf(r.e, id)
		p.St.TempAt, p.St.HumAt = now-a, now-a-time.Second
		p.St.Temp, p.St.Hum, p.St.HumLess, p.St.HumMore = 2400+sensors.CentiCelsius(a/time.Second), 8000+sensors.CentiPercent(a/time.Second), 200, 300
	}
	en := &r.e.v.Enclosures[0]
	r.e.v.Combine(en, now)
	v := r.e.Enclosures()[0]
	if m := v.Temperature; m.Probe != "q1" || m.Age != 7*time.Second || m.Value != 24.07 || !m.Known || !m.Ever || m.Place != "litter" {
		t.Errorf("the hottest is %+v (%v)", m, age)
	}
	if m := v.Humidity; m.Age != 4*time.Second && m.Age != 8*time.Second || m.Uncertainty != 3 || !m.Known || m.Probe == "" {
		t.Errorf("the humidity is %+v", m)
	}
	for _, id := range []sensors.ProbeID{"p1", "q1"} { // both silent
		st := &probeOf(r.e, id).St
		back := 2 * time.Hour
		st.TempAt, st.HumAt, st.Heard.Mono, st.Good.Mono, st.Last.Mono = st.TempAt-back, st.HumAt-back, st.Heard.Mono-back, st.Good.Mono-back, st.Last.Mono-back
	}
	r.e.v.Combine(en, now)
	v = r.e.Enclosures()[0]
	if m := v.Temperature; m.Known || !m.Ever || m.Probe != "p1" || m.Age != 2*time.Hour+3*time.Second || !v.Blind {
		t.Errorf("the last known is %+v, blind %v", m, v.Blind)
	}
	if m := v.Humidity; m.Known || !m.Ever || m.Probe != "p1" || m.Age != 2*time.Hour+4*time.Second {
		t.Errorf("the last known humidity is %+v", m)
	}
	if !reflect.DeepEqual(v.Unknown, []string{"temperature", "humidity"}) || v.DewPoint != nil || v.VPD != nil || v.RatePerHour != nil {
		t.Errorf("unknown is %v, %v, %v", v.Unknown, v.DewPoint, v.RatePerHour)
	}
	if p := r.e.Probes()[r.e.v.ByID["p1"]]; p.Fresh || p.Age.D() < 2*time.Hour || p.HeardAge.D() < 2*time.Hour {
		t.Errorf("%+v", p)
	}
}

// What is estimated is shown as it is, and nothing where it is not known.
func TestView_Estimates(t *testing.T) {
	r := viewRig(t)
	en, now := &r.e.v.Enclosures[0], r.e.v.Latest.Mono
	st := &en.St
	st.Missed, st.HasPulse, st.PulseAt = 3, true, now-time.Hour
	st.Ahead = room.Ahead{At: now - 3*room.SlowEvery, ToLethal: climate.Eta{Known: true, From: time.Hour, To: 2 * time.Hour}, LampsOff: climate.Eta{Known: true, From: 10 * time.Minute, To: 20 * time.Minute}}
	v := r.e.Enclosures()[0]
	if v.MissedMists != 3 || v.LastMist == nil || v.LastMist.D() != time.Hour || v.LampsOn == nil || !*v.LampsOn || v.NightDrop != nil || v.DryDown != nil || v.DoorOpen {
		t.Errorf("%+v", v.EnclosureHabits)
	}
	if v.ToLethal == nil || *v.ToLethal != (alarm.Range{FromMinutes: 60, ToMinutes: 120}) || v.LampsOffGain == nil || *v.LampsOffGain != (alarm.Range{FromMinutes: 10, ToMinutes: 20}) {
		t.Errorf("ahead is %+v, %+v", v.ToLethal, v.LampsOffGain)
	}
	st.Ahead.At--
	st.HasPulse = false
	if v = r.e.Enclosures()[0]; v.ToLethal != nil || v.LampsOffGain != nil || v.LastMist != nil {
		t.Errorf("of an old forecast: %+v, %+v, %+v", v.ToLethal, v.LampsOffGain, v.LastMist)
	}
	r.e.v.Lamps[0].Known = false
	if v = r.e.Enclosures()[0]; v.LampsOn != nil || !reflect.DeepEqual(v.Unknown, []string{"lamps"}) {
		t.Errorf("lamps %v, unknown %v", v.LampsOn, v.Unknown)
	}
	en.Lamps = -1
	if v = r.e.Enclosures()[0]; v.LampsOn != nil || len(v.Unknown) > 0 {
		t.Errorf("without lamps: %v, unknown %v", v.LampsOn, v.Unknown)
	}
}

// A humidity that nobody trusts is shown with the doubt about it, as long as it is said.
func TestView_WildHumidity(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(st *room.ProbeState, now sensors.Instant)
		want string
		at   float64
	}{
		{"trusted", func(*room.ProbeState, sensors.Instant) {}, "", 0},
		{"pinned", func(st *room.ProbeState, now sensors.Instant) {}, sensors.PinnedWet.String(), 99},
		{"an older word", func(st *room.ProbeState, now sensors.Instant) { st.Last.Mono++ }, "", 0},
		{"trusted after all", func(st *room.ProbeState, now sensors.Instant) { st.HumLost = false }, "", 0},
		{"a bad reading since", func(st *room.ProbeState, now sensors.Instant) { st.Quality = sensors.Bad }, "", 0},
		{"its dew point is too high", func(st *room.ProbeState, now sensors.Instant) { st.HumLost, st.Dewy = false, true }, sensors.DewTooHigh.String(), 85},
	} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.run(time.Minute, r.calm)
		p, now := probeOf(r.e, "p1"), r.e.v.Latest
		if c.name != "trusted" {
			p.St.HumLost, p.St.Quality, p.St.Reason, p.St.WildHum, p.St.WildHumAt, p.St.Last, p.St.Hum = true, sensors.Suspect, sensors.PinnedWet, 9900, now.Mono, now, 8500
		}
		c.set(&p.St, now)
		if got := wild(r.e.v, p, now.Mono); got != c.want {
			t.Errorf("%s: %q", c.name, got)
		}
		if m := r.e.Enclosures()[0].Humidity; c.want != "" && (m.Doubt != c.want || m.Value != c.at || m.Known) {
			t.Errorf("%s: %+v", c.name, m)
		}
	}
}

// Of two probes the one tells the humidity that is nearer to what is judged, of equals the
// named one, or the drier.
func TestView_Nearer(t *testing.T) {
	for _, c := range []struct {
		p, q  sensors.CentiPercent
		named bool
		want  bool
	}{{8000, 8100, false, true}, {8100, 8000, false, false}, {7900, 8100, false, true}, {8100, 7900, false, false}, {8100, 7900, true, true}, {8000, 8000, false, false}} {
		p, q := &room.Probe{Cfg: &configs.Probe{}}, &room.Probe{Cfg: &configs.Probe{}}
		p.St.Hum, q.St.Hum, p.Cfg.FloorProbe = c.p, c.q, c.named
		if nearer(p, q, 8000) != c.want {
			t.Errorf("%+v: %v", c, !c.want)
		}
	}
}

// An alarm is shown with what is left of its shelf, and for how long it has been over.
func TestView_OfAnAlarm(t *testing.T) {
	r := viewRig(t)
	s := &r.e.v.Enclosures[0].Alarms[alarm.KindAbove]
	now := r.e.v.Latest.Mono
	for _, c := range []struct {
		state      alarm.State
		out, shelf time.Duration // left
		over, left time.Duration
	}{
		{alarm.Unack, 0, 0, 0, 0}, {alarm.RTNUN, 0, 0, time.Minute, 0}, {alarm.LatchUnack, 0, 0, time.Minute, 0}, {alarm.LatchAck, 0, 0, time.Minute, 0},
		{alarm.Shelved, 0, time.Hour, 0, time.Hour}, {alarm.OutOfService, 2 * time.Hour, time.Hour, 0, 2 * time.Hour},
	} {
		l := &s.Rec.Life
		*l = alarm.Record{State: c.state, EndedAt: now - time.Minute}
		if c.out > 0 {
			l.Out = &alarm.Out{Mono: now + c.out}
		}
		if c.shelf > 0 {
			l.Shelf = &alarm.Shelf{Until: now + c.shelf}
		}
		if v := r.e.lives.view(s); v.OverFor != c.over || v.ShelfLeft != c.left {
			t.Errorf("%s: over for %v, %v left", c.state, v.OverFor, v.ShelfLeft)
		}
	}
}

// The most urgent that rings stands first, then by name.
func TestOpen_InOrder(t *testing.T) {
	r := viewRig(t)
	a, b := &r.e.v.Enclosures[0], &r.e.v.Enclosures[1]
	open := func(en *room.Enclosure, k alarm.Kind, s alarm.State, p alarm.Priority) {
		rec := &en.Alarms[k].Rec
		rec.Life.State, rec.Life.Active, rec.Priority = s, true, p
		r.e.lives.opened(&en.Alarms[k], 1)
	}
	open(a, alarm.KindAbove, alarm.Acked, alarm.Today)
	open(b, alarm.KindAbove, alarm.Unack, alarm.Today)
	open(b, alarm.KindLethal, alarm.Unack, alarm.Wake)
	open(a, alarm.KindLethal, alarm.Shelved, alarm.Wake)
	open(a, alarm.KindFloor, alarm.Unack, alarm.Note)
	var got []string
	for _, v := range r.e.Open() {
		got = append(got, v.ID())
	}
	if want := []string{"lethal-ceiling/e2/0", "above-band/e1/0", "above-band/e2/0", "humidity-floor/e1/0", "lethal-ceiling/e1/0"}; !reflect.DeepEqual(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	v := r.e.Enclosures()[0]
	if v.Worst == nil || *v.Worst != alarm.Today || len(v.Alarms) != 3 {
		t.Errorf("worst %v of %v", v.Worst, v.Alarms)
	}
}

// Answers are counted once, with how long they took from when it rang.
func TestCount_Answers(t *testing.T) {
	r := viewRig(t)
	s := &r.e.v.Enclosures[0].Alarms[alarm.KindAbove]
	for _, c := range []struct {
		from, to alarm.State
		why      string
		acked    bool
		raised   bool
	}{
		{alarm.Norm, alarm.Unack, "", false, true}, {alarm.RTNUN, alarm.Unack, "", false, true}, {alarm.Acked, alarm.Unack, "", false, false},
		{alarm.Unack, alarm.Acked, "", true, false}, {alarm.RTNUN, alarm.Norm, "", true, false}, {alarm.RTNUN, alarm.Norm, "another", false, false},
		{alarm.LatchUnack, alarm.LatchAck, "", true, false}, {alarm.Unack, alarm.LatchAck, "", false, false}, {alarm.Unack, alarm.RTNUN, "", false, false},
		{alarm.Shelved, alarm.Unack, "", false, true}, {alarm.Acked, alarm.Norm, "", false, false},
	} {
		now := r.e.v.Latest
		s.Rec.Stats = &room.Stats{UnackAt: now.Mono - 3*time.Minute, Far: 1}
		s.Rec.Life.Active = c.to == alarm.Unack || c.to == alarm.Acked
		before := r.e.lives.load.Days[0]
		r.e.lives.count(s, now, alarm.Change{From: c.from, To: c.to, Why: c.why})
		st := s.Rec.Stats
		if (st.Acked == 1) != c.acked || c.acked && (st.AckTotal != 3*time.Minute || st.AckMax != 3*time.Minute) {
			t.Errorf("%s to %s %q: %+v", c.from, c.to, c.why, st)
		}
		if (st.Raised == 1) != c.raised || r.e.lives.load.Days[0] != before+uint32(st.Raised) || (st.UnackAt == now.Mono) != (c.to == alarm.Unack) {
			t.Errorf("%s to %s: %+v", c.from, c.to, st)
		}
		if (st.Far == 0) != (c.from.Annunciated() && !s.Rec.Life.Active) {
			t.Errorf("%s to %s: the furthest is %v", c.from, c.to, st.Far)
		}
	}
}

// A probe that answers shows what it says now, with the doubts about it; what is too old
// is not shown as present.
func TestView_OfAProbe(t *testing.T) {
	for _, c := range []struct {
		name       string
		set        func(p *room.Probe, now time.Duration)
		temp, hum  bool
		celsius    float64
		doubt, wet string
	}{
		{"as it says", func(*room.Probe, time.Duration) {}, true, true, 24, "", ""},
		{"an old temperature", func(p *room.Probe, now time.Duration) { p.St.TempAt = now - time.Hour }, false, true, 0, "", ""},
		{"an old humidity", func(p *room.Probe, now time.Duration) { p.St.HumAt = now - time.Hour }, true, false, 24, "", ""},
		{"doubted", func(p *room.Probe, _ time.Duration) {
			p.St.Doubtful, p.St.Doubt, p.St.Reason = true, 3500, sensors.Jump
		}, true, true, 35, sensors.Jump.String(), ""},
		{"alone", func(p *room.Probe, _ time.Duration) { p.St.Alone, p.St.Doubt, p.St.Reason = true, 3500, sensors.Jump }, true, true, 35, sensors.Jump.String(), ""},
		{"dewy", func(p *room.Probe, _ time.Duration) { p.St.Dewy = true }, true, true, 24, "", sensors.DewTooHigh.String()},
	} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.run(time.Minute, r.calm)
		p, now := probeOf(r.e, "p1"), r.e.v.Latest.Mono
		p.St.Temp, p.St.Hum, p.St.HumLess, p.St.HumMore = 2400, 8500, 150, 100
		c.set(p, now)
		v := r.e.Probes()[r.e.v.ByID["p1"]]
		if (v.Temperature != nil) != c.temp || (v.Humidity != nil) != c.hum || c.temp && *v.Temperature != c.celsius || v.TemperatureDoubt != c.doubt || v.HumidityDoubt != c.wet || v.Uncertainty != 1.5 || !v.Fresh {
			t.Errorf("%s: %+v", c.name, v)
		}
	}
	// An alarm of its probe counts among those of an enclosure.
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	a := probeOf(r.e, "p1").Alarm(alarm.KindWet)
	a.Rec.Life.State, a.Rec.Priority = alarm.Unack, alarm.Today
	if v := r.e.Enclosures()[0]; len(v.Alarms) != 1 || v.Alarms[0] != alarm.ProbeWet || v.Worst == nil || *v.Worst != alarm.Today {
		t.Errorf("%v, worst %v", v.Alarms, v.Worst)
	}
}

// What leaves as JSON has no digits that nobody computed.
func TestRounded(t *testing.T) {
	for want, v := range map[string]any{
		"3.481": Share(3.4811), "0.037": Share(0.0372), "-0.3": Tenth(-0.34), "24.07": Hundredth(24.071), "null": Share(math.NaN()),
	} {
		if got, err := json.Marshal(v); err != nil || string(got) != want {
			t.Errorf("%v leaves as %s, %v, want %s", v, got, err, want)
		}
	}
}
