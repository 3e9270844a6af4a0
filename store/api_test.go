package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/sensors"
	"dewline/store"
)

var (
	midnight  = time.Date(2026, 3, 4, 0, 0, 0, 0, time.UTC)
	wholeTime = [2]time.Time{midnight.AddDate(-1, 0, 0), midnight.AddDate(1, 0, 0)}
)

func openIn(t *testing.T, o store.Options) *store.Store {
	t.Helper()
	s, _, err := store.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close(context.Background()) })
	return s
}

// reading is a good reading of a probe, so long after midnight.
func reading(p sensors.ProbeID, after time.Duration) sensors.Reading {
	raw := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: 2310, Humidity: 8250}
	return sensors.Reading{
		Probe: p, At: sensors.Instant{Mono: after, Wall: midnight.Add(after), Synced: true}, Quality: sensors.Good,
		Has: raw.Has, Temperature: raw.Temperature, Humidity: raw.Humidity, Raw: raw,
	}
}

// addHours appends hours of a reading a minute.
func addHours(s *store.Store, p sensors.ProbeID, hours int) {
	for minute := range hours * 60 {
		s.Append(reading(p, time.Duration(minute)*time.Minute))
	}
}

// count tells readings from errors.
func count(s *store.Store, p sensors.ProbeID) (readings, faults int) {
	for _, err := range s.Readings(context.Background(), p, wholeTime[0], wholeTime[1]) {
		if err != nil {
			faults++
		} else {
			readings++
		}
	}
	return readings, faults
}

func TestProbesInTheOrderTheyCame(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, store.Options{Dir: dir})
	want := []sensors.ProbeID{"moss", "fern", "bark"}
	for i, p := range want {
		s.Append(reading(p, time.Duration(i)*time.Second))
	}
	if got := s.Probes(); !slices.Equal(got, want) {
		t.Errorf("probes are %v, want %v", got, want)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := openIn(t, store.Options{Dir: dir}).Probes(); !slices.Equal(got, want) {
		t.Errorf("after a restart probes are %v, want %v", got, want)
	}
}

// TestCommitRefuses asks that a document that nothing could find again is turned
// away, and with it all that came in the same commit.
func TestCommitRefuses(t *testing.T) {
	s := openIn(t, store.Options{Dir: t.TempDir()})
	for name, d := range map[string]store.Doc{
		"no kind":      {Key: "k", Value: []byte("v")},
		"unknown kind": {Bucket: store.BucketConfig + 1, Key: "k", Value: []byte("v")},
		"no key":       {Bucket: store.BucketAlarms, Value: []byte("v")},
		"long key":     {Bucket: store.BucketAlarms, Key: strings.Repeat("k", 1025), Value: []byte("v")},
	} {
		good := store.Doc{Bucket: store.BucketNotes, Key: "good", Value: []byte("v")}
		if err := s.Commit(store.Commit{Docs: []store.Doc{good, d}}); err == nil {
			t.Errorf("%s: taken", name)
		}
		if v, err := s.Get(store.BucketNotes, "good"); v != nil || err != nil {
			t.Errorf("%s: its neighbour is %q, %v", name, v, err)
		}
	}
	longest := store.Doc{Bucket: store.BucketAlarms, Key: strings.Repeat("k", 1024), Value: []byte{}}
	if err := s.Commit(store.Commit{Docs: []store.Doc{longest}}); err != nil {
		t.Errorf("the longest key: %v", err)
	}
	if v, err := s.Get(longest.Bucket, longest.Key); v == nil || len(v) != 0 || err != nil {
		t.Errorf("an empty document came back as %v, %v", v, err)
	}
}

// TestDocs reads more documents than one transaction copies out, deletes some,
// and leaves the loop early.
func TestDocs(t *testing.T) {
	s := openIn(t, store.Options{Dir: t.TempDir()})
	var all store.Commit
	const n = 600
	for i := range n {
		all.Docs = append(all.Docs, store.Doc{Bucket: store.BucketOutbox, Key: fmt.Sprintf("%04d", i), Value: fmt.Append(nil, i)})
	}
	gone := store.Commit{Docs: []store.Doc{{Bucket: store.BucketOutbox, Key: "0255"}, {Bucket: store.BucketOutbox, Key: "none"}}}
	for _, c := range []store.Commit{all, gone} {
		if err := s.Commit(c); err != nil {
			t.Fatal(err)
		}
	}
	var keys []string
	for d, err := range s.Docs(store.BucketOutbox) {
		if err != nil || string(d.Value) != fmt.Sprint(atoi(t, d.Key)) || d.Bucket != store.BucketOutbox {
			t.Fatalf("%+v: %v", d, err)
		}
		keys = append(keys, d.Key)
	}
	if len(keys) != n-1 || !slices.IsSorted(keys) || slices.Contains(keys, "0255") {
		t.Errorf("%d documents, sorted %v", len(keys), slices.IsSorted(keys))
	}
	seen := 0
	for range s.Docs(store.BucketOutbox) {
		if seen++; seen == 3 {
			break
		}
	}
	for d := range s.Docs(store.BucketDrills) {
		t.Errorf("a kind without documents has %+v", d)
	}
}

func atoi(t *testing.T, s string) (n int) {
	t.Helper()
	if _, err := fmt.Sscanf(s, "%d", &n); err != nil {
		t.Fatal(err)
	}
	return n
}

// TestQueriesThatFindNothing asks for what is not there, in each way.
func TestQueriesThatFindNothing(t *testing.T) {
	s := openIn(t, store.Options{Dir: t.TempDir()})
	addHours(s, "moss", 3)
	if err := s.Flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	for name, q := range map[string]struct {
		probe    sensors.ProbeID
		from, to time.Time
	}{
		"another probe":     {"fern", wholeTime[0], wholeTime[1]},
		"before":            {"moss", wholeTime[0], midnight},
		"after":             {"moss", midnight.Add(3 * time.Hour), wholeTime[1]},
		"from after to":     {"moss", midnight.Add(2 * time.Hour), midnight.Add(time.Hour)},
		"nothing wide":      {"moss", midnight.Add(time.Hour), midnight.Add(time.Hour)},
		"between two polls": {"moss", midnight.Add(time.Second), midnight.Add(59 * time.Second)},
	} {
		for r, err := range s.Readings(t.Context(), q.probe, q.from, q.to) {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
	}
	for r, err := range s.Rollups(t.Context(), "moss", store.Day+1, wholeTime[0], wholeTime[1]) {
		if err == nil {
			t.Errorf("an unknown level has %+v", r)
		}
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	faults := 0
	for _, err := range s.Readings(ended, "moss", wholeTime[0], wholeTime[1]) {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("a query that was called off yields %v", err)
		}
		faults++
	}
	if faults != 1 {
		t.Errorf("a query that was called off yields %d times", faults)
	}
	seen := 0
	for range s.Readings(t.Context(), "moss", wholeTime[0], wholeTime[1]) {
		if seen++; seen == 100 {
			break // in the second hour
		}
	}
}

func TestLevelSpan(t *testing.T) {
	for level, want := range map[store.Level]time.Duration{store.TenMinutes: 10 * time.Minute, store.Hour: time.Hour} {
		if got := level.Span(); got != want {
			t.Errorf("level %d spans %v, want %v", level, got, want)
		}
	}
}

// TestWithoutAFile keeps readings, their rollups and a correction in memory while
// a file stands where the folder belongs, and writes all of it once it is gone.
func TestWithoutAFile(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	if err := os.WriteFile(dir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	s, _, err := store.Open(t.Context(), store.Options{Dir: dir})
	if err == nil {
		t.Fatal("a file passes for a folder")
	}
	const n = 5 * 360
	for i := range n {
		s.Append(reading("moss", time.Duration(i)*10*time.Second))
	}
	if err := s.Flush(t.Context(), nil); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("flush: %v", err)
	}
	if err := s.Commit(store.Commit{State: []byte("state")}); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("commit: %v", err)
	}
	if _, err := s.State(); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("state: %v", err)
	}
	for _, err := range s.Docs(store.BucketAlarms) {
		if !errors.Is(err, store.ErrUnavailable) {
			t.Errorf("documents: %v", err)
		}
	}
	again := func(want int) {
		t.Helper()
		changed, whole, err := s.Recompute(t.Context(), "moss", midnight.Add(2*time.Hour), wholeTime[1], func(r sensors.Reading) sensors.Reading {
			r.Temperature = r.Raw.Temperature + 100
			return r
		})
		if changed != want || whole || err != nil {
			t.Errorf("%d hours made again, %v: %v", changed, whole, err)
		}
	}
	check := func(when string, corrected int32) {
		t.Helper()
		if readings, faults := count(s, "moss"); readings != n || faults != 0 {
			t.Errorf("%s: %d readings of %d, %d faults", when, readings, n, faults)
		}
		hour := 0
		for r, err := range s.Rollups(t.Context(), "moss", store.Hour, wholeTime[0], wholeTime[1]) {
			want := int32(2310)
			if hour == 2 || hour == 3 { // the last is still going on
				want = corrected
			}
			if err != nil || r.Temperature != (store.Spread{Min: want, Mean: want, Max: want}) || r.Count != 360 {
				t.Errorf("%s: hour %d is %+v, %v", when, hour, r, err)
			}
			hour++
		}
		if hour != 5 {
			t.Errorf("%s: %d hours", when, hour)
		}
	}
	again(0) // hours that wait for the disk are asked for once more
	check("without a file", 2310)
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	if err := s.Flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	again(2)
	check("with a file again", 2410)
	if st := s.Stats(); st.Lost != 0 || st.Unwritten != 0 || st.Blocks != 4 {
		t.Errorf("%+v", st)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestAfterClose uses a store that is closed: nothing panics, nothing is written.
func TestAfterClose(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, store.Options{Dir: dir})
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.Append(reading("moss", 0))
	for name, err := range map[string]error{
		"flush":   s.Flush(t.Context(), nil),
		"commit":  s.Commit(store.Commit{State: []byte("late")}),
		"compact": s.Compact(t.Context()),
		"backup":  s.Backup(t.Context(), filepath.Join(dir, "copy")),
	} {
		if !errors.Is(err, store.ErrUnavailable) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if state, err := openIn(t, store.Options{Dir: dir}).State(); state != nil || err != nil {
		t.Errorf("state is %q, %v", state, err)
	}
}

// TestReadOnly asks that a tool changes nothing, not even by closing.
func TestReadOnly(t *testing.T) {
	dir := t.TempDir()
	if _, _, err := store.Open(t.Context(), store.Options{Dir: dir, ReadOnly: true}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("reading what is not there: %v", err)
	}
	s := openIn(t, store.Options{Dir: dir})
	addHours(s, "moss", 30)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, store.FileName)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s = openIn(t, store.Options{Dir: dir, ReadOnly: true})
	if readings, faults := count(s, "moss"); readings != 30*60 || faults != 0 {
		t.Errorf("%d readings, %d faults", readings, faults)
	}
	if err := s.Commit(store.Commit{State: []byte("no")}); err == nil {
		t.Error("a commit to a record that is only read was taken")
	}
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
	if after, err := os.ReadFile(path); err != nil || !slices.Equal(before, after) {
		t.Errorf("reading changed the file: %v", err)
	}
}

// TestToolsRefuse gives backup, restore, repair and verify what they cannot use;
// none may leave anything behind.
func TestToolsRefuse(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, store.Options{Dir: filepath.Join(dir, "data")})
	addHours(s, "moss", 2)
	if err := s.Flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	text := filepath.Join(dir, "text")
	if err := os.WriteFile(text, []byte(strings.Repeat("not a record\n", 2000)), 0o600); err != nil {
		t.Fatal(err)
	}
	missing, target := filepath.Join(dir, "missing"), filepath.Join(dir, "target")
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	_, repairErr := store.Repair(t.Context(), missing, target, "robin")
	_, overErr := store.Repair(t.Context(), text, text, "robin")
	_, textErr := store.Repair(t.Context(), text, target, "robin")
	_, folderErr := store.Repair(t.Context(), dir, target, "robin")
	_, usedErr := store.Repair(t.Context(), filepath.Join(dir, "data", store.FileName), target, "robin")
	if !errors.Is(textErr, store.ErrNothing) || !errors.Is(usedErr, store.ErrLocked) {
		t.Errorf("repair of a text: %v; of a record in use: %v", textErr, usedErr)
	}
	_, noneErr := store.Restore(t.Context(), missing, target)
	_, rubbishErr := store.Restore(t.Context(), text, target)
	for name, err := range map[string]error{
		"backup into no folder": s.Backup(t.Context(), filepath.Join(missing, "copy")),
		"backup called off":     s.Backup(ended, target),
		"verify of nothing":     store.Verify(t.Context(), missing),
		"verify of a text":      store.Verify(t.Context(), text),
		"restore of nothing":    noneErr,
		"restore of a text":     rubbishErr,
		"repair of nothing":     repairErr,
		"repair over a file":    overErr,
		"repair of a folder":    folderErr,
	} {
		if err == nil {
			t.Errorf("%s passed", name)
		}
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 2 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	if readings, faults := count(s, "moss"); readings != 120 || faults != 0 {
		t.Errorf("afterwards %d readings, %d faults", readings, faults)
	}
}

// TestAlarmsPushOutReadings fills a record to its cap with readings and then
// commits more than was kept free for alarms: the oldest readings make room.
func TestAlarmsPushOutReadings(t *testing.T) {
	s := openIn(t, store.Options{Dir: t.TempDir(), Keep: store.Keep{MaxBytes: 1 << 20}})
	noise := uint32(1)
	for minute := range 50 * 24 * 60 {
		for _, p := range []sensors.ProbeID{"moss", "fern", "bark"} {
			r := reading(p, time.Duration(minute)*time.Minute)
			noise = noise*1664525 + 1013904223 // Numerical Recipes, 2nd ed., 7.1
			r.Temperature += sensors.CentiCelsius(noise >> 20)
			r.Humidity -= sensors.CentiPercent(noise >> 8 & 0xFFF)
			r.Raw.Temperature, r.Raw.Humidity = r.Temperature, r.Humidity
			s.Append(r)
		}
		if minute%60 == 59 {
			if err := s.Flush(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	before := s.Stats()
	const n, size = 90, 3000
	for i := range n {
		d := store.Doc{Bucket: store.BucketAlarms, Key: fmt.Sprint(i), Value: make([]byte, size)}
		if err := s.Commit(store.Commit{Docs: []store.Doc{d}}); err != nil {
			t.Fatalf("document %d: %v", i, err)
		}
	}
	docs := 0
	for d, err := range s.Docs(store.BucketAlarms) {
		if err != nil || len(d.Value) != size {
			t.Fatalf("%d bytes of document %q: %v", len(d.Value), d.Key, err)
		}
		docs++
	}
	after := s.Stats()
	if docs != n || after.FileBytes > 1<<20 || after.Blocks >= before.Blocks {
		t.Errorf("%d documents of %d, file of %d bytes, %d bundles of readings and %d before", docs, n, after.FileBytes, after.Blocks, before.Blocks)
	}
	if _, faults := count(s, "moss"); faults != 0 {
		t.Errorf("%d faults in what is left", faults)
	}
}

// TestWriteIsOneTransaction writes events with a batch of a probe that is known: the card
// gets the batch and one transaction, and what nothing could find again is refused with all
// of it.
func TestWriteIsOneTransaction(t *testing.T) {
	s := openIn(t, store.Options{Dir: t.TempDir()})
	s.Append(reading("p", 0))
	if err := s.Flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	s.Append(reading("p", 1))
	before := s.Stats().Commits
	c := store.Commit{Docs: []store.Doc{{Bucket: store.BucketNotes, Key: "k", Value: []byte("v")}}, State: []byte("state")}
	if err := s.Write(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	st := s.Stats()
	v, err := s.Get(store.BucketNotes, "k")
	state, serr := s.State()
	if st.Commits != before+2 || st.Unwritten != 0 || string(v) != "v" || string(state) != "state" || err != nil || serr != nil {
		t.Errorf("%d commits, %d readings not written, %q, %q: %v, %v", st.Commits-before, st.Unwritten, v, state, err, serr)
	}
	if err := s.Write(t.Context(), store.Commit{Docs: []store.Doc{{Key: "k"}}}); err == nil {
		t.Error("a document of no kind was taken")
	}
}
