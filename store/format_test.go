package store

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dewline/sensors"
)

// oldRoom makes the readings inside testdata/record-1.gz, from whole numbers alone so
// that every machine makes the same: a fast probe, one in steps of a tenth, and a slow
// one with a gap and without humidity at times.
func oldRoom(yield func(sensors.Reading)) {
	seed := uint32(2463534242)
	noise := func(span int32) int32 { // Marsaglia's xorshift, J. Stat. Softw. 8 (14), 2003
		seed ^= seed << 13
		seed ^= seed >> 17
		seed ^= seed << 5
		return int32(seed%uint32(2*span+1)) - span
	}
	temp, hum := int32(2310), int32(8120)
	begun := time.Date(2026, 3, 4, 20, 0, 0, 0, time.UTC)
	for sec := int32(0); sec < 57*3600; sec += 10 {
		temp, hum = temp+noise(3)+(2400-temp)/200, hum+noise(12)+(8000-hum)/100
		at := sensors.Instant{Mono: time.Duration(sec) * time.Second, Wall: begun.Add(time.Duration(sec) * time.Second), Synced: true}
		show := func(id sensors.ProbeID, step int32, has sensors.Quantities) {
			raw := sensors.Sample{Has: has, Temperature: sensors.CentiCelsius(temp / step * step)}
			r := sensors.Reading{Probe: id, At: at, Has: has, Quality: sensors.Good, Temperature: raw.Temperature - 15}
			if has&sensors.HasHumidity != 0 {
				raw.Humidity = sensors.CentiPercent(hum / step * step)
				r.Humidity = raw.Humidity + 40
			}
			r.Raw = raw
			yield(r)
		}
		const both = sensors.HasTemperature | sensors.HasHumidity
		if sec < 31*3600 {
			show("fast", 1, both)
		}
		if sec%60 == 0 {
			show("tenths", 10, both)
		}
		if h := sec / 3600; sec%300 == 0 && (h < 20 || h > 26) {
			has := both
			if h%9 == 4 {
				has = sensors.HasTemperature
			}
			show("slow", 1, has)
		}
	}
}

// TestOldRecordStays opens a record that a build before this one wrote, with days, hours and
// an open hour: what is on a card must stay readable, readings and rollups alike,
// also after its hours have become days. The sum is of the rollups as that build read them.
func TestOldRecordStays(t *testing.T) {
	f, err := os.Open("testdata/record-1.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	dir := memDir(t)
	if err := os.WriteFile(filepath.Join(dir, FileName), b, 0o600); err != nil {
		t.Fatal(err)
	}
	want := map[sensors.ProbeID][]sensors.Reading{}
	oldRoom(func(r sensors.Reading) { want[r.Probe] = append(want[r.Probe], r) })
	s, rep := open(t, dir)
	if rep.Damage != nil || !rep.Migrated {
		t.Fatalf("%+v", rep)
	}
	check := func() {
		t.Helper()
		var all bytes.Buffer
		for _, p := range []sensors.ProbeID{"fast", "tenths", "slow"} {
			compare(t, readAll(t, s, p, time.Time{}, farFuture), want[p])
			for _, level := range []Level{TenMinutes, Hour} {
				// To the end of the hours sealed: what is open is summed up by limits of now.
				for _, r := range rollupsOf(t, s, p, level, time.Time{}, time.Date(2026, 3, 7, 4, 0, 0, 0, time.UTC)) {
					fmt.Fprintf(&all, "%+v\n", r)
				}
			}
		}
		if got := crc32.ChecksumIEEE(all.Bytes()); got != 0x19e8d84c {
			t.Errorf("the rollups sum up to %#x", got)
		}
	}
	check()
	r := newRoom(3, 1) // goes on until the hours of the old build are a day
	r.probes[0], r.at = "later", sensors.Instant{Mono: 80 * time.Hour, Wall: start.Add(80 * time.Hour), Synced: true}
	fill(t, s, r, 26*time.Hour)
	check()
}
