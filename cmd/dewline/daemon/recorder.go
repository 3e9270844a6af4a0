package daemon

import (
	"cmp"
	"context"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// A ledger is the part of the store that the recorder writes to.
type ledger interface {
	Append(sensors.Reading)
	Commit(store.Commit) error
	Write(ctx context.Context, c store.Commit) error
}

// Limits of what a recorder holds while the disk refuses.
const (
	maxJournalBacklog = 10_000
	retryCommit       = 2 * time.Second
	slowCommit        = 10 * time.Second
)

// A recorder writes to the store on a goroutine of its own, so that a card
// that fails or hangs delays no decision. What could not be written is kept
// and written later; of one document only the newest version.
type recorder struct {
	log *slog.Logger
	// changed is told when writing stops or resumes. It must not block; nil tells nobody.
	changed func()
	// lose is told at once of how many readings or lines are not kept. It must not
	// block; nil tells nobody.
	lose func(n uint64)

	mu     sync.Mutex // guards what follows
	ledger ledger     // nil for none
	hold   bool       // the ledger is memory: everything waits for a record
	queue
	busy    time.Time // when the write under way began; zero for none
	failing error     // why nothing can be written; nil while it can

	wake chan struct{}
}

type queue struct {
	docs    map[docKey]store.Doc
	journal []event.Event
	flush   bool   // the open blocks are to be written
	state   []byte // and the rules' state with them, unless nil
	waiters []chan struct{}
}

type docKey struct {
	bucket store.Bucket
	key    string
}

func newRecorder(l ledger, log *slog.Logger, changed func()) *recorder {
	return &recorder{log: log, changed: changed, ledger: l, queue: queue{docs: map[docKey]store.Doc{}}, wake: make(chan struct{}, 1)}
}

// Append passes a reading to the open block in memory.
func (r *recorder) Append(reading sensors.Reading) {
	r.mu.Lock()
	l := r.ledger
	r.mu.Unlock()
	switch {
	case l != nil:
		l.Append(reading)
	case r.lose != nil:
		r.lose(1)
	}
}

// trimJournal drops the oldest lines beyond the backlog. The caller holds mu.
func (r *recorder) trimJournal() {
	extra := len(r.journal) - maxJournalBacklog
	if extra <= 0 {
		return
	}
	r.journal = slices.Delete(r.journal, 0, extra)
	if r.lose != nil {
		r.lose(uint64(extra))
	}
}

// Put queues documents and journal entries for the next transaction and
// returns at once. The channel is closed when they are on the disk.
func (r *recorder) Put(docs []store.Doc, journal []event.Event) <-chan struct{} {
	done := make(chan struct{})
	r.mu.Lock()
	for _, d := range docs {
		r.docs[docKey{d.Bucket, d.Key}] = d
	}
	r.journal = append(r.journal, journal...)
	r.trimJournal()
	r.waiters = newestWaiters(append(r.waiters, done))
	r.mu.Unlock()
	nudge(r.wake)
	return done
}

// newestWaiters lets go of who waited longest, and gave up after recordWait, where
// more wait than in any such time.
func newestWaiters(w []chan struct{}) []chan struct{} {
	return slices.Delete(w, 0, max(0, len(w)-maxWaiters))
}

const maxWaiters = 1024

// Later queues events that go with the next transaction, whatever that is for.
func (r *recorder) Later(journal []event.Event) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.journal = append(r.journal, journal...)
	r.trimJournal()
}

// Flush asks for the open blocks to be written, with a state unless state
// returns none. It reports false, and does nothing, while an earlier write is
// still under way.
func (r *recorder) Flush(state func() ([]byte, error)) bool {
	r.mu.Lock()
	idle := r.busy.IsZero() && !r.flush && r.ledger != nil
	r.mu.Unlock()
	if !idle {
		return false
	}
	r.ForceFlush(state)
	return true
}

// ForceFlush is Flush whatever else is under way.
func (r *recorder) ForceFlush(state func() ([]byte, error)) {
	b, err := state()
	if err != nil {
		r.log.Error("the rules' state cannot be kept", "err", err)
	}
	r.mu.Lock()
	if r.ledger != nil {
		r.flush = true
		if b != nil {
			r.state = b
		}
	}
	r.mu.Unlock()
	nudge(r.wake)
}

// Hold has readings kept in memory and everything else wait until Attach: a
// record that is not open yet, and why, may hold what must not be overwritten.
func (r *recorder) Hold(memory ledger, why error) {
	r.mu.Lock()
	r.ledger, r.hold = memory, true
	r.mu.Unlock()
	r.fail(why)
}

// fail takes in that nothing can be written, and why; or, with nil, that it can.
func (r *recorder) fail(why error) {
	r.mu.Lock()
	r.failing = why
	r.mu.Unlock()
	if r.changed != nil {
		r.changed()
	}
}

// fault says why nothing can be written, nil while it can.
func (r *recorder) fault() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.failing
}

// rebase moves what waits for a record by so much running time.
func (r *recorder) rebase(by time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	docs := map[docKey]store.Doc{}
	for _, doc := range r.docs {
		if moved := core.Rebased(doc, by); moved != nil {
			docs[docKey{moved.Bucket, moved.Key}] = *moved
		}
	}
	r.docs, r.state = docs, nil
	for i := range r.journal {
		r.journal[i].At.Mono += by
	}
}

// Attach gives the recorder a store to write to.
func (r *recorder) Attach(l ledger) {
	r.mu.Lock()
	r.ledger, r.hold = l, false
	r.mu.Unlock()
	nudge(r.wake)
}

// Stuck reports whether a write has been under way for long, by the process's
// clock.
func (r *recorder) Stuck(now time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return !r.busy.IsZero() && now.Sub(r.busy) > slowCommit
}

// ill reports whether the disk fails, or hangs for longer than an answer waits for it.
func (r *recorder) ill(now time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.failing != nil || !r.busy.IsZero() && now.Sub(r.busy) >= recordWait
}

// Run writes until ctx ends, then once more.
func (r *recorder) Run(ctx context.Context) {
	retry := time.NewTimer(time.Hour)
	defer retry.Stop()
	for {
		select {
		case <-ctx.Done():
			r.write(context.WithoutCancel(ctx))
			return
		case <-r.wake:
		case <-retry.C:
		}
		if !r.write(context.WithoutCancel(ctx)) {
			retry.Reset(retryCommit)
		}
	}
}

type job struct {
	ledger ledger
	queue
}

// write commits what is queued and reports whether nothing is left to retry.
func (r *recorder) write(ctx context.Context) bool {
	if r.held(ctx) {
		return true
	}
	j, ok := r.take()
	if !ok {
		return true
	}
	err := j.write(ctx)
	r.finish(&j, err)
	return err == nil
}

// held reports whether everything waits. A batch then makes memory pack its hours.
func (r *recorder) held(ctx context.Context) bool {
	r.mu.Lock()
	hold, pack, memory := r.hold, r.flush, r.ledger
	if hold {
		r.flush, r.state = false, nil
	}
	r.mu.Unlock()
	if hold && pack {
		_ = memory.Write(ctx, store.Commit{}) // it cannot write, and says so
	}
	return hold
}

func (r *recorder) take() (job, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.ledger == nil || (len(r.docs) == 0 && len(r.journal) == 0 && !r.flush) {
		return job{}, false
	}
	j := job{r.ledger, r.queue}
	r.queue = queue{docs: map[docKey]store.Doc{}}
	r.busy = time.Now()
	return j, true
}

// write commits documents at once, as alarms must not wait for what else a batch may
// do. Events alone go with the batch: each transaction writes pages of its own.
func (j *job) write(ctx context.Context) error {
	c := store.Commit{Journal: j.journal}
	order := func(a, b docKey) int { return cmp.Or(cmp.Compare(a.bucket, b.bucket), cmp.Compare(a.key, b.key)) }
	for _, k := range slices.SortedFunc(maps.Keys(j.docs), order) {
		c.Docs = append(c.Docs, j.docs[k])
	}
	if len(c.Docs) > 0 || !j.flush {
		if err := j.ledger.Commit(c); err != nil || !j.flush {
			return err
		}
		j.docs, j.journal, c = nil, nil, store.Commit{}
	}
	c.State = j.state
	return j.ledger.Write(ctx, c)
}

// finish puts back what could not be written, under what came meanwhile.
func (r *recorder) finish(j *job, err error) {
	r.mu.Lock()
	r.busy = time.Time{}
	if err != nil {
		for k, d := range j.docs {
			if _, newer := r.docs[k]; !newer {
				r.docs[k] = d
			}
		}
		r.journal = append(j.journal, r.journal...)
		r.trimJournal()
		r.waiters = newestWaiters(append(j.waiters, r.waiters...))
		r.flush = r.flush || j.flush
		if r.state == nil {
			r.state = j.state
		}
	}
	news := (err != nil) != (r.failing != nil)
	r.mu.Unlock()
	if err == nil {
		for _, w := range j.waiters {
			close(w)
		}
	}
	if !news {
		return
	}
	if err != nil {
		r.log.Error("the record cannot be written; watching and warning go on", "err", err)
	} else {
		r.log.Info("the record is being written again")
	}
	r.fail(err)
}
