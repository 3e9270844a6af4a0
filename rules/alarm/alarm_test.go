package alarm

import (
	"encoding/json"
	"testing"
	"time"

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
	r := Record{State: Acked, Active: true, Seq: 3, Answered: true}
	if c := r.Worsen(); c.To != Unack || r.Answered {
		t.Errorf("worsen: %+v %+v", c, r)
	}
	if c := r.Worsen(); c.Changed() {
		t.Errorf("worsen twice: %+v", c)
	}
	if c := r.Drop(); c.To != Norm || c.Why != WhyConfig || r.Seq != 3 || r.Active {
		t.Errorf("drop: %+v %+v", c, r)
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
