package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"sync"
	"syscall"
	"time"

	bolt "go.etcd.io/bbolt"
)

// pageSize is fixed: the library's default follows the kernel's, and a file
// must be readable on the next board.
const pageSize = 4096

// growBy is how much the file is lengthened at a time.
const growBy = 16 << 10

// boltOptions are the library's options for the record.
func (s *Store) boltOptions() *bolt.Options {
	mapped := int64(64 << 20)
	if strconv.IntSize == 64 {
		mapped = 1 << 30 // address space only; saves stopping readers to map again
	}
	return &bolt.Options{
		Timeout: time.Second, PageSize: pageSize, MaxSize: int(s.kept.Load().MaxBytes), ReadOnly: s.opt.ReadOnly,
		OpenFile:        s.opt.openFile,
		InitialMmapSize: int(min(mapped, s.kept.Load().MaxBytes)),
		// Writing the list of free pages would cost a page each commit. It is
		// left behind at a clean close; see leaveFreelist.
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

// leaveFreelist writes the list of free pages in a commit of its own, which holds
// nothing else: if it fails, or the list turns out damaged, the commit before
// has everything. With it, the next start need not find the free pages by going
// through the tree a second time, after the check. After a kill there is none,
// and the start does that.
func leaveFreelist(db *bolt.DB) {
	_ = guard(func() error {
		db.NoFreelistSync = false
		return db.Update(func(*bolt.Tx) error { return nil })
	})
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

// errPanic marks an error that came out of the library as a panic: the file, or
// the library's idea of it, can no longer be trusted.
var errPanic = errors.New("the record's pages are damaged")

// A handle is an open file. Whoever uses it holds the gate for reading; it is
// closed on purpose only by who holds it for writing.
type handle struct {
	*bolt.DB
	file *os.File // of the library
	gate sync.RWMutex
	gone bool // closed, guarded by gate
}

// openHandle opens the record itself.
func (s *Store) openHandle() (*handle, error) {
	h := &handle{}
	o := s.boltOptions()
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
	h.DB, err = openBolt(s.path, o)
	return h, err
}

// current returns the open file, nil for none.
func (s *Store) current() *handle {
	s.file.Lock()
	defer s.file.Unlock()
	return s.db
}

// mostMapped is how many bundles may be read through the mapping before their pages are
// given back: the kernel maps 64 kB around each page, 3 MB for so many.
const mostMapped = 48

// touched counts bundles that were read in tx, and gives the pages of the mapping back
// when these are many. What is read again comes from the kernel's cache, which has them
// only as long as nothing else needs the room.
func (s *Store) touched(tx *bolt.Tx, bundles int) {
	if s.mapped.Add(int64(bundles)) < mostMapped {
		return
	}
	s.mapped.Store(0)
	// The transaction keeps the mapping where it is. Without this only memory is lost.
	_, _, _ = syscall.Syscall(syscall.SYS_MADVISE, tx.DB().Info().Data, uintptr(tx.Size()), syscall.MADV_DONTNEED)
}

// become goes on with another file, or with none.
func (s *Store) become(h *handle) {
	s.file.Lock()
	s.db = h
	s.file.Unlock()
}

// enter returns the open file with its gate held for reading, nil for none.
func (s *Store) enter() *handle {
	for {
		h := s.current()
		if h == nil {
			return nil
		}
		h.gate.RLock()
		if !h.gone {
			return h
		}
		h.gate.RUnlock()
		if s.current() == h {
			return nil
		}
	}
}

// view runs f in a read transaction. After a panic of the library itself its locks
// are left as they were, so that the next one would wait for ever: then the file is
// let go of. A panic in f tells of one page only.
func (s *Store) view(f func(tx *bolt.Tx) error) error {
	h := s.enter()
	if h == nil {
		return ErrUnavailable
	}
	begun := false
	err := guard(func() error {
		return h.View(func(tx *bolt.Tx) error { begun = true; return f(tx) })
	})
	h.gate.RUnlock()
	if errors.Is(err, errPanic) && !begun {
		s.letGo(h)
	}
	return err
}

// update runs f in a write transaction and counts how it went. After a panic
// the file is let go of, to be checked and opened afresh by the next write. What
// f leaves to tx.OnCommit still runs under s.writing.
func (s *Store) update(f func(tx *bolt.Tx) error) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	h := s.enter()
	if h == nil {
		return ErrUnavailable
	}
	var pages int64
	committing := false
	err := guard(func() error {
		if s.headStale {
			if err := h.View(s.reloadHead); err != nil {
				return err
			}
		}
		return h.Update(func(tx *bolt.Tx) error {
			h.MaxSize = int(s.kept.Load().MaxBytes) // read by write transactions only
			tx.OnCommit(func() { stats := tx.Stats(); pages = stats.GetPageAlloc() })
			err := f(tx)
			committing = err == nil
			return err
		})
	})
	h.gate.RUnlock()
	if err == nil {
		s.measure()
		s.mu.Lock()
		s.fig.commits++
		s.fig.written += uint64(pages) + pageSize // and the meta page
		s.fig.lastCommit = s.now()
		s.mu.Unlock()
		return nil
	}
	s.failed(err)
	if committing {
		// When the last sync of a commit fails, the commit is in the file all
		// the same. What is there has to be looked up before the next one.
		s.stale.Store(true)
		s.headStale = true
	}
	if errors.Is(err, errPanic) {
		s.letGo(h)
	}
	return err
}

// reloadHead takes the journal's head from the file.
func (s *Store) reloadHead(tx *bolt.Tx) (err error) {
	s.head, err = loadHead(tx)
	s.headStale = err != nil
	return err
}

// resync makes the index agree with the file after a commit that may or may not
// have happened, and has the open hour written afresh. The caller holds the
// flushing token.
func (s *Store) resync() error {
	if !s.stale.Load() {
		return nil
	}
	s.layout.Lock()
	defer s.layout.Unlock()
	var onDisk []*entry
	err := s.view(func(tx *bolt.Tx) error {
		onDisk = loadIndex(tx)
		return nil
	})
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.mem.reconcile(onDisk)
	s.lastSum.Store(0)
	s.rewrite = true
	s.stale.Store(false)
	return nil
}

// reconcile takes over what is on disk; hours that are not there stay waiting.
func (m *memory) reconcile(onDisk []*entry) {
	have := make(map[string]*entry, len(m.entries))
	for _, e := range m.entries {
		have[string(e.name)] = e
	}
	next := memory{}
	for _, d := range onDisk {
		if e := have[string(d.name)]; e != nil {
			e.raw, e.table, e.noRaw = nil, nil, d.noRaw
			d = e
			delete(have, string(d.name))
		}
		next.insert(d)
	}
	for _, e := range have {
		if e.raw != nil {
			next.insert(e)
		} else {
			e.gone = true
		}
	}
	m.entries = next.entries
	for _, p := range m.order {
		p.parted, p.rowed = 0, 0
	}
}

// letGo forgets a database that panicked. Closing it may hang on a lock that the
// panic left held, so a goroutine of its own does that, and whoever waits in it is
// left there. The lock on the file is given up here, for the next attempt to open it.
func (s *Store) letGo(h *handle) {
	s.file.Lock()
	defer s.file.Unlock()
	if s.db != h {
		return
	}
	s.db = nil
	if h.file != nil {
		_ = syscall.Flock(int(h.file.Fd()), syscall.LOCK_UN)
	}
	go func() { _ = guard(h.Close) }()
}

// measure notes the length of the file and the bytes of it in use, for those who
// must not wait for a disk.
func (s *Store) measure() {
	var size, used int64
	err := s.view(func(tx *bolt.Tx) error {
		st := tx.DB().Stats()
		used = tx.Size() - int64(st.FreePageN+st.PendingPageN)*pageSize
		return nil
	})
	info, serr := os.Stat(s.path)
	s.notePlace(info, serr)
	if errors.Join(err, serr) != nil {
		return
	}
	size = info.Size()
	s.mu.Lock()
	s.fig.size, s.fig.used = size, used
	s.mu.Unlock()
}

// notePlace remembers whether the open file still has its name: what is written to
// one without a name is gone at the next start.
func (s *Store) notePlace(info os.FileInfo, err error) {
	place := inPlace
	if h := s.current(); h != nil && h.file != nil {
		switch mine, ferr := h.file.Stat(); {
		case errors.Is(err, os.ErrNotExist):
			place = nameGone
		case err == nil && ferr == nil && !os.SameFile(mine, info):
			place = nameTaken
		}
	}
	s.place.Store(place)
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
func (s *Store) displaced() error {
	info, err := os.Stat(s.path)
	s.notePlace(info, err)
	if s.place.Load() == nameTaken {
		return ErrDisplaced
	}
	return nil
}

// backInPlace gives a record whose file was removed under it its name again, with
// all that it holds.
func (s *Store) backInPlace(ctx context.Context) error {
	switch s.place.Load() {
	case nameTaken:
		return ErrDisplaced
	case nameGone:
		if err := os.MkdirAll(s.opt.Dir, 0o700); err != nil {
			return err
		}
		room, err := s.roomForCopy()
		if err != nil {
			return err
		}
		if !room { // each try would wear the card with as much as fits
			return fmt.Errorf("the record's file was removed while it was in use, and to write it anew: %w", syscall.ENOSPC)
		}
		s.opt.Logger.Error("the record's file was removed while it was in use; it is written anew", "file", s.path)
		return s.compact(ctx, true)
	}
	return nil
}

// sizes returns the length of the file and the bytes of it in use, as measured last.
func (s *Store) sizes() (size, used int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fig.size, s.fig.used
}

// create makes an empty record at path: whole and on disk under another name
// first, since a power cut during the library's first write can leave a file
// that nothing opens.
func create(path string, fill func(tx *bolt.Tx) error) error {
	tmp := path + ".new"
	if err := os.Remove(tmp); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	db, err := openBolt(tmp, &bolt.Options{Timeout: time.Second, PageSize: pageSize, NoFreelistSync: true})
	if err != nil {
		return fmt.Errorf("begin a new record: %w", err)
	}
	err = guard(func() error { return db.Update(fill) })
	if err = errors.Join(err, db.Close()); err == nil {
		err = syncPath(tmp)
	}
	if err == nil {
		err = os.Rename(tmp, path)
	}
	if err != nil {
		_ = os.Remove(tmp)
		return fmt.Errorf("begin a new record: %w", err)
	}
	return syncPath(filepath.Dir(path))
}

// syncPath flushes a file or folder to the disk.
func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	err = f.Sync()
	return errors.Join(err, f.Close())
}

// quarantine keeps a damaged file under a dated name. Where the file system knows
// second names it has its own as well, until another takes that: a power cut in
// between leaves it to be found again. fresh is false where that had happened.
func quarantine(path string, now time.Time) (name string, fresh bool, err error) {
	if name = keptAs(path); name != "" {
		return name, false, nil
	}
	base := fmt.Sprintf("%s.damaged-%s", path, now.UTC().Format("20060102T150405Z"))
	name = base
	for i := 2; ; i++ {
		if _, err := os.Lstat(name); errors.Is(err, os.ErrNotExist) {
			break
		}
		name = fmt.Sprintf("%s-%d", base, i)
	}
	if os.Link(path, name) != nil {
		if err := os.Rename(path, name); err != nil {
			return "", false, fmt.Errorf("move the damaged record aside: %w", err)
		}
	}
	return name, true, syncPath(filepath.Dir(path))
}

// keptAs is the dated name that the file at path has beside its own, if any.
func keptAs(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	names, _ := filepath.Glob(path + ".damaged-*") // the pattern is a good one
	for _, name := range names {
		if other, err := os.Stat(name); err == nil && os.SameFile(info, other) {
			return name
		}
	}
	return ""
}

// lockFree reports ErrLocked while another process has the file open for
// writing. The library takes the lock itself afterwards; this only keeps the
// check from reading a file that is being written.
func lockFree(f *os.File, shared bool) error {
	how := syscall.LOCK_EX | syscall.LOCK_NB
	if shared {
		how = syscall.LOCK_SH | syscall.LOCK_NB
	}
	err := syscall.Flock(int(f.Fd()), how)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return ErrLocked
	}
	return err
}
