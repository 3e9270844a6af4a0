package sensors

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

func TestPollBackOffSparesTheOthersAndRetriesEveryMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		never := func(int) time.Duration { return time.Hour }
		var probes []BusProbe
		var dead []*scripted
		busy := new(sync.Mutex)
		for i := range 24 {
			d := &scripted{takes: never, busy: busy}
			dead = append(dead, d)
			probes = append(probes, BusProbe{ID: ProbeID(fmt.Sprintf("dead-%d", i)), Sampler: d})
		}
		probes = append(probes, BusProbe{ID: "good", Sampler: &scripted{busy: busy}})
		_, s := pollFor(t, 20*time.Minute, Bus{"i2c", probes})
		_, when := s.of("good")
		// 24 probes that never answered: two take 2 s, the others one.
		if first := when[0].Sub(dead[0].tries[0]); first > 27*time.Second {
			t.Errorf("the first good reading came after %s", first)
		}
		for i := 2; i < len(when); i++ {
			if gap := when[i].Sub(when[i-1]); gap > 10*time.Second+DefaultBudget+grace+15*time.Millisecond {
				t.Fatalf("the good probe went unread for %s", gap)
			}
		}
		if len(when) < 115 {
			t.Errorf("the good probe was read %d times in 20 min", len(when))
		}
		for i, d := range dead {
			for k := 1; k < len(d.tries); k++ {
				if gap := d.tries[k].Sub(d.tries[k-1]); gap > 72*time.Second {
					t.Fatalf("dead-%d was left alone for %s", i, gap)
				}
			}
			if n := len(d.tries); n > 40 {
				t.Errorf("dead-%d was tried %d times in 20 min: no back-off", i, n)
			}
		}
	})
}

// A probe that hangs every time it is asked is one piece of news, until it has
// worked again.
func TestPollTellsOnceOfAProbeThatKeepsHanging(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		takes := func(n int) time.Duration {
			if n == 12 {
				return 15 * time.Millisecond
			}
			return 3 * time.Second
		}
		log := new(bytes.Buffer)
		p, err := NewPoller([]Bus{{"w1", []BusProbe{{ID: "x", Sampler: &scripted{takes: takes, deaf: true}}}}}, PollOptions{
			Now: NewClock(0, nil).Now, Sink: new(sink).take, Log: slog.New(slog.NewTextHandler(log, nil)),
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		p.Run(ctx)
		held, again := strings.Count(log.String(), "holds its bus"), strings.Count(log.String(), "answers again")
		if c := p.Probes()[0]; held != 2 || again != 2 || c.Late < 50 {
			t.Errorf("told %d times that it hangs and %d times that it answers, of %d", held, again, c.Late)
		}
		time.Sleep(time.Minute) // lets the last call end
	})
}

func TestPollManyFailuresAtOnceDelayAGoodProbeByLessThanARound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dies := func(n int) time.Duration {
			if n < 5 {
				return 15 * time.Millisecond
			}
			return time.Hour
		}
		var probes []BusProbe
		for i := range 20 {
			probes = append(probes, BusProbe{ID: ProbeID(fmt.Sprint(i)), Sampler: &scripted{takes: dies}})
		}
		probes = append(probes, BusProbe{ID: "good", Sampler: &scripted{}})
		_, s := pollFor(t, 5*time.Minute, Bus{"i2c", probes})
		_, when := s.of("good")
		for i := 1; i < len(when); i++ {
			if gap := when[i].Sub(when[i-1]); gap > 20*time.Second {
				t.Errorf("the good probe went unread for %s", gap)
			}
		}
	})
}

func TestPollRetriesWithinAMinuteOnAQuietBus(t *testing.T) {
	for _, every := range []time.Duration{5 * time.Second, 10 * time.Second, 25 * time.Second, 2 * time.Minute} {
		synctest.Test(t, func(t *testing.T) {
			dead := &scripted{takes: func(int) time.Duration { return time.Hour }}
			p, err := NewPoller([]Bus{{"w1", []BusProbe{{ID: "x", Sampler: dead}}}},
				PollOptions{Every: every, Now: NewClock(0, nil).Now, Sink: func(Reading) {}})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Minute)
			defer cancel()
			p.Run(ctx)
			for k := 1; k < len(dead.tries); k++ {
				if gap := dead.tries[k].Sub(dead.tries[k-1]); gap > max(time.Minute, every) {
					t.Fatalf("every %s: left alone for %s", every, gap)
				}
			}
			if len(dead.tries) < 15 {
				t.Errorf("every %s: tried %d times in 30 min", every, len(dead.tries))
			}
		})
	}
}

// A budget longer than the grid never fits before the next grid point.
func TestPollProbeThatNeverFitsIsStillRetried(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dead := &scripted{takes: func(int) time.Duration { return time.Hour }}
		pollFor(t, 20*time.Minute, Bus{"i2c", []BusProbe{
			{ID: "x", Budget: 15 * time.Second, Sampler: dead}, {ID: "good", Sampler: &scripted{}}}})
		for k := 1; k < len(dead.tries); k++ {
			if gap := dead.tries[k].Sub(dead.tries[k-1]); gap > 75*time.Second {
				t.Fatalf("left alone for %s", gap)
			}
		}
		if len(dead.tries) < 16 {
			t.Errorf("tried %d times in 20 min", len(dead.tries))
		}
	})
}

// Random buses with random faults: every reading belongs to a grid point, no
// probe gets two for one, a probe that works is read in every round or the
// next, and nothing accepted as good comes from a failed call. 10,000 schedules
// with DEWLINE_LONG=1.
func TestPollRandomFaultSchedules(t *testing.T) {
	schedules := uint64(150)
	if os.Getenv("DEWLINE_LONG") != "" {
		schedules = 10_000
	}
	for seed := range schedules {
		synctest.Test(t, func(t *testing.T) { randomSchedule(t, seed) })
	}
}

func randomSchedule(t *testing.T, seed uint64) {
	rnd := rand.New(rand.NewPCG(seed, 1))
	busy := new(sync.Mutex)
	var probes []BusProbe
	var all []*scripted
	for i := range 8 {
		p := &scripted{busy: busy}
		if i >= 3 { // the first three always work
			p.breakAtRandom(rnd)
		}
		all = append(all, p)
		probes = append(probes, BusProbe{ID: ProbeID(fmt.Sprint(i)), Sampler: p})
	}
	rnd.Shuffle(len(probes), func(i, k int) { probes[i], probes[k] = probes[k], probes[i] })
	_, s := pollFor(t, 10*time.Minute, Bus{"i2c", probes})
	for i, p := range all {
		rs, when := s.of(ProbeID(fmt.Sprint(i)))
		if good := count(rs, Good); good != p.worked {
			t.Fatalf("seed %d probe %d: %d good readings of %d calls that worked", seed, i, good, p.worked)
		}
		for k := 1; k < len(rs); k++ {
			if rs[k].At.Mono <= rs[k-1].At.Mono {
				t.Fatalf("seed %d probe %d: stamps %s, %s", seed, i, rs[k-1].At.Mono, rs[k].At.Mono)
			}
			if i < 3 && when[k].Sub(when[k-1]) > 20*time.Second {
				t.Fatalf("seed %d: good probe %d delayed to %s", seed, i, when[k].Sub(when[k-1]))
			}
		}
		if last := rs[len(rs)-1]; i < 3 && (last.Quality != Good || len(rs) < 55) {
			t.Fatalf("seed %d: good probe %d ends %s after %d readings", seed, i, last.Quality, len(rs))
		}
	}
}

// breakAtRandom makes the probe fail, at once or slowly, for a stretch of calls.
func (p *scripted) breakAtRandom(rnd *rand.Rand) {
	from, to := rnd.IntN(20), rnd.IntN(40)
	deaf, quick := rnd.IntN(3) == 0, rnd.IntN(2) == 0
	broken := func(n int) bool { return from <= n && n <= to }
	p.deaf = deaf
	p.takes = func(n int) time.Duration {
		switch {
		case !broken(n):
			return 15 * time.Millisecond
		case deaf:
			return 1500 * time.Millisecond
		}
		return time.Hour
	}
	p.fails = func(n int) error {
		if broken(n) && (quick || deaf) {
			return errors.New("remote I/O error")
		}
		return nil
	}
}
