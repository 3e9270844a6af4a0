package daemon

import (
	"context"
	"sync"
	"sync/atomic"

	"dewline/cmd/dewline/core"
	"dewline/rules/alarm"
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

// Store returns the record; nil while none is open.
func (rc *record) Store() *store.Store { return rc.store.Load() }

// replacedBy takes in that the record was damaged while it was in use. What is
// open goes into the new one once it is written.
func (rc *record) replacedBy(report store.Report) {
	why := core.SetAside(report)
	rc.replaced.Store(&why)
	rc.nudge() // a reader may have met the damage, and no write failed
}

func (rc *record) nudge() {
	select {
	case rc.moved <- struct{}{}:
	default: // the core will see the newest when it looks
	}
}

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

// start writes; stop writes the last of it, after last was called, and ends that.
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

// lose counts, and has the core look at once.
func (rc *record) lose(n uint64) { rc.lost.Add(n); rc.nudge() }

type opened struct {
	st     *store.Store
	report store.Report
	err    error
}
