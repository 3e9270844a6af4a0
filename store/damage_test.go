package store

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"time"

	"dewline/rules/event"
	"dewline/sensors"
)

// rounds is how often a random test repeats: as usual, more with DEWLINE_LONG=1,
// and as often as its own variable says.
func rounds(t *testing.T, variable string, usual, long int) int {
	t.Helper()
	if v, err := strconv.Atoi(os.Getenv(variable)); err == nil {
		return v
	}
	if os.Getenv("DEWLINE_LONG") != "" {
		return long
	}
	return usual
}

// known is all that a test put on record, to tell a wrong value from a missing.
type known struct {
	readings map[sensors.ProbeID]map[time.Duration]sensors.Reading
	rollups  map[string]Rollup
	docs     map[string]string
	journal  []event.Event
}

// furnish puts a record with readings, documents and a journal into a folder: a copy of
// one that is made once, whose known nobody changes.
func furnish(t testing.TB, dir string) known {
	t.Helper()
	f := &furnished
	f.once.Do(func() { f.known, f.file = newlyFurnished(t) })
	if f.file == nil {
		t.Fatal("the test that was to make the record failed")
	}
	if err := errors.Join(os.MkdirAll(dir, 0o700), os.WriteFile(filepath.Join(dir, FileName), f.file, 0o600)); err != nil {
		t.Fatal(err)
	}
	return f.known
}

var furnished struct {
	once  sync.Once
	known known
	file  []byte
}

func newlyFurnished(t testing.TB) (known, []byte) {
	t.Helper()
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	k := known{readings: map[sensors.ProbeID]map[time.Duration]sensors.Reading{}, rollups: map[string]Rollup{}, docs: map[string]string{}}
	r := newRoom(4, 6)
	fill(t, s, r, 51*time.Hour+17*time.Minute)
	for i := range 60 {
		d := Doc{Bucket: Bucket(i%5 + 1), Key: fmt.Sprintf("doc-%d", i), Value: fmt.Appendf(nil, "value %d of %d", i, i*i)}
		k.docs[fmt.Sprint(d.Bucket, d.Key)] = string(d.Value)
		e := noted(sensors.Instant{Wall: start.Add(time.Duration(i) * time.Hour)}, fmt.Sprint(i))
		k.journal = append(k.journal, e)
		if err := s.Commit(Commit{Docs: []Doc{d}, Journal: []event.Event{e}, State: []byte("state")}); err != nil {
			t.Fatal(err)
		}
	}
	for _, p := range r.probes {
		k.readings[p] = map[time.Duration]sensors.Reading{}
		for _, x := range readAll(t, s, p, time.Time{}, farFuture) {
			k.readings[p][x.At.Mono] = x
		}
		for x, err := range s.Rollups(context.Background(), p, TenMinutes, time.Time{}, farFuture) {
			if err != nil {
				t.Fatal(err)
			}
			k.rollups[fmt.Sprint(p, x.Start)] = x
		}
	}
	if err := s.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(s.path)
	if err != nil {
		t.Fatal(err)
	}
	return k, b
}

var farFuture = start.AddDate(50, 0, 0)

// found is how much of the known a record still gives.
type found struct{ readings, rollups, docs, journal, errors int }

// sift reads all of a store and fails on any value that was never put there.
func (k known) sift(t *testing.T, s *Store) (f found) {
	t.Helper()
	ctx := context.Background()
	for p := range k.readings {
		for x, err := range s.Readings(ctx, p, time.Time{}, farFuture) {
			if err != nil {
				f.errors++
				continue
			}
			if want, ok := k.readings[p][x.At.Mono]; !ok || want != x {
				t.Fatalf("a reading that was never taken: %+v", x)
			}
			f.readings++
		}
		for x, err := range s.Rollups(ctx, p, TenMinutes, time.Time{}, farFuture) {
			if err != nil {
				f.errors++
				continue
			}
			want, ok := k.rollups[fmt.Sprint(p, x.Start)]
			if ok && want == x {
				f.rollups++
			} else if !ok || x.Count >= want.Count { // part of a span may be gone, no more
				t.Fatalf("a rollup that was never made:\n%+v, not\n%+v", x, want)
			}
		}
	}
	for b := BucketAlarms; b < bucketEnd; b++ {
		for d, err := range s.Docs(b) {
			if err != nil {
				f.errors++
				continue
			}
			if k.docs[fmt.Sprint(d.Bucket, d.Key)] != string(d.Value) {
				t.Fatalf("a document that was never committed: %+v", d)
			}
			f.docs++
		}
	}
	if state, err := s.State(); err != nil {
		f.errors++
	} else if state != nil && string(state) != "state" {
		t.Fatalf("a state that was never committed: %q", state)
	}
	for e, err := range s.Journal(time.Time{}, time.Time{}) {
		if err != nil {
			f.errors++
			continue
		}
		if b, ok := e.Body.(event.Record); ok && b.Act == "repair" && e.By == "robin" {
			continue
		}
		if e.Seq > 60 || k.journal[e.Seq-1].Text != e.Text {
			t.Fatalf("a journal entry that was never written: %+v", e)
		}
		f.journal++
	}
	return f
}

// TestDamage damages a file at random and asks for three things: no crash, no
// wrong value, and a store that works afterwards. DEWLINE_LONG=1 takes
// 400 files, DEWLINE_DAMAGE any number.
func TestDamage(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(memDir(t), "origin")
	k := furnish(t, dir)
	whole, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(11, 12))
	n := rounds(t, "DEWLINE_DAMAGE", 20, 400)
	var lost, aside int
	for i := range n {
		b, what := damage(rng, append([]byte(nil), whole...))
		f, rep := openDamaged(t, k, b, what, i%2 == 0)
		if rep.Quarantined != "" {
			aside++
		}
		total := 0
		for _, m := range k.readings {
			total += len(m)
		}
		if f.docs < 59 && rep.Quarantined == "" && f.errors == 0 {
			t.Errorf("%s: %d documents and no error", what, f.docs)
		}
		lost += total - f.readings
	}
	t.Logf("%d damaged files: %d moved aside, %.2f %% of readings lost on average", n, aside,
		100*float64(lost)/float64(n)/float64(len(k.readings)*len(k.readings["rack0-shelf0-litter0"])))
}

func damage(rng *rand.Rand, b []byte) ([]byte, string) {
	at := rng.IntN(len(b))
	page := at / pageSize * pageSize
	switch rng.IntN(5) {
	case 0:
		b[at] ^= 1 << rng.IntN(8)
		return b, fmt.Sprintf("bit of byte %d flipped", at)
	case 1:
		clear(b[page:min(page+pageSize, len(b))])
		return b, fmt.Sprintf("page %d zeroed", page/pageSize)
	case 2:
		return b[:at], fmt.Sprintf("cut to %d bytes", at)
	case 3:
		for i := range b[page:min(page+512, len(b))] {
			b[page+i] = byte(rng.Uint32())
		}
		return b, fmt.Sprintf("sector at %d is noise", page)
	default:
		other := rng.IntN(len(b)/pageSize) * pageSize
		copy(b[page:min(page+pageSize, len(b))], b[other:other+pageSize])
		return b, fmt.Sprintf("page %d holds page %d", page/pageSize, other/pageSize)
	}
}

func openDamaged(t *testing.T, k known, b []byte, what string, later bool) (found, Report) {
	t.Helper()
	dir, err := os.MkdirTemp(memDir(t), "")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	if err := os.WriteFile(filepath.Join(dir, FileName), b, 0o600); err != nil {
		t.Fatal(err)
	}
	var replaced Report
	s, rep, err := Open(context.Background(), Options{Dir: dir, CheckLater: later, Replaced: func(r Report) { replaced = r }})
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	defer s.Close(context.Background())
	f := k.sift(t, s)
	if err := s.Check(context.Background()); err != nil {
		t.Fatalf("%s: check: %v", what, err)
	}
	if replaced.Quarantined != "" {
		rep = replaced
	}
	if _, err := s.Regain(context.Background()); err != nil {
		t.Fatalf("%s: regain: %v", what, err)
	}
	if rep.Quarantined != "" {
		f = k.sift(t, s)
	}
	s.Append(sensors.Reading{Probe: "later", At: sensors.Instant{Mono: 90 * time.Hour, Wall: start.Add(90 * time.Hour)}})
	if err := s.Flush(context.Background(), nil); err != nil {
		t.Fatalf("%s: flush afterwards: %v", what, err)
	}
	if err := s.Commit(Commit{Docs: []Doc{{BucketAlarms, "after", []byte("x")}}}); err != nil {
		t.Fatalf("%s: commit afterwards: %v", what, err)
	}
	return f, rep
}
