// Package daemon builds the parts of dewline, runs them and stops them in one
// written order: sources read probes, one core goroutine decides, a recorder
// writes, one worker per channel sends, and the page and the metrics look at
// snapshots.
//
// Decisions live in Core and below it in packages rules and alert; command
// lines live in package main.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// Options are what a Daemon is built from.
type Options struct {
	Config *configs.Config
	// ConfigPath is read again on Reload; empty refuses to reload.
	ConfigPath string
	// ConfigRefused says why the file is refused, though a configuration is in force.
	ConfigRefused string
	Dir           string // of the data; empty takes Config.Store.Dir
	Log           *slog.Logger
	Version       string
	// Source builds what delivers readings. It is called again on a reload
	// that changes the probes.
	Source func(cfg *configs.Config, now func() sensors.Instant, ageing map[sensors.ProbeID]sensors.Ageing) (Source, error)
	// Clock returns the time, with its running time going on from resume; nil
	// takes the board's clock.
	Clock func(resume time.Duration) func() sensors.Instant
	// Channels replaces the configured channels; nil builds them.
	Channels map[string]alert.Channel
	// Observe is told of every transition, on the core's goroutine; nil for
	// nobody.
	Observe func(rules.Transition)
	// Open opens the record; nil takes store.Open.
	Open func(context.Context, store.Options) (*store.Store, store.Report, error)
	// Listener serves the page instead of Config.HTTP.Listen.
	Listener net.Listener
	// ControlPath is the local control socket; empty for none.
	ControlPath string
	// ClimateEvery is how often climate documents are published; 10 s.
	ClimateEvery time.Duration
	// PublishEvery is how often a new snapshot is made; 1 s.
	PublishEvery time.Duration
}

// A Daemon watches one room.
type Daemon struct {
	o   Options
	log *slog.Logger
	now func() sensors.Instant

	cfg      atomic.Pointer[configs.Config]
	snapshot atomic.Pointer[alert.Snapshot]

	// in carries everything to the core goroutine, in order.
	in chan input

	core     *core.Core // owned by the core goroutine once it runs
	rec      *recorder
	courier  *alert.Courier
	site     *web.Site
	channels *channels
	hooks    hooks
	// exchange puts other channels in use; nil where they were given.
	exchange func(next *channels, keepMQTT bool)
	book     *calibrationBook

	// leap is the running time of a record that opened late: what sources say is
	// in the time since the start, everything else in that of the record.
	leap  atomic.Int64
	began sensors.Instant // of this run, as the sources count

	storeMu  sync.Mutex // guards store
	store    *store.Store
	late     <-chan opened          // the record that is being opened; nil where it was open at the start
	stuck    bool                   // a write hangs; owned by the core goroutine
	replaced atomic.Pointer[string] // why a record was begun anew, until that is told
	losses   losses

	sourceMu sync.Mutex // guards source
	source   Source

	shelf summaryShelf

	redos    *redoBook
	latestMu sync.Mutex // guards latest
	latest   map[sensors.ProbeID]sensors.Reading

	started   time.Time
	cycle     uint64 // owned by the core goroutine
	cycleAt   time.Time
	reloads   chan struct{}
	refused   atomic.Pointer[string]
	loadedAt  atomic.Pointer[time.Time]
	recording atomic.Pointer[recordHealth]
	// healthMoved tells the core to look at recording.
	healthMoved    chan struct{}
	readings       atomic.Uint64
	readingsAtTick uint64 // owned by the core goroutine
	certs          certBook
	beatAt         time.Duration // of the last outside heartbeat; owned by the core goroutine
}

type recordHealth struct {
	ok   bool
	note string
}

// An input is one thing for the core goroutine.
type input struct {
	reading sensors.Reading
	tick    sensors.Instant
	call    func(now sensors.Instant)
	kind    inputKind
}

type inputKind uint8

const (
	isReading inputKind = iota
	isTick
	isCall
)

// New prepares a Daemon; nothing runs yet.
func New(o Options) (*Daemon, error) {
	if o.Config == nil || o.Source == nil {
		return nil, errors.New("a daemon needs a configuration and a source")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Dir == "" {
		o.Dir = o.Config.Store.Dir
	}
	if o.Open == nil {
		o.Open = store.Open
	}
	if o.ClimateEvery == 0 {
		o.ClimateEvery = 10 * time.Second
	}
	if o.PublishEvery == 0 {
		o.PublishEvery = time.Second
	}
	if o.Clock == nil {
		o.Clock = func(resume time.Duration) func() sensors.Instant {
			return sensors.NewClock(resume, sensors.KernelSynced).Now
		}
	}
	// Two readings of every probe may wait for the core before a bus does.
	waiting := 128 + 2*len(o.Config.Probes)
	d := &Daemon{o: o, log: o.Log, in: make(chan input, waiting), reloads: make(chan struct{}, 1),
		healthMoved: make(chan struct{}, 1),
		redos:       newRedoBook(), latest: map[sensors.ProbeID]sensors.Reading{},
	}
	d.site = web.New(web.Options{
		Room: d, Hands: d, Secret: secret, Dir: o.Dir, Listener: o.Listener, ControlPath: o.ControlPath, Log: o.Log,
	})
	d.cfg.Store(o.Config)
	d.recording.Store(&recordHealth{ok: true})
	now := time.Now()
	d.started = now
	d.loadedAt.Store(&now)
	d.refused.Store(&o.ConfigRefused)
	return d, nil
}

// Reload asks for the configuration to be read again. It returns at once.
func (d *Daemon) Reload() {
	select {
	case d.reloads <- struct{}{}:
	default:
	}
}

// Config returns the configuration in force.
func (d *Daemon) Config() *configs.Config { return d.cfg.Load() }

// Now returns the time, with running time since the first start.
func (d *Daemon) Now() sensors.Instant { return d.now() }

// WhatIf says what every enclosure would come to under an assumption.
func (d *Daemon) WhatIf(ctx context.Context, a rules.Assumption) (answer []rules.Prospect, err error) {
	if !d.call(ctx, func(sensors.Instant) { answer = d.core.WhatIf(a) }) {
		return nil, errors.New("dewline is stopping")
	}
	return answer, nil
}

// Snapshot returns what is known now; nil before the first round.
func (d *Daemon) Snapshot() *alert.Snapshot { return d.snapshot.Load() }

// Readings returns how many readings the rules have seen.
func (d *Daemon) Readings() uint64 { return d.readings.Load() }

// Run watches until ctx ends or the source has no more readings. The order of
// stopping is: sources, page and control socket, core, channels, record.
func (d *Daemon) Run(ctx context.Context) error {
	background := context.WithoutCancel(ctx)
	saved, report, err := d.openRecord(ctx)
	if err != nil {
		return err
	}
	clock := d.startClock(report.LastMono)

	defer d.startRecorder(background)()

	// Before the first notice is made anew: its link must be the one of before.
	if err := d.site.KeepLinks(); err != nil {
		d.log.Warn("links in notices will not survive a restart", "err", err)
	}
	d.core = core.New(d.cfg.Load(), d.site.AnswerLink)
	d.core.Start(onsetLeap())
	chCtx, stopChannels := context.WithCancel(background)
	var channelsDone sync.WaitGroup
	d.startChannels(chCtx, &channelsDone)
	defer channelsDone.Wait()
	defer stopChannels()

	d.resume(saved, report)
	coreCtx, stopCore := context.WithCancel(background)
	var coreDone sync.WaitGroup
	coreDone.Go(func() { d.runCore(coreCtx) })
	defer coreDone.Wait()
	defer stopCore()

	var watches sync.WaitGroup
	watchCtx, stopWatches := context.WithCancel(background)
	d.startWatches(watchCtx, &watches)
	defer watches.Wait()
	defer stopWatches()

	var servers sync.WaitGroup
	defer servers.Wait()
	defer d.site.Start(background, &servers)()

	n := newNotifier()
	if err := n.send("READY=1"); err != nil {
		d.log.Warn("the service manager cannot be told", "err", err)
	}
	err = d.runSources(ctx, clock, n)
	if nerr := n.send("STOPPING=1"); nerr != nil {
		d.log.Warn("the service manager cannot be told", "err", nerr)
	}
	return err
}

// startWatches starts what goes on beside the core until ctx ends.
func (d *Daemon) startWatches(ctx context.Context, done *sync.WaitGroup) {
	d.tellLeftOut(ctx)
	done.Go(func() { d.runUpkeep(ctx) })
	done.Go(func() { d.watchCertificates(ctx) })
	if d.late != nil {
		done.Go(func() { d.runLate(ctx) })
	}
	done.Go(func() { d.runWeekly(ctx) })
}

// startRecorder starts writing; the returned function has the last of it written
// and ends it.
func (d *Daemon) startRecorder(ctx context.Context) (stop func()) {
	recCtx, cancel := context.WithCancel(ctx)
	var done sync.WaitGroup
	done.Go(func() { d.rec.Run(recCtx) })
	return func() {
		d.keepState()
		cancel()
		done.Wait()
		d.closeRecord(ctx)
	}
}

// startClock starts running time where the record stopped and returns what the
// sources count by.
func (d *Daemon) startClock(resume time.Duration) func() sensors.Instant {
	if d.late != nil { // a running time of zero is one that was not set, and this one will be moved
		resume = time.Second
	}
	clock := d.o.Clock(resume)
	d.now = func() sensors.Instant {
		t := clock()
		t.Mono += time.Duration(d.leap.Load())
		return t
	}
	d.began = clock()
	return clock
}

// runSources runs the source, and a new one after each reload that changes the
// probes, until ctx ends or the source has no more.
func (d *Daemon) runSources(ctx context.Context, clock func() sensors.Instant, n notifier) error {
	watchdog := newWatchdog(d, n)
	for {
		src, err := d.o.Source(d.cfg.Load(), clock, d.ageing())
		if err != nil {
			return fmt.Errorf("build the probes: %w", err)
		}
		d.useSource(src)
		srcCtx, stop := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- src.Run(srcCtx, d.sink()) }()
		again, err := d.supervise(ctx, ended, watchdog)
		stop()
		if again {
			<-ended
			continue
		}
		return err
	}
}

// supervise waits beside a running source. It returns again after a reload
// that needs another source.
func (d *Daemon) supervise(ctx context.Context, ended <-chan error, w *watchdog) (again bool, err error) {
	for {
		select {
		case err := <-ended:
			if ctx.Err() != nil {
				return false, nil
			}
			return false, err
		case <-d.reloads:
			if d.reload() {
				return true, nil
			}
		case <-w.C():
			w.feed()
		}
	}
}

func (d *Daemon) useSource(s Source) {
	d.sourceMu.Lock()
	d.source = s
	d.sourceMu.Unlock()
	d.correctSource()
}

// correctSource puts the newest calibrations in force. The lock is held for
// all of it, so that of two at once the later one has the newest.
func (d *Daemon) correctSource() {
	d.sourceMu.Lock()
	defer d.sourceMu.Unlock()
	if d.source != nil {
		d.source.Correct(d.book.set())
	}
}

func (d *Daemon) currentSource() Source {
	d.sourceMu.Lock()
	defer d.sourceMu.Unlock()
	return d.source
}

// sink queues what a source delivers for the core.
func (d *Daemon) sink() Sink {
	return Sink{
		Reading: func(r sensors.Reading) { d.in <- input{kind: isReading, reading: r} },
		Tick:    func(now sensors.Instant) { d.in <- input{kind: isTick, tick: now} },
	}
}

// Latest returns the newest reading of a probe, of any quality and with its
// raw sample.
func (d *Daemon) Latest(probe sensors.ProbeID) (sensors.Reading, bool) {
	d.latestMu.Lock()
	defer d.latestMu.Unlock()
	r, ok := d.latest[probe]
	return r, ok
}

// call runs f on the core goroutine and waits for it. It reports false when
// ctx ended first.
func (d *Daemon) call(ctx context.Context, f func(now sensors.Instant)) bool {
	done := make(chan struct{})
	in := input{kind: isCall, call: func(now sensors.Instant) { f(now); close(done) }}
	select {
	case d.in <- in:
	case <-ctx.Done():
		return false
	}
	select {
	case <-done:
		return true
	case <-ctx.Done():
		return false
	}
}

// post runs f on the core goroutine some time soon.
func (d *Daemon) post(ctx context.Context, f func(now sensors.Instant)) {
	select {
	case d.in <- input{kind: isCall, call: f}:
	case <-ctx.Done():
	}
}
