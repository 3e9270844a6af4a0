package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"math/big"
	"time"

	"dewline/cmd/dewline/core"
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
func (rc *record) tryOpen(ctx context.Context) (<-chan opened, opened) {
	done := make(chan opened, 1)
	go func() { done <- rc.openStore(ctx, 0) }()
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
func (rc *record) openStore(ctx context.Context, within time.Duration) (o opened) {
	cfg := rc.cfg.Load()
	o.st, o.report, o.err = rc.o.Open(ctx, store.Options{
		Dir: rc.o.Dir, Keep: core.KeepOf(cfg), Within: within, CheckLater: true,
		Limits: core.LimitsOf(cfg), Logger: rc.log, Replaced: rc.replacedBy,
		Lost: rc.lostReadings, Full: func() { rc.rec.ForceFlush(func() ([]byte, error) { return nil, nil }) },
	})
	return o
}

// keepInMemory takes a store without a file in use until the record opens: it
// shows what was read since the start.
func (rc *record) keepInMemory(ctx context.Context) {
	st, _, _ := store.Open(ctx, store.Options{Limits: core.LimitsOf(rc.cfg.Load()), Logger: rc.log, Lost: rc.lostReadings}) // without a directory it is memory
	rc.use(st)
	rc.rec.Hold(st)
}

func (rc *record) use(st *store.Store) {
	rc.storeMu.Lock()
	rc.store = st
	rc.storeMu.Unlock()
}

// attach takes an open record in use.
func (rc *record) attach(st *store.Store) {
	rc.use(st)
	rc.rec.Attach(st)
}

// runLate tries to open the record until it can, and has it joined with what went
// on meanwhile. Nothing is written before: what the record holds open
// would be written over.
func (rc *record) runLate(ctx context.Context, join func(context.Context, opened)) {
	again := time.NewTicker(lateEvery)
	defer again.Stop()
	for {
		var o opened
		select {
		case <-ctx.Done():
			return
		case o = <-rc.late:
		}
		if o.err == nil {
			join(ctx, o)
			return
		}
		if errors.Is(o.err, store.ErrLocked) {
			o.err = fmt.Errorf("another dewline uses it: %w", o.err)
		}
		rc.health(false, o.err.Error())
		select {
		case <-ctx.Done():
			return
		case <-again.C:
		}
		next := make(chan opened, 1)
		next <- rc.openStore(ctx, lateWithin)
		rc.late = next
	}
}

// onsetLeap draws how many onset numbers this run leaves out. Numbers stay far
// below 2^53, which a page's numbers can hold, for 2^33 starts.
func onsetLeap() uint64 {
	n, _ := rand.Int(rand.Reader, big.NewInt(1<<20)) // never fails, crypto/rand
	return 1 + n.Uint64()
}

// takeReadings passes the readings that were kept in memory to a record, moved by
// so much running time, and returns how many there were.
func (rc *record) takeReadings(ctx context.Context, st *store.Store, by time.Duration) int {
	n := 0
	from := rc.Store()
	for _, probe := range from.Probes() {
		for r, err := range from.Readings(ctx, probe, time.Time{}, farFuture) {
			if err != nil {
				rc.log.Error("some readings since the start are lost", "probe", probe, "err", err)
				continue
			}
			r.At.Mono += by
			st.Append(r)
			n++
		}
	}
	return n
}
