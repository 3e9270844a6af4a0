package daemon

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
)

// TestWhatIsLostIsTold raises record-incomplete with the first reading that is not
// kept, and ends it when nothing was lost for a while, with a line in the journal.
func TestWhatIsLostIsTold(t *testing.T) {
	d := newTestDaemon(t, t.TempDir())
	if _, _, err := d.openRecord(t.Context()); err != nil {
		t.Fatal(err)
	}
	d.loop.core, d.loop.channels = core.New(d.cfg.Load(), nil), &channels{log: d.log}
	d.loop.courier = alert.NewCourier(nil, 0, func(alert.SendResult) {}, d.log)
	now := time.Duration(0)
	d.now = func() sensors.Instant { return at(now, true) }
	d.loop.publish()
	if s := d.loop.snapshot.Load(); !s.Recording {
		t.Fatalf("a sound record counts as incomplete: %v", s.RecordWhy)
	}
	active := func() bool {
		v, open := openSelf(d.loop.core, alarm.RecordIncomplete)
		return open && v.Active
	}
	look := func() {
		t.Helper()
		select {
		case <-d.record.moved:
		default:
			t.Error("the core is not told to look")
		}
		d.loop.watchLosses(d.now())
		d.loop.publish()
	}
	d.record.countLost(3)
	look()
	if s := d.loop.snapshot.Load(); !active() || s.Recording || s.RecordWhy.ID != alarm.FactRecordLost {
		t.Errorf("three readings lost: alarm %v, recording %v, %v", active(), s.Recording, s.RecordWhy)
	}
	// A write that works now says nothing of what is gone.
	d.record.rec.fail(nil)
	<-d.record.moved
	d.loop.showRecord(d.now())
	if !active() {
		t.Error("the alarm ends with a write that works")
	}
	now = lossShown - time.Second
	d.record.countLost(4)
	look()
	now += lossShown - time.Second
	d.loop.watchLosses(d.now())
	if !active() {
		t.Error("the alarm ends too early")
	}
	now += time.Second
	d.loop.watchLosses(d.now())
	d.loop.publish()
	if s := d.loop.snapshot.Load(); active() || !s.Recording {
		t.Errorf("long after the last loss: alarm %v, recording %v, %v", active(), s.Recording, s.RecordWhy)
	}
	if !d.record.rec.write(t.Context()) {
		t.Fatal("the record was not written")
	}
	st := d.Store()
	defer st.Close(t.Context())
	var lines []string
	for e, err := range st.Journal(time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		if b, ok := e.Body.(event.Record); ok {
			lines = append(lines, b.What)
		}
	}
	if len(lines) != 1 || !strings.HasPrefix(lines[0], "7 readings") {
		t.Errorf("the journal says %q", lines)
	}
}

// TestRecorderCountsWhatItDrops has no store yet, and then a disk that refuses.
func TestRecorderCountsWhatItDrops(t *testing.T) {
	var lost uint64
	r := newRecorder(nil, slog.New(slog.DiscardHandler), nil)
	r.lose = func(n uint64) { lost += n }
	r.Append(sensors.Reading{Probe: "p"})
	r.Put(nil, make([]event.Event, maxJournalBacklog))
	if lost != 1 {
		t.Errorf("%d lost, want the reading", lost)
	}
	r.Put(nil, make([]event.Event, 2))
	if lost != 3 {
		t.Errorf("%d lost, want the reading and two lines", lost)
	}
}

// TestFullRecordIsFlushedEarly polls faster than a batch of an hour can hold.
func TestFullRecordIsFlushedEarly(t *testing.T) {
	cfg := string(configs.Demo()) + "\n[store]\nbatch = \"1 h\"\n"
	dir := t.TempDir()
	d, err := New(Options{Config: decode(t, cfg), Dir: dir,
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return nil, nil
		}})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := d.openRecord(t.Context()); err != nil {
		t.Fatal(err)
	}
	st := d.Store()
	defer st.Close(t.Context())
	for n := range 1_000_000 { // 500 a second for more than half an hour
		d.record.rec.Append(sensors.Reading{Probe: "p", At: at(time.Duration(n)*2*time.Millisecond, true), Quality: sensors.Bad})
		if n%10_000 == 0 {
			d.record.rec.write(t.Context())
		}
	}
	if s := st.Stats(); s.Lost != 0 || d.record.lost.Load() != 0 || s.OpenReadings > 300_000 {
		t.Errorf("%d readings lost, %d open", s.Lost, s.OpenReadings)
	}
}
