package daemon

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/sensors"
	"dewline/store"
)

// How long a record that was not open at the start may take to be looked through,
// and how long the next try waits where it cannot be opened.
const (
	lateWithin = 24 * time.Hour
	lateEvery  = 5 * time.Second
)

// An opened is how an attempt to open the record went.
type opened struct {
	st     *store.Store
	report store.Report
	err    error
}

// tryOpen opens the store, but waits no longer than a start may take. One that
// may open later comes by the channel.
func (d *Daemon) tryOpen(ctx context.Context) (<-chan opened, opened) {
	done := make(chan opened, 1)
	go func() { done <- d.openStore(ctx, 0) }()
	timer := time.NewTimer(openWithin)
	defer timer.Stop()
	select {
	case o := <-done:
		done <- o
		return done, o
	case <-timer.C:
		return done, opened{err: fmt.Errorf("the card did not answer within %s", openWithin)}
	}
}

// openStore opens the record.
func (d *Daemon) openStore(ctx context.Context, within time.Duration) (o opened) {
	cfg := d.cfg.Load()
	o.st, o.report, o.err = d.o.Open(ctx, store.Options{
		Dir: d.o.Dir, KeepRaw: cfg.Store.KeepRaw.D(), KeepTable: cfg.Store.KeepTable.D(), Within: within,
		MaxBytes: int64(cfg.Store.MaxMiB) << 20, Limits: core.LimitsOf(cfg), Logger: d.log, Replaced: d.recordReplaced,
		Lost: d.lostReadings, Full: func() { d.rec.ForceFlush(func() ([]byte, error) { return nil, nil }) },
	})
	return o
}

// keepInMemory takes a store without a file in use until the record opens: it
// shows what was read since the start.
func (d *Daemon) keepInMemory(ctx context.Context) {
	st, _, _ := store.Open(ctx, store.Options{Limits: core.LimitsOf(d.cfg.Load()), Logger: d.log, Lost: d.lostReadings}) // without a directory it is memory
	d.useStore(st)
	d.rec.Hold(st)
}

func (d *Daemon) useStore(st *store.Store) {
	d.storeMu.Lock()
	d.store = st
	d.storeMu.Unlock()
}

// attach takes an open record in use.
func (d *Daemon) attach(st *store.Store) {
	d.useStore(st)
	d.rec.Attach(st)
}

// runLate tries to open the record until it can, and has the core join it with
// what went on meanwhile. Nothing is written before: what the record holds open
// would be written over.
func (d *Daemon) runLate(ctx context.Context) {
	again := time.NewTicker(lateEvery)
	defer again.Stop()
	for {
		var o opened
		select {
		case <-ctx.Done():
			return
		case o = <-d.late:
		}
		if o.err == nil {
			d.joinLate(ctx, o)
			return
		}
		if errors.Is(o.err, store.ErrLocked) {
			o.err = fmt.Errorf("another dewline uses it: %w", o.err)
		}
		d.recordHealth(false, o.err.Error())
		select {
		case <-ctx.Done():
			return
		case <-again.C:
		}
		next := make(chan opened, 1)
		next <- d.openStore(ctx, lateWithin)
		d.late = next
	}
}

// joinLate reads what a record holds and has the core take it in.
func (d *Daemon) joinLate(ctx context.Context, o opened) {
	saved, err := loadSaved(o.st)
	saved.LastSet = o.report.LastSet
	if err != nil {
		d.log.Error("part of the record cannot be read", "err", err)
	}
	if o.report.Quarantined != "" {
		d.log.Error("the record was damaged and set aside; a new one was begun",
			"file", o.report.Quarantined, "damage", o.report.Damage, "do", "dewline repair saves what can be read")
	}
	d.loadBook(o.st, o.report.LastMono)
	joined := make(chan struct{})
	d.post(ctx, func(sensors.Instant) { d.mergeLate(ctx, o, saved); close(joined) })
	select {
	case <-joined:
	case <-ctx.Done():
	}
}

// onsetLeap draws how many onset numbers this run leaves out. Numbers stay far
// below 2^53, which a page's numbers can hold, for 2^33 starts.
func onsetLeap() uint64 {
	n, _ := rand.Int(rand.Reader, big.NewInt(1<<20)) // never fails, crypto/rand
	return 1 + n.Uint64()
}

// mergeLate joins a record that could be opened at last with the core that runs,
// and puts it in use. It runs on the core goroutine. Running time goes on from
// that of the record from then on.
func (d *Daemon) mergeLate(ctx context.Context, o opened, saved core.Saved) {
	by := o.report.LastMono
	d.leap.Store(int64(by))
	now, began := d.now(), d.began
	began.Mono, began.Synced = began.Mono+by, now.Synced
	began.Wall = now.Wall.Add(-now.Sub(began))
	kept := d.takeReadings(ctx, o.st, by)
	d.rec.rebase(by)
	fx, err := d.core.Merge(now, by, saved, d.newest(by))
	if err != nil {
		d.log.Error("part of an earlier run could not be read back; the rest is used", "err", err)
	}
	d.useStore(o.st)
	o.st.SetLimits(core.LimitsOf(d.cfg.Load())) // a reload may have changed them since
	d.apply(fx)
	entries := core.StartEntries(began, o.report, "opened late")
	d.keepAll(core.RecordEntry(now, entries[0].New, entries[0].Why))
	d.rec.Put(d.core.Forgotten(saved.Outbox), entries[1:])
	d.resumed(began, o.report)
	d.rec.Attach(o.st)
	d.log.Info("the record is open and joined with what went on without it", "readings", kept)
}

// newest moves the newest readings by so much running time and returns them in
// the order they came.
func (d *Daemon) newest(by time.Duration) []sensors.Reading {
	d.latestMu.Lock()
	defer d.latestMu.Unlock()
	for id, r := range d.latest {
		r.At.Mono += by
		d.latest[id] = r
	}
	return slices.SortedFunc(maps.Values(d.latest), func(a, b sensors.Reading) int {
		return cmp.Or(cmp.Compare(a.At.Mono, b.At.Mono), cmp.Compare(a.Probe, b.Probe))
	})
}

// takeReadings passes the readings that were kept in memory to a record, moved by
// so much running time, and returns how many there were.
func (d *Daemon) takeReadings(ctx context.Context, st *store.Store, by time.Duration) int {
	n := 0
	from := d.Store()
	for _, probe := range from.Probes() {
		for r, err := range from.Readings(ctx, probe, time.Time{}, farFuture) {
			if err != nil {
				d.log.Error("some readings since the start are lost", "probe", probe, "err", err)
				continue
			}
			r.At.Mono += by
			st.Append(r)
			n++
		}
	}
	return n
}
