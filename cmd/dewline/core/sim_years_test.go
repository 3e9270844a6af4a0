package core

import (
	"fmt"
	"hash/fnv"
	"maps"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"dewline/rules/alarm"
)

// Simulated rack-years: twelve enclosures a room, polled every minute, with
// random faults of the room and its probes, channels that fail and stay away,
// answers, crashes, lost commits and steps of the clock, all from one seed,
// through the single-threaded core. The history must keep the six promises of
// the checkers, and a second actor with the same seed must ask for the same
// effects, to the last byte. Default: some days, of which the second actor lives a
// third. Twenty years, of which it lives a fifth:
//
//	DEWLINE_LONG=1 go test -timeout 30m -run SimulatedYears ./cmd/dewline/core
//
// All of it twice, or one room of a seed for so many days:
//
//	DEWLINE_LONG=1 DEWLINE_SIM_TWICE=365 go test -timeout 60m -run SimulatedYears ./cmd/dewline/core
//	DEWLINE_SIM_SEED=7 DEWLINE_SIM_DAYS=365 go test -run SimulatedYears ./cmd/dewline/core
func TestSimulatedYears(t *testing.T) {
	rooms, days, twice := 2, 5, 2
	if longChecks() {
		rooms, days, twice = 20, 365, 73
	}
	first := uint64(1)
	if n, err := strconv.ParseUint(os.Getenv("DEWLINE_SIM_SEED"), 10, 64); err == nil {
		first, rooms = n, 1
	}
	if n, err := strconv.Atoi(os.Getenv("DEWLINE_SIM_DAYS")); err == nil {
		days = n
	}
	if n, err := strconv.Atoi(os.Getenv("DEWLINE_SIM_TWICE")); err == nil {
		twice = n
	}
	sums := make([]uint64, rooms)
	t.Run("rooms", func(t *testing.T) {
		for i := range rooms {
			t.Run(fmt.Sprintf("seed %d", first+uint64(i)), func(t *testing.T) {
				t.Parallel()
				sums[i] = watchRoom(t, first+uint64(i), days, twice)
			})
		}
	})
	all := fnv.New64a()
	fmt.Fprint(all, sums)
	t.Logf("%.2f rack-years, %.2f of them twice; effects %016x",
		float64(rooms*days)/365, float64(rooms*min(days, twice))/365, all.Sum64())
}

// longChecks reports whether the checks that take minutes were asked for.
func longChecks() bool { return os.Getenv("DEWLINE_LONG") != "" }

// watchRoom simulates one room for some days, the first of them twice, and
// returns the hash of what the core did.
func watchRoom(t *testing.T, seed uint64, days, twice int) uint64 {
	w := newWorld(t, seed)
	a, b := newActor(w, seed), newActor(w, seed)
	for w.at < time.Duration(days)*24*time.Hour {
		w.round()
		a.round()
		if w.at > time.Duration(twice)*24*time.Hour {
			continue
		}
		b.round()
		if a.hash.Sum64() != b.hash.Sum64() {
			t.Fatalf("at %s two runs of one seed differ", w.at)
		}
	}
	history := append(a.log, simEvent{at: w.at, kind: evEnd})
	for _, name := range slices.Sorted(maps.Keys(checkers)) {
		for i, f := range checkers[name](history) {
			if i == 5 {
				t.Errorf("%s: and more", name)
				break
			}
			t.Errorf("%s: %s", name, f)
		}
	}
	t.Log(sumUp(history), a.restarts, "restarts")
	return a.hash.Sum64()
}

// sumUp counts what happened, to show that something did.
func sumUp(history []simEvent) string {
	var raised, wake, taken, acked, lethal, truly int
	for i := range history {
		switch e := &history[i]; e.kind {
		case evTransition:
			if e.to == alarm.Unack && e.from == alarm.Norm {
				raised++
				if e.priority == alarm.Wake {
					wake++
				}
				if e.key.Alarm == alarm.LethalLimit {
					lethal++
				}
			}
		case evTaken:
			taken++
		case evAcked:
			acked++
		case evTruth:
			if e.on {
				truly++
			}
		}
	}
	return fmt.Sprintf("%d alarms, %d of them wake, %d at the ceiling (%d true crossings); %d messages, %d acknowledged;",
		raised, wake, lethal, truly, taken, acked)
}
