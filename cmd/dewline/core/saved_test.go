package core

import (
	"bytes"
	"compress/flate"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/store"
)

// What one document has lost costs nothing of the others.
func TestSaved_whatCannotBeReadIsNamed(t *testing.T) {
	good, err := json.Marshal(room.Record{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "moss"}})
	if err != nil {
		t.Fatal(err)
	}
	s := Saved{
		State:  []byte("damaged"),
		Alarms: []store.Doc{{Key: "a", Value: []byte("{")}, {Key: "b", Value: good}, {Key: "c", Value: []byte("7")}},
	}
	state, records, errs := s.decode()
	if state != nil || len(records) != 1 || records[0].Key.Subject != "moss" || len(errs) != 3 {
		t.Errorf("%+v, %+v, %v", state, records, errs)
	}
}

// The newest moment with a set clock counts, wherever it is on record; a time off that
// began before it was told.
func TestSaved_lastSetClock(t *testing.T) {
	set := func(mono time.Duration) sensors.Instant { return at(mono, true) }
	for _, c := range []struct {
		name       string
		none       bool
		kept, last time.Duration // 0 for never
		offAt      time.Duration
		want       time.Duration
		open       bool
	}{
		{"no state", true, 0, time.Hour, 0, time.Hour, false},
		{"newer on record", false, time.Hour, 3 * time.Hour, 2 * time.Hour, 3 * time.Hour, false},
		{"newer, but before the time off", false, time.Hour, 2 * time.Hour, 2 * time.Hour, 2 * time.Hour, true},
		{"older on record", false, 3 * time.Hour, time.Hour, 2 * time.Hour, 3 * time.Hour, true},
		{"none on record", false, time.Hour, 0, 2 * time.Hour, time.Hour, true},
	} {
		s := Saved{}
		if c.last > 0 {
			s.LastSet = set(c.last)
		}
		if !c.none {
			r := newDeskRig(t, una)
			b, err := r.core.State()
			if err != nil {
				t.Fatal(err)
			}
			kept, err := decodeState(b)
			if err != nil {
				t.Fatal(err)
			}
			kept.Off.Set, kept.Off.Open, kept.Off.At = set(c.kept), true, c.offAt
			if s.State, err = packed(kept); err != nil {
				t.Fatal(err)
			}
		}
		state, err := s.state()
		if err != nil || state.Off.Set.Mono != c.want || state.Off.Open != c.open || state.Version != rules.StateVersion {
			t.Errorf("%s: %+v, %v", c.name, state, err)
		}
	}
}

// packed is a state as Core.State writes it.
func packed(s *rules.State) ([]byte, error) {
	var b bytes.Buffer
	w, err := flate.NewWriter(&b, flate.DefaultCompression)
	if err != nil {
		return nil, err
	}
	err = errors.Join(json.NewEncoder(w).Encode(s), w.Close())
	return b.Bytes(), err
}

// Documents that are in no book any more are let go of; those in one, and who is on
// duty, stay.
func TestForgotten(t *testing.T) {
	r := newDeskRig(t, una)
	r.heat(3100)
	r.pass(time.Minute)
	docs := r.disk.saved(nil).Outbox
	if len(docs) < 1 {
		t.Fatal("no notice is on record")
	}
	gone := r.core.Forgotten(append(docs, store.Doc{Key: dutyKey}, store.Doc{Key: "old"}))
	if len(gone) != 1 || gone[0].Key != "old" || gone[0].Value != nil || gone[0].Bucket != store.BucketOutbox {
		t.Errorf("%+v", gone)
	}
}

// A store that starts empty is given all there is.
func TestAll(t *testing.T) {
	r := newDeskRig(t, una)
	r.heat(3100)
	r.pass(time.Minute)
	docs, err := r.core.All()
	if err != nil {
		t.Fatal(err)
	}
	got := disk{}
	got.keep(Effects{Docs: docs})
	for k, v := range r.disk {
		if _, ok := got[k]; !ok && k.bucket != store.BucketDrills {
			t.Errorf("%v %s is left out: %s", k.bucket, k.key, v)
		}
	}
	if _, ok := got[diskKey{store.BucketOutbox, dutyKey}]; !ok {
		t.Error("who is on duty is left out")
	}
}

// The estimators are kept every six hours, while heat is open every twenty minutes, and
// every five where it wakes.
func TestStateEvery(t *testing.T) {
	r := newDeskRig(t, una)
	if got := r.core.StateEvery(); got != stateEvery {
		t.Errorf("in peace: %v", got)
	}
	r.heat(2790)
	r.pass(45 * time.Minute)
	if r.want(alarm.AboveBand, alarm.Unack, "warm"); r.core.StateEvery() != warmStateEvery {
		t.Errorf("while it is warm: %v", r.core.StateEvery())
	}
	r.heat(3100)
	r.pass(time.Minute)
	if got := r.core.StateEvery(); got != hotStateEvery {
		t.Errorf("in lethal heat: %v", got)
	}
	r.heat(2400)
	r.pass(6 * time.Hour)
	if got := r.core.StateEvery(); got != stateEvery {
		t.Errorf("when it is over: %v", got)
	}
}

// A delay that runs is on record, so that a crash costs none of it.
func TestTiming(t *testing.T) {
	r := newDeskRig(t, una)
	if docs := r.core.Timing(); len(docs) != 0 {
		t.Errorf("in peace %+v", docs)
	}
	r.heat(2790)
	r.pass(10 * time.Minute) // of the thirty before it is told
	docs := r.core.Timing()
	if !slices.ContainsFunc(docs, func(d store.Doc) bool { return strings.Contains(d.Key, string(alarm.AboveBand)) }) {
		t.Errorf("%+v", docs)
	}
	r.pass(35 * time.Minute)
	r.want(alarm.AboveBand, alarm.Unack, "warm for long")
	r.heat(2400)
	r.pass(time.Minute) // of the time before it is over
	over := r.core.Timing()
	if !slices.ContainsFunc(over, func(d store.Doc) bool { return strings.Contains(d.Key, string(alarm.AboveBand)) }) {
		t.Errorf("on its way to an end: %+v", over)
	}
	for _, d := range append(docs, over...) {
		var rec room.Record
		if err := json.Unmarshal(d.Value, &rec); err != nil || rec.Life.OnFor == 0 && rec.Life.OffFor == 0 {
			t.Errorf("%s: %+v, %v", d.Key, rec.Life, err)
		}
	}
}

// Heat reaches 32.4 °C for one reading, and dewline crashes while it falls. What the
// rules keep, the log, the notice and the alarm's last words tell the same furthest value.
func TestFurthest_IsTheSameEverywhere(t *testing.T) {
	r := newDeskRig(t, una)
	r.heat(3240)
	top := r.now
	r.heat(3150)
	r.disk.keep(Effects{Docs: r.core.Timing()}) // as every batch does
	r.restart(nil)
	r.sent = nil
	r.heat(2400)
	r.pass(2 * time.Hour)
	var log alarm.History
	for i := range r.journal {
		log.Take(&r.journal[i])
	}
	for _, p := range log.Onsets {
		if p.Key.Alarm == alarm.LethalLimit || p.Key.Alarm == alarm.AboveBand {
			if p.To.IsZero() || p.Peak == nil || p.Peak.Value != 32.4 || !p.Peak.At.Wall.Equal(top.Wall) {
				t.Errorf("the log says of %s: %+v, want 32.4 at %v", p.Key.Alarm, p.Peak, top.Wall)
			}
		}
	}
	v, ok := r.core.Alarm(alarm.Key{Alarm: alarm.LethalLimit, Subject: "moss"})
	if text := words.Sentence(&v.Onset, unit.Celsius); !ok || !strings.Contains(text, "it reached 32.4 °C") || v.Furthest().Value != 32.4 {
		t.Errorf("%q, %+v", text, v.Peak)
	}
	last := r.sent[len(r.sent)-1].Message
	if last.Kind != alert.FollowUp || !strings.Contains(last.Text, "Worst 32.4 °C") {
		t.Errorf("%s: %s", last.Kind, last.Text)
	}
}

// Documents of this run are moved into the running time of the record.
func TestRebased(t *testing.T) {
	const by = 1000 * time.Hour
	note := alert.Note{At: at(time.Hour, true), Enclosure: "moss", By: "una", Text: "ate"}
	fx, err := KeepNote(note)
	if err != nil {
		t.Fatal(err)
	}
	moved := note
	moved.At.Mono += by
	want, err := KeepNote(moved)
	if err != nil {
		t.Fatal(err)
	}
	if got := Rebased(fx.Docs[0], by); got == nil || got.Key != want.Docs[0].Key || string(got.Value) != string(want.Docs[0].Value) || got.Key == fx.Docs[0].Key {
		t.Errorf("a note: %+v", got)
	}
	if e := fx.Events[0]; e.By != "una" || e.Text != "ate" || e.Body != (event.Note{Enclosure: "moss"}) || e.At != note.At {
		t.Errorf("its event is %+v", e)
	}
	drill := alert.DrillResult{ID: "d", Person: "una", At: at(time.Hour, true)}
	value, err := json.Marshal(drill)
	if err != nil {
		t.Fatal(err)
	}
	got := Rebased(store.Doc{Bucket: store.BucketDrills, Key: drillKey(drill), Value: value}, by)
	drill.At.Mono += by
	var back alert.DrillResult
	if got == nil || got.Key != drillKey(drill) || json.Unmarshal(got.Value, &back) != nil || back.At.Mono != drill.At.Mono {
		t.Errorf("a drill: %+v", got)
	}
	for _, b := range []store.Bucket{store.BucketAlarms, store.BucketOutbox} {
		if Rebased(store.Doc{Bucket: b, Key: "k", Value: []byte("{}")}, by) != nil {
			t.Errorf("bucket %v is made anew", b)
		}
	}
	if Rebased(store.Doc{Bucket: store.BucketNotes, Key: "k", Value: []byte("x")}, by) != nil {
		t.Error("a damaged note is moved")
	}
	other := store.Doc{Bucket: store.BucketCalibration, Key: "k", Value: []byte("v")}
	if got := Rebased(other, by); got == nil || got.Key != "k" || string(got.Value) != "v" {
		t.Errorf("what has no time in it: %+v", got)
	}
}

// Running times that are set move with a merge; those that are not stay unset.
func TestShift(t *testing.T) {
	c := New(decode(t, rigRoom+una), nil)
	c.self.blindEnds, c.refreshAt, c.self.drilled, c.self.setAt = 1, 2, 3, 4
	c.self.last.Mono, c.refused.at, c.refused.last.At.Mono = 5, 6, 7
	c.shift(100)
	if c.self.blindEnds != 101 || c.refreshAt != 102 || c.self.drilled != 103 || c.self.setAt != 104 || c.self.last.Mono != 105 || c.refused.at != 106 || c.refused.last.At.Mono != 107 {
		t.Errorf("%+v, %v, %+v", c.self, c.refreshAt, c.refused)
	}
	c = New(decode(t, rigRoom+una), nil)
	if c.shift(100); c.self.blindEnds != 0 || c.self.drilled != 0 || c.self.setAt != 0 || c.refused.at != 0 {
		t.Errorf("what was never is at %+v, %+v", c.self, c.refused)
	}
}
