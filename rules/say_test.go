package rules

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// Every alarm has a name, words for its state and its end, and advice.
func TestKinds_AreComplete(t *testing.T) {
	e := New(rigConfig(t, 1, "[[mist]]\nid = \"m\"\ntimes = [\"09:00\"]\n[[contact]]\nid = \"c\"\nis = \"door\"\nchip = \"/dev/gpiochip0\"\nline = 1\nserves = [\"e1\"]\n"))
	for k := range alarm.FirstSentinelKind {
		subj := 0
		if k >= alarm.KindDelivery {
			subj = -1
		}
		s := room.MakeAlarm(k, subj, "e1")
		if got, ok := alarm.KindOf(s.Rec.Key.Alarm); !ok || got != k {
			t.Errorf("%s: kind %d", s.Rec.Key.Alarm, got)
		}
		s.Against(1, 2)
		s.Rec.Life.Active = true
		e.lives.explain(&s, instant(0), alarm.Change{From: alarm.Norm, To: alarm.Unack})
		active := Transition{Onset: alarm.Onset{Key: s.Rec.Key, Value: 1, HasValue: true, Limit: 2, HasLimit: true, Unit: s.Rec.Unit, Detail: *s.Rec.Detail}}
		s.Rec.Life.Active = false
		e.lives.explain(&s, instant(0), alarm.Change{From: alarm.Unack, To: alarm.Norm})
		over := active
		over.Detail = *s.Rec.Detail
		for _, x := range []Transition{active, over} {
			if text := words.Sentence(&x.Onset, unit.Celsius); text == "" || strings.ContainsAny(text, "{}!") || strings.Contains(text, "%") && x.Unit != "%" && k != alarm.KindLossy || strings.Contains(text, ": .") || strings.Contains(text, "over; .") {
				t.Errorf("%s: %q", s.Rec.Key.Alarm, text)
			}
		}
		for _, c := range []alarm.CauseKind{alarm.CauseRoom, alarm.CauseShelf, alarm.CauseEnclosure, alarm.CauseProbe, alarm.CauseSupply, alarm.CauseLamps, alarm.CauseDoor, alarm.CauseDewline} {
			first := words.FirstAction(&alarm.Detail{Steps: FirstSteps(s.Rec.Key.Alarm, alarm.Cause{Kind: c})}, unit.Celsius)
			if first == "" {
				t.Errorf("%s by %s: no advice", s.Rec.Key.Alarm, c)
			}
			if strings.Contains(strings.ToLower(first), "safe") {
				t.Errorf("%s by %s promises safety", s.Rec.Key.Alarm, c)
			}
		}
	}
}

// The targets of ISA-18.2 clause 16 and EEMUA 191, scaled to one keeper.
func TestKPI(t *testing.T) {
	r := newRig(t, rigConfig(t, 12, ""))
	r.run(time.Minute, r.calm)
	for i := 1; i <= 12; i++ {
		id := r.cfg.Enclosures[i-1].ID
		r.step(r.good("p"+id[1:], 31, 85))
	}
	r.now += 4 * time.Minute
	if err := r.act(Action{Kind: Acknowledge, Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e3"}, By: "robin"}); err != nil {
		t.Fatal(err)
	}
	k := r.e.KPI()
	if k.Alarms != 12 || k.Floods != 1 || !k.InFlood || k.ByPriority["wake"] != 12 || len(k.Worst) != 10 {
		t.Errorf("%+v", k)
	}
	if k.Acknowledged != 1 || k.MeanAcknowledge.D() != 4*time.Minute || k.Unacknowledged != 11 || k.LongestUnacked.D() != 4*time.Minute {
		t.Errorf("%+v", k)
	}
	hot := func(id string, at time.Duration) *sensors.Reading {
		if id == "room" {
			return r.calm(id, at)
		}
		x := r.good(id, 31, 85)
		return &x
	}
	r.run(25*time.Hour, hot)
	k = r.e.KPI()
	stale := false
	for _, x := range k.Stale {
		stale = stale || x.Key == alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}
	}
	if !stale || k.InFlood || k.FloodTime == 0 || k.LongestActive.D() < 25*time.Hour {
		t.Errorf("%+v", k)
	}
}

func TestKPI_Chattering(t *testing.T) {
	cfg := rigConfig(t, 1, "")
	cfg.Rules.FloorOnDelay, cfg.Rules.FloorOffDelay = 0, 0
	r := newRig(t, cfg)
	r.now = 13 * time.Hour
	for range 4 {
		r.run(poll, r.hold("p1", 24, 69))
		r.run(poll, r.hold("p1", 24, 80))
	}
	if k := r.e.KPI(); len(k.Chattering) != 1 || k.Chattering[0].Key.Alarm != alarm.HumidityFloor || k.Chattering[0].Suggestion.ID == "" {
		t.Errorf("%+v", k.Chattering)
	}
}

func TestViews(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, "", 1))
	r.now = 13 * time.Hour
	r.run(time.Hour, r.calm)
	v := r.e.Enclosures()[0]
	if !v.Temperature.Known || v.Temperature.Value < 23.9 || v.Humidity.Value < 80 || v.BandName != "day" || v.BandHigh != 26 ||
		v.LampsOn == nil || !*v.LampsOn || v.Lethal != 30 || v.Floor != 70 || v.DewPoint == nil || v.RatePerHour == nil {
		t.Errorf("%+v", v)
	}
	p := r.e.Probes()[1]
	if p.ID != "p1" || !p.Fresh || p.Quality != "good" || p.Readings != 360 || p.HumidityDue == nil {
		t.Errorf("%+v", p)
	}
	r.step(r.bad("p1", sensors.BadCRC))
	r.step(r.good("q1", 30.5, 85))
	if p = r.e.Probes()[1]; p.Counts["bad-crc"] != 1 || p.Quality != "bad" || p.Good != 360 {
		t.Errorf("%+v", p)
	}
	v = r.e.Enclosures()[0]
	if v.Worst == nil || *v.Worst != alarm.Wake || len(v.Alarms) != 1 || v.Temperature.Value != 30.5 {
		t.Errorf("%+v", v)
	}
	o := r.e.Open()
	if len(o) != 1 || o[0].ID() != "lethal-ceiling/e1/1" || o[0].State != alarm.Unack || len(o[0].Detail.Steps) == 0 {
		t.Errorf("%+v", o)
	}
	if _, err := json.Marshal([]any{v, p, o, r.e.KPI()}); err != nil {
		t.Error(err)
	}
}

// A bus that dies is one cause, not one for each probe on it.
func TestSilence_OneBusIsOneCause(t *testing.T) {
	cfg := rigConfig(t, 6, "")
	for i := range cfg.Probes {
		if i%2 == 1 {
			cfg.Probes[i].Bus = "/dev/i2c-1"
		}
	}
	r := newRig(t, cfg)
	r.run(5*time.Minute, r.calm)
	r.run(2*time.Minute, func(id string, at time.Duration) *sensors.Reading {
		for i, p := range cfg.Probes {
			if p.ID == id && i%2 == 1 {
				return nil
			}
		}
		return r.calm(id, at)
	})
	n := 0
	for _, x := range r.log {
		if x.Key.Alarm == alarm.ProbeSilent {
			n++
			if x.Cause != (alarm.Cause{Kind: alarm.CauseProbe, ID: "/dev/i2c-1"}) {
				t.Errorf("%v: %v", x.Key, x.Cause)
			}
		}
	}
	if n != 3 {
		t.Errorf("%d probes told", n)
	}
}

func TestFloor_ExcusedAfterADoor(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.now = 13 * time.Hour
	r.run(30*time.Minute, r.calm)
	from := r.now // dries slowly, so that no door is seen in it
	r.run(40*time.Minute, r.with("p1", func() *sensors.Reading {
		x := r.good("p1", 24, 83-10*(r.now-from).Minutes()/40+0.01*float64(int(r.now/poll)%3))
		return &x
	}))
	en := &r.e.v.Enclosures[0]
	en.St.DoorAt, en.St.Excused, en.St.HasExcuse = r.now, r.now+30*time.Minute, true
	r.run(20*time.Minute, r.hold("p1", 24, 69))
	r.want(alarm.HumidityFloor, "e1", "NORM>DSUPR")
	if x := r.last(alarm.HumidityFloor); len(x.Detail.Excused) == 0 || x.Furthest().Value != 69 {
		t.Errorf("%+v", x)
	}
	r.step(r.good("p1", 30, 69))
	r.want(alarm.LethalLimit, "e1", "NORM>UNACK") // heat is never excused
	r.now += poll
	r.run(15*time.Minute, r.hold("p1", 24, 69))
	r.want(alarm.HumidityFloor, "e1", "NORM>DSUPR DSUPR>UNACK")
}

func TestKPI_SuggestsWhatWouldHaveHelped(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.now = 13 * time.Hour
	for range 5 { // clears at 73 %, comes back from 73.8 %
		r.run(11*time.Minute, r.hold("p1", 24, 69))
		r.run(7*time.Minute, r.hold("p1", 24, 73.7))
	}
	k := r.e.KPI()
	if len(k.Worst) != 1 || k.Worst[0].Suggestion != (alarm.Fact{ID: alarm.FactDeadbandHumidity, Percent: 3.8, Usual: 3, Count: 4, Of: 4}) {
		t.Errorf("%+v", k.Worst)
	}
}

// When something began is a clause of its own, and a silence that is over has no
// length any more.
func TestSentence_SpansOfTime(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	r.step(r.good("p1", 30.4, 85))
	if got, want := r.last(alarm.LethalLimit).Text, "at or above the lethal limit of 30.0 °C; since 09:01"; !strings.Contains(got, want) {
		t.Errorf("%q does not say %q", got, want)
	}
	r = newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	r.run(3*time.Minute, r.with("p1", func() *sensors.Reading { return nil }))
	r.run(5*time.Minute, r.calm)
	if got := r.last(alarm.ProbeSilent).Text; !strings.HasSuffix(got, "; working again.") {
		t.Errorf("%q", got)
	}
}

// A record of a version that kept sentences opens, and its alarm is told in those
// words until it is said anew.
func TestRestore_ARecordOfSentences(t *testing.T) {
	const old = `{"key":{"alarm":"above-band","subject":"e1"},"life":{"state":"UNACK","seq":3,"active":true,"seen":3,"since":{"mono":32400000000000,"wall":"2026-05-01T09:00:00Z","synced":true}},
		"priority":"today","cause":{"kind":"room"},"value":27,"has_value":true,"limit":26,"has_limit":true,"unit":"°C","text":"Tank 1: too warm.",
		"detail":{"evidence":["the room itself is 27.1 °C"],"first_action":"Lamps off.","do_first":"Lamps off.","fahrenheit":{"text":"Tank 1: too warm."}},"stats":{}}`
	var rec room.Record
	if err := json.Unmarshal([]byte(old), &rec); err != nil {
		t.Fatal(err)
	}
	r := newRig(t, rigConfig(t, 1, ""))
	r.states[rec.Key] = alarm.Unack
	r.take(r.e.Restore(nil, []room.Record{rec}, r.instant()))
	open := r.e.Open()
	if len(open) != 1 || words.Sentence(&open[0].Onset, unit.Celsius) != "Tank 1: too warm." {
		t.Fatalf("%+v", open)
	}
	if why := words.Facts(open[0].Detail.Evidence, unit.Celsius); len(why) != 1 || why[0] != "the room itself is 27.1 °C" {
		t.Errorf("%q", why)
	}
	if err := r.act(Action{Kind: Acknowledge, Key: rec.Key, By: "robin"}); err != nil {
		t.Fatal(err)
	}
	if got := r.last(alarm.AboveBand).Text; !strings.Contains(got, "27.0 °C, above the") {
		t.Errorf("said anew: %q", got)
	}
}

// An alarm about dewline itself that an older version kept in a sentence opens, is
// shown in it, and is told in facts once it is set anew.
func TestRestore_AConditionOfSentences(t *testing.T) {
	const old = `{"key":{"alarm":"record-incomplete","subject":"dewline"},"life":{"state":"UNACK","seq":1,"active":true,"seen":3},"priority":"today","cause":{"kind":"dewline"},
		"detail":{},"stats":{},"given":{"text":"The record is incomplete: the card is full.","evidence":["no space left"],"first_action":"Look at the card."}}`
	var rec room.Record
	if err := json.Unmarshal([]byte(old), &rec); err != nil {
		t.Fatal(err)
	}
	r := newRig(t, rigConfig(t, 1, ""))
	r.states[rec.Key] = alarm.Unack
	r.take(r.e.Restore(nil, []room.Record{rec}, r.instant()))
	if err := r.act(Action{Kind: Acknowledge, Key: rec.Key, By: "robin"}); err != nil {
		t.Fatal(err)
	}
	if got := r.last(alarm.RecordIncomplete).Text; !strings.Contains(got, "The record is incomplete: the card is full") || !strings.Contains(got, "(no space left)") {
		t.Errorf("%q", got)
	}
	r.take(r.e.Set(r.instant(), Condition{Key: rec.Key, Active: true, Priority: alarm.Today, Is: alarm.Fact{ID: alarm.FactRecordSlow}}))
	if got := r.last(alarm.RecordIncomplete).Text; !strings.Contains(got, "takes very long to write") {
		t.Errorf("set anew: %q", got)
	}
}

// A flood is more than ten raises in ten minutes and over with fewer than five (EEMUA
// 191); days are days of running time.
func TestKPI_AtItsLimits(t *testing.T) {
	var l Load
	for i := range 10 {
		l.Raised(Day-time.Duration(10-i)*time.Second, alarm.Today)
	}
	if l.InFlood || l.Days[0] != 10 || l.Priority[alarm.Today] != 10 {
		t.Errorf("ten: %+v", l)
	}
	l.Raised(Day, alarm.Wake)
	if !l.InFlood || l.Floods != 1 || l.FloodAt != Day || l.Days[0] != 1 || l.Days[1] != 10 {
		t.Errorf("eleven, the last on the next day: %+v", l)
	}
	last := Day - 10*time.Second + 6*time.Second // of which five are younger
	if l.Pass(last + 10*time.Minute); !l.InFlood {
		t.Error("five are still a flood")
	}
	if l.Pass(last + 10*time.Minute + 1); l.InFlood || l.FloodTime != last+10*time.Minute+1-Day {
		t.Errorf("four are still a flood: %+v", l)
	}
	if l.turn(40 * Day); l.Days != [kpiDays]uint32{} || l.Day != 40 {
		t.Errorf("39 days later: %+v", l.Days)
	}
	if l.turn(39 * Day); l.Day != 40 {
		t.Error("days go back")
	}
	// Soon after it ended is within two hours; three raises within the span are chatter.
	for _, c := range []struct {
		now, ended time.Duration
		quick      uint64
	}{{10 * time.Hour, 8 * time.Hour, 1}, {10 * time.Hour, 8*time.Hour - 1, 0}, {10 * time.Hour, 0, 0}} {
		st := room.Stats{Far: 1.5}
		CountRaise(&st, c.now, c.ended, time.Minute)
		if st.Quick != c.quick || c.quick > 0 && st.Returns[0] != (room.Return{After: 2 * time.Hour, Far: 1.5}) {
			t.Errorf("%+v: %+v", c, st)
		}
	}
	for span, want := range map[time.Duration]uint64{60 * time.Second: 1, 59 * time.Second: 0} {
		var st room.Stats
		for _, s := range []time.Duration{30, 60, 90} {
			CountRaise(&st, s*time.Second, 0, span)
		}
		if st.Chattered != want || st.Raised != 3 || st.Raises != [3]time.Duration{90 * time.Second, 60 * time.Second, 30 * time.Second} {
			t.Errorf("three in a minute, span %v: %+v", span, st)
		}
	}
	cfg := rigConfig(t, 1, "")
	if got := ChatterSpan(cfg); got != 200*time.Second {
		t.Errorf("twenty polls of 10 s: %v", got)
	}
	// What is over for a day is stale, and what waits counts by its state.
	r := newRig(t, cfg)
	r.run(time.Minute, r.calm)
	en := &r.e.v.Enclosures[0]
	now := r.e.v.Latest.Mono + 40*Day
	r.e.v.Latest.Mono = now
	set := func(k alarm.Kind, s alarm.State, active bool, ago time.Duration) *room.Record {
		rec := &en.Alarms[k].Rec
		rec.Life.State, rec.Life.Active, rec.Life.Since = s, active, instant(now-ago)
		rec.Stats = &room.Stats{UnackAt: now - ago/2, Raised: uint64(k), Acked: 2, AckTotal: 10 * time.Minute, AckMax: 8 * time.Minute}
		return rec
	}
	set(alarm.KindAbove, alarm.Unack, true, Day)
	set(alarm.KindBelow, alarm.Acked, true, Day+1).Life.Unknown = true
	set(alarm.KindFloor, alarm.RTNUN, false, 9*Day)
	set(alarm.KindMistMissing, alarm.Shelved, true, 2*Day)
	set(alarm.KindNightDrop, alarm.OutOfService, true, 3*Day)
	r.e.lives.load = Load{Day: int64(now / Day), Days: [kpiDays]uint32{3, 5, 1}}
	k := r.e.KPI()
	if len(k.Stale) != 1 || k.Stale[0].Key.Alarm != alarm.BelowBand || k.Unacknowledged != 2 || k.LongestUnacked.D() != 9*Day/2 ||
		k.Shelved != 1 || k.OutOfService != 1 || k.Unknown != 1 || k.LongestActive.D() != 3*Day {
		t.Errorf("%+v", k)
	}
	if k.Acknowledged != 10 || k.MeanAcknowledge.D() != 5*time.Minute || k.MaxAcknowledge.D() != 8*time.Minute {
		t.Errorf("%+v", k)
	}
	if k.Days != 30 || k.Alarms != 9 || k.PerDay != 0.3 || k.BusiestDay != 5 {
		t.Errorf("%+v", k)
	}
	for i := range k.Worst[1:] {
		if k.Worst[i].Count < k.Worst[i+1].Count {
			t.Errorf("%d before %d", k.Worst[i].Count, k.Worst[i+1].Count)
		}
	}
	r.e.lives.load.InFlood, r.e.lives.load.FloodAt, r.e.lives.load.FloodTime = true, now-time.Hour, time.Minute
	if k := r.e.KPI(); !k.InFlood || k.FloodTime.D() != 61*time.Minute {
		t.Errorf("in a flood for an hour, and for a minute before: %+v", k)
	}
	r.e.v.Latest.Mono = 3 * Day / 2
	r.e.lives.load = Load{Day: 1}
	if k := r.e.KPI(); k.Days != 2 {
		t.Errorf("%d days are observed in one and a half", k.Days)
	}
}

// An off-delay is suggested where it is an hour at most, by four in five of the returns.
func TestKPI_SuggestsNothingAbsurd(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	off := r.e.lives.specs[alarm.KindMistMissing][alarm.KindMistMissing.Row().Priority].OffDelay
	for _, c := range []struct {
		after []time.Duration // minutes
		want  time.Duration   // 0 for none
	}{
		{[]time.Duration{5, 7}, 0}, {[]time.Duration{5, 7, 9}, 10}, {[]time.Duration{50, 11, 5, 9, 7}, 12},
		{[]time.Duration{5, 7, 59 - off/time.Minute}, 60 - off/time.Minute}, {[]time.Duration{5, 7, 60 - off/time.Minute}, 0},
	} {
		s := &r.e.v.Enclosures[0].Alarms[alarm.KindMistMissing]
		s.Rec.Stats = &room.Stats{Quick: uint64(len(c.after))}
		for _, m := range c.after {
			s.Rec.Stats.Returns = append(s.Rec.Stats.Returns, room.Return{After: m * time.Minute})
		}
		want := alarm.Fact{}
		if c.want > 0 {
			want = alarm.Fact{ID: alarm.FactOffDelay, For: off + c.want*time.Minute, Count: (4*len(c.after) + 4) / 5, Of: len(c.after)}
		}
		if got := r.e.lives.suggest(s); got != want {
			t.Errorf("%v: %+v, want %+v", c.after, got, want)
		}
	}
}

// A wider deadband is suggested by what four in five of the returns went past the limit,
// in whatever order they came.
func TestKPI_SuggestsADeadband(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	s := &r.e.v.Enclosures[0].Alarms[alarm.KindFloor]
	s.Rec.Stats = &room.Stats{}
	for _, f := range []float64{9, 4, 3.5, 4.5, 4.2} { // the deadband has 3 %
		s.Rec.Stats.Quick++
		s.Rec.Stats.Returned(room.Return{After: 3 * time.Hour, Far: f})
	}
	if got := r.e.lives.suggest(s); got != (alarm.Fact{ID: alarm.FactDeadbandHumidity, Percent: 4.6, Usual: 3, Count: 4, Of: 5}) {
		t.Errorf("%+v", got)
	}
	for _, far := range []float64{12, 11.99} { // four times it at most
		s.Rec.Stats.Returns = nil
		for range 5 {
			s.Rec.Stats.Returned(room.Return{After: 3 * time.Hour, Far: far})
		}
		if got := r.e.lives.suggest(s); (got.ID != "") != (far < 12) {
			t.Errorf("%v %%: %+v", far, got)
		}
	}
}

// An alarm of what is configured no more is kept once, with its onsets.
func TestRestore_WhatIsGone(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	rec := func(subject string, seq uint64) room.Record {
		return room.Record{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: subject}, Life: alarm.Record{State: alarm.Unack, Active: true, Seq: seq}, Priority: alarm.Today}
	}
	ts := r.e.Restore(nil, []room.Record{rec("old", 3), rec("older", 7), rec("old", 4)}, r.instant())
	if len(ts) != 3 || ts[0].To != alarm.Norm || ts[0].Why != alarm.WhyConfig || ts[0].Detail.Place.Enclosure != "old" || !ts[0].Detail.Active {
		t.Errorf("%+v", ts)
	}
	list := r.e.Records()
	if len(list) != 2 || list[0].Key.Subject != "old" || list[0].Life.Seq != 4 || list[1].Life.Seq != 7 || list[0].Life.Active {
		t.Errorf("%+v", list)
	}
	if got, ok := r.e.Record(alarm.Key{Alarm: alarm.AboveBand, Subject: "older"}); !ok || got.Life.Seq != 7 {
		t.Errorf("%+v", got)
	}
	if _, ok := r.e.Record(alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}); ok {
		t.Error("an alarm that was never raised is on record")
	}
}
