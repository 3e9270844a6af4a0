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

// ErrUnavailable says that the record cannot be opened now. Readings are kept
// in memory meanwhile, and every Flush or Commit tries again.
var ErrUnavailable = errors.New("the record is not available")

// growBy is how much the file is lengthened at a time, and a small one by less.
const growBy = 16 << 10

// boltOptions are the library's options for the record.
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

// update runs f in a write transaction and counts how it went. After a panic
// the file is let go of, to be checked and opened afresh by the next write. What
// f leaves to tx.OnCommit still runs under s.writing.
func (r *recordFile) update(f func(tx *bolt.Tx) error) error {
	r.writing.Lock()
	defer r.writing.Unlock()
	h := r.enter()
	if h == nil {
		return ErrUnavailable
	}
	var pages int64
	committing := false
	err := guard(func() error {
		return h.Update(func(tx *bolt.Tx) error {
			h.MaxSize = int(r.kept.Load().MaxBytes) // read by write transactions only
			h.AllocSize = int(max(pageSize, min(growBy, tx.Size()/128/pageSize*pageSize)))
			tx.OnCommit(func() { stats := tx.Stats(); pages = stats.GetPageAlloc() })
			err := f(tx)
			committing = err == nil
			return err
		})
	})
	h.gate.RUnlock()
	if err == nil {
		r.wrote(1, uint64(pages)+pageSize) // and the meta page
		return nil
	}
	r.failed(err)
	if committing {
		// When the last sync of a commit fails, the commit is in the file all
		// the same. What is there has to be looked up before the next one.
		r.stale.Store(true)
	}
	if errors.Is(err, errPanic) {
		r.letGo(h)
	}
	return err
}

// wrote counts what is on the disk now.
func (r *recordFile) wrote(commits, bytes uint64) {
	r.measure()
	r.figuring.Lock()
	defer r.figuring.Unlock()
	r.fig.Commits += commits
	r.fig.BytesWritten += bytes
	r.fig.LastCommit = r.now()
}

// writeAt writes to pages that the library leaves alone, and waits until that is on the disk.
func (r *recordFile) writeAt(b []byte, off int64) error {
	r.writing.Lock()
	defer r.writing.Unlock()
	err := r.using(func(h *handle) error {
		_, err := h.file.WriteAt(b, off)
		if err == nil && !h.NoSync {
			err = syscall.Fdatasync(int(h.file.Fd()))
		}
		return err
	})
	if errors.Is(err, ErrUnavailable) {
		return err
	}
	if err != nil {
		r.failed(err)
		return fmt.Errorf("write readings: %w", err)
	}
	r.wrote(1, uint64(len(b)))
	return nil
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

// measure notes the length of the file, the bytes of it in use and its index, for those
// who must not wait for a disk.
func (r *recordFile) measure() {
	var used int64
	err := r.view(func(tx *bolt.Tx) error {
		st := tx.DB().Stats()
		used = tx.Size() - int64(st.FreePageN+st.PendingPageN)*pageSize
		_, err := r.index(tx)
		return err
	})
	info, serr := os.Stat(r.path)
	r.notePlace(info, serr)
	if errors.Join(err, serr) != nil {
		return
	}
	r.figuring.Lock()
	defer r.figuring.Unlock()
	r.fig.FileBytes, r.fig.FreeBytes = info.Size(), info.Size()-used
}

// notePlace remembers whether the open file still has its name: what is written to
// one without a name is gone at the next start.
func (r *recordFile) notePlace(info os.FileInfo, err error) {
	place := inPlace
	if h := r.current(); h != nil && h.file != nil {
		switch mine, ferr := h.file.Stat(); {
		case errors.Is(err, os.ErrNotExist):
			place = nameGone
		case err == nil && ferr == nil && !os.SameFile(mine, info):
			place = nameTaken
		}
	}
	r.place.Store(place)
}

// Where the open file is.
const (
	inPlace int32 = iota
	nameGone
	nameTaken
)

// ErrDisplaced says that another file took the record's place while it was open.
var ErrDisplaced = errors.New("another file has taken the record's place; stop dewline, and keep the one that you want")

// displaced looks whether another file has taken the record's place: nothing may be
// put over that.
func (r *recordFile) displaced() error {
	info, err := os.Stat(r.path)
	r.notePlace(info, err)
	if r.place.Load() == nameTaken {
		return ErrDisplaced
	}
	return nil
}

// sizes returns the length of the file and the bytes of it in use, as measured last.
func (r *recordFile) sizes() (size, used int64) {
	r.figuring.Lock()
	defer r.figuring.Unlock()
	return r.fig.FileBytes, r.fig.FileBytes - r.fig.FreeBytes
}

// written returns how many bytes were handed to the file.
func (r *recordFile) written() int64 {
	r.figuring.Lock()
	defer r.figuring.Unlock()
	return int64(r.fig.BytesWritten)
}

// failed counts an error.
func (r *recordFile) failed(err error) {
	r.figuring.Lock()
	defer r.figuring.Unlock()
	r.fig.Errors++
	r.fig.LastError = err.Error()
}

// damagedRecord counts a record that was refused, and tells of the first.
func (r *recordFile) damagedRecord(err error) {
	r.figuring.Lock()
	r.fig.Damaged++
	first := r.fig.Damaged == 1
	r.figuring.Unlock()
	if first {
		r.opt.Logger.Error("part of the record is damaged; run dewline repair", "err", err)
	}
}

// damagedIf counts err if it tells of a damaged record.
func (r *recordFile) damagedIf(err error) {
	if errors.Is(err, ErrDamaged) {
		r.damagedRecord(err)
	}
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
