package sensors

import (
	"context"
	"sync"
	"time"
)

const (
	// grace is how long after its budget a call is waited for, so that one
	// which minds its context can say itself what went wrong.
	grace = 100 * time.Millisecond
	// cheap is what a failure may cost without slowing anybody.
	cheap = 50 * time.Millisecond
	// retryWithin bounds the back-off.
	retryWithin = time.Minute
	// leastBudget is kept even in a round that lost much time.
	leastBudget = 250 * time.Millisecond
	// unknownBudget is that of a probe which never answered yet; a DS18B20
	// needs 750 ms for its 12 bits.
	unknownBudget = time.Second
	// noted is the number of failures in a row that is worth a log line.
	noted = 3
)

// A polled is a probe with what its bus's supervisor remembers of it. The
// supervisor owns it; counts and ageing are also read under busLoop.mu.
type polled struct {
	BusProbe
	judge   *Judge
	usual   time.Duration // longest successful call, slowly forgotten
	slow    int           // slow failures in a row
	suspect bool          // slow > 0 when the round began
	tried   time.Duration // running time of the last attempt
	due     time.Duration // not before this running time

	counts ProbeCounts
	ageing Ageing
	past   *Ageing // to be added to the judge's; nil for nothing
}

// A busLoop polls one bus. Its fields below mu are shared with snapshots, the
// others belong to the supervisor.
type busLoop struct {
	name    string
	o       *PollOptions
	probes  []*polled
	calls   chan call
	answers chan answer
	pending *polled // whose call was given up but has not come back
	next    int     // where retry begins

	mu     sync.Mutex
	counts BusCounts
}

type call struct {
	ctx     context.Context
	sampler Sampler
}

type answer struct {
	sample Sample
	err    error
}

func newBusLoop(name string, o *PollOptions) *busLoop {
	return &busLoop{
		name: name, o: o, counts: BusCounts{Bus: name},
		calls: make(chan call),
		// Room for one answer lets the worker end although nobody waits.
		answers: make(chan answer, 1),
	}
}

func (b *busLoop) add(probe BusProbe) {
	if probe.Budget <= 0 {
		probe.Budget = DefaultBudget
	}
	p := &polled{BusProbe: probe, judge: NewJudge(probe.ID, probe.Limits), ageing: probe.Ageing}
	p.judge.Resume(probe.Ageing)
	if probe.FrozenAfter > 0 {
		p.judge.FreezeAfter(probe.FrozenAfter)
	}
	p.counts = ProbeCounts{Probe: probe.ID, Bus: b.name}
	b.probes = append(b.probes, p)
}

// work is the worker: the only goroutine that touches the bus.
func (b *busLoop) work() {
	for c := range b.calls {
		var a answer
		a.sample, a.err = guarded(c)
		b.answers <- a
	}
}

// guarded turns a driver's panic into a fault of its probe: one broken driver
// must not take the watch over all others down.
func guarded(c call) (s Sample, err error) {
	defer func() {
		if v := recover(); v != nil {
			err = Faultf(BusError, "driver panicked: %v", v)
		}
	}()
	return c.sampler.Sample(c.ctx)
}

func (b *busLoop) run(ctx context.Context) {
	go b.work()
	defer close(b.calls)
	at := b.o.Now()
	for {
		b.round(ctx, at)
		var ok bool
		if at, ok = b.await(ctx, at.Mono); !ok {
			return
		}
	}
}

// await returns the grid point after the one at last, or the latest one passed if the
// round took longer; false when ctx ended.
func (b *busLoop) await(ctx context.Context, last time.Duration) (Instant, bool) {
	every := b.o.Every
	next := last - last%every + every
	now := b.o.Now()
	if passed := now.Mono - now.Mono%every; passed > next {
		b.mu.Lock()
		b.counts.Overruns += uint64((passed - next) / every)
		b.mu.Unlock()
		next = passed
	}
	for ; now.Mono < next; now = b.o.Now() {
		timer := time.NewTimer(next - now.Mono)
		select {
		case <-ctx.Done():
			timer.Stop()
			return Instant{}, false
		case <-timer.C:
		}
	}
	// Whole milliseconds keep the wall clock's stamps on a grid as well.
	wall := now.Wall.Add(next - now.Mono).Round(time.Millisecond)
	return Instant{Mono: next, Wall: wall, Synced: now.Synced}, ctx.Err() == nil
}

// round reads the probes that are due: first those that work, then those that
// fail slowly.
func (b *busLoop) round(ctx context.Context, at Instant) {
	for _, p := range b.probes {
		p.suspect = p.slow > 0
	}
	var lost time.Duration
	for _, p := range b.probes {
		if !p.suspect && ctx.Err() == nil {
			lost += b.read(ctx, at, p, p.hurried(lost, b.o.Every))
		}
	}
	b.retry(ctx, at)
	if ctx.Err() != nil {
		return
	}
	b.mu.Lock()
	b.counts.Rounds++
	b.mu.Unlock()
}

// hurried returns the probe's budget in a round that lost time to failures:
// when it was a quarter of the round, those that are known to be quick must be.
// So a bus on which many fail at once still serves the rest within a round.
func (p *polled) hurried(lost, every time.Duration) time.Duration {
	if lost <= every/4 {
		return p.Budget
	}
	if p.usual == 0 {
		return min(p.Budget, unknownBudget)
	}
	return min(p.Budget, max(4*p.usual, leastBudget))
}

// retry asks the slowly failing probes that are due and fit before the next grid point.
// One in each round, untried for a minute, does not have to fit.
func (b *busLoop) retry(ctx context.Context, at Instant) {
	stretched := false
	first := b.next
	for k := range b.probes {
		i := (first + k) % len(b.probes)
		p := b.probes[i]
		if !p.suspect || ctx.Err() != nil {
			continue
		}
		if !b.stuck() {
			if at.Mono < p.due {
				continue
			}
			fits := b.o.Now().Mono+p.Budget+grace <= at.Mono+b.o.Every
			overdue := at.Mono-p.tried+b.o.Every > retryWithin
			if !fits && (!overdue || stretched) {
				continue
			}
			stretched = stretched || !fits
			b.next = (i + 1) % len(b.probes) // so that each gets its turn
		}
		b.read(ctx, at, p, p.Budget)
	}
}

// stuck reports whether a call that was given up still holds the bus.
func (b *busLoop) stuck() bool {
	if b.pending == nil {
		return false
	}
	select {
	case <-b.answers:
	default:
		return true
	}
	b.mu.Lock()
	b.pending.counts.Late++
	b.counts.Hung = ""
	b.mu.Unlock()
	if b.pending.slow <= 1 { // told of when it began
		b.o.Log.Info("bus answers again", "bus", b.name, "probe", b.pending.ID)
	}
	b.pending = nil
	return false
}

// read makes one reading of p and returns the time that a failure cost.
func (b *busLoop) read(ctx context.Context, at Instant, p *polled, budget time.Duration) time.Duration {
	if b.stuck() {
		b.deliver(p, at, Sample{}, Faultf(TimedOut, "bus %s is held by probe %s, which does not answer", b.name, b.pending.ID), 0)
		return 0
	}
	begun := b.o.Now().Mono
	s, err := b.call(ctx, p, budget)
	took := b.o.Now().Mono - begun
	p.tried = at.Mono
	if err != nil && ctx.Err() != nil {
		return 0 // a call broken off by the end of the poller is no fault of the probe
	}
	b.settle(p, at, err, took)
	if e, ok := p.Sampler.(eventful); ok && b.pending == nil {
		b.note(p, e.Events())
	}
	b.deliver(p, at, s, err, took)
	if err != nil {
		return took
	}
	return 0
}

// call hands the probe to the worker and waits for its full budget. A shorter one only
// ends the call's context, since giving up costs the other probes of the bus this round.
func (b *busLoop) call(ctx context.Context, p *polled, budget time.Duration) (Sample, error) {
	callCtx, cancel := context.WithTimeout(ctx, budget)
	defer cancel()
	b.calls <- call{callCtx, p.Sampler}
	patience := time.NewTimer(p.Budget + grace)
	defer patience.Stop()
	select {
	case a := <-b.answers:
		return a.sample, a.err
	case <-patience.C:
	}
	b.pending = p
	b.mu.Lock()
	b.counts.Hung = p.ID
	b.mu.Unlock()
	if p.slow == 0 { // what hangs again every minute is no news
		b.o.Log.Warn("probe does not answer and holds its bus", "bus", b.name, "probe", p.ID, "budget", p.Budget,
			"do", "unplug it if the others on the bus are read late, and plug it in again")
	}
	return Sample{}, Faultf(TimedOut, "probe %s did not answer within %s", p.ID, p.Budget)
}

// settle decides when a probe is asked again.
func (b *busLoop) settle(p *polled, at Instant, err error, took time.Duration) {
	p.due = 0
	switch {
	case err == nil:
		p.slow = 0
		p.usual = max(took, p.usual-p.usual/16)
	case ReasonOf(err).Excused(): // over by itself
	case took >= cheap:
		wait := min(b.o.Every<<min(p.slow, 8), retryWithin)
		p.slow++
		// Rounded down to the grid, so that a minute is not exceeded.
		p.due = at.Mono + max(wait-wait%b.o.Every, b.o.Every)
	}
}

// note keeps what the driver tells. Another chip has another calibration, and
// only a person knows which.
func (b *busLoop) note(p *polled, e Events) {
	b.mu.Lock()
	was := p.counts.Events
	p.counts.Events = e
	b.mu.Unlock()
	if e.Replaced > was.Replaced {
		b.o.Log.Warn("another chip answers in the place of a probe; a calibration of the old one does not fit it",
			"probe", p.ID, "bus", b.name, "do", "dewline calibrate it, or undo the old calibration")
	}
}

func (b *busLoop) deliver(p *polled, at Instant, s Sample, err error, took time.Duration) {
	r := p.judge.Read(at, s, err)
	failures := b.count(p, r, err, took)
	switch {
	case r.Reason.Excused():
	case r.Quality == Bad && failures == noted:
		b.o.Log.Warn("probe fails", "probe", p.ID, "bus", b.name, "reason", r.Reason.String(), "err", err)
	case r.Quality != Bad && failures >= noted:
		b.o.Log.Info("probe works again", "probe", p.ID, "bus", b.name, "failures", failures)
	}
	b.o.Sink(r)
}

// count adds r to the probe's counts and returns how many bad readings in a row there
// are, or were before r if it is not bad. What is excused is no failure.
func (b *busLoop) count(p *polled, r Reading, err error, took time.Duration) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	c := &p.counts
	if p.past != nil {
		p.judge.Resume(p.judge.Ageing().after(*p.past))
		p.past = nil
	}
	p.ageing = p.judge.Ageing()
	c.Readings++
	if err == nil {
		c.Took = took
	}
	failures := c.Failures
	switch r.Quality {
	case Bad:
		c.Bad++
		if !r.Reason.Excused() {
			failures++
			c.Failures = failures
		}
	case Suspect:
		c.Suspect++
		c.Failures = 0
	case Good:
		c.Good++
		c.Failures = 0
	}
	return failures
}
