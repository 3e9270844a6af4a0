package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"
)

// TestTwoDaemonsOnOneRecord shows that the second one refuses instead of
// telling everything twice.
func TestTwoDaemonsOnOneRecord(t *testing.T) {
	dir := t.TempDir()
	first, _, err := store.Open(t.Context(), store.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close(t.Context())
	d := newTestDaemon(t, dir)
	if _, _, err := d.openRecord(t.Context()); err == nil {
		t.Error("a record in use was taken")
	}
}

// TestRecordThatCannotBeOpened shows that what is open reaches the record once
// it can be written.
func TestRecordThatCannotBeOpened(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	if err := os.WriteFile(dir, []byte("a file in the way"), 0o600); err != nil {
		t.Fatal(err)
	}
	d := newTestDaemon(t, dir)
	if _, _, err := d.openRecord(t.Context()); err != nil {
		t.Fatalf("the watch does not begin: %v", err)
	}
	if d.record.rec.fault() == nil {
		t.Error("a record that cannot be opened counts as written")
	}
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	d.loop.core = core.New(d.cfg.Load(), nil)
	d.now = func() sensors.Instant { return at(time.Hour, true) }
	d.loop.channels = &channels{}
	d.record.rec.Put([]store.Doc{{Bucket: store.BucketConfig, Key: "kept", Value: []byte("{}")}}, nil)
	if d.record.rec.write(t.Context()); d.record.rec.docs[docKey{store.BucketConfig, "kept"}].Value == nil {
		t.Fatal("what was to be kept is gone")
	}
	o := d.record.openStore(t.Context(), 0)
	if o.err != nil {
		t.Fatal(o.err)
	}
	d.loop.mergeLate(t.Context(), o, core.Saved{})
	if !d.record.rec.write(t.Context()) {
		t.Fatal("the record is still refused after the way is free")
	}
	if d.record.rec.fault() != nil {
		t.Error("the first success was not told")
	}
	if err := d.Store().Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	st, _, err := store.Open(t.Context(), store.Options{Dir: dir, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close(t.Context())
	if b, err := st.Get(store.BucketConfig, "kept"); err != nil || string(b) != "{}" {
		t.Errorf("the document on record: %q, %v", b, err)
	}
}

func newTestDaemon(t *testing.T, dir string) *Daemon {
	t.Helper()
	d, err := New(Options{
		Config: decode(t, string(configs.Demo())), Dir: dir,
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return nil, nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestRecordReplacedWhileInUse shows that a record begun anew because of damage
// gets all that is open, and says why it begins there.
func TestRecordReplacedWhileInUse(t *testing.T) {
	d := newTestDaemon(t, t.TempDir())
	if _, _, err := d.openRecord(t.Context()); err != nil {
		t.Fatal(err)
	}
	now := at(time.Hour, true)
	d.loop.core = core.New(d.cfg.Load(), nil)
	open := d.loop.core.Set(now, rules.Condition{Key: alarm.Key{Alarm: alarm.BlindPeriod, Subject: rules.Self}, Active: true, Priority: alarm.Today})
	if len(open.Docs) == 0 {
		t.Fatal("nothing is open")
	}
	d.record.replacedBy(store.Report{Quarantined: "dewline.db.damaged-1"})
	select {
	case <-d.record.moved:
	default:
		t.Error("the core is not told to look")
	}
	for range 2 { // the second time there is nothing to tell
		d.loop.showRecord(now)
		if !d.record.rec.write(t.Context()) {
			t.Fatal("the record was not written")
		}
	}
	st := d.Store()
	defer st.Close(t.Context())
	if b, err := st.Get(store.BucketAlarms, "blind-period/dewline"); b == nil || err != nil {
		t.Errorf("the open alarm is not in the new record: %v", err)
	}
	why := 0
	for e, err := range st.Journal(time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(e.Line().Why, "dewline.db.damaged-1") {
			why++
		}
	}
	if why != 1 {
		t.Errorf("the journal says %d times why the record begins there", why)
	}
}
