// Package daemon builds the parts of dewline, runs them and stops them in one
// written order: sources read probes, one loop decides, a recorder
// writes, one worker per channel sends, and the page and the metrics look at
// snapshots.
//
// Decisions live in Core and below it in packages rules and alert; command
// lines live in package main.
//
// A reader goes down: run.go starts the parts, stops them and changes them under way;
// act.go takes what people do; daemon.go is what is made of them; loop.go decides, turn by
// turn in turns.go, fed by buses.go, heard by recorder.go, channels.go and weekly.go;
// sentinel.go watches other rooms by a loop of its own.
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
	"time"

	"dewline/alert"
	"dewline/alert/mail"
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
	// feed asks for a sign of life, WATCHDOG=1; nil where nobody wants one. Without it
	// the manager starts dewline anew, so it is given on evidence only.
	feed <-chan time.Time
}

func newManager(log *slog.Logger) *manager {
	m := &manager{addr: os.Getenv("NOTIFY_SOCKET"), log: log}
	if every := watchdogInterval(); every > 0 && m.addr != "" {
		m.feed = time.Tick(every)
	}
	return m
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

// A front is where the page is served. Only the goroutine of Run touches it.
type front struct {
	log   *slog.Logger
	start func(net.Listener) (end func()) // serves the page as the configuration in force has it
	ln    net.Listener                    // that is open; nil for none
	end   func()                          // ends the server; nil for none
}

// open opens an address; none for an empty one.
func (f *front) open(addr string) error {
	if f.ln != nil || addr == "" {
		return nil
	}
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return fmt.Errorf("http.listen: the page cannot be served: %w; free the port or name another", err)
	}
	f.ln = ln
	return nil
}

func (f *front) serve() {
	if f.ln != nil && f.end == nil {
		f.end = f.start(f.ln)
	}
}

// move opens another address, or the old one again where that cannot be opened.
func (f *front) move(was, to string) error {
	f.close()
	err := f.open(to)
	if err != nil {
		if again := f.open(was); again != nil {
			f.log.Error("nobody can open the page; watching and warning go on", "err", again)
		}
		f.serve()
	}
	return err
}

func (f *front) close() {
	if f.end != nil {
		f.end()
	}
	f.ln, f.end = nil, nil
}
