package store

import (
	"fmt"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
)

// plainReading is one of a temperature alone.
func plainReading(p sensors.ProbeID, at time.Duration, v int) sensors.Reading {
	raw := sensors.Sample{Has: sensors.HasTemperature, Temperature: sensors.CentiCelsius(v)}
	return sensors.Reading{Probe: p, At: sensors.Instant{Mono: at, Wall: start.Truncate(24 * time.Hour).Add(at), Synced: true},
		Has: raw.Has, Raw: raw, Temperature: raw.Temperature, Quality: sensors.Good}
}

// A room in which every clock runs backwards loses no reading by a restart: what is in the
// open hour is older than what was sealed.
func TestAllRunBackwards(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	s.db.NoSync = true
	const n = 500
	for i := range n {
		s.Append(plainReading("back", 10*time.Hour-time.Duration(i)*10*time.Second, 2200+i%50))
		if i%18 == 17 {
			if err := s.Flush(ctx, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	if got := len(readAll(t, s, "back", time.Time{}, farFuture)); got != n {
		t.Errorf("%d readings, want %d", got, n)
	}
}

// A flush seals all hours that are over, however many: readings that come in faster than
// hours are sealed would be lost in the end.
func TestAllOverIsSealed(t *testing.T) {
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	for i := range 24 * 200 {
		s.Append(plainReading("slow", time.Duration(i)*time.Hour, 2200+i%50))
	}
	if err := s.Flush(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if held := s.Stats().OpenReadings; held > 48 {
		t.Errorf("%d readings of hours that are over are open", held)
	}
}

// A probe that is polled more or less often from some day on has the hours before and after
// covered as they were, also when their days are joined.
func TestPollChanges(t *testing.T) {
	for _, c := range [][2]time.Duration{{5 * time.Minute, time.Minute}, {time.Minute, 5 * time.Minute}, {10 * time.Second, 5 * time.Minute}} {
		s, _ := open(t, memDir(t))
		s.db.NoSync = true
		const change, end = 30 * time.Hour, 6 * 24 * time.Hour
		every := c[0]
		for at, n := time.Duration(0), 0; at < end; at += every {
			if at >= change {
				every = c[1]
			}
			s.Append(plainReading("p", at, 2200+n%7))
			if n++; n%20 == 0 {
				if err := s.Flush(ctx, nil); err != nil {
					t.Fatal(err)
				}
			}
		}
		for _, r := range rollupsOf(t, s, "p", Hour, time.Time{}, start.Truncate(24*time.Hour).Add(end-time.Hour)) {
			if r.Covered < 55*time.Minute {
				t.Errorf("%v, then %v: the hour from %v has %d readings and %v covered", c[0], c[1], r.Start, r.Count, r.Covered)
			}
		}
	}
}

// A bundle whose name is damaged has its name inside as well: it comes back, its sums count
// once, and a query without ends does not go through all times.
func TestDamagedName(t *testing.T) {
	for _, root := range []string{rootRaw, rootTable} {
		dir := memDir(t)
		s, _ := open(t, dir)
		s.db.NoSync = true
		for i := range 3 * 360 {
			s.Append(plainReading("p", time.Duration(i)*10*time.Second, 2200+i%50))
			if i%18 == 17 {
				if err := s.Flush(ctx, nil); err != nil {
					t.Fatal(err)
				}
			}
		}
		before := fmt.Sprint(rollupsOf(t, s, "p", Hour, time.Time{}, farFuture))
		err := s.update(func(tx *bolt.Tx) error {
			name, _ := tx.Bucket([]byte(root)).Cursor().First()
			value := append([]byte{}, bucketValue(tx.Bucket([]byte(root)).Bucket(name))...)
			bad := append([]byte{}, name...)
			bad[12] ^= 0x40
			if err := dropBundle(tx, root, name); err != nil {
				return err
			}
			return putBundle(tx, root, bad, value)
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Close(ctx); err != nil {
			t.Fatal(err)
		}
		s, _ = open(t, dir)
		if _, err := s.Regain(ctx); err != nil {
			t.Fatal(err)
		}
		if got := len(readAll(t, s, "p", time.Time{}, farFuture)); got != 3*360 {
			t.Errorf("%s: %d readings", root, got)
		}
		if after := fmt.Sprint(rollupsOf(t, s, "p", Hour, time.Time{}, farFuture)); after != before {
			t.Errorf("%s: rollups are\n%s, want\n%s", root, after, before)
		}
	}
}
