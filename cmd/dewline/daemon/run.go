package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/mqtt"
	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

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

// ServeRecord answers on a control socket what a daemon that runs would of its record,
// which is open for reading. Nothing is watched.
func ServeRecord(cfg *configs.Config, st *store.Store, socket string, log *slog.Logger) (end func(), err error) {
	d, err := New(Options{Config: cfg, ControlPath: socket, Log: log, Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
		return nil, errors.New("nothing is watched")
	}})
	if err != nil {
		return nil, err
	}
	d.now = func() sensors.Instant { return sensors.Instant{Wall: time.Now(), Synced: true} }
	d.record.store.Store(st)
	if cfg.Mail.Host != "" {
		if d.loop.channels.mail, err = newMail(cfg, cfg.Room.ID, hooks{}); err != nil {
			log.Warn("no mail can leave", "err", err)
		}
	}
	var done sync.WaitGroup
	stop := d.site.StartControl(&done)
	return func() { stop(); done.Wait() }, nil
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
		case <-m.feed:
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

// reload reads the configuration again and puts it in force if it has no
// fault. It reports whether the probes changed, so that a new source is needed.
func (d *Daemon) reload() bool {
	if d.o.ConfigPath == "" {
		d.log.Warn("there is no configuration file to reload")
		return false
	}
	old := d.cfg.Load()
	next, err := d.acceptable(old)
	if err != nil {
		d.log.Error("the new configuration is refused; the old one stays in force", "file", d.o.ConfigPath, "why", err)
		d.refuse(err.Error())
		return false
	}
	d.cfg.Store(next)
	d.front.serve() // where it was moved
	if st := d.record.Store(); st != nil {
		st.SetLimits(core.LimitsOf(next))
		st.SetKeep(core.KeepOf(next))
	}
	if src := d.probes.current(); src != nil {
		src.FreezeAfter(next.Rules.FrozenAfter.D())
	}
	KeepLastGood(next, d.o.ConfigPath, d.o.Dir, d.log)
	loaded := time.Now()
	d.refuse("")
	brokerChanged := !reflect.DeepEqual(old.MQTT, next.MQTT)
	ways := d.loop.channels.of(next)
	d.loop.inbox <- func(now sensors.Instant) {
		d.loop.takeWays(ways, !brokerChanged)
		d.loop.apply(d.loop.core.Reconfigure(now, next, d.site.AnswerLink))
		d.loop.apply(d.loop.core.Retry(now, ways.anew()))
		if old.Sounder != next.Sounder {
			d.loop.useSounder()
		}
		d.loop.showLeftOut(now)
		var docs []store.Doc
		if text := d.record.settingsInForce(); text != nil {
			docs = append(docs, store.Doc{Bucket: store.BucketConfig, Key: settingsKey, Value: text})
		}
		d.record.rec.Put(docs, append([]event.Event{core.ConfigurationEvent(now, d.o.ConfigPath, "")}, core.SettingEvents(now, old, next)...))
		d.loadedAt.Store(&loaded)
	}
	d.log.Info("the new configuration is in force", "file", d.o.ConfigPath)
	return !reflect.DeepEqual(old.Probes, next.Probes) || old.Room.Poll != next.Room.Poll || !reflect.DeepEqual(old.Contacts, next.Contacts) ||
		brokerChanged && (slices.ContainsFunc(next.Probes, sends) || slices.ContainsFunc(next.Contacts, func(c configs.Contact) bool { return c.Topic != "" }))
}

// acceptable reads the configuration and opens the page's address that it names;
// the error says why it cannot be put in force.
func (d *Daemon) acceptable(old *configs.Config) (*configs.Config, error) {
	next, err := table.Load(d.o.ConfigPath)
	if err == nil {
		err = Watchable(next)
	}
	if err == nil {
		err = atStartOnly(old, next)
	}
	if err == nil && old.HTTP != next.HTTP {
		err = d.front.move(old.HTTP.Listen, next.HTTP.Listen)
	}
	return next, err
}

// refuse notes that the file was refused, or that it no longer is.
func (d *Daemon) refuse(why string) {
	was := *d.refused.Swap(&why)
	if was == why {
		return
	}
	d.loop.inbox <- func(now sensors.Instant) {
		d.loop.apply(d.loop.core.ConfigRefused(now, why))
		if why != "" {
			d.record.rec.Put(nil, []event.Event{core.ConfigurationEvent(now, d.o.ConfigPath, why)})
		}
	}
}

// of builds the channels of a configuration like these; nil where they were given.
func (c *channels) of(cfg *configs.Config) *channels {
	if c.swap == nil {
		return nil
	}
	return buildChannels(cfg, cfg.Room.ID, c.log, c.hooks)
}

// anew leaves out the broker, whose channel says itself when it is connected.
func (c *channels) anew() []string {
	if c == nil {
		return nil
	}
	return slices.DeleteFunc(slices.Sorted(maps.Keys(c.byName)), func(name string) bool { return name == "mqtt" })
}

// atStartOnly returns what of a configuration cannot change while dewline runs.
// Nothing of it is put in force then: half of a change is nobody's configuration.
func atStartOnly(a, b *configs.Config) error {
	var out []string
	if a.Room.ID != b.Room.ID {
		out = append(out, "room.id")
	}
	if a.Store.Dir != b.Store.Dir {
		out = append(out, "store.dir")
	}
	if len(out) == 0 {
		return nil
	}
	return fmt.Errorf("%s cannot change while dewline runs: %s", strings.Join(out, ", "), core.RestartHint)
}
