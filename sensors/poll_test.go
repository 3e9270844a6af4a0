package sensors

import (
	"context"
	"log/slog"
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
	return Zeros(2400+CentiCelsius(n%3), 8500), nil
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
			Bus{"i2c", []BusProbe{{ID: "a", Limits: limitsOf("sht4x"), Sampler: &scripted{}}, {ID: "b", Limits: limitsOf("sht4x"), Sampler: &scripted{takes: slow}}}},
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
		if b := p.Buses()[0]; b.Hung != "stuck" {
			t.Errorf("bus says %q hangs", b.Hung)
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
		if p.Probes()[0].Bad != 4 {
			t.Errorf("counts %+v", p.Probes()[0])
		}
		close(release) // the kernel lets go: the worker ends, which goleak checks
	})
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
		if c.Bad != 5 || c.Good != 2 || c.Readings != 7 || c.Failures != 0 {
			t.Errorf("counts %+v", c)
		}
	})
}

func TestPollHandsAProbesPastToItsJudge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		past := Ageing{Soaked: 10 * time.Hour, Last: 2 * time.Second, Begun: true} // the clock resumes at 3 s
		same := &scripted{takes: func(int) time.Duration { return 0 }}
		p, s := pollFor(t, 5*time.Minute, Bus{"i2c", []BusProbe{
			{ID: "x", Limits: limitsOf("sht4x"), Sampler: same, Ageing: past},
			{ID: "still", Limits: limitsOf("sht4x"), Sampler: frozenProbe{}, FrozenAfter: time.Minute}}})
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

// A pulse of the probe's heater takes a second and then a cool-down; the probe
// is not at fault and is asked again in every round.
func TestPollHeaterPulseIsNoFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log strings.Builder
		s := new(sink)
		hot := &scripted{takes: func(int) time.Duration { return time.Second }, fails: func(n int) error {
			if n < 6 {
				return Faultf(Heating, "heater on")
			}
			return nil
		}}
		p, err := NewPoller([]Bus{{"i2c", []BusProbe{{ID: "x", Sampler: hot}}}},
			PollOptions{Now: NewClock(0, nil).Now, Sink: s.take, Log: slog.New(slog.NewTextHandler(&log, nil))})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 75*time.Second)
		defer cancel()
		p.Run(ctx)
		if got := reasons(s, "x"); len(got) != 8 || got[5] != Heating || got[6] != NoReason {
			t.Errorf("reasons %v", got)
		}
		if c := p.Probes()[0]; c.Bad != 6 || c.Failures != 0 || log.Len() != 0 {
			t.Errorf("counts %+v, log %q", c, log.String())
		}
	})
}

func TestPollLogsAFailingProbeOnceAndItsReturn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log strings.Builder
		flaky := &scripted{takes: func(int) time.Duration { return 0 }, fails: func(n int) error {
			if n < 7 {
				return Faultf(BadCRC, "checksum 0x12, not 0x34")
			}
			return nil
		}}
		p, err := NewPoller([]Bus{{"i2c", []BusProbe{{ID: "x", Sampler: flaky}}}},
			PollOptions{Now: NewClock(0, nil).Now, Sink: func(Reading) {}, Log: slog.New(slog.NewTextHandler(&log, nil))})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
		defer cancel()
		p.Run(ctx)
		lines := strings.Split(strings.TrimSpace(log.String()), "\n")
		if len(lines) != 2 || !strings.Contains(lines[0], `msg="probe fails" probe=x bus=i2c reason=bad-crc err="checksum 0x12, not 0x34"`) ||
			!strings.Contains(lines[1], `msg="probe works again" probe=x bus=i2c failures=7`) {
			t.Errorf("log:\n%s", log.String())
		}
	})
}

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
		if n := p.Probes()[0].Failures; n != 2 {
			t.Errorf("%d failures in a row", n)
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

func TestPollCorrectionsAndThePastTakeEffectWhileRunning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := new(sink)
		p, err := NewPoller([]Bus{{"i2c", []BusProbe{{ID: "x", Limits: limitsOf("sht4x"), Sampler: &scripted{}}}}},
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
			<-time.After(5 * time.Second)
			p.Resume(map[ProbeID]Ageing{"x": {Soaked: 30 * time.Hour, Last: time.Minute, Begun: true}, "y": {Soaked: time.Hour}})
			<-time.After(10 * time.Second)
			p.Correct(set)
		}()
		p.Run(ctx)
		rs, _ := s.of("x")
		if len(rs) != 3 || rs[1].Humidity != 8500 || rs[2].Humidity != 8200 || rs[2].Raw.Humidity != 8500 {
			t.Fatalf("readings %+v", rs)
		}
		if a := p.Ageing()["x"]; a.Soaked != 30*time.Hour+20*time.Second {
			t.Errorf("30 h and 20 s at 85 %%RH counted as %s above 80 %%RH", a.Soaked)
		}
	})
}

// A room whose frozen_after is changed while it runs.
func TestPollFreezesByTheNewTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		var frozen time.Duration
		p, err := NewPoller([]Bus{{"i2c", []BusProbe{{ID: "still", Limits: limitsOf("sht4x"), Sampler: frozenProbe{}}}}}, PollOptions{
			Now: func() Instant { return Instant{Mono: time.Since(start), Wall: time.Now(), Synced: true} },
			Sink: func(r Reading) {
				if r.Reason == FrozenValue && frozen == 0 {
					frozen = r.At.Mono
				}
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		p.FreezeAfter(10 * time.Minute)
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		p.Run(ctx)
		if frozen != 10*time.Minute {
			t.Errorf("frozen after %s, want 10 min", frozen)
		}
	})
}
