package sensors

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
)

// A scripted probe takes a time for each reading, and may fail or hang.
type scripted struct {
	takes func(n int) time.Duration // nil is 15 ms, an SHT3x at high repeatability (data sheet v7)
	fails func(n int) error
	deaf  bool // does not mind its context, as a blocked kernel call
	hang  chan struct{}
	hangs func(n int) bool

	busy *sync.Mutex // the bus: held by one call only

	mu     sync.Mutex
	tries  []time.Time
	worked int // calls that brought a sample in time
}

func (p *scripted) Sample(ctx context.Context) (Sample, error) {
	if p.busy != nil {
		if !p.busy.TryLock() {
			panic("two calls at once on one bus")
		}
		defer p.busy.Unlock()
	}
	p.mu.Lock()
	n := len(p.tries)
	p.tries = append(p.tries, time.Now())
	p.mu.Unlock()
	if p.hangs != nil && p.hangs(n) {
		<-p.hang
	}
	takes := 15 * time.Millisecond
	if p.takes != nil {
		takes = p.takes(n)
	}
	var done <-chan struct{}
	if !p.deaf {
		done = ctx.Done()
	}
	select {
	case <-time.After(takes):
	case <-done:
		return Sample{}, ctx.Err()
	}
	if p.fails != nil {
		if err := p.fails(n); err != nil {
			return Sample{}, err
		}
	}
	if ctx.Err() == nil {
		p.worked++
	}
	return both(2400+CentiCelsius(n%3), 8500), nil
}

func count(rs []Reading, q Quality) (n int) {
	for _, r := range rs {
		if r.Quality == q {
			n++
		}
	}
	return n
}

// A sink collects readings of several buses.
type sink struct {
	mu   sync.Mutex
	got  []Reading
	when []time.Time
}

func (s *sink) take(r Reading) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.got = append(s.got, r)
	s.when = append(s.when, time.Now())
}

func (s *sink) of(id ProbeID) (rs []Reading, when []time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, r := range s.got {
		if r.Probe == id {
			rs, when = append(rs, r), append(when, s.when[i])
		}
	}
	return rs, when
}

// pollFor runs buses for a while and stops them.
func pollFor(t *testing.T, d time.Duration, buses ...Bus) (*Poller, *sink) {
	t.Helper()
	s := new(sink)
	p, err := NewPoller(buses, PollOptions{Now: NewClock(3*time.Second, nil).Now, Sink: s.take})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	p.Run(ctx)
	return p, s
}

func TestPollStampsFallOnOneGrid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := func(int) time.Duration { return 700 * time.Millisecond }
		_, s := pollFor(t, 61*time.Second,
			Bus{"i2c", []BusProbe{{ID: "a", Family: "sht4x", Sampler: &scripted{}}, {ID: "b", Family: "sht4x", Sampler: &scripted{takes: slow}}}},
			Bus{"w1", []BusProbe{{ID: "c", Sampler: &scripted{takes: slow}}}})
		// The clock starts at 3 s: one round at once, then the tens.
		want := []time.Duration{3, 10, 20, 30, 40, 50, 60}
		for _, id := range []ProbeID{"a", "b", "c"} {
			var got []time.Duration
			rs, _ := s.of(id)
			for i, r := range rs {
				got = append(got, r.At.Mono/time.Second)
				if r.Quality != Good {
					t.Errorf("probe %s: %s %s", id, r.Quality, r.Reason)
				}
				if i > 1 && r.At.Wall.Sub(rs[i-1].At.Wall) != 10*time.Second {
					t.Errorf("probe %s: wall stamps %s and %s", id, rs[i-1].At.Wall, r.At.Wall)
				}
			}
			if !slices.Equal(got, want) {
				t.Errorf("probe %s stamped at %d s, want %d", id, got, want)
			}
		}
	})
}

func TestPollHungCallIsReportedForItsBusOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		hung := &scripted{hang: release, hangs: func(n int) bool { return n == 2 }}
		s := new(sink)
		clock := NewClock(0, nil)
		p, err := NewPoller([]Bus{
			{"i2c-1", []BusProbe{{ID: "before", Sampler: &scripted{}}, {ID: "stuck", Sampler: hung}, {ID: "after", Sampler: &scripted{}}}},
			{"i2c-2", []BusProbe{{ID: "other", Sampler: &scripted{}}}},
		}, PollOptions{Now: clock.Now, Sink: s.take})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { p.Run(ctx); close(done) }()

		<-time.After(45 * time.Second) // hung since the round at 20 s
		if b := p.Buses()[0]; b.Hung != "stuck" || b.HungSince.Mono != 22*time.Second+15*time.Millisecond+grace {
			t.Errorf("bus says %q hangs since %s", b.Hung, b.HungSince.Mono)
		}
		for id, want := range map[ProbeID][]Reason{
			"before": {0, 0, 0, TimedOut, TimedOut},
			"stuck":  {0, 0, TimedOut, TimedOut, TimedOut},
			"after":  {0, 0, TimedOut, TimedOut, TimedOut},
			"other":  {0, 0, 0, 0, 0},
		} {
			if got := reasons(s, id); !slices.Equal(got, want) {
				t.Errorf("probe %s: %v, want %v", id, got, want)
			}
		}
		close(release)
		<-time.After(10 * time.Second)
		for _, id := range []ProbeID{"before", "after", "stuck"} {
			if got := reasons(s, id); got[len(got)-1] != NoReason {
				t.Errorf("probe %s still %s after the call came back", id, got[len(got)-1])
			}
		}
		if c := p.Probes()[1]; c.Late != 1 || p.Buses()[0].Hung != "" || c.Failures != 0 {
			t.Errorf("late calls %d, hung %q, failures %d", c.Late, p.Buses()[0].Hung, c.Failures)
		}
		cancel()
		<-done
	})
}

func reasons(s *sink, id ProbeID) []Reason {
	rs, _ := s.of(id)
	var all []Reason
	for _, r := range rs {
		all = append(all, r.Reason)
	}
	return all
}

func TestPollRunEndsAlthoughACallHangs(t *testing.T) {
	defer goleak.VerifyNone(t)
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		p, s := pollFor(t, 30*time.Second, Bus{"w1", []BusProbe{
			{ID: "stuck", Sampler: &scripted{hang: release, hangs: func(int) bool { return true }}}}})
		if got := reasons(s, "stuck"); len(got) != 4 {
			t.Errorf("%d readings in 30 s, want 4", len(got))
		}
		if p.Probes()[0].ByReason[TimedOut] != 4 {
			t.Errorf("counts %+v", p.Probes()[0])
		}
		close(release) // the kernel lets go: the worker ends, which goleak checks
	})
}

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

func TestPollQuickFailureIsRetriedEveryRound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		nak := &scripted{
			takes: func(int) time.Duration { return time.Millisecond },
			fails: func(n int) error {
				if n < 5 {
					return Faultf(BadCRC, "checksum")
				}
				return nil
			},
		}
		p, s := pollFor(t, 65*time.Second, Bus{"i2c", []BusProbe{{ID: "x", Sampler: nak}}})
		want := []Reason{BadCRC, BadCRC, BadCRC, BadCRC, BadCRC, 0, 0}
		if got := reasons(s, "x"); !slices.Equal(got, want) {
			t.Errorf("got %v, want %v", got, want)
		}
		c := p.Probes()[0]
		if c.ByReason[BadCRC] != 5 || c.Bad != 5 || c.Good != 2 || c.Readings != 7 || c.Failures != 0 || c.LastError != "" {
			t.Errorf("counts %+v", c)
		}
	})
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

func TestPollHandsAProbesPastToItsJudge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		past := Ageing{Soaked: 10 * time.Hour, Last: 2 * time.Second, Begun: true} // the clock resumes at 3 s
		same := &scripted{takes: func(int) time.Duration { return 0 }}
		p, s := pollFor(t, 5*time.Minute, Bus{"i2c", []BusProbe{
			{ID: "x", Family: "sht4x", Sampler: same, Ageing: past},
			{ID: "still", Family: "sht4x", Sampler: frozenProbe{}, FrozenAfter: time.Minute}}})
		if got := p.Ageing()["x"].Soaked; got < past.Soaked+4*time.Minute || got > past.Soaked+6*time.Minute {
			t.Errorf("soaked %s after 5 min more", got)
		}
		got := reasons(s, "still")
		if n := slices.Index(got, FrozenValue); n != 7 { // stamped 3, 10, 20, 30, 40, 50, 60 and 70 s
			t.Errorf("frozen from reading %d on, want 7", n)
		}
	})
}

type frozenProbe struct{}

func (frozenProbe) Sample(context.Context) (Sample, error) { return climate(24, 85), nil }

func TestPollDriverPanicIsAFaultOfItsProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, s := pollFor(t, 15*time.Second, Bus{"i2c", []BusProbe{
			{ID: "broken", Sampler: &scripted{fails: func(int) error { panic("index out of range") }}},
			{ID: "good", Sampler: &scripted{}},
		}})
		if got := reasons(s, "broken"); !slices.Equal(got, []Reason{BusError, BusError}) {
			t.Errorf("broken: %v", got)
		}
		if got := reasons(s, "good"); !slices.Equal(got, []Reason{0, 0}) {
			t.Errorf("good: %v", got)
		}
		if e := p.Probes()[0].LastError; !strings.Contains(e, "index out of range") {
			t.Errorf("last error %q", e)
		}
	})
}

func TestPollSlowBusSkipsGridPointsAndCountsThem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := func(int) time.Duration { return 24 * time.Second }
		p, s := pollFor(t, 100*time.Second, Bus{"slow", []BusProbe{{ID: "x", Budget: time.Minute, Sampler: &scripted{takes: slow}}}})
		rs, when := s.of("x")
		var got []time.Duration
		for _, r := range rs {
			got = append(got, r.At.Mono/time.Second)
		}
		// Rounds begin at 3, 27, 51 and 75 s: at once, for the grid point passed last.
		if want := []time.Duration{3, 20, 50, 70}; !slices.Equal(got, want) || len(when) != 4 {
			t.Errorf("stamped at %d s, want %d", got, want)
		}
		if n := p.Buses()[0].Overruns; n != 5 { // 10, 30, 40, 60 and 80
			t.Errorf("%d overruns, want 5", n)
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
		synctest.Test(t, func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 1))
			busy := new(sync.Mutex)
			var probes []BusProbe
			var all []*scripted
			for i := range 8 {
				p := &scripted{busy: busy}
				if i >= 3 { // the first three always work
					from, to := rnd.IntN(20), rnd.IntN(40)
					deaf, quick := rnd.IntN(3) == 0, rnd.IntN(2) == 0
					p.takes = func(n int) time.Duration {
						switch {
						case n < from || n > to:
							return 15 * time.Millisecond
						case deaf:
							return 1500 * time.Millisecond
						}
						return time.Hour
					}
					p.deaf = deaf
					p.fails = func(n int) error {
						if n >= from && n <= to && (quick || deaf) {
							return errors.New("remote I/O error")
						}
						return nil
					}
				}
				all = append(all, p)
				probes = append(probes, BusProbe{ID: ProbeID(fmt.Sprint(i)), Sampler: p})
			}
			rnd.Shuffle(len(probes), func(i, k int) { probes[i], probes[k] = probes[k], probes[i] })
			_, s := pollFor(t, 10*time.Minute, Bus{"i2c", probes})
			for i := range 8 {
				rs, when := s.of(ProbeID(fmt.Sprint(i)))
				if good := count(rs, Good); good != all[i].worked {
					t.Fatalf("seed %d probe %d: %d good readings of %d calls that worked", seed, i, good, all[i].worked)
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
		})
	}
}

func TestNewPollerRefuses(t *testing.T) {
	ok := PollOptions{Now: NewClock(0, nil).Now, Sink: func(Reading) {}}
	x := BusProbe{ID: "x", Sampler: &scripted{}}
	for _, c := range []struct {
		name  string
		buses []Bus
		o     PollOptions
		want  string
	}{
		{"no clock", nil, PollOptions{Sink: ok.Sink}, "poller needs a clock and a sink"},
		{"no sink", nil, PollOptions{Now: ok.Now}, "poller needs a clock and a sink"},
		{"negative grid", nil, PollOptions{Now: ok.Now, Sink: ok.Sink, Every: -1}, "poll interval -1ns is negative"},
		{"no driver", []Bus{{"w1", []BusProbe{{ID: "x"}}}}, ok, "probe x on bus w1 has no driver"},
		{"twice", []Bus{{"a", []BusProbe{x}}, {"b", []BusProbe{x}}}, ok, "probe x on bus b is there twice"},
	} {
		if _, err := NewPoller(c.buses, c.o); err == nil || err.Error() != c.want {
			t.Errorf("%s: error %v, want %q", c.name, err, c.want)
		}
	}
}

func TestPollCorrectionsAndDewLimitTakeEffectWhileRunning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := new(sink)
		p, err := NewPoller([]Bus{{"i2c", []BusProbe{{ID: "x", Family: "sht4x", Sampler: &scripted{}}}}},
			PollOptions{Now: NewClock(0, nil).Now, Sink: s.take})
		if err != nil {
			t.Fatal(err)
		}
		set, err := NewCorrections([]Correction{{
			ID: "c1", Probe: "x", Quantity: Humidity, Made: time.Now(), From: time.Now(), Gain: 1, Offset: -3,
		}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 25*time.Second)
		defer cancel()
		go func() {
			<-time.After(15 * time.Second)
			p.Correct(set)
			// Dew point of 24 °C and 82 % is 20.7 °C (Magnus).
			if !p.LimitDewPoint("x", 1900) || p.LimitDewPoint("y", 1900) {
				t.Error("LimitDewPoint knows the wrong probes")
			}
		}()
		p.Run(ctx)
		rs, _ := s.of("x")
		if len(rs) != 3 || rs[1].Humidity != 8500 || rs[2].Humidity != 8200 || rs[2].Raw.Humidity != 8500 {
			t.Fatalf("readings %+v", rs)
		}
		if rs[2].Quality != Suspect || rs[2].Reason != DewTooHigh {
			t.Errorf("above the dew limit: %s %s", rs[2].Quality, rs[2].Reason)
		}
		if a := p.Ageing()["x"]; a.Soaked != 20*time.Second {
			t.Errorf("20 s at 85 %%RH counted as %s above 80 %%RH", a.Soaked)
		}
	})
}
