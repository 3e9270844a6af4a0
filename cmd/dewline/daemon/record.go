package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/rules/alarm"
	"dewline/store"
)

// A record is the store and what writes to it: the recorder's goroutine and the
// one that looks after what is kept. Others queue for it and look at its store.
type record struct {
	*base
	rec   *recorder
	redos *redoBook
	lost  lost

	storeMu sync.Mutex // guards store
	store   *store.Store
	late    <-chan opened // the store that is being opened; nil where it was open at the start

	recording atomic.Pointer[recordHealth]
	replaced  atomic.Pointer[string] // why a store was begun anew, until that is told
	// moved tells the loop to look at recording and lost.
	moved chan struct{}
}

func newRecord(b *base) *record {
	rc := &record{base: b, redos: newRedoBook(), moved: make(chan struct{}, 1)}
	rc.recording.Store(&recordHealth{ok: true})
	return rc
}

type recordHealth struct {
	ok  bool
	why alarm.Fact
}

// openWithin is how long the record may take to open: then watching begins without
// it.
const openWithin = 8 * time.Second

// open opens the store and returns what an earlier run left in it. A
// store that cannot be opened does not stop the watch: it keeps readings in
// memory and tries again with every write. Only another dewline on the same
// record does, since two would tell everything twice.
func (rc *record) open(ctx context.Context) (core.Saved, store.Report, error) {
	rc.rec = newRecorder(nil, rc.log, rc.health)
	rc.rec.lostReadings, rc.rec.lostLines = rc.lostReadings, rc.lostLines
	web.DropCopies(rc.o.Dir)
	late, o := rc.tryOpen(ctx)
	st, report, err := o.st, o.report, o.err
	if errors.Is(err, store.ErrLocked) {
		return core.Saved{}, report, fmt.Errorf("another dewline uses the record in %s: stop it first, or give this one a directory of its own: %w", rc.o.Dir, err)
	}
	if err != nil {
		rc.late = late
		rc.keepInMemory(ctx)
		rc.log.Error("the record cannot be opened; watching and warning go on without it",
			"dir", rc.o.Dir, "err", err, "do", "make the directory writable for dewline; it is tried again")
		rc.recording.Store(&recordHealth{why: alarm.Fact{ID: alarm.FactRecordNote, Note: err.Error()}})
		return core.Saved{}, report, nil
	}
	if report.Quarantined != "" {
		rc.log.Error("the record was damaged and set aside; a new one was begun",
			"file", report.Quarantined, "damage", report.Damage, "do", "dewline repair saves what can be read")
	}
	rc.attach(st)
	saved, err := loadSaved(st)
	saved.LastSet = report.LastSet
	if err != nil {
		rc.log.Error("part of the record cannot be read", "err", err)
	}
	return saved, report, nil
}

// Store returns the record; nil while none is open.
func (rc *record) Store() *store.Store {
	rc.storeMu.Lock()
	defer rc.storeMu.Unlock()
	return rc.store
}

// replacedBy takes in that the record was damaged while it was in use. What is
// open goes into the new one once it is written.
func (rc *record) replacedBy(report store.Report) {
	why := core.SetAside(report)
	rc.replaced.Store(&why)
	rc.nudge() // a reader may have met the damage, and no write failed
}

// nudge has the core look at how the record is.
func (rc *record) nudge() {
	select {
	case rc.moved <- struct{}{}:
	default: // the core will see the newest when it looks
	}
}

func loadSaved(st *store.Store) (core.Saved, error) {
	var s core.Saved
	var errs []error
	var err error
	if s.State, err = st.State(); err != nil {
		errs = append(errs, fmt.Errorf("read the rules' state: %w", err))
	}
	for _, b := range []struct {
		bucket store.Bucket
		to     *[]store.Doc
	}{{store.BucketAlarms, &s.Alarms}, {store.BucketOutbox, &s.Outbox}, {store.BucketDrills, &s.Drills}} {
		for doc, err := range st.Docs(b.bucket) {
			if err != nil {
				errs = append(errs, err)
				continue
			}
			*b.to = append(*b.to, doc)
		}
	}
	return s, errors.Join(errs...)
}

// health takes in that the record stopped or resumed being written.
func (rc *record) health(ok bool, note string) {
	h := recordHealth{ok: ok}
	if note != "" {
		h.why = alarm.Fact{ID: alarm.FactRecordNote, Note: note}
	}
	rc.recording.Store(&h)
	rc.nudge()
}

func (rc *record) close(ctx context.Context) {
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

// start writes; the returned function writes the last of it, after last was
// called, and ends that.
func (rc *record) start(ctx context.Context, last func()) (stop func()) {
	recCtx, cancel := context.WithCancel(ctx)
	var done sync.WaitGroup
	done.Go(func() { rc.rec.Run(recCtx) })
	return func() {
		last()
		cancel()
		done.Wait()
		rc.close(ctx)
	}
}
