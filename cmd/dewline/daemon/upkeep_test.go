package daemon

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/sensors"
	"dewline/store"
)

// A calibration that reaches back is on record when the program ends before the
// sums of the past follow it: the next start finishes the work, and the part of
// it that lies in the hour still open follows once that is over.
func TestSumsFollowACalibrationAfterARestart(t *testing.T) {
	dir := t.TempDir()
	const probe = "a-1-1-canopy"
	began := time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC)
	clock := sensors.Instant{Wall: began, Synced: true}
	shown := sensors.CentiCelsius(2400)
	fill := func(st *store.Store, d time.Duration) {
		t.Helper()
		for end := clock.Mono + d; clock.Mono < end; clock = clock.Add(10 * time.Second) {
			raw := sensors.Sample{Has: sensors.HasTemperature, Temperature: 2400}
			st.Append(sensors.Reading{Probe: probe, At: clock, Has: raw.Has, Raw: raw, Temperature: shown, Quality: sensors.Good})
		}
		if err := st.Flush(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
	}
	begin := func() *Daemon {
		t.Helper()
		d := newTestDaemon(t, dir)
		if _, _, err := d.openRecord(t.Context()); err != nil {
			t.Fatal(err)
		}
		d.now = func() sensors.Instant { return clock }
		return d
	}
	end := func(d *Daemon) {
		t.Helper()
		if !d.record.rec.write(t.Context()) {
			t.Fatal("the record was not written")
		}
		if err := d.Store().Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	}

	d := begin()
	fill(d.Store(), 3*time.Hour+30*time.Minute)
	c := sensors.Correction{ID: "c1", Probe: probe, Quantity: sensors.Temperature, Made: clock.Wall, From: began.Add(time.Hour), Gain: 1, Offset: -0.5}
	set, err := d.book.add(c)
	if err != nil {
		t.Fatal(err)
	}
	owed, err := d.record.owe(c, set)
	if err != nil {
		t.Fatal(err)
	}
	value, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	d.record.rec.Put([]store.Doc{{Bucket: store.BucketCalibration, Key: c.ID, Value: value}, owed}, nil)
	shown = 2350
	end(d) // before anything was made again

	means := func(st *store.Store) (out []int32) {
		t.Helper()
		for r, err := range st.Rollups(t.Context(), probe, store.Hour, began, began.Add(24*time.Hour)) {
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, r.Temperature.Mean)
		}
		return out
	}
	upkeep := func(d *Daemon) {
		for p, r := range d.record.redos.all() {
			d.record.makeAgain(t.Context(), p, r)
		}
	}
	d = begin()
	upkeep(d)
	if got := means(d.Store()); len(got) != 4 || got[0] != 2400 || got[1] != 2350 || got[2] != 2350 {
		t.Fatalf("hourly means %v after the restart, want the second and the third half a degree lower", got)
	}
	if len(d.record.redos.all()) != 1 {
		t.Fatal("the hour that is open is forgotten")
	}
	fill(d.Store(), time.Hour)
	end(d)

	d = begin()
	upkeep(d)
	if got := means(d.Store()); len(got) != 5 || got[3] != 2350 {
		t.Fatalf("hourly means %v once the hour was over, want the fourth half a degree lower too", got)
	}
	end(d)
	d = begin()
	defer end(d)
	if left := d.record.redos.all(); len(left) != 0 {
		t.Errorf("%v is still to be made again after all is done", left)
	}
}

// Hours that are over and wait for the disk follow a calibration at once, not at the
// next look.
func TestSumsOfHoursThatWaitFollowACalibration(t *testing.T) {
	d := newTestDaemon(t, t.TempDir())
	if _, _, err := d.openRecord(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer d.Store().Close(t.Context())
	const probe = "a-1-1-canopy"
	clock := sensors.Instant{Wall: time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC), Synced: true}
	began := clock.Wall
	d.now = func() sensors.Instant { return clock }
	for ; clock.Mono < 150*time.Minute; clock = clock.Add(10 * time.Second) {
		raw := sensors.Sample{Has: sensors.HasTemperature, Temperature: 2400}
		d.Store().Append(sensors.Reading{Probe: probe, At: clock, Has: raw.Has, Raw: raw, Temperature: 2400, Quality: sensors.Good})
	}
	c := sensors.Correction{ID: "c1", Probe: probe, Quantity: sensors.Temperature, Made: clock.Wall, From: began, Gain: 1, Offset: -0.5}
	set, err := d.book.add(c)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.record.owe(c, set); err != nil {
		t.Fatal(err)
	}
	for p, r := range d.record.redos.all() {
		d.record.makeAgain(t.Context(), p, r)
	}
	for r, err := range d.Store().Rollups(t.Context(), probe, store.Hour, began, began.Add(2*time.Hour)) {
		if err != nil || r.Temperature.Mean != 2350 {
			t.Errorf("the hour of %v shows %v, %v, want half a degree lower", r.Start, r.Temperature.Mean, err)
		}
	}
}

// What a calibration takes the place of stands beside it in the journal.
func TestCalibrationsInTheJournalHaveAnOldValue(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2026, 5, n, 0, 0, 0, 0, time.UTC) }
	first := sensors.Correction{ID: "first", Probe: "p", Quantity: sensors.Humidity, Made: day(1), From: day(1), Gain: 1, Offset: -2, Uncertainty: 1}
	second := sensors.Correction{ID: "second", Probe: "p", Quantity: sensors.Humidity, Made: day(3), From: day(2), Gain: 1, Offset: -3, Uncertainty: 1}
	set, err := sensors.NewCorrections(nil)
	if err != nil {
		t.Fatal(err)
	}
	id := func(text string) string {
		var c sensors.Correction
		if json.Unmarshal([]byte(text), &c) != nil {
			return text
		}
		return c.ID
	}
	for _, c := range []struct {
		add  sensors.Correction
		want string
	}{{first, "none"}, {second, "first"}, {sensors.Correction{ID: "undo", Probe: second.Probe, Quantity: second.Quantity, Made: day(4), By: "robin", Undoes: second.ID}, "second"}} {
		if got := id(inPlaceOf(set, c.add)); got != c.want {
			t.Errorf("%s takes the place of %s, want %s", c.add.ID, got, c.want)
		}
		if set, err = set.With(c.add); err != nil {
			t.Fatal(err)
		}
	}
}

// A running daemon makes the record's file smaller by itself once most of it is
// free, here after the keeper lowered the cap.
func TestTheRecordIsTidiedByItself(t *testing.T) {
	dir := t.TempDir()
	st, _, err := store.Open(t.Context(), store.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	at := sensors.Instant{Wall: time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC), Synced: true}
	rng := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		for range 60 { // an hour, a poll a minute
			for p := range 64 {
				r := sensors.Reading{Probe: sensors.ProbeID(fmt.Sprint("p", p)), At: at, Has: sensors.HasTemperature,
					Temperature: sensors.CentiCelsius(rng.IntN(4000)), Quality: sensors.Good}
				r.Raw = sensors.Sample{Has: r.Has, Temperature: sensors.CentiCelsius(rng.IntN(4000))}
				st.Append(r)
			}
			at = at.Add(time.Minute)
		}
		if err := st.Flush(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := st.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	d := newTestDaemon(t, dir)
	if st, _, err = store.Open(t.Context(), store.Options{Dir: dir, Keep: store.Keep{MaxBytes: fileSize(t, dir) / 2}}); err != nil {
		t.Fatal(err)
	}
	defer st.Close(t.Context())
	for range 30 { // each makes some room
		if err := st.Flush(t.Context(), []byte(fmt.Sprint(at))); err != nil {
			t.Fatal(err)
		}
		at = at.Add(time.Minute)
	}
	before := fileSize(t, dir)
	d.record.store.Store(st)
	if wait := d.record.tidy(t.Context()); wait != tidyEvery {
		t.Errorf("the next look is in %s", wait)
	}
	if after := fileSize(t, dir); after > before*2/3 {
		t.Errorf("the file has %d bytes, and had %d before: %+v", after, before, st.Stats())
	}
}

// What a start could not save of a damaged record comes back behind the watch, and
// the journal says so.
func TestReadingsComeBackFromADamagedRecord(t *testing.T) {
	dir := t.TempDir()
	st, _, err := store.Open(t.Context(), store.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	at := sensors.Instant{Wall: time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC), Synced: true}
	for range 5 * 360 {
		st.Append(sensors.Reading{Probe: "p", At: at, Has: sensors.HasTemperature, Temperature: 2400, Quality: sensors.Good})
		at = at.Add(10 * time.Second)
	}
	if err := st.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, store.FileName)
	if err := os.Rename(file, file+".damaged-20260501T110000Z"); err != nil {
		t.Fatal(err)
	}
	d := newTestDaemon(t, dir)
	if _, _, err := d.openRecord(t.Context()); err != nil {
		t.Fatal(err)
	}
	d.now = func() sensors.Instant { return at }
	for range 2 {
		if !d.record.check(t.Context()) || !d.record.rec.write(t.Context()) {
			t.Fatal("not all was gone through")
		}
	}
	st = d.Store()
	defer st.Close(t.Context())
	n, lines := 0, 0
	for range st.Readings(t.Context(), "p", time.Time{}, at.Wall) {
		n++
	}
	for e, err := range st.Journal(time.Time{}, time.Time{}) {
		if err == nil && strings.Contains(e.Line().Why, "brought back") {
			lines++
		}
	}
	if n != 4*360 || lines != 1 { // the fifth hour was still open
		t.Errorf("%d readings came back, and the journal says so %d times", n, lines)
	}
}

func fileSize(t *testing.T, dir string) int64 {
	t.Helper()
	fi, err := os.Stat(filepath.Join(dir, store.FileName))
	if err != nil {
		t.Fatal(err)
	}
	return fi.Size()
}

// TestARedoIsForgottenAlone asks that no calibration can owe anything between the end
// of a redo and the moment that its document is given up, and that one which came
// before is kept.
func TestARedoIsForgottenAlone(t *testing.T) {
	b := &redoBook{due: map[sensors.ProbeID]redo{}, wake: make(chan struct{}, 1)}
	old := b.add("a", redo{From: time.Unix(1, 0), Until: time.Unix(2, 0)})
	joined := b.add("a", redo{From: time.Unix(0, 0), Until: time.Unix(3, 0)})
	forgotten := 0
	forget := func() {
		forgotten++
		if b.mu.TryLock() {
			b.mu.Unlock()
			t.Error("a calibration could come in between")
		}
	}
	if b.takeOut("a", old, forget); forgotten != 0 || b.all()["a"] != joined {
		t.Errorf("a redo that was joined by another is forgotten: %v", b.all())
	}
	if b.takeOut("a", joined, forget); forgotten != 1 || len(b.all()) != 0 {
		t.Errorf("forgotten %d times, due %v", forgotten, b.all())
	}
}
