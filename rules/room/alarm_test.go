package room

import (
	"encoding/json"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// Who copied a record keeps what it said: the engine goes on with its own.
func TestRecord_CopyKeepsWhatWasSaid(t *testing.T) {
	r := Record{Detail: &alarm.Detail{Value: 27}, Stats: &Stats{}}
	r.Stats.Returned(Return{After: time.Minute})
	copied := r
	kept := r.Measured()
	copied.Stats = &kept
	r.Because([]alarm.Fact{{ID: alarm.FactOwn, Delta: 2}})
	for i := range 20 {
		r.Stats.Returned(Return{After: time.Duration(i) * time.Hour})
	}
	if d := copied.Told(); len(d.Evidence) != 0 || d.Value != 27 {
		t.Errorf("the copy says %+v", d)
	}
	if d := r.Told(); len(d.Evidence) != 1 || d.Value != 27 {
		t.Errorf("the record says %+v", d)
	}
	if len(copied.Stats.Returns) != 1 || copied.Stats.Returns[0].After != time.Minute {
		t.Errorf("the copy's returns are %v", copied.Stats.Returns)
	}
	if n := len(r.Stats.Returns); n != mostReturns || r.Stats.Returns[0].After != 19*time.Hour {
		t.Errorf("%d returns, the newest %v", n, r.Stats.Returns[0])
	}
}

// A record of before has sixteen returns, most of them empty.
func TestStats_ReturnsOfBefore(t *testing.T) {
	var st Stats
	old := `{"quick":2,"returns":[{"after":60},{"after":120},{},{},{},{},{},{},{},{},{},{},{},{},{},{}]}`
	if err := json.Unmarshal([]byte(old), &st); err != nil {
		t.Fatal(err)
	}
	if got := st.Latest(); len(got) != 2 || got[1].After != 120 {
		t.Errorf("latest %v", got)
	}
}

// What is believed of a probe, and for how long, to the second.
func TestProbe_AtItsLimits(t *testing.T) {
	const now = 10 * time.Hour
	rules := &configs.Rules{SilentAfter: configs.Duration(2 * time.Minute)}
	for _, c := range []struct {
		interval time.Duration
		readings uint64
		want     time.Duration
	}{
		{0, 0, 2 * time.Minute}, {40 * time.Second, 9, 2 * time.Minute}, {50 * time.Second, 9, 150 * time.Second},
		{0, 1, 5 * time.Minute}, {2 * time.Minute, 1, 6 * time.Minute},
	} {
		p := Probe{St: ProbeState{Rhythm: Rhythm{Interval: c.interval, Readings: c.readings}}}
		if got := p.SilentAfter(rules); got != c.want {
			t.Errorf("%+v: silent after %v", c, got)
		}
	}
	for interval, want := range map[time.Duration]time.Duration{0: 2 * time.Minute, time.Minute: 3 * time.Minute, 10 * time.Minute: LongestInterval} {
		p := Probe{St: ProbeState{Rhythm: Rhythm{Interval: interval}}}
		if got := p.Gap(); got != want {
			t.Errorf("readings every %v: a gap of %v counts", interval, got)
		}
	}
	for _, c := range []struct {
		at, since time.Duration
		want      bool
	}{{now - 2*time.Minute, 0, true}, {now - 2*time.Minute - 1, 0, false}, {now, now, true}, {now - 1, now, false}} {
		p := Probe{Since: c.since}
		p.St.HasTemp, p.St.TempAt, p.St.HasHum, p.St.HumAt = true, c.at, true, c.at
		u := p.Use(rules, now)
		if p.Fresh(rules, now, c.at) != c.want || u != (Use{Temp: c.want, Hum: c.want, Damp: c.want, Doubt: !c.want}) || p.Usable(rules, now) != c.want || p.HumUsable(rules, now) != c.want {
			t.Errorf("%+v: %+v", c, u)
		}
		if p.InDoubt(rules, now, Upper, 0, 0) == c.want || p.DryDoubt(rules, now, 100, 0) == c.want {
			t.Errorf("%+v: in doubt", c)
		}
	}
	p := Probe{}
	p.St.Began.Mono = 5
	if p.HeardAt() != 5 {
		t.Error("not heard yet: since it was expected")
	}
	p.St.Heard = sensors.Instant{Mono: 7, Synced: true}
	if p.HeardAt() != 7 {
		t.Error("heard")
	}
	for _, c := range []struct {
		low, high int32
		still     time.Duration
		want      bool
	}{{2000, 2050, standsLong, true}, {2000, 2049, standsLong, false}, {2000, 2050, standsLong - 1, false}, {-30, 30, standsLong, true}} {
		p := Probe{}
		p.St.HasPeers, p.St.PeerLow, p.St.PeerHigh, p.St.StillAt = true, c.low, c.high, now-c.still
		if got := p.Stands(now); got != c.want {
			t.Errorf("%+v: stands %v", c, got)
		}
		if p.St.Coarse = 101; p.Stands(now) {
			t.Errorf("%+v: it stands, and is too coarse to move", c)
		}
	}
	for _, c := range []struct {
		leap sensors.CentiCelsius
		ago  time.Duration
		want bool
	}{{300, 0, true}, {-300, 0, true}, {299, 0, false}, {-299, 0, false}, {300, leapFor - 1, true}, {300, leapFor, false}} {
		p := Probe{}
		p.St.Leap, p.St.LeapAt = c.leap, now-c.ago
		if got := p.Leapt(now); got != c.want {
			t.Errorf("%+v: leapt %v", c, got)
		}
	}
	// A temperature that nobody can have now was short of being back when it last could.
	for _, c := range []struct {
		side        Side
		temp, limit int32
		want        bool
	}{{Upper, 2951, 3000, true}, {Upper, 2950, 3000, false}, {Lower, 2049, 2000, true}, {Lower, 2050, 2000, false}} {
		p := Probe{}
		p.St.HasTemp, p.St.Temp, p.St.Lost = true, sensors.CentiCelsius(c.temp), true
		if got := p.InDoubt(rules, now, c.side, c.limit, 50); got != c.want {
			t.Errorf("%+v: in doubt %v", c, got)
		}
		p.St.Doubtful, p.St.Doubt, p.St.Temp = true, sensors.CentiCelsius(c.temp), sensors.CentiCelsius(int32(c.side)*-99999)
		if got := p.InDoubt(rules, now, c.side, c.limit, 50); got != c.want {
			t.Errorf("%+v, doubted: in doubt %v", c, got)
		}
	}
	p = Probe{}
	p.St.TempAt, p.St.HumAt = now+5, now-9
	if p.forget(now); p.Since != now || p.St.TempAt != now-1 || p.St.HumAt != now-9 {
		t.Errorf("%+v", p.St.Values)
	}
}

// The last value, its peak while it lasts and how far it is away else are kept; what
// lasts or was raised once is worth keeping.
func TestAlarm_Remembers(t *testing.T) {
	for _, c := range []struct {
		kind   alarm.Kind
		active bool
		raised uint64
		far    float64
	}{
		{alarm.KindAbove, true, 1, 0}, {alarm.KindAbove, false, 1, 2}, {alarm.KindAbove, false, 0, 0},
	} {
		s := MakeAlarm(c.kind, 3, "e1")
		s.Rec.Life.Active, s.Rec.Stats = c.active, &Stats{Raised: c.raised}
		for _, v := range []float64{28, 24, 26} {
			s.Against(v, 26)
		}
		if r := s.Rec; r.Stats.Far != c.far || r.Value != 26 || !r.HasValue || r.Limit != 26 || !r.HasLimit || s.Index != 3 {
			t.Errorf("%+v: %+v", c, r)
		}
	}
	for name, c := range map[string]struct {
		life alarm.Record
		want bool
	}{
		"never raised":     {alarm.Record{}, false},
		"raised once":      {alarm.Record{Seq: 1}, true},
		"beyond its limit": {alarm.Record{Seen: alarm.Beyond}, true},
		"a delay runs":     {alarm.Record{OnFor: 1}, true},
		"back":             {alarm.Record{Seen: alarm.Back}, false},
		"open":             {alarm.Record{State: alarm.RTNUN}, true},
	} {
		s := MakeAlarm(alarm.KindAbove, 0, "e1")
		s.Rec.Life = c.life
		if s.Worth() != c.want {
			t.Errorf("%s: worth %v", name, s.Worth())
		}
	}
	s := MakeAlarm(alarm.KindAbove, 0, "e1")
	a, b := alarm.Cause{Kind: alarm.CauseRoom}, alarm.Cause{Kind: alarm.CauseShelf}
	s.Blame(a)
	if s.Blame(b); s.Rec.Cause != b {
		t.Errorf("in peace: %v", s.Rec.Cause)
	}
	s.Rec.Life.State = alarm.Unack
	if s.Blame(a); s.Rec.Cause != b {
		t.Errorf("an onset keeps its cause: %v", s.Rec.Cause)
	}
	st := Stats{Quick: 30}
	for i := range 20 {
		st.Returned(Return{After: time.Duration(i)})
	}
	if l := st.Latest(); len(l) != mostReturns || l[0].After != 19 {
		t.Errorf("%d returns, the newest %v", len(l), l[0].After)
	}
}

// A contact is believed for a minute after its last word, and of two about an enclosure
// the one that serves it alone.
func TestContact_AtItsLimits(t *testing.T) {
	const now = 10 * time.Hour
	for _, c := range []struct {
		ago  time.Duration
		want bool
	}{{contactStale, true}, {contactStale + 1, false}} {
		x := Contact{St: ContactState{Known: true, At: now - c.ago}}
		if x.Known(now) != c.want {
			t.Errorf("%v after its last word: known %v", c.ago, x.Known(now))
		}
	}
	c := Contact{}
	say := func(at time.Duration, active, known bool) {
		c.take(sensors.Contact{At: sensors.Instant{Mono: at}, Known: known, Active: active, Value: 3.5})
	}
	say(now, true, true)
	say(now+10*time.Second, true, true)
	if st := c.St; st.Since != now || st.Sure != now || st.Ran != now+10*time.Second || st.Value != 3.5 {
		t.Errorf("active: %+v", st)
	}
	say(now+20*time.Second, false, true)
	if st := c.St; st.Since != now+20*time.Second || st.Sure != now || st.Ran != now+20*time.Second {
		t.Errorf("no longer: %+v", st)
	}
	say(now+30*time.Second, true, false)
	if st := c.St; st.Known || st.Active || st.Since != now+20*time.Second {
		t.Errorf("not known: %+v", st)
	}
	say(now+40*time.Second, false, true)
	if st := c.St; st.Since != now+40*time.Second || st.Sure != now+40*time.Second {
		t.Errorf("known again: %+v", st)
	}
	v := &View{Clock: Clock{At: sensors.Instant{Mono: now}}}
	v.Mists = []Mist{{Cfg: configs.Mist{ID: "m"}}, {Cfg: configs.Mist{ID: "n"}}}
	v.Contacts = []Contact{
		{Cfg: configs.Contact{ID: "all", Is: configs.SensePump, Mist: "m"}, St: ContactState{Known: true, At: now, Since: now - time.Hour, Sure: now - time.Hour, Ran: now - 30*time.Minute}},
		{Cfg: configs.Contact{ID: "own", Is: configs.SenseDoor, Serves: []string{"e1"}}, St: ContactState{Known: true, At: now, Active: true, Since: now - time.Minute}},
		{Cfg: configs.Contact{ID: "any", Is: configs.SenseDoor}, St: ContactState{Known: true, At: now}},
	}
	e1, other := &Enclosure{Cfg: &configs.Enclosure{ID: "e1"}, Mist: 0}, &Enclosure{Cfg: &configs.Enclosure{ID: "e2"}, Mist: 1}
	if d, ok := v.Fact(e1, configs.SenseDoor, true); !ok || d != time.Minute {
		t.Errorf("its own door: %v, %v", d, ok)
	}
	if _, ok := v.Fact(other, configs.SenseDoor, true); ok || v.DoorOpen(other) || !v.DoorOpen(e1) {
		t.Error("the other's door is open")
	}
	for _, c := range []struct {
		name       string
		en         *Enclosure
		from, to   time.Duration
		ran, known bool
	}{
		{"it ran since", e1, now - 30*time.Minute, now, true, true},
		{"not since then", e1, now - 30*time.Minute + 1, now, false, true},
		{"known for all of it", e1, now - 10*time.Minute, now, false, true},
		{"of another supply", other, now - time.Hour, now, false, false},
		{"an enclosure without mists", &Enclosure{Cfg: &configs.Enclosure{ID: "e3"}, Mist: -1}, now - time.Hour, now, false, false},
	} {
		if ran, known := v.PumpAt(c.en, c.from, c.to); ran != c.ran || known != c.known {
			t.Errorf("%s: ran %v, known %v", c.name, ran, known)
		}
	}
	st := &v.Contacts[0].St
	st.Ran = 0
	if _, known := v.PumpAt(e1, now-time.Hour, now); !known {
		t.Error("known since just then is not known")
	}
	if _, known := v.PumpAt(e1, now-time.Hour-1, now); known {
		t.Error("not known before")
	}
	st.Active, st.Since = true, now-time.Minute
	if ran, _ := v.PumpAt(e1, now-time.Hour, now-time.Minute); !ran {
		t.Error("it runs since the end of the span")
	}
	if ran, _ := v.PumpAt(e1, now-time.Hour, now-time.Minute-1); ran {
		t.Error("it did not run yet")
	}
}

// What several probes say together: the middle of a place, the hottest and the coldest,
// and how the rest is counted.
func TestValues_Together(t *testing.T) {
	for _, c := range []struct {
		list []int32
		want int32
	}{{[]int32{3}, 3}, {[]int32{1, 5}, 3}, {[]int32{5, 1, 3}, 3}, {[]int32{4, 1, 9, 2}, 3}, {[]int32{9, 8, 7, 6, 5, 4, 3, 2}, 5}, {[]int32{1, 1, 1, 1, 1, 1, 1, 1, 99}, 1}} {
		var f Few
		for _, x := range c.list {
			f.Add(x)
		}
		if got, ok := f.Median(); got != c.want || !ok {
			t.Errorf("%v: %d", c.list, got)
		}
	}
	if _, ok := new(Few).Median(); ok {
		t.Error("the middle of nothing")
	}
	var p Present
	for i, x := range []int32{2400, 2500, 2500, 2300} {
		p.reach(x, i)
	}
	if p.Hot != 2500 || p.HotProbe != 1 || p.Cold != 2300 {
		t.Errorf("%+v", p)
	}
	// A part of an absence: what takes so long that lamps may have switched.
	for _, c := range []struct {
		a    Absence
		want bool
	}{{Absence{Known: true, Nobody: 6 * time.Hour}, false}, {Absence{Known: true, Nobody: 6*time.Hour - 1}, true}, {Absence{}, false}} {
		en := Enclosure{}
		en.St.Night.HasDay, en.St.Dose.Started = true, true
		if en.forget(c.a); en.St.Night.HasDay != c.want || en.St.Dose.Started != c.a.Known {
			t.Errorf("%+v: the day is kept %v", c.a, en.St.Night.HasDay)
		}
	}
	// What lies in the estimators' time is told by the wall clock, to the second.
	noon := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	clock := Clock{Off: Off{Added: 9 * time.Hour}}
	for ago, want := range map[time.Duration]string{0: "12:00:00", 90 * time.Minute: "10:30:00", -time.Minute: "12:01:00", 501 * time.Millisecond: "11:59:59", 499 * time.Millisecond: "12:00:00"} {
		now := sensors.Instant{Mono: time.Hour, Wall: noon, Synced: true}
		if got := clock.Wall(now, 10*time.Hour-ago); got.Format("15:04:05.999") != want {
			t.Errorf("%v ago: %v, want %v", ago, got, want)
		}
	}
	for nobody, want := range map[time.Duration]bool{LongestInterval: false, LongestInterval + 1: true} {
		if (Absence{Known: true, Nobody: nobody}).Long() != want {
			t.Errorf("nobody looked for %v: long %v", nobody, !want)
		}
	}
	// Until all of an enclosure have spoken, or for five minutes at most, it is waited.
	v := &View{Cfg: &configs.Config{}, Probes: make([]Probe, 2)}
	v.Cfg.Rules.SilentAfter = configs.Duration(2 * time.Minute)
	en := &Enclosure{Probes: []int{0, 1}}
	v.Watched = time.Hour
	for _, c := range []struct {
		first, second, after time.Duration
		want                 bool
	}{
		{time.Hour, time.Hour, 0, false}, {time.Hour, time.Hour - 1, 0, true}, {time.Hour, time.Hour - 1, 2 * time.Minute, true}, {time.Hour, time.Hour - 1, 2*time.Minute + 1, false},
	} {
		v.Probes[0].St.Last.Mono, v.Probes[1].St.Last.Mono = c.first, c.second
		if got := v.Gathering(en, time.Hour+c.after); got != c.want {
			t.Errorf("%+v: waits %v", c, got)
		}
	}
	v.Probes[1].St.Interval = time.Hour
	if got := v.WaitFor(en); got != 5*time.Minute {
		t.Errorf("a slow node is waited for %v", got)
	}
	v.Probes[0].St.Heard, v.Probes[0].St.TempAt, v.Probes[0].St.HumAt = sensors.Instant{Mono: 100 * time.Minute, Synced: true}, 90*time.Minute, 101*time.Minute
	v.Probes[1].St.Heard, v.Probes[1].St.TempAt, v.Probes[1].St.HumAt = sensors.Instant{Mono: 110 * time.Minute, Synced: true}, 110*time.Minute, 110*time.Minute
	for now, want := range map[time.Duration]time.Duration{91 * time.Minute: 92 * time.Minute, 92 * time.Minute: 92 * time.Minute, 92*time.Minute + 1: 102 * time.Minute, 103 * time.Minute: 103 * time.Minute} {
		if got := v.NextAge(now); got != want {
			t.Errorf("at %v the next is too old at %v, want %v", now, got, want)
		}
	}
	// What a probe keeps to itself on purpose makes it no older.
	v.Probes = v.Probes[:1]
	v.Probes[0].St.TempAt, v.Probes[0].St.HumAt, v.Probes[0].St.Unseen = 0, 0, 3*time.Minute
	if got := v.NextAge(101 * time.Minute); got != 105*time.Minute {
		t.Errorf("a probe that heats itself is silent at %v", got)
	}
}

// Lamps are on and off by the minute, across midnight too, and bands settle after them.
func TestLamps_ByTheMinute(t *testing.T) {
	for _, c := range []struct {
		from, to configs.ClockTime
		hour     int
		minute   int
		on       bool
		edge     time.Duration
		next     time.Duration
	}{
		{8 * 60, 20 * 60, 8, 0, true, 0, 12 * time.Hour}, {8 * 60, 20 * 60, 7, 59, false, 11*time.Hour + 59*time.Minute, time.Minute},
		{8 * 60, 20 * 60, 19, 59, true, 11*time.Hour + 59*time.Minute, time.Minute}, {8 * 60, 20 * 60, 20, 1, false, time.Minute, 11*time.Hour + 59*time.Minute},
		{22 * 60, 6 * 60, 0, 30, true, 150 * time.Minute, 330 * time.Minute},
	} {
		l := Lamps{Cfg: configs.Lamps{On: configs.ClockSpan{From: c.from, To: c.to}}}
		l.Read(time.Date(2026, 3, 2, c.hour, c.minute, 0, 0, time.UTC), true)
		if !l.Known || l.On != c.on || l.Edge != c.edge || l.Next != c.next {
			t.Errorf("%d:%02d: %+v", c.hour, c.minute, l)
		}
	}
	lim := Limits{DayLow: 2200, DayHigh: 2600, NightLow: 1800, NightHigh: 2200}
	for _, c := range []struct {
		lamps     *Lamps
		low, high int32
		name      string
	}{
		{nil, 1800, 2600, "day or night"}, {&Lamps{}, 1800, 2600, "day or night"}, {&Lamps{Known: true, On: true, Edge: time.Hour - 1}, 1800, 2600, "day or night"},
		{&Lamps{Known: true, On: true, Edge: time.Hour}, 2200, 2600, "day"}, {&Lamps{Known: true, Edge: time.Hour}, 1800, 2200, "night"},
	} {
		if low, high, name := lim.Band(c.lamps, time.Hour); low != c.low || high != c.high || name != c.name {
			t.Errorf("%+v: %d to %d, %s", c.lamps, low, high, name)
		}
	}
	// A calibration is due by the later of when it was done and when the probe was seen.
	seen := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	v := &View{Cfg: &configs.Config{}}
	p := Probe{}
	p.St.Seen, p.St.HasHum, p.St.HasTemp = seen, true, true
	if _, ok := v.HumidityDue(&p); ok {
		t.Error("due that is never asked for")
	}
	v.Cfg.Rules.HumidityDue, v.Cfg.Rules.TemperatureDue = configs.Duration(time.Hour), configs.Duration(2*time.Hour)
	p.St.HumDone, p.St.TempDone = seen.Add(-time.Hour), seen.Add(time.Hour)
	if at, ok := v.HumidityDue(&p); !ok || !at.Equal(seen.Add(time.Hour)) {
		t.Errorf("humidity: %v", at)
	}
	if at, ok := v.TemperatureDue(&p); !ok || !at.Equal(seen.Add(3*time.Hour)) {
		t.Errorf("temperature: %v", at)
	}
}

// The furthest value of an alarm lies past the limit of its own time: a warm night counts
// before a warmer day, the limit that wakes before any other. What passes without an alarm
// is forgotten, and a look without a value says nothing.
func TestAlarm_Follow(t *testing.T) {
	type look struct {
		value, limit float64
		in           alarm.Input
		urgent       bool
	}
	const back, beyond = alarm.Back, alarm.Beyond
	for name, c := range map[string]struct {
		kind  alarm.Kind
		looks []look
		want  float64 // 0 for none
	}{
		"the highest":             {alarm.KindAbove, []look{{27, 26, beyond, false}, {28, 26, beyond, false}, {27.5, 26, beyond, false}}, 28},
		"the lowest":              {alarm.KindBelow, []look{{19, 20, beyond, false}, {18, 20, beyond, false}, {18.5, 20, beyond, false}}, 18},
		"by the limit of the day": {alarm.KindAbove, []look{{26.4, 26, beyond, false}, {24, 21, beyond, false}, {26.5, 26, beyond, false}}, 24},
		"of what wakes":           {alarm.KindAbove, []look{{29.8, 26, beyond, false}, {30.1, 30, beyond, true}, {29.9, 26, beyond, false}}, 30.1},
		"nobody looked":           {alarm.KindAbove, []look{{27, 26, beyond, false}, {29, 26, alarm.Missing, false}}, 27},
		"it never rose":           {alarm.KindAbove, []look{{27, 26, beyond, false}, {25, 26, back, false}}, 0},
		"another one":             {alarm.KindAbove, []look{{28, 26, beyond, false}, {25, 26, back, false}, {26.5, 26, beyond, false}}, 26.5},
	} {
		s := MakeAlarm(c.kind, 0, "e1")
		for i, l := range c.looks {
			now := sensors.Instant{Mono: time.Duration(i+1) * time.Minute}
			s.Against(l.value, l.limit)
			s.Rec.Life.Step(alarm.Spec{OnDelay: time.Hour}, now, l.in)
			s.Follow(now, l.in, l.urgent)
		}
		if got := s.Rec.Peak; (got == nil) != (c.want == 0) || got != nil && got.Value != c.want {
			t.Errorf("%s: %+v, want %v", name, got, c.want)
		}
	}
}

// The furthest value that an older version kept had no limit.
func TestRecord_PeakOfBefore(t *testing.T) {
	var r Record
	if err := json.Unmarshal([]byte(`{"key":{"alarm":"above-band","subject":"e1"},"peak":28.5,"limit":26,"value":27}`), &r); err != nil {
		t.Fatal(err)
	}
	if r.Peak == nil || r.Peak.Value != 28.5 || r.Peak.Limit != 26 || r.Value != 27 {
		t.Errorf("%+v", r)
	}
}
