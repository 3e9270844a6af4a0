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
	"dewline/sensors/simroom"
	"dewline/store"
)

// yearRoom is a room of 48 enclosures with a probe each, polled every 10 s. It
// begins two minutes past the hour, so that what is written once an hour is an hour
// that is over and a little of the next.
func yearRoom() simroom.Options {
	o := simroom.Options{
		Seed: 48, Start: time.Date(2026, 1, 1, 0, 2, 0, 0, time.UTC),
		Lamps: []simroom.Lamps{{ID: "lamps", On: configs.ClockSpan{From: 8 * 60, To: 20 * 60}}},
		Mists: []simroom.Mist{{ID: "mist", Supply: "pump", Times: []configs.ClockTime{8*60 + 30, 18*60 + 30}}},
	}
	for i := range 48 {
		id := fmt.Sprintf("tank%02d", i)
		o.Enclosures = append(o.Enclosures, simroom.Enclosure{
			ID: id, Rack: "rack", Shelf: 1 + i/12, Slot: 1 + i%12, Lamps: "lamps", Mist: "mist", AirChanges: 4,
		})
		o.Probes = append(o.Probes, simroom.Probe{ID: sensors.ProbeID(id + "-litter"), Enclosure: id, Place: configs.Litter})
	}
	return o
}

// simulate sends the judged readings of one poll after another, an hour of them
// at a time, as a replay's read-ahead does, and closes out at the end.
func simulate(ctx context.Context, o simroom.Options, days int, out chan<- []sensors.Reading) error {
	defer close(out)
	room, err := simroom.New(o)
	if err != nil {
		return err
	}
	judges := make([]*sensors.Judge, len(o.Probes))
	for i, p := range o.Probes {
		judges[i] = sensors.NewJudge(p.ID, simroom.Family)
	}
	const polls = 360
	for hour := range days * 24 {
		some := make([]sensors.Reading, 0, polls*len(judges))
		for poll := range polls {
			mono := time.Duration(hour*polls+poll) * 10 * time.Second
			at := sensors.Instant{Mono: mono, Wall: o.Start.Add(mono), Synced: true}
			room.AdvanceTo(at.Wall)
			for i, p := range o.Probes {
				sample, err := room.Sample(p.ID)
				some = append(some, judges[i].Read(at, sample, err))
			}
		}
		select {
		case out <- some:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

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
// rules and into a record, and reads them back. One day by default, a year
// with DEWLINE_LONG=1 or as many as DEWLINE_YEAR_DAYS says:
//
//	DEWLINE_LONG=1 go test -run YearThroughRules -v ./store
//
// The goal is a year within 60 s on two cores. Other work on the machine makes
// the clock run on, so what is asserted is the processor time of two cores in
// that time. What making the readings takes by itself is measured first and does not
// count: a replay has them already.
func TestYearThroughRulesAndStore(t *testing.T) {
	days := 1
	if os.Getenv("DEWLINE_LONG") != "" {
		days = 365
	}
	if n, err := strconv.Atoi(os.Getenv("DEWLINE_YEAR_DAYS")); err == nil {
		days = n
	}
	o := yearRoom()
	cfg, err := configs.Decode("simulated", o.TOML())
	if err != nil {
		t.Fatal(err)
	}
	s, _, err := store.Open(t.Context(), store.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	engine := rules.New(cfg)
	making := simulationTime(t, o, min(days, 10)) * time.Duration(days) / time.Duration(min(days, 10))
	hours, done := make(chan []sensors.Reading, 2), make(chan error, 1)
	began, cpu := time.Now(), cpuTime(t)
	go func() { done <- simulate(t.Context(), o, days, hours) }()
	transitions := 0
	for some := range hours {
		for i, r := range some {
			if i%len(o.Probes) == 0 {
				transitions += len(engine.Tick(r.At))
			}
			transitions += len(engine.Step(r))
			s.Append(r)
		}
		if err := s.Flush(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	took, used := time.Since(began), cpuTime(t)-cpu-making
	st := s.Stats()
	readings := days * 8640 * len(o.Probes)
	t.Logf("%d days, %d readings, %d transitions: %v, %v of processor time beside %v for the simulation; %.3f bytes a reading; a year at this rate %.1f s, %.1f s of processor time",
		days, readings, transitions, took.Round(time.Millisecond), used.Round(time.Millisecond), making.Round(time.Millisecond), float64(st.FileBytes)/float64(readings),
		took.Seconds()*365/float64(days), used.Seconds()*365/float64(days))
	if most := 2 * time.Minute; days == 365 && used > most {
		t.Errorf("a year took %v of processor time, and two cores have %v in a minute", used, most)
	}
	if st.Lost != 0 || st.Unwritten != 0 {
		t.Errorf("%d readings lost, %d not written", st.Lost, st.Unwritten)
	}
	for _, p := range []sensors.ProbeID{o.Probes[0].ID, o.Probes[47].ID} {
		countBack(t, s, p, o.Start, days)
	}
	if err := s.Close(context.Background()); err != nil {
		t.Error(err)
	}
}

// simulationTime is the processor time that days of readings take to make.
func simulationTime(t *testing.T, o simroom.Options, days int) time.Duration {
	t.Helper()
	before := cpuTime(t)
	hours, done := make(chan []sensors.Reading, 2), make(chan error, 1)
	go func() { done <- simulate(t.Context(), o, days, hours) }()
	for range hours {
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	return cpuTime(t) - before
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
