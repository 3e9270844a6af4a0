package alarm

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"dewline/rules/event"
	"dewline/sensors"
)

func at(d time.Duration) sensors.Instant {
	return sensors.Instant{Mono: d, Wall: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).Add(d), Synced: true}
}

// feed steps r once a period with each letter of script: b beyond, i inside
// (back), d deadband, m missing. It returns the states after each step.
func feed(r *Record, s Spec, from, period time.Duration, script string) []State {
	in := map[rune]Input{'b': Beyond, 'i': Back, 'd': Between, 'm': Missing}
	var got []State
	for i, c := range script {
		r.Step(s, at(from+time.Duration(i)*period), in[c])
		got = append(got, r.State)
	}
	return got
}

// The words on-delay, off-delay and deadband and their meaning: OPC 10000-9
// (OPC UA Part 9) section 5.8, which says it supports all states of IEC 62682.
func TestRecord_Delays(t *testing.T) {
	spec := Spec{OnDelay: 2 * time.Minute, OffDelay: time.Minute, MaxGap: 3 * time.Minute, KeepReturned: -1}
	for _, c := range []struct{ name, script, want string }{
		{"whole on-delay", "ibbb", "NNNU"},
		{"one good sample back inside resets", "bbibbb", "NNNNNU"},
		{"deadband resets the on-delay too", "bbdbbb", "NNNNNU"},
		{"missing neither resets nor advances", "bbmmmm", "NNNNNN"},
		{"time across one missing sample counts", "bbmb", "NNNU"},
		{"a gap over the bound counts nothing", "bmmmmb", "NNNNNN"},
		{"and keeps what was observed", "bbmmmmbb", "NNNNNNNU"},
		{"clears after the whole off-delay", "bbbii", "NNUUN"},
		{"deadband does not clear", "bbbdddd", "NNUUUUU"},
		{"deadband resets the off-delay", "bbbidii", "NNUUUUN"},
		{"missing never clears", "bbbimmmm", "NNUUUUUU"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var r Record
			for i, s := range feed(&r, spec, 0, time.Minute, c.script) {
				want := map[byte]State{'N': Norm, 'U': Unack}[c.want[i]]
				if s != want {
					t.Errorf("after %q: %v, want %v", c.script[:i+1], s, want)
				}
			}
		})
	}
}

func TestHigh_LimitIsReachedAtTheValueItself(t *testing.T) {
	for _, c := range []struct {
		v    int32
		want Input
	}{{2999, Between}, {3000, Beyond}, {3001, Beyond}, {2951, Between}, {2950, Back}, {2900, Back}} {
		if got := High(c.v, 3000, 50); got != c.want {
			t.Errorf("High(%d, 3000, 50) = %v, want %v", c.v, got, c.want)
		}
	}
	for _, c := range []struct {
		v    int32
		want Input
	}{{7001, Between}, {7000, Beyond}, {6999, Beyond}, {7299, Between}, {7300, Back}} {
		if got := Low(c.v, 7000, 300); got != c.want {
			t.Errorf("Low(%d, 7000, 300) = %v, want %v", c.v, got, c.want)
		}
	}
}

// The transitions A→B, B→C, C→A, B→D, D→A, D→B, C→B of ANSI/ISA-18.2, in the
// letters of its state diagram.
func TestRecord_Lifecycle(t *testing.T) {
	spec := Spec{MaxShelf: 15 * time.Minute, RealarmAfter: 30 * time.Minute}
	var r Record
	step := func(d time.Duration, in Input, want State) {
		t.Helper()
		if r.Step(spec, at(d), in); r.State != want {
			t.Fatalf("at %v: %v, want %v", d, r.State, want)
		}
	}
	ack := func(d time.Duration, want State) {
		t.Helper()
		if c, ok := r.Acknowledge(at(d)); !ok || c.To != want || r.State != want {
			t.Fatalf("acknowledged at %v: %v %v, want %v", d, c, ok, want)
		}
	}
	step(0, Beyond, Unack)
	ack(time.Minute, Acked)
	if _, ok := r.Acknowledge(at(2 * time.Minute)); ok {
		t.Error("acknowledged twice")
	}
	step(2*time.Minute, Back, Norm)
	step(3*time.Minute, Beyond, Unack)
	if r.Seq != 2 {
		t.Errorf("second onset has number %d", r.Seq)
	}
	step(4*time.Minute, Back, RTNUN)
	step(5*time.Minute, Beyond, Unack)
	step(6*time.Minute, Back, RTNUN)
	if r.Seq != 2 {
		t.Errorf("onset number changed to %d before NORM", r.Seq)
	}
	ack(7*time.Minute, Norm)
	step(8*time.Minute, Beyond, Unack)
	ack(10*time.Minute, Acked)
	step(39*time.Minute, Beyond, Acked)
	step(40*time.Minute, Beyond, Unack)
}

func TestRecord_Latched(t *testing.T) {
	spec := Spec{Latched: true, MaxShelf: 15 * time.Minute}
	var r Record
	r.Step(spec, at(0), Beyond)
	if _, ok := r.Reset(); ok {
		t.Error("an active alarm was reset")
	}
	r.Step(spec, at(1), Back)
	if r.State != LatchUnack {
		t.Fatalf("after return: %v", r.State)
	}
	r.Acknowledge(at(2))
	if r.State != LatchAck {
		t.Fatalf("after acknowledging: %v", r.State)
	}
	r.Step(spec, at(3), Beyond)
	if r.State != Unack {
		t.Fatalf("a held alarm that comes back is %v", r.State)
	}
	r.Step(spec, at(4), Back)
	if _, ok := r.PutOnShelf(spec, at(5), time.Minute, false); !ok || r.State != Shelved {
		t.Fatalf("shelve: %v %v", ok, r.State)
	}
	r.Step(spec, at(5+time.Minute), Back)
	if r.State != LatchUnack {
		t.Fatalf("the shelf let go of the latch: %v", r.State)
	}
	if c, ok := r.Reset(); !ok || c.To != Norm {
		t.Errorf("reset: %v %v", c, ok)
	}
}

func TestRecord_Shelf(t *testing.T) {
	spec := Spec{MaxShelf: 15 * time.Minute, KeepReturned: -1}
	shelve := func(r *Record, d time.Duration, once bool) bool {
		_, ok := r.PutOnShelf(spec, at(0), d, once)
		return ok
	}
	t.Run("over the cap is refused", func(t *testing.T) {
		r := Record{State: Unack, Active: true, Seq: 1}
		if shelve(&r, 15*time.Minute+1, false) || r.State != Unack {
			t.Errorf("%+v", r)
		}
	})
	t.Run("timed ends by itself, by the process as it is", func(t *testing.T) {
		r := Record{State: Unack, Active: true, Seq: 1}
		shelve(&r, 15*time.Minute, false)
		if c := r.Step(spec, at(15*time.Minute-1), Missing); c.To != Shelved {
			t.Fatalf("before the end: %v", c)
		}
		if c := r.Step(spec, at(15*time.Minute), Missing); c.To != Unack || c.Why != WhyShelfOver {
			t.Errorf("at the end: %+v", c)
		}
	})
	t.Run("one-shot ends with the active period", func(t *testing.T) {
		var r Record
		shelve(&r, 15*time.Minute, true)
		for i, in := range []Input{Back, Beyond, Beyond} {
			if r.Step(spec, at(time.Duration(i+1)), in); r.State != Shelved {
				t.Fatalf("step %d: %v", i, r.State)
			}
		}
		if r.Step(spec, at(9), Back); r.State != Norm {
			t.Errorf("after the period: %v", r.State)
		}
	})
	t.Run("a smaller cap shortens what is left", func(t *testing.T) {
		r := Record{State: Unack, Active: true, Seq: 1}
		wide := Spec{MaxShelf: 8 * time.Hour}
		r.PutOnShelf(wide, at(0), 8*time.Hour, false)
		r.Step(spec, at(time.Hour), Missing)
		if r.Step(spec, at(time.Hour+15*time.Minute), Missing); r.State != Unack {
			t.Errorf("still %v", r.State)
		}
	})
	// OPC 10000-9 5.8.17: where the shelf state cannot be told after a restart
	// the alarm shall be unshelved.
	t.Run("unknown after a restart means unshelved", func(t *testing.T) {
		r := Record{State: Shelved, Active: true, Seq: 1}
		if c := r.Recover(spec, at(time.Hour)); c.To != Unack {
			t.Errorf("%+v", c)
		}
	})
}

func TestRecord_OutOfService(t *testing.T) {
	spec := Spec{MaxShelf: time.Minute, KeepReturned: -1}
	r := Record{State: Unack, Active: true, Seq: 1}
	end := Out{Until: at(48 * time.Hour).Wall, Mono: 48 * time.Hour}
	r.TakeOut(spec, at(0), end)
	if r.Step(spec, at(time.Hour), Back); r.State != OutOfService || r.Active {
		t.Fatalf("%+v", r)
	}
	early := at(2 * time.Hour)
	early.Wall, early.Synced = early.Wall.Add(400*24*time.Hour), false
	if r.Step(spec, early, Back); r.State != OutOfService {
		t.Fatalf("an unset clock ended it")
	}
	if c := r.Step(spec, at(48*time.Hour), Beyond); c.To != Unack || c.Why != WhyInService {
		t.Errorf("at the end: %+v", c)
	}
}

func TestRecord_Suppressed(t *testing.T) {
	spec := Spec{KeepReturned: -1}
	var r Record
	r.Suppress = true
	if r.Step(spec, at(0), Back); r.State != Norm {
		t.Fatalf("quiet and suppressed is %v", r.State)
	}
	if r.Step(spec, at(1), Beyond); r.State != Suppressed {
		t.Fatalf("active and suppressed is %v", r.State)
	}
	r.Suppress = false
	if r.Step(spec, at(2), Missing); r.State != Unack {
		t.Errorf("no longer suppressed is %v", r.State)
	}
}

func TestRecord_ReturnedWaits(t *testing.T) {
	spec := Spec{KeepReturned: 12 * time.Hour}
	r := Record{State: Unack, Active: true, Seq: 1, Seen: Beyond}
	r.Step(spec, at(1), Back)
	r.Step(spec, at(12*time.Hour), Missing)
	if r.State != RTNUN {
		t.Fatalf("before: %v", r.State)
	}
	if c := r.Step(spec, at(12*time.Hour+1), Missing); c.To != Norm || c.Why != WhyReturned {
		t.Errorf("%+v", c)
	}
}

func TestRecord_WorsenAndDrop(t *testing.T) {
	wake := Spec{MaxShelf: MaxShelf(Wake)}
	r := Record{State: Acked, Active: true, Seq: 3, Answered: true}
	if c := r.Worsen(&wake, at(1)); c.To != Unack || r.Answered {
		t.Errorf("worsen: %+v %+v", c, r)
	}
	if c := r.Worsen(&wake, at(1)); c.Changed() {
		t.Errorf("worsen twice: %+v", c)
	}
	if c := r.Drop(); c.To != Norm || c.Why != WhyConfig || r.Seq != 3 || r.Active {
		t.Errorf("drop: %+v %+v", c, r)
	}
}

// What was put away for less than a wake alarm is put away no more once it wakes; a
// shelf that was made for that holds, and so does being out of service.
func TestRecord_OutgrowsItsShelf(t *testing.T) {
	today, wake := Spec{MaxShelf: MaxShelf(Today)}, Spec{MaxShelf: MaxShelf(Wake)}
	shelved := func(s Spec) Record {
		r := Record{State: Unack, Active: true, Seq: 3, Seen: Beyond}
		if c, ok := r.PutOnShelf(s, at(0), 10*time.Minute, false); !ok || c.To != Shelved {
			t.Fatalf("shelved: %+v", c)
		}
		return r
	}
	r := shelved(today)
	r.Step(today, at(time.Minute), Beyond)
	if c := r.Worsen(&wake, at(time.Minute)); c.From != Shelved || c.To != Unack || c.Why != WhyWorse || r.Shelf != nil {
		t.Errorf("worse: %+v", c)
	}
	r = shelved(today)
	if c := r.Step(wake, at(time.Minute), Beyond); c.To != Unack || c.Why != WhyWorse {
		t.Errorf("it began anew as one that wakes: %+v", c)
	}
	r = shelved(wake)
	if c := r.Worsen(&wake, at(time.Minute)); c.Changed() || r.Step(wake, at(time.Minute), Beyond).Changed() {
		t.Errorf("put away as one that wakes: %+v", c)
	}
	r = shelved(today)
	r.TakeOut(today, at(1), Out{Mono: time.Hour})
	if c := r.Worsen(&wake, at(time.Minute)); c.Changed() {
		t.Errorf("out of service: %+v", c)
	}
}

func TestState_Text(t *testing.T) {
	for s := Norm; s < numStates; s++ {
		b, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var back State
		if err := json.Unmarshal(b, &back); err != nil || back != s {
			t.Errorf("%s: %v %v", b, back, err)
		}
	}
	var s State
	if err := s.UnmarshalText([]byte("normal")); err == nil {
		t.Error("an unknown state name was accepted")
	}
	if got := State(77).String(); got != "STATE77" {
		t.Error(got)
	}
}

// The log tells an onset from its first ring to its end, who answered and how long it
// waited for that.
func TestHistory_OfAnOnset(t *testing.T) {
	type line struct {
		s        time.Duration
		from, to State
		by       string
	}
	for _, c := range []struct {
		name     string
		lines    []line
		priority string
		want     Past
	}{
		{"answered, and over", []line{{1, Norm, Unack, ""}, {5, Unack, Acked, "una"}, {9, Acked, Norm, ""}}, "wake",
			Past{Priority: Wake, From: at(1), To: at(9), Answered: at(5), By: "una", Longest: 4}},
		{"over before it was answered", []line{{1, Norm, Unack, ""}, {5, Unack, RTNUN, ""}, {9, RTNUN, Norm, "una"}}, "today",
			Past{Priority: Today, From: at(1), To: at(5), Answered: at(9), By: "una", Longest: 8}},
		{"over by itself", []line{{1, Norm, Unack, ""}, {5, Unack, RTNUN, ""}, {9, RTNUN, Norm, ""}}, "today",
			Past{Priority: Today, From: at(1), To: at(5), Longest: 8}},
		{"latched, answered, reset", []line{{1, Norm, Unack, ""}, {5, Unack, LatchUnack, ""}, {7, LatchUnack, LatchAck, "una"}, {9, LatchAck, Norm, "odo"}}, "wake",
			Past{Priority: Wake, From: at(1), To: at(5), Answered: at(7), By: "una", Longest: 6}},
		{"it came back", []line{{1, Norm, Unack, ""}, {5, Unack, RTNUN, ""}, {6, RTNUN, Unack, ""}}, "today",
			Past{Priority: Today, From: at(1), Waits: at(1)}},
		{"answered twice", []line{{1, Norm, Unack, ""}, {2, Unack, Acked, "una"}, {5, Acked, Unack, ""}, {9, Unack, Acked, "odo"}}, "today",
			Past{Priority: Today, From: at(1), Answered: at(2), By: "una", Longest: 4}},
		{"shelved", []line{{1, Norm, Unack, ""}, {3, Unack, Shelved, "una"}, {9, Shelved, Norm, ""}}, "today",
			Past{Priority: Today, From: at(1), To: at(9), Shelved: true, Longest: 2}},
		{"an old line without a priority", []line{{1, Norm, Unack, ""}}, "", Past{Priority: Wake, From: at(1), Waits: at(1)}},
	} {
		var h History
		for _, l := range c.lines {
			e := event.New(at(l.s), event.Alarm{Alarm: string(LethalLimit), Subject: "moss", Onset: 3, From: l.from.String(), To: l.to.String(), Priority: c.priority})
			e.By = l.by
			h.Take(&e)
		}
		c.want.Key, c.want.Seq, c.want.Raised = Key{Alarm: LethalLimit, Subject: "moss"}, 3, c.want.From
		if len(h.Onsets) != 1 || *h.Onsets[0] != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, h.Onsets, c.want)
		}
	}
	// What never rang, or whose beginning is not on record, is no onset.
	for _, c := range []struct {
		middle bool
		to     State
		want   int
	}{{false, Shelved, 0}, {false, RTNUN, 0}, {false, Acked, 1}, {false, Unack, 1}, {true, RTNUN, 1}} {
		h := History{Middle: c.middle}
		e := event.New(at(1), event.Alarm{Alarm: string(LethalLimit), Subject: "moss", Onset: 3, From: "UNACK", To: c.to.String()})
		if h.Take(&e); len(h.Onsets) != c.want {
			t.Errorf("%+v: %d onsets", c, len(h.Onsets))
		}
		next := event.New(at(2), event.Alarm{Alarm: string(LethalLimit), Subject: "moss", Onset: 4, From: "NORM", To: "UNACK"})
		if h.Take(&next); len(h.Onsets) != c.want+1 {
			t.Errorf("%+v: another onset is not one", c)
		}
		for _, other := range []event.Body{event.Note{}, event.Alarm{Alarm: "x", From: "x", To: "UNACK"}, event.Alarm{Alarm: "x", From: "NORM", To: "x"}} {
			e := event.New(at(3), other)
			if h.Take(&e); len(h.Onsets) != c.want+1 {
				t.Errorf("%+v is an onset", other)
			}
		}
	}
}

// What a person or time decided ends to the second.
func TestRecord_AtItsLimits(t *testing.T) {
	const now = 10 * time.Hour
	for _, c := range []struct {
		name string
		r    Record
		s    Spec
		in   Input
		want State
		why  string
	}{
		{"rings again", Record{State: Acked, Active: true, Seen: Beyond, AckedAt: now - time.Hour}, Spec{RealarmAfter: time.Hour}, Beyond, Unack, WhyRealarm},
		{"not yet", Record{State: Acked, Active: true, Seen: Beyond, AckedAt: now - time.Hour + 1}, Spec{RealarmAfter: time.Hour}, Beyond, Acked, ""},
		{"never", Record{State: Acked, Active: true, Seen: Beyond}, Spec{}, Beyond, Acked, ""},
		{"not while only its off-delay runs", Record{State: Acked, Active: true, Seen: Back, SeenAt: now - time.Minute}, Spec{RealarmAfter: time.Hour, OffDelay: time.Hour}, Back, Acked, ""},
		{"nobody looked since the off-delay began", Record{State: Acked, Active: true, Seen: Back, SeenAt: now - time.Hour}, Spec{RealarmAfter: time.Hour, OffDelay: time.Hour}, Missing, Unack, WhyRealarm},
		{"returned for long", Record{State: RTNUN, EndedAt: now - time.Hour}, Spec{KeepReturned: time.Hour}, Back, Norm, WhyReturned},
		{"for less", Record{State: RTNUN, EndedAt: now - time.Hour + 1}, Spec{KeepReturned: time.Hour}, Back, RTNUN, ""},
		{"kept for ever", Record{State: RTNUN}, Spec{}, Back, RTNUN, ""},
		{"out of service until now", Record{State: OutOfService, Out: &Out{Mono: now, Until: at(0).Wall.Add(99 * time.Hour)}}, Spec{}, Back, Norm, WhyInService},
		{"a moment longer", Record{State: OutOfService, Out: &Out{Mono: now + 1, Until: at(now).Wall.Add(1)}}, Spec{}, Back, OutOfService, ""},
		{"by the clock", Record{State: OutOfService, Out: &Out{Mono: now + time.Hour, Until: at(now).Wall}}, Spec{}, Back, Norm, WhyInService},
		{"shelved until now", Record{State: Shelved, Shelf: &Shelf{Until: now}}, Spec{MaxShelf: time.Hour}, Back, Norm, WhyShelfOver},
		{"a moment longer", Record{State: Shelved, Shelf: &Shelf{Until: now + 1}}, Spec{MaxShelf: time.Hour}, Back, Shelved, ""},
		{"once, and it ended", Record{State: Shelved, Shelf: &Shelf{Until: now + 9, OneShot: true, Began: true}}, Spec{MaxShelf: time.Hour}, Back, Norm, WhyShelfOver},
		{"once, and it is to begin", Record{State: Shelved, Shelf: &Shelf{Until: now + 9, OneShot: true}}, Spec{MaxShelf: time.Hour}, Back, Shelved, ""},
	} {
		if got := c.r.Step(c.s, at(now), c.in); c.r.State != c.want || got.Why != c.why {
			t.Errorf("%s: %v %q, want %v %q", c.name, c.r.State, got.Why, c.want, c.why)
		}
	}
	// A shelf follows the clock where that is more than a second off, and its cap.
	for _, c := range []struct {
		until, wall, most, want time.Duration // from now
	}{
		{time.Hour, 30 * time.Minute, 2 * time.Hour, 30 * time.Minute}, {time.Hour, time.Hour - time.Second, 2 * time.Hour, time.Hour},
		{time.Hour, time.Hour - time.Second - 1, 2 * time.Hour, time.Hour - time.Second - 1}, {time.Hour, 2 * time.Hour, 2 * time.Hour, time.Hour},
		{time.Hour, time.Hour, 20 * time.Minute, 20 * time.Minute},
	} {
		r := Record{State: Shelved, Shelf: &Shelf{Until: now + c.until, Wall: at(now).Wall.Add(c.wall)}}
		if r.Step(Spec{MaxShelf: c.most}, at(now), Back); r.Shelf == nil || r.Shelf.Until != now+c.want {
			t.Errorf("%+v: until %+v", c, r.Shelf)
		}
	}
	for d, want := range map[time.Duration]bool{0: false, 1: true, time.Hour: true, time.Hour + 1: false} {
		var r Record
		if _, ok := r.PutOnShelf(Spec{MaxShelf: time.Hour}, at(now), d, true); ok != want || ok && (r.Shelf.Until != now+d || r.Shelf.Began) {
			t.Errorf("shelved for %v: %v, %+v", d, ok, r.Shelf)
		}
	}
	// What is ahead of now, of a store that lost its newest part, is pulled back.
	r := Record{State: Shelved, SeenAt: now + 5, AckedAt: now + 6, EndedAt: now - 7}
	if c := r.Recover(Spec{}, at(now)); r.SeenAt != now || r.AckedAt != now || r.EndedAt != now-7 || c.To != Norm || c.Why != WhyShelfOver {
		t.Errorf("%+v, %+v", r, c)
	}
	for _, r := range []Record{{State: Shelved, Shelf: &Shelf{}}, {State: OutOfService, Out: &Out{}}, {State: Unack}} {
		was := r.State
		if c := r.Recover(Spec{}, at(now)); c.Changed() || r.State != was {
			t.Errorf("%v: %+v", was, c)
		}
	}
	// A normal alarm whose process stays back rests, whatever was before is not normal.
	for _, c := range []struct {
		r    Record
		in   Input
		want bool
	}{
		{Record{Seen: Back}, Back, true}, {Record{Seen: Back}, Between, false}, {Record{Seen: Missing}, Back, false}, {Record{Seen: Back, OnFor: 1}, Back, false},
		{Record{Seen: Back, Active: true}, Back, false}, {Record{Seen: Back, State: Acked}, Back, false},
	} {
		c.r.SeenAt = now
		if got := c.r.Rest(now+5, c.in); got != c.want || got && c.r.SeenAt != now+5 {
			t.Errorf("%+v, %v: rests %v", c.r, c.in, got)
		}
	}
	r = Record{Seen: Back, SeenAt: now}
	if r.Rest(now-5, Back); r.SeenAt != now {
		t.Error("a look from before takes time back")
	}
}

// A window forgets by halves: of a delay of ten minutes with so much evidence as after
// ten minutes throughout, half of the share is left ten minutes later, which is what 4.15
// minutes throughout would give (1 − 2^−0.415 = 1/4).
func TestRecord_Weighs(t *testing.T) {
	const delay = 10 * time.Minute
	if got := weigh(delay, delay, delay, false); math.Abs(got.Minutes()-10*math.Log2(4/3.)) > 1e-6 {
		t.Errorf("%v", got)
	}
	if got := weigh(delay, time.Minute, delay, true); got != 11*time.Minute {
		t.Errorf("while it holds: %v", got)
	}
	if got := weigh(delay, 0, delay, false); got != delay {
		t.Errorf("no time passed: %v", got)
	}
	for so, want := range map[time.Duration]bool{delay / 32: false, delay/32 + 1: false, delay / 16: true} {
		if got := weigh(so, time.Second, delay, false); (got > 0) != want {
			t.Errorf("%v of evidence: %v is left", so, got)
		}
	}
}

// A record of a store that lost its newest part has no moment ahead of now; what put it
// away and is not on record no longer does.
func TestRecord_Recover(t *testing.T) {
	now := sensors.Instant{Mono: time.Hour}
	r := Record{State: Acked, Active: true, SeenAt: 2 * time.Hour, AckedAt: 3 * time.Hour, EndedAt: 4 * time.Hour}
	if c := r.Recover(Spec{}, now); c.Changed() || r.SeenAt != time.Hour || r.AckedAt != time.Hour || r.EndedAt != time.Hour {
		t.Errorf("%+v, %+v", c, r)
	}
	r = Record{State: Acked, Active: true, SeenAt: 1, AckedAt: 2, EndedAt: 3}
	if r.Recover(Spec{}, now); r.SeenAt != 1 || r.AckedAt != 2 || r.EndedAt != 3 {
		t.Errorf("what is past moved: %+v", r)
	}
	for _, c := range []struct {
		r    Record
		want State
	}{
		{Record{State: Shelved, Active: true}, Unack}, {Record{State: OutOfService}, Norm}, {Record{State: Shelved, Active: true, Shelf: &Shelf{Until: 2 * time.Hour}}, Shelved},
		{Record{State: OutOfService, Out: &Out{Mono: 2 * time.Hour}}, OutOfService}, {Record{State: Suppressed, Active: true}, Suppressed},
	} {
		was := c.r.State
		if got := c.r.Recover(Spec{}, now); c.r.State != c.want || got.From != was || got.To != c.want || got.Changed() != (got.Why == WhyShelfOver) {
			t.Errorf("from %s: %+v", was, got)
		}
	}
}
