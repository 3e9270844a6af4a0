package store_test

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"syscall"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/sensors/sim"
	"dewline/sensors/table"
	"dewline/store"
)

// yearRoom is a room of so many enclosures with a probe each, polled every 10 s. It
// begins two minutes past the hour, so that what is written once an hour is an hour
// that is over and a little of the next.
func yearRoom(enclosures int) sim.Options {
	o := sim.Options{
		Seed: 48, Start: time.Date(2026, 1, 1, 0, 2, 0, 0, time.UTC),
		Lamps: []configs.Lamps{{ID: "lamps", On: configs.ClockSpan{From: 8 * 60, To: 20 * 60}}},
		Mists: []sim.Mist{{Mist: configs.Mist{ID: "mist", Supply: "pump", Times: []configs.ClockTime{8*60 + 30, 18*60 + 30}}}},
	}
	for i := range enclosures {
		id := fmt.Sprintf("tank%02d", i)
		o.Enclosures = append(o.Enclosures, sim.Enclosure{AirChanges: 4, Enclosure: configs.Enclosure{
			ID: id, Rack: "rack", Shelf: 1 + i/12, Slot: 1 + i%12, Lamps: "lamps", Mist: "mist",
		}})
		o.Probes = append(o.Probes, sim.Probe{ID: sensors.ProbeID(id + "-litter"), Enclosure: id, Place: configs.Litter})
	}
	return o
}

// polls is the number of polls in an hour, one every 10 s.
const polls = 360

// A tape holds what the probes of a room measured in some days, poll after poll, as
// pairs of hundredths of °C and of %RH.
type tape [][2]int16

// tapeRoom runs the room on for some days.
func tapeRoom(t *testing.T, room *sim.Room, o sim.Options, from, days int) tape {
	t.Helper()
	out := make(tape, 0, days*24*polls*len(o.Probes))
	for poll := range days * 24 * polls {
		room.Advance(o.Start.AddDate(0, 0, from).Add(time.Duration(poll) * 10 * time.Second).Sub(room.Now()))
		for _, p := range o.Probes {
			x, err := room.Sample(p.ID)
			if err != nil || x.Has != both {
				t.Fatalf("probe %s measured %+v: %v", p.ID, x, err)
			}
			out = append(out, [2]int16{int16(x.Temperature), int16(x.Humidity)})
		}
	}
	return out
}

// both is what the probes of the room measure.
const both = sensors.HasTemperature | sensors.HasHumidity

// cpuTime is what this process has used of all processors.
func cpuTime(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// TestYearThroughRulesAndStore replays simulated days of 48 probes through the
// rules and into a record, and reads them back. One day by default, a hundred of one
// shelf's 12 with DEWLINE_LONG=1, or of all as many as DEWLINE_YEAR_DAYS says:
//
//	DEWLINE_YEAR_DAYS=365 go test -run YearThroughRules -v ./store
//
// The goal is a year within 45 s of one core. The time is told and not asserted: the same
// code on the same machine was seen to take from 80 to 300 s of processor time, by what
// else it did. A replay has its readings already: they are simulated,
// ten days at a time, while neither clock runs.
func TestYearThroughRulesAndStore(t *testing.T) {
	days, enclosures := 1, 48
	if os.Getenv("DEWLINE_LONG") != "" {
		days, enclosures = 100, 12
	}
	if n, err := strconv.Atoi(os.Getenv("DEWLINE_YEAR_DAYS")); err == nil {
		days, enclosures = n, 48
	}
	o := yearRoom(enclosures)
	y := newYear(t, o)
	for day := 0; day < days; day += 10 {
		y.replay(t, day, tapeRoom(t, y.room, o, day, min(10, days-day)))
	}
	st := y.store.Stats()
	readings := days * 24 * polls * len(o.Probes)
	t.Logf("%d days, %d readings, %d transitions: %v, %v of processor time; %.3f bytes a reading; a year at this rate %.1f s, %.1f s of processor time",
		days, readings, y.transitions, y.took.Round(time.Millisecond), y.used.Round(time.Millisecond), float64(st.FileBytes)/float64(readings),
		y.took.Seconds()*365/float64(days), y.used.Seconds()*365/float64(days))
	if st.Lost != 0 || st.Unwritten != 0 {
		t.Errorf("%d readings lost, %d not written", st.Lost, st.Unwritten)
	}
	for _, p := range []sensors.ProbeID{o.Probes[0].ID, o.Probes[len(o.Probes)-1].ID} {
		countBack(t, y.store, p, o.Start, days)
	}
	if err := y.store.Close(context.Background()); err != nil {
		t.Error(err)
	}
}

// A year is what readings are replayed into, and what that took.
type year struct {
	options     sim.Options
	room        *sim.Room
	judges      []*sensors.Judge
	engine      *rules.Engine
	store       *store.Store
	transitions int
	took, used  time.Duration
}

func newYear(t *testing.T, o sim.Options) *year {
	t.Helper()
	cfg, err := table.Decode("simulated", o.TOML())
	if err != nil {
		t.Fatal(err)
	}
	room, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	s, _, err := store.Open(t.Context(), store.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	y := &year{options: o, room: room, engine: rules.New(cfg), store: s}
	for _, p := range o.Probes {
		y.judges = append(y.judges, table.NewJudge(p.ID, sim.Family))
	}
	return y
}

// replay judges a tape that begins at a day, and hands it to the rules and the store
// reading by reading, as the daemon does.
func (y *year) replay(t *testing.T, day int, some tape) {
	t.Helper()
	began, cpu := time.Now(), cpuTime(t)
	for poll := 0; len(some) > 0; poll++ {
		mono := time.Duration(day)*24*time.Hour + time.Duration(poll)*10*time.Second
		at := sensors.Instant{Mono: mono, Wall: y.options.Start.Add(mono), Synced: true}
		y.transitions += len(y.engine.Tick(at))
		for i, j := range y.judges {
			x := sensors.Sample{Has: both, Temperature: sensors.CentiCelsius(some[i][0]), Humidity: sensors.CentiPercent(some[i][1])}
			r := j.Read(at, x, nil)
			y.transitions += len(y.engine.Step(&r))
			y.store.Append(r)
		}
		some = some[len(y.judges):]
		if poll%polls == polls-1 {
			if err := y.store.Flush(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	y.took, y.used = y.took+time.Since(began), y.used+cpuTime(t)-cpu
}

// countBack asks for all readings and hours of a probe.
func countBack(t *testing.T, s *store.Store, p sensors.ProbeID, from time.Time, days int) {
	t.Helper()
	to := from.AddDate(0, 0, days)
	readings, hours := 0, 0
	for _, err := range s.Readings(t.Context(), p, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		readings++
	}
	for _, err := range s.Rollups(t.Context(), p, store.Hour, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		hours++
	}
	if readings != days*8640 || hours != days*24 { // by their start: the hour that was going on at the beginning is not among them
		t.Errorf("probe %s has %d readings and %d hours of %d days", p, readings, hours, days)
	}
}
