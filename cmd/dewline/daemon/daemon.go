// Package daemon builds the parts of dewline, runs them and stops them in one
// written order: sources read probes, one loop decides, a recorder
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
	"time"

	"dewline/alert"
	"dewline/alert/mail"
	"dewline/alert/sounder"
	"dewline/alert/summary"
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
	// OpenSounder takes hold of what sounds in the room; nil takes the board's.
	OpenSounder func(configs.Sounder) (sounder.Output, error)
	// Observe is told of every transition, on the loop's goroutine; nil for
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

// A Daemon watches one room. Each of its parts owns its state and its goroutines.
type Daemon struct {
	*base
	record    *record    // the store and what writes to it
	probes    *probes    // the source that reads
	loop      *loop      // decides
	summaries *summaries // of each week
	certs     certBook   // that others showed
	site      *web.Site  // page, API and control socket
	front     front      // where the page is served
	reloads   chan struct{}
}

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
	if o.OpenSounder == nil {
		o.OpenSounder = openSounder
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
	now := time.Now()
	d := &Daemon{base: &base{o: o, log: o.Log, started: now}, reloads: make(chan struct{}, 1)}
	d.cfg.Store(o.Config)
	d.loadedAt.Store(&now)
	d.refused.Store(&o.ConfigRefused)
	d.record = newRecord(d.base)
	d.probes = &probes{base: d.base, record: d.record}
	d.loop = &loop{
		base: d.base, record: d.record, probes: d.probes, channels: &channels{log: o.Log},
		in: make(chan input, waiting), latest: map[sensors.ProbeID]sensors.Reading{},
	}
	d.summaries = &summaries{base: d.base, record: d.record, sender: func() *mail.Sender { return d.loop.channels.sender() }}
	d.site = web.New(web.Options{
		Room: d, Hands: d, Secret: secret, Dir: o.Dir, ControlPath: o.ControlPath, Log: o.Log,
	})
	d.front = front{log: o.Log, ln: o.Listener}
	return d, nil
}

// Reload asks for the configuration to be read again. It returns at once.
func (d *Daemon) Reload() {
	select {
	case d.reloads <- struct{}{}:
	default:
	}
}

// Snapshot returns what is known now; nil before the first round.
func (d *Daemon) Snapshot() *alert.Snapshot { return d.loop.snapshot.Load() }

// Latest returns the newest reading of a probe, of any quality and with its raw
// sample.
func (d *Daemon) Latest(probe sensors.ProbeID) (sensors.Reading, bool) { return d.loop.Latest(probe) }

// Lively reports whether a round of readings and rules ended lately.
func (d *Daemon) Lively(now time.Time) bool { return d.loop.Lively(now) }

// Store returns the record; nil while none is open.
func (d *Daemon) Store() *store.Store { return d.record.Store() }

// WhatIf says what every enclosure would come to under an assumption.
func (d *Daemon) WhatIf(ctx context.Context, a rules.Assumption) ([]rules.Prospect, error) {
	return d.loop.WhatIf(ctx, a)
}

// Summary returns the report of a week such as "2026-W47"; empty is the last
// whole one.
func (d *Daemon) Summary(ctx context.Context, week string) (*summary.Report, error) {
	return d.summaries.Summary(ctx, week)
}

// SendSummary mails a week's summary to everybody with an address and returns
// to how many it went.
func (d *Daemon) SendSummary(ctx context.Context, week, by string) (sent int, key string, err error) {
	return d.summaries.Send(ctx, week, by)
}

// Readings returns how many readings the rules have seen.
func (d *Daemon) Readings() uint64 { return d.loop.readings.Load() }

// Run watches until ctx ends or the source has no more readings. Parts start in
// this order and stop in the opposite one: record, channels, loop, watches, page
// and control socket, source.
func (d *Daemon) Run(ctx context.Context) error {
	background := context.WithoutCancel(ctx)
	saved, report, err := d.openRecord(ctx)
	if err != nil {
		return err
	}
	clock := d.startClock(report.LastMono)
	defer d.record.start(background, d.loop.keepState)()

	// Before the first notice is made anew: its link must be the one of before.
	if err := d.site.KeepLinks(); err != nil {
		d.log.Warn("links in notices will not survive a restart", "err", err)
	}
	d.loop.core = core.New(d.cfg.Load(), d.site.AnswerLink)
	d.loop.around = neighbours{core: d.loop.core, sentinels: map[string]sentinelWatch{}}
	d.loop.core.Start(onsetLeap())
	defer running(background, d.startChannels)()

	d.loop.resume(saved, report)
	defer running(background, func(ctx context.Context, done *sync.WaitGroup) { done.Go(func() { d.loop.run(ctx) }) })()
	defer running(background, d.startWatches)()
	defer running(background, d.startSite)()

	m := newManager(d.log)
	m.tell("READY=1")
	err = d.runSources(ctx, clock, m)
	m.tell("STOPPING=1")
	return err
}

// running starts goroutines that end with their context. The returned function
// ends it and returns when they have.
func running(ctx context.Context, start func(ctx context.Context, done *sync.WaitGroup)) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	var done sync.WaitGroup
	start(ctx, &done)
	return func() { cancel(); done.Wait() }
}

// startSite serves the page and the control socket until ctx ends. An address in
// use costs the page only.
func (d *Daemon) startSite(ctx context.Context, done *sync.WaitGroup) {
	endControl := d.site.StartControl(done)
	d.front.start = func(ln net.Listener) func() { return d.site.StartPage(ctx, done, ln) }
	if err := d.front.open(d.cfg.Load().HTTP.Listen); err != nil {
		d.log.Error("nobody can open the page; watching and warning go on", "err", err)
	}
	d.front.serve()
	done.Go(func() {
		<-ctx.Done()
		d.front.close()
		endControl()
	})
}

// openRecord opens the record and takes what an earlier run left on it.
func (d *Daemon) openRecord(ctx context.Context) (core.Saved, store.Report, error) {
	saved, report, err := d.record.open(ctx)
	if err == nil && d.record.late == nil {
		d.probes.loadBook(d.record.Store(), 0)
		d.record.loadRedos(d.record.Store())
	}
	return saved, report, err
}

// startWatches starts what goes on beside the core until ctx ends.
func (d *Daemon) startWatches(ctx context.Context, done *sync.WaitGroup) {
	d.loop.tellLeftOut(ctx)
	done.Go(func() { d.record.upkeep(ctx) })
	done.Go(func() { d.certs.watch(ctx, d.Config, d.loop.certificates) })
	if d.record.late != nil {
		done.Go(func() { d.record.runLate(ctx, d.loop.joinLate) })
	}
	done.Go(func() { d.summaries.run(ctx) })
}

// startClock starts running time where the record stopped and returns what the
// sources count by.
func (d *Daemon) startClock(resume time.Duration) func() sensors.Instant {
	if d.record.late != nil { // a running time of zero is one that was not set, and this one will be moved
		resume = time.Second
	}
	clock := d.o.Clock(resume)
	d.now = func() sensors.Instant {
		t := clock()
		t.Mono += time.Duration(d.leap.Load())
		return t
	}
	d.loop.began = clock()
	return clock
}

// runSources runs the source, and a new one after each reload that changes the
// probes, until ctx ends or the source has no more.
func (d *Daemon) runSources(ctx context.Context, clock func() sensors.Instant, m *manager) error {
	for {
		src, err := d.o.Source(d.cfg.Load(), clock, d.probes.ageing())
		if err != nil {
			return fmt.Errorf("build the probes: %w", err)
		}
		d.probes.use(src)
		srcCtx, stop := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- src.Run(srcCtx, d.loop.sink()) }()
		again, err := d.supervise(ctx, ended, m)
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
func (d *Daemon) supervise(ctx context.Context, ended <-chan error, m *manager) (again bool, err error) {
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
		case <-m.C():
			// Readings arrived and the rules finished a round with them: a hung bus
			// or loop ends in a restart instead of silence.
			if d.Lively(time.Now()) {
				m.tell("WATCHDOG=1")
			} else {
				d.log.Error("no round of readings and rules was finished lately; the service manager will restart dewline")
			}
		}
	}
}
