package store

import (
	"context"
	"math/rand/v2"
	"os"
	"strconv"
	"syscall"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
	"dewline/store/block"
)

// longRecord makes a record of whole days as the daemon leaves them behind, a
// bundle a day, without the minutes in between.
func longRecord(tb testing.TB, dir string, probes, days int) (*Store, []sensors.ProbeID) {
	tb.Helper()
	s, _ := open(tb, dir)
	s.db.NoSync = true
	r := newRoom(1, probes)
	r.at.Wall = r.at.Wall.Truncate(24 * time.Hour)
	pool := make([][]block.Record, probes) // three days, to be told apart by a shift
	for range 3 * 8640 {
		for i, x := range r.next() {
			var rec block.Record
			pack(&rec, &x)
			rec.Mono, rec.Wall = rec.Mono/1000*1000, rec.Wall/1000*1000
			pool[i] = append(pool[i], rec)
		}
	}
	for _, p := range r.probes {
		s.mem.probe(p)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	for day := range days {
		parts := make([]takenSeries, probes)
		key := emptyKey(uint64(day+1), levelDay)
		for i := range pool {
			from := rng.IntN(3) * 8640
			recs := append([]block.Record(nil), pool[i][from:from+8640]...)
			for j := range recs {
				recs[j].Mono = int64(day)*dayMillis + int64(j)*10_000
				recs[j].Wall = recs[j].Mono + r.at.Wall.UnixMilli()
				key.cover(recs[j].Mono, recs[j].Wall)
			}
			parts[i] = takenSeries{p: &openProbe{id: r.probes[i]}, recs: recs}
		}
		h := &hour{key: key}
		if err := s.encodeHour(h, parts); err != nil {
			tb.Fatal(err)
		}
		if err := s.update(func(tx *bolt.Tx) error { return h.put(tx) }); err != nil {
			tb.Fatal(err)
		}
		s.mem.nextSeq = key.seq + 1
	}
	return s, r.probes
}

// benchDays is the length of the record in benchmarks: a quarter by default,
// DEWLINE_STORE_DAYS=365 for the figures given in reports.
func benchDays() int {
	if v, err := strconv.Atoi(os.Getenv("DEWLINE_STORE_DAYS")); err == nil {
		return v
	}
	return 90
}

func BenchmarkDayRaw(b *testing.B) {
	s, probes := longRecord(b, memDir(b), 48, 8)
	from := start.Truncate(24*time.Hour).AddDate(0, 0, 6) // the room ran three days to make the pool
	for b.Loop() {
		n := 0
		for _, err := range s.Readings(context.Background(), probes[20], from, from.AddDate(0, 0, 1)) {
			if err != nil {
				b.Fatal(err)
			}
			n++
		}
		if n != 8640 {
			b.Fatalf("%d readings", n)
		}
	}
}

// BenchmarkLast24Hours reads the 24 h up to now: at midnight, when the whole day
// is still in hours, and at half past four in the morning, when most of it is in
// the bundle of the day before, which is unpacked as a whole.
func BenchmarkLast24Hours(b *testing.B) {
	for name, filled := range map[string]time.Duration{"midnight": 42*time.Hour + 54*time.Minute, "morning": 47*time.Hour + 30*time.Minute} {
		b.Run(name, func(b *testing.B) {
			s, _ := open(b, memDir(b))
			s.db.NoSync = true
			r := newRoom(1, 48)
			fill(b, s, r, filled)
			end := r.at.Wall
			for b.Loop() {
				n := 0
				for _, err := range s.Readings(context.Background(), r.probes[20], end.Add(-24*time.Hour), end) {
					if err != nil {
						b.Fatal(err)
					}
					n++
				}
				if n != 8640 {
					b.Fatalf("%d readings", n)
				}
			}
		})
	}
}

func BenchmarkByHour(b *testing.B) {
	days := benchDays()
	s, probes := longRecord(b, memDir(b), 48, days)
	for b.Loop() {
		n := 0
		for _, err := range s.Rollups(context.Background(), probes[20], Hour, time.Time{}, farFuture) {
			if err != nil {
				b.Fatal(err)
			}
			n++
		}
		if n != days*24 {
			b.Fatalf("%d hours", n)
		}
	}
	b.ReportMetric(float64(days), "days")
}

// processorTime is what the process has used so far, in nanoseconds: other work on the
// machine does not count.
func processorTime(b *testing.B) int64 {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return u.Utime.Nano() + u.Stime.Nano()
}

// BenchmarkAllByHour asks for the hours of every probe, one after another, of rooms of
// 50 and of 200 probes: the time for one probe is to be the same.
func BenchmarkAllByHour(b *testing.B) {
	const days = 30
	for _, probes := range []int{50, 200} {
		b.Run(strconv.Itoa(probes), func(b *testing.B) {
			s, all := longRecord(b, memDir(b), probes, days)
			began := processorTime(b)
			for b.Loop() {
				n := 0
				for _, p := range all {
					for _, err := range s.Rollups(context.Background(), p, Hour, time.Time{}, farFuture) {
						if err != nil {
							b.Fatal(err)
						}
						n++
					}
				}
				if n != probes*days*24 {
					b.Fatalf("%d hours", n)
				}
			}
			b.ReportMetric(float64(processorTime(b)-began)/float64(b.N*probes), "cpu-ns/probe")
		})
	}
}

// BenchmarkOpen includes the check, which is never skipped.
func BenchmarkOpen(b *testing.B) {
	days := benchDays()
	dir := memDir(b)
	s, _ := longRecord(b, dir, 48, days)
	if err := s.Close(context.Background()); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		s, _, err := Open(context.Background(), Options{Dir: dir})
		if err != nil {
			b.Fatal(err)
		}
		if err := s.Close(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(days), "days")
}

func BenchmarkAppend(b *testing.B) {
	s, _ := open(b, memDir(b))
	s.db.NoSync = true
	r := newRoom(1, 48)
	polls := make([][]sensors.Reading, 360)
	for i := range polls {
		polls[i] = r.next()
	}
	at := time.Duration(0)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		x := polls[n/48%360][n%48]
		at += 10 * time.Second / 48
		x.At.Mono, x.At.Wall = at, start.Add(at)
		s.Append(x)
		if n++; n%288 == 0 {
			if err := s.Flush(context.Background(), nil); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// BenchmarkBulk is BenchmarkAppend with a flush an hour, as an import or a replay
// does it: nobody waits for its readings to be certain.
func BenchmarkBulk(b *testing.B) {
	s, _ := open(b, memDir(b))
	s.db.NoSync = true
	r := newRoom(1, 48)
	polls := make([][]sensors.Reading, 8640)
	for i := range polls {
		polls[i] = r.next()
	}
	at := time.Duration(0)
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		x := polls[n/48%len(polls)][n%48]
		if n%48 == 0 {
			at += 10 * time.Second
		}
		x.At.Mono, x.At.Wall = at, start.Add(at)
		s.Append(x)
		if n%(360*48) == 0 {
			if err := s.Flush(context.Background(), nil); err != nil {
				b.Fatal(err)
			}
		}
	}
}
