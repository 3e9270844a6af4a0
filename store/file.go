package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	bolt "go.etcd.io/bbolt"
)

// A recordFile is the file of the record, open or not, and what happened to it.
type recordFile struct {
	opt  Options
	path string
	kept atomic.Pointer[Keep]
	now  func() time.Time // for names of quarantined files and LastCommit

	writing   sync.Mutex // one write transaction with its bookkeeping
	currently sync.Mutex // guards db, never held for long
	db        *handle    // nil while the disk would not have it
	closed    atomic.Bool
	place     atomic.Int32 // where the open file was at the last commit
	stale     atomic.Bool  // a commit failed half-way: see resync
	unchecked atomic.Bool  // most of the file is still to be checked: see Check
	suspect   atomic.Bool  // it is to be checked before it is opened again
	mapped    atomic.Int64 // see touched
	indexed   atomic.Pointer[index]

	figuring sync.Mutex // guards fig
	fig      Stats      // of the file, as of the last commit
}

// An entry is one bundle of the file, as its name tells.
type entry struct {
	key   bundleKey
	noRaw bool // readings are past their age; rollups are kept
}

// An index lists the bundles of the file by seq, days before later hours. It is that of a
// file as long as nothing is put into the roots of bundles or taken out, which they count.
type index struct {
	db        *bolt.DB
	raw, sums uint64
	entries   []entry
}

// ErrUnavailable says that the record cannot be opened now. Readings are kept
// in memory meanwhile, and every Flush or Commit tries again.
var ErrUnavailable = errors.New("the record is not available")

// growBy is how much the file is lengthened at a time, and a small one by less.
const growBy = 16 << 10

func (r *recordFile) boltOptions() *bolt.Options {
	mapped := int64(64 << 20)
	if strconv.IntSize == 64 {
		mapped = 1 << 30 // address space only; saves stopping readers to map again
	}
	return &bolt.Options{
		Timeout: time.Second, PageSize: pageSize, MaxSize: int(r.kept.Load().MaxBytes), ReadOnly: r.opt.ReadOnly,
		OpenFile:        r.opt.openFile,
		InitialMmapSize: int(min(mapped, r.kept.Load().MaxBytes)),
		// Writing the list of free pages would cost a page each commit; see setFreelist.
		NoFreelistSync: true, FreelistType: bolt.FreelistMapType,
	}
}

// openBolt opens path; faults of a mapped file come back as errors.
func openBolt(path string, o *bolt.Options) (db *bolt.DB, err error) {
	err = guard(func() error {
		var err error
		db, err = bolt.Open(path, 0o600, o)
		return err
	})
	if err != nil {
		return nil, err
	}
	db.AllocSize = growBy
	return db, nil
}

// guard turns a panic or a memory fault in f (a page that the card cannot give,
// a file cut short) into an error.
func guard(f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%w: %v", errPanic, p)
		}
	}()
	return f()
}

// A handle is an open file. Whoever uses it holds the gate for reading; it is
// closed on purpose only by who holds it for writing.
type handle struct {
	*bolt.DB
	file *os.File // of the library
	gate sync.RWMutex
	gone bool // closed, guarded by gate
}

// openHandle opens the record itself.
func (r *recordFile) openHandle() (*handle, error) {
	h := &handle{}
	o := r.boltOptions()
	open := o.OpenFile
	if open == nil {
		open = os.OpenFile
	}
	o.OpenFile = func(name string, flag int, perm os.FileMode) (f *os.File, err error) {
		f, err = open(name, flag, perm)
		h.file = f
		return f, err
	}
	var err error
	if h.DB, err = openBolt(r.path, o); err != nil {
		return h, err
	}
	return h, h.View(func(tx *bolt.Tx) error {
		r.touched(tx, mostMapped) // the library went through all of it for free pages
		return nil
	})
}

// current returns the open file, nil for none.
func (r *recordFile) current() *handle {
	r.currently.Lock()
	defer r.currently.Unlock()
	return r.db
}

// mostMapped is how many bundles may be read through the mapping before their pages are
// given back: the kernel maps 64 kB around each page, 3 MB for so many.
const mostMapped = 48

// touched counts bundles that were read in tx, and gives the pages of the mapping back
// when these are many. What is read again comes from the kernel's cache, which has them
// only as long as nothing else needs the room.
func (r *recordFile) touched(tx *bolt.Tx, bundles int) {
	if r.mapped.Add(int64(bundles)) < mostMapped {
		return
	}
	r.mapped.Store(0)
	// The transaction keeps the mapping where it is. Without this only memory is lost.
	_, _, _ = syscall.Syscall(syscall.SYS_MADVISE, tx.DB().Info().Data, uintptr(tx.Size()), syscall.MADV_DONTNEED)
}

// become goes on with another file, or with none.
func (r *recordFile) become(h *handle) {
	r.currently.Lock()
	r.db = h
	r.currently.Unlock()
}

// enter returns the open file with its gate held for reading, nil for none.
func (r *recordFile) enter() *handle {
	for {
		h := r.current()
		if h == nil {
			return nil
		}
		h.gate.RLock()
		if !h.gone {
			return h
		}
		h.gate.RUnlock()
		if r.current() == h {
			return nil
		}
	}
}

// using runs f with the open file, which is not closed meanwhile.
func (r *recordFile) using(f func(h *handle) error) error {
	h := r.enter()
	if h == nil {
		return ErrUnavailable
	}
	defer h.gate.RUnlock()
	return f(h)
}

// view runs f in a read transaction. After a panic of the library itself its locks
// are left as they were, so that the next one would wait for ever: then the file is
// let go of. A panic in f tells of one page only.
func (r *recordFile) view(f func(tx *bolt.Tx) error) error {
	return r.using(func(h *handle) error {
		begun := false
		err := guard(func() error {
			return h.View(func(tx *bolt.Tx) error { begun = true; return f(tx) })
		})
		if errors.Is(err, errPanic) && !begun {
			r.letGo(h)
		}
		return err
	})
}

// letGo forgets a database that panicked. Closing it may hang on a lock that the
// panic left held, so a goroutine of its own does that, and whoever waits in it is
// left there. The lock on the file is given up here, for the next attempt to open it.
func (r *recordFile) letGo(h *handle) {
	r.currently.Lock()
	defer r.currently.Unlock()
	if r.db != h {
		return
	}
	r.db = nil
	r.suspect.Store(true)
	if h.file != nil {
		_ = syscall.Flock(int(h.file.Fd()), syscall.LOCK_UN)
	}
	go func() { _ = guard(h.Close) }()
}

// reopen closes the file, lets between change it, and opens it again. Readers wait at the
// gate of the old one meanwhile; after an error there is none, and the next write tries.
// The caller holds the writing lock.
func (r *recordFile) reopen(between func() error) error {
	old := r.current()
	if old == nil {
		return ErrUnavailable
	}
	old.gate.Lock()
	defer old.gate.Unlock()
	if old.gone {
		return ErrUnavailable
	}
	old.gone = true
	err := guard(old.Close)
	if err == nil {
		err = between()
	}
	var h *handle
	if err == nil {
		h, err = r.openHandle()
	}
	if err != nil {
		h = nil
	}
	r.become(h)
	return err
}

// A token is held by one at a time, who may be waited for no longer than a context lasts.
type token chan struct{}

func (t token) take(ctx context.Context) error {
	select {
	case t <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (t token) give() { <-t }
