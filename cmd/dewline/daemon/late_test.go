package daemon

import (
	"context"
	"maps"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// opensAfter has a record open only so long after the start.
func opensAfter(d time.Duration) func(*Options) {
	return func(o *Options) {
		o.Open = func(ctx context.Context, so store.Options) (*store.Store, store.Report, error) {
			select {
			case <-time.After(d):
			case <-ctx.Done():
				return nil, store.Report{}, ctx.Err()
			}
			return store.Open(ctx, so)
		}
	}
}

// views returns what is open, by alarm and subject.
func (l *lab) views(t *testing.T) map[alarm.Key]rules.AlarmView {
	t.Helper()
	open := map[alarm.Key]rules.AlarmView{}
	if err := l.loop.call(t.Context(), func(sensors.Instant) error {
		for _, v := range l.loop.core.Open() {
			open[v.Key] = v
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return open
}

// noticeOf returns the id of the open notice that tells of an alarm.
func (l *lab) noticeOf(t *testing.T, k alarm.Key) (id string) {
	t.Helper()
	_ = l.loop.call(t.Context(), func(sensors.Instant) error {
		for _, v := range l.notices() {
			if slices.ContainsFunc(v.Notice.Members, func(m alert.Member) bool { return m.Key == k }) {
				id = v.Notice.ID
			}
		}
		return nil
	})
	if id == "" {
		t.Fatalf("no notice tells of %v", k)
	}
	return id
}

func (l *lab) act(t *testing.T, c alert.Command) {
	t.Helper()
	c.By = "keeper"
	if r := l.Command(t.Context(), c); r.Error != "" {
		t.Fatal(r.Error)
	}
}

// A record that opens 10 min after the start holds an answered lethal alarm, an
// unanswered one, and a shelf. Meanwhile both rose anew, and a third. Nothing of
// it is lost, nothing answered rings, no number and no time is had twice.
func TestLateRecordIsJoined(t *testing.T) {
	for _, late := range []time.Duration{openWithin - time.Second, openWithin + time.Second, 5 * time.Minute} {
		t.Run(late.String(), func(t *testing.T) { lateRecord(t, late) })
	}
}

func lateRecord(t *testing.T, late time.Duration) {
	dir := t.TempDir()
	answered, unanswered := alarm.Key{Alarm: alarm.LethalLimit, Subject: "e0000"}, alarm.Key{Alarm: alarm.LethalLimit, Subject: "e0005"}
	shelved := alarm.Key{Alarm: alarm.HumidityFloor, Subject: "e0010"}
	third := alarm.Key{Alarm: alarm.LethalLimit, Subject: "e0015"}
	synctest.Test(t, func(t *testing.T) {
		cfg := roomOf(t, 20, "10 s", atOnce)
		all, pick := dials(cfg, 24, 85)
		l := runLab(t, cfg, dir, pick)
		time.Sleep(2 * time.Hour)
		all["p-e0010"].set(24, 40)
		time.Sleep(90 * time.Minute)
		for _, id := range []string{"p-e0000", "p-e0005"} {
			for _, c := range []float64{27, 30, 32} {
				all[id].set(c, 80)
				time.Sleep(time.Minute)
			}
		}
		time.Sleep(6 * time.Minute) // above-band is under the notice too by then
		l.act(t, alert.Command{Action: "acknowledge", Notice: l.noticeOf(t, answered)})
		l.act(t, alert.Command{Action: "shelve", Alarm: string(shelved.Alarm), Subject: shelved.Subject, Minutes: 600})
		time.Sleep(time.Minute)
		before := l.views(t)
		mono := l.now().Mono
		l.stop()
		time.Sleep(time.Minute)

		l = runLab(t, cfg, dir, pick, opensAfter(late))
		early := min(late, 5*time.Minute)
		time.Sleep(early - time.Second)
		all["p-e0015"].set(30, 80)
		time.Sleep(30 * time.Second)
		all["p-e0015"].set(33, 80)
		last := l.now().Mono
		for end := time.Now().Add(late + time.Minute); time.Now().Before(end); {
			time.Sleep(10 * time.Second)
			now := l.now().Mono
			if now < last {
				t.Fatalf("running time went from %s to %s", last, now)
			}
			last = now
		}
		synctest.Wait()
		if last < mono {
			t.Errorf("running time is %s, the record had %s", last, mono)
		}
		after := l.views(t)
		checkJoined(t, before, after, answered, unanswered, shelved)
		if v := after[third]; v.State.String() != "UNACK" {
			t.Errorf("what rose meanwhile: %+v", v)
		}
		if v := after[alarm.Key{Alarm: alarm.RecordIncomplete, Subject: rules.Self}]; v.Active {
			t.Errorf("the record is open and its alarm goes on: %+v", v)
		}
		from := time.Now()
		time.Sleep(15 * time.Minute) // before anything answered may ring again
		rung(t, l, from, answered, unanswered)
		kept := l.views(t)
		l.stop()

		// The next start finds one record of all of it.
		l = runLab(t, cfg, dir, pick)
		time.Sleep(time.Minute)
		for k, v := range kept {
			if w := l.views(t)[k]; v.Active && w.Seq != v.Seq {
				t.Errorf("%v was onset %d and is %d after another start", k, v.Seq, w.Seq)
			}
		}
		if n := onRecord(t, l, "p-e0000"); n < int((late+3*time.Hour)/(10*time.Second)) {
			t.Errorf("%d readings on record", n)
		}
		noTwins(t, l)
		l.stop()
	})
}

func checkJoined(t *testing.T, before, after map[alarm.Key]rules.AlarmView, answered, unanswered, shelved alarm.Key) {
	t.Helper()
	for k, v := range before {
		w, ok := after[k]
		if v.Active && v.Key.Subject != rules.Self && !ok {
			t.Errorf("%v is lost: %+v", k, v)
		}
		if ok && w.Seq < v.Seq {
			t.Errorf("%v was onset %d and is %d", k, v.Seq, w.Seq)
		}
	}
	if v, w := before[answered], after[answered]; w.State.String() != "ACKED" || !w.Since.Wall.Equal(v.Since.Wall) || w.AckedBy != "keeper" {
		t.Errorf("answered before: %s since %s by %q, want ACKED since %s by keeper", w.State, w.Since.Wall, w.AckedBy, v.Since.Wall)
	}
	if v, w := before[unanswered], after[unanswered]; w.State.String() != "UNACK" || !w.Since.Wall.Equal(v.Since.Wall) {
		t.Errorf("not answered before: %s since %s, want UNACK since %s", w.State, w.Since.Wall, v.Since.Wall)
	}
	if w := after[shelved]; w.State.String() != "SHLVD" {
		t.Errorf("shelved before: %+v", w)
	}
}

// rung asks that what was answered does not ring, and that what was not does.
func rung(t *testing.T, l *lab, from time.Time, answered, unanswered alarm.Key) {
	t.Helper()
	_ = l.loop.call(t.Context(), func(sensors.Instant) error {
		for _, v := range l.notices() {
			holds := func(f func(m alert.Member) bool) bool { return slices.ContainsFunc(v.Notice.Members, f) }
			others := holds(func(m alert.Member) bool { return m.Active() && !m.Covered && m.Key != answered }) // which it shares a storm with
			if holds(func(m alert.Member) bool { return m.Key == answered }) && !others && (!v.Acknowledged || v.NextRepeat != 0) {
				t.Errorf("an answered notice rings: %+v", v)
			}
		}
		return nil
	})
	wakes, when := l.box.of(alarm.Wake)
	for i, m := range wakes {
		if !when[i].Before(from) && slices.Contains(m.Subjects, unanswered.Subject) {
			return
		}
	}
	t.Errorf("an unanswered alarm does not ring on:%s", l.box.titles())
}

func onRecord(t *testing.T, l *lab, probe sensors.ProbeID) int {
	t.Helper()
	n, last := 0, time.Duration(0)
	for r, err := range l.Store().Readings(t.Context(), probe, time.Time{}, farFuture) {
		if err != nil {
			t.Fatal(err)
		}
		if r.At.Mono < last {
			t.Fatalf("running time on record goes from %s to %s", last, r.At.Mono)
		}
		last = r.At.Mono
		n++
	}
	return n
}

// noTwins asks that no onset left NORM twice under one number, and that running
// time never goes back in the journal.
func noTwins(t *testing.T, l *lab) {
	t.Helper()
	seen := map[string]time.Time{}
	for e, err := range l.Store().Journal(time.Time{}, farFuture) {
		if err != nil {
			t.Fatal(err)
		}
		a, ok := e.Body.(event.Alarm)
		if !ok || a.From != "NORM" {
			continue
		}
		if was, ok := seen[a.ID()]; ok {
			t.Errorf("onset %s began at %s and at %s", a.ID(), was, e.At.Wall)
		}
		seen[a.ID()] = e.At.Wall
	}
	if len(seen) == 0 || !slices.ContainsFunc(slices.Collect(maps.Keys(seen)), func(s string) bool { return strings.HasPrefix(s, "lethal-ceiling/") }) {
		t.Error("no onset on record")
	}
}

// notices are those that are open. It is called on the loop's goroutine.
func (l *lab) notices() []alert.NoticeView {
	var s alert.Snapshot
	l.loop.core.Fill(l.now(), &s)
	return s.Notices
}
