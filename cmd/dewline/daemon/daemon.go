// Package daemon builds the parts of dewline, runs them and stops them in one
// written order: sources read probes, one loop decides, a recorder
// writes, one worker per channel sends, and the page and the metrics look at
// snapshots.
//
// Decisions live in Core and below it in packages rules and alert; command
// lines live in package main.
//
// A reader goes down: daemon.go builds the parts, run.go starts and stops them, reload.go
// changes them under way and act.go takes what people do; loop.go is what decides, fed by
// buses.go, heard by recorder.go, channels.go and weekly.go; sentinel.go watches other rooms
// by a loop of its own.
package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strconv"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/mail"
	"dewline/alert/mqtt"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// New prepares a Daemon; nothing runs yet.
func New(o Options) (*Daemon, error) {
	if o.Config == nil || o.Source == nil {
		return nil, errors.New("a daemon needs a configuration and a source")
	}
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	o.Dir = cmp.Or(o.Dir, o.Config.Store.Dir)
	o.ClimateEvery = cmp.Or(o.ClimateEvery, 10*time.Second)
	o.PublishEvery = cmp.Or(o.PublishEvery, time.Second)
	if o.OpenSounder == nil {
		o.OpenSounder = openSounder
	}
	if o.Open == nil {
		o.Open = store.Open
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
		inbox: make(inbox, waiting), latest: map[sensors.ProbeID]sensors.Reading{},
	}
	d.summaries = &summaries{base: d.base, record: d.record, sender: func() *mail.Sender { return d.loop.channels.inUse().mail }}
	d.site = web.New(web.Options{
		Room: d, Hands: d, Secret: secret, Dir: o.Dir, ControlPath: o.ControlPath, Log: o.Log,
	})
	d.front = front{log: o.Log, ln: o.Listener}
	return d, nil
}

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

// startSite serves until ctx ends. An address in use costs the page only.
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

func (d *Daemon) startChannels(ctx context.Context, done *sync.WaitGroup) {
	d.loop.channels = &channels{log: d.log, ways: ways{byName: d.o.Channels}}
	if d.o.Channels == nil {
		feed := func(f func(now sensors.Instant) core.Effects) {
			d.loop.post(ctx, func(now sensors.Instant) { d.loop.apply(f(now)) })
		}
		board := boardOf(d.o.Dir, "/", d.log)
		told := hooks{
			state: func(name string, down error) {
				feed(func(now sensors.Instant) core.Effects { return d.loop.core.ChannelState(now, name, down) })
			},
			peer: d.certs.saw,
			mqtt: mqtt.Options{
				Instance: board.instance, Former: board.former,
				Now:       func() (time.Time, bool) { t := d.now(); return t.Wall, t.Synced },
				OnCommand: d.Command,
				OnRefused: func(c alert.Command, why string) { d.Refuse(ctx, c, why) },
				OnOther: func(instance string) {
					feed(func(now sensors.Instant) core.Effects { return d.loop.core.OtherBoard(now, instance) })
				},
				OnWatched: func(sentinel string, live bool) {
					feed(func(now sensors.Instant) core.Effects { return d.loop.core.WatchedBy(now, sentinel, live) })
				},
				OnMissing: func(what []string, grave bool) {
					feed(func(now sensors.Instant) core.Effects { return d.loop.core.NotGranted(now, what, grave) })
				},
			},
		}
		cfg := d.cfg.Load()
		d.loop.channels = buildChannels(cfg, cfg.Room.ID, d.log, told)
		d.loop.channels.swap = func(next *channels, keep bool) { d.loop.channels.exchange(ctx, done, next, keep) }
	}
	d.loop.courier = alert.NewCourier(d.loop.channels.byName, 0, func(r alert.SendResult) {
		d.loop.post(ctx, func(now sensors.Instant) { d.loop.apply(d.loop.core.Result(now, r)) })
	}, d.log)
	done.Go(func() { d.loop.courier.Run(ctx) })
	d.loop.startSounder(ctx, done)
	d.loop.channels.run(ctx, done)
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
	d.loop.post(ctx, func(now sensors.Instant) { // or of nothing, where an earlier start left that open; channels tell of themselves
		d.loop.showLeftOut(now)
	})
	done.Go(func() { d.record.upkeep(ctx) })
	done.Go(func() {
		every(ctx, certEvery, func(ctx context.Context) {
			used := d.certs.used(d.cfg.Load())
			d.loop.post(ctx, func(now sensors.Instant) { d.loop.apply(d.loop.core.Certificates(now, used)) })
		})
	})
	if d.record.late != nil {
		done.Go(func() { d.record.runLate(ctx, d.loop.joinLate) })
	}
	done.Go(func() { d.summaries.run(ctx) })
}

// startClock goes on from where the record stopped; sources count by what it returns.
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

// supervise returns again after a reload that needs another source.
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

// A Daemon watches one room. Each of its parts owns its state and its goroutines.
type Daemon struct {
	*base
	*summaries           // of each week
	record     *record   // the store and what writes to it
	probes     *probes   // the source that reads
	loop       *loop     // decides
	certs      certBook  // that others showed
	site       *web.Site // page, API and control socket
	front      front     // where the page is served
	reloads    chan struct{}
}

// Reload asks for the configuration to be read again. It returns at once.
func (d *Daemon) Reload() { nudge(d.reloads) }

// Snapshot returns what is known now; nil before the first round.
func (d *Daemon) Snapshot() *alert.Snapshot { return d.loop.snapshot.Load() }

// Latest returns the newest reading of a probe, of any quality and with its raw
// sample.
func (d *Daemon) Latest(probe sensors.ProbeID) (sensors.Reading, bool) {
	d.loop.latestMu.Lock()
	defer d.loop.latestMu.Unlock()
	r, ok := d.loop.latest[probe]
	return r, ok
}

// Lively reports whether a round of readings and rules ended lately.
func (d *Daemon) Lively(now time.Time) bool { return d.loop.Lively(now) }

// Store returns the record; nil while none is open.
func (d *Daemon) Store() *store.Store { return d.record.Store() }

// WhatIf says what every enclosure would come to under an assumption.
func (d *Daemon) WhatIf(ctx context.Context, a rules.Assumption) (answer []rules.Prospect, err error) {
	err = d.loop.call(ctx, func(sensors.Instant) error { answer = d.loop.core.WhatIf(a); return nil })
	return answer, err
}

// Readings returns how many readings the rules have seen.
func (d *Daemon) Readings() uint64 { return d.loop.readings.Load() }

// watchdogInterval returns half of the time that the service manager allows
// between signs of life, as sd_watchdog_enabled(3) advises, or 0 for none.
func watchdogInterval() time.Duration {
	usec, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || usec <= 0 {
		return 0
	}
	if pid := os.Getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return 0
	}
	return time.Duration(usec) * time.Microsecond / 2
}

// A manager is the service manager that started dewline, which is told how it is doing
// by the protocol of sd_notify(3).
type manager struct {
	addr string // empty for nobody
	log  *slog.Logger
	feed *time.Ticker // nil where nobody asks for signs of life
}

func newManager(log *slog.Logger) *manager {
	m := &manager{addr: os.Getenv("NOTIFY_SOCKET"), log: log}
	if every := watchdogInterval(); every > 0 && m.addr != "" {
		m.feed = time.NewTicker(every)
	}
	return m
}

// C asks for a sign of life, WATCHDOG=1; nil where nobody wants one. Without it
// the manager starts dewline anew, so it is given on evidence only.
func (m *manager) C() <-chan time.Time {
	if m.feed == nil {
		return nil
	}
	return m.feed.C
}

// tell passes one state such as "READY=1".
func (m *manager) tell(state string) {
	if m.addr == "" {
		return
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: m.addr, Net: "unixgram"})
	if err == nil {
		_, err = conn.Write([]byte(state))
		_ = conn.Close()
	}
	if err != nil {
		m.log.Warn("the service manager cannot be told", "state", state, "err", err)
	}
}
