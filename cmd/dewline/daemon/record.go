package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/sensors"
	"dewline/store"
)

// A record is the store and what writes to it: the recorder's goroutine and the
// one that looks after what is kept. Others queue for it and look at its store.
type record struct {
	*base
	rec   *recorder
	redos *redoBook
	lost  atomic.Uint64 // readings and lines of the journal that could not be kept since the start

	store atomic.Pointer[store.Store]
	late  <-chan opened // the store that is being opened; nil where it was open at the start

	replaced atomic.Pointer[string] // why a store was begun anew, until that is told
	// moved tells the loop to look at the recorder and at lost.
	moved chan struct{}
}

func newRecord(b *base) *record {
	rc := &record{base: b, redos: &redoBook{due: map[sensors.ProbeID]redo{}, wake: make(chan struct{}, 1)}, moved: make(chan struct{}, 1)}
	rc.rec = newRecorder(nil, rc.log, func() { nudge(rc.moved) })
	rc.rec.lose = rc.countLost
	return rc
}

// Store returns the record; nil while none is open.
func (rc *record) Store() *store.Store { return rc.store.Load() }

// replacedBy takes in that the record was damaged while it was in use. What is
// open goes into the new one once it is written.
func (rc *record) replacedBy(report store.Report) {
	why := core.SetAside(report)
	rc.replaced.Store(&why)
	nudge(rc.moved) // a reader may have met the damage, and no write failed
}

func (rc *record) shut(ctx context.Context) {
	if rc.rec.held(ctx) {
		rc.log.Error("the record was never open: nothing of this run is kept", "dir", rc.o.Dir)
		return
	}
	if st := rc.Store(); st != nil {
		if err := st.Close(ctx); err != nil {
			rc.log.Error("the record did not close well", "err", err)
		}
	}
}

// start writes; stop writes the last of it, after last was called, and ends that.
func (rc *record) start(ctx context.Context, last func()) (stop func()) {
	written := running(ctx, func(ctx context.Context, done *sync.WaitGroup) { done.Go(func() { rc.rec.Run(ctx) }) })
	return func() {
		last()
		written()
		rc.shut(ctx)
	}
}

// countLost counts, and has the core look at once.
func (rc *record) countLost(n uint64) { rc.lost.Add(n); nudge(rc.moved) }

type opened struct {
	st     *store.Store
	report store.Report
	err    error
}

// openWithin is how long a start waits for the record before it watches without.
const openWithin = 8 * time.Second

// open opens the store and returns what an earlier run left in it. A
// store that cannot be opened does not stop the watch: it keeps readings in
// memory and tries again with every write. Only another dewline on the same
// record does, since two would tell everything twice.
func (rc *record) open(ctx context.Context) (core.Saved, store.Report, error) {
	web.DropCopies(rc.o.Dir)
	late, o := rc.tryOpen(ctx)
	st, report, err := o.st, o.report, o.err
	if errors.Is(err, store.ErrLocked) {
		return core.Saved{}, report, fmt.Errorf("another dewline uses the record in %s: stop it first, or give this one a directory of its own: %w", rc.o.Dir, err)
	}
	if err != nil {
		rc.late = late
		rc.keepInMemory(ctx, err)
		rc.log.Error("the record cannot be opened; watching and warning go on without it",
			"dir", rc.o.Dir, "err", err, "do", "make the directory writable for dewline; it is tried again")
		return core.Saved{}, report, nil
	}
	rc.store.Store(st)
	rc.rec.Attach(st)
	return rc.saved(o), report, nil
}

// saved reads what an earlier run left, and logs what cannot be read of it.
func (rc *record) saved(o opened) core.Saved {
	if o.report.Quarantined != "" {
		rc.log.Error("the record was damaged and set aside; a new one was begun",
			"file", o.report.Quarantined, "damage", o.report.Damage, "do", "dewline repair saves what can be read")
	}
	saved, err := loadSaved(o.st)
	saved.LastSet = o.report.LastSet
	if err != nil {
		rc.log.Error("part of the record cannot be read", "err", err)
	}
	return saved
}

func loadSaved(st *store.Store) (s core.Saved, err error) {
	if s.State, err = st.State(); err != nil {
		err = fmt.Errorf("read the rules' state: %w", err)
	}
	unread := store.JoinTo(&err)
	s.Alarms = slices.Collect(store.Good(st.Docs(store.BucketAlarms), unread))
	s.Outbox = slices.Collect(store.Good(st.Docs(store.BucketOutbox), unread))
	s.Drills = slices.Collect(store.Good(st.Docs(store.BucketDrills), unread))
	return s, err
}

// How long a record that was not open at the start may take to be looked through,
// and how long the next try waits where it cannot be opened.
const (
	lateWithin = 24 * time.Hour
	lateEvery  = 5 * time.Second
)

// tryOpen waits no longer than a start may take; what opens later comes by the channel.
func (rc *record) tryOpen(ctx context.Context) (<-chan opened, opened) {
	done := make(chan opened, 1)
	go func() { done <- rc.openStore(ctx, 0) }()
	select {
	case o := <-done:
		done <- o
		return done, o
	case <-time.After(openWithin):
		return done, opened{err: fmt.Errorf("the card did not answer within %s", openWithin)}
	}
}

func (rc *record) openStore(ctx context.Context, within time.Duration) (o opened) {
	cfg := rc.cfg.Load()
	o.st, o.report, o.err = rc.o.Open(ctx, store.Options{
		Dir: rc.o.Dir, Keep: core.KeepOf(cfg), Within: within, CheckLater: true,
		Limits: core.LimitsOf(cfg), Logger: rc.log, Replaced: rc.replacedBy,
		Lost: rc.countLost, Full: func() { rc.rec.ForceFlush(func() ([]byte, error) { return nil, nil }) },
	})
	return o
}

// keepInMemory uses a store without a file, which shows what was read since the start.
func (rc *record) keepInMemory(ctx context.Context, why error) {
	st, _, _ := store.Open(ctx, store.Options{Limits: core.LimitsOf(rc.cfg.Load()), Logger: rc.log, Lost: rc.countLost}) // without a directory it is memory
	rc.store.Store(st)
	rc.rec.Hold(st, why)
}

// runLate tries to open the record until it can, and has it joined with what went
// on meanwhile. Nothing is written before: what the record holds open
// would be written over.
func (rc *record) runLate(ctx context.Context, join func(context.Context, opened)) {
	again := time.NewTicker(lateEvery)
	defer again.Stop()
	var o opened
	select {
	case <-ctx.Done():
		return
	case o = <-rc.late:
	}
	for o.err != nil {
		if errors.Is(o.err, store.ErrLocked) {
			o.err = fmt.Errorf("another dewline uses it: %w", o.err)
		}
		rc.rec.fail(o.err)
		select {
		case <-ctx.Done():
			return
		case <-again.C:
		}
		o = rc.openStore(ctx, lateWithin)
	}
	join(ctx, o)
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
		lost := func(err error) { rc.log.Error("some readings since the start are lost", "probe", probe, "err", err) }
		for r := range store.Good(from.Readings(ctx, probe, time.Time{}, farFuture), lost) {
			r.At.Mono += by
			st.Append(r)
			n++
		}
	}
	return n
}

// A redo is the past of one probe whose sums do not follow a calibration yet. It
// is on record beside the calibration until they do, so that neither a restart
// nor a card that fails in the middle leaves half of them behind.
type redo struct {
	From  time.Time `json:"from"`
	Until time.Time `json:"until"` // from then on the readings themselves follow
}

// redoPrefix, with the probe's id behind it, is the key of a redo on record.
const redoPrefix = "redo/"

type redoBook struct {
	mu   sync.Mutex // guards due
	due  map[sensors.ProbeID]redo
	wake chan struct{}
}

// add joins a redo to what is due for its probe already, and returns that.
func (b *redoBook) add(probe sensors.ProbeID, r redo) redo {
	b.mu.Lock()
	defer b.mu.Unlock()
	if old, ok := b.due[probe]; ok {
		if old.From.Before(r.From) {
			r.From = old.From
		}
		if old.Until.After(r.Until) {
			r.Until = old.Until
		}
	}
	b.due[probe] = r
	return r
}

// takeOut takes a redo out, unless another calibration came meanwhile, and calls forget
// before one can come: forget must not hit the document of that.
func (b *redoBook) takeOut(probe sensors.ProbeID, r redo, forget func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.due[probe] == r {
		delete(b.due, probe)
		forget()
	}
}

func (b *redoBook) all() map[sensors.ProbeID]redo {
	b.mu.Lock()
	defer b.mu.Unlock()
	return maps.Clone(b.due)
}
