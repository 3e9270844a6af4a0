package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"dewline/sensors"
	"dewline/store/block"
)

// Store is an open record. All methods are safe for concurrent use.
//
// Locks, in the order they are taken: tidying, flushing, layout, writing, the gate of
// a handle, file, mu. Only mu is taken by Append and Stats, and nobody holds file or
// mu across a disk access.
type Store struct {
	opt    Options
	path   string
	limits atomic.Pointer[LimitsFunc]
	kept   atomic.Pointer[Keep]

	mu  sync.Mutex // memory and figures
	mem memory
	fig figures

	dirs   directories
	mapped atomic.Int64 // see touched

	tidying   chan struct{}             // holds one token: Recompute, Compact, Regain, a copy
	flushing  chan struct{}             // holds one token: Flush, and a part of the former
	writing   sync.Mutex                // one write transaction with its bookkeeping
	layout    sync.RWMutex              // written while bundles are taken out of the index
	file      sync.Mutex                // guards db, never held for long
	db        *handle                   // nil while the disk would not have it
	head      journalHead               // guarded by writing
	rows      openRows                  // guarded by flushing
	enc       block.Encoder             // guarded by flushing
	encs      [maxWorkers]block.Encoder // one for each goroutine of share, the same
	lastSum   atomic.Uint32             // checksum of the state as stored, 0 if not known
	closed    atomic.Bool
	place     atomic.Int32     // where the open file was at the last commit
	stale     atomic.Bool      // a commit failed half-way: see resync
	headStale bool             // the same for head, guarded by writing
	rewrite   bool             // the next flush writes the open hour afresh, guarded by flushing
	attached  bool             // the file was open before, guarded by flushing
	now       func() time.Time // for names of quarantined files and LastCommit
}

// figures count what happened since Open.
type figures struct {
	commits, errors, damaged, written uint64
	lastCommit                        time.Time
	lastError                         string
	size, used                        int64 // of the file, after the last commit
}

// openRows tells what the open hour has on disk.
type openRows struct {
	next  uint64 // number of the next row or part
	bytes int    // that rows take up in the root page
}

// ErrNewer says that the file was written by a later version.
var ErrNewer = errors.New("the record was written by a newer version of dewline; install that version, or move the file away")

// ErrLocked says that another process has the record open.
var ErrLocked = errors.New("the record is in use by another process")

// ErrUnavailable says that the record cannot be opened now. Readings are kept
// in memory meanwhile, and every Flush or Commit tries again.
var ErrUnavailable = errors.New("the record is not available")

// Open opens or begins the record in o.Dir. It checks an existing file before
// use, moves a damaged one aside and salvages what it can within seconds.
//
// The Store is usable even when err is not nil: it then holds readings in
// memory, and each Flush or Commit tries to open the file again. A daemon should
// carry on with it and say that the record is incomplete.
func Open(ctx context.Context, o Options) (*Store, Report, error) {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	s := &Store{
		opt: o, path: filepath.Join(o.Dir, FileName), now: time.Now,
		tidying: make(chan struct{}, 1), flushing: make(chan struct{}, 1),
		mem: memory{probes: make(map[sensors.ProbeID]*openProbe), nextSeq: 1},
	}
	s.SetLimits(o.Limits)
	s.kept.Store(o.Keep.complete())
	ctx, cancel := context.WithTimeout(ctx, cmp.Or(o.Within, openLimit))
	defer cancel()
	report, err := s.attach(ctx)
	if err != nil {
		s.failed(err)
		return s, report, fmt.Errorf("open the record %s: %w", s.path, err)
	}
	return s, report, nil
}

// openLimit keeps Open under the 5 s that a start may spend on history.
const openLimit = 4 * time.Second

// SetLimits replaces the limits that rollups are made against from now on.
func (s *Store) SetLimits(f LimitsFunc) {
	if f == nil {
		f = func(sensors.ProbeID, sensors.Instant) Limits { return Limits{} }
	}
	s.limits.Store(&f)
}

// SetKeep replaces for how long the record is kept and how large it may grow, from
// the next write on. Tidy makes the file smaller.
func (s *Store) SetKeep(k Keep) { s.kept.Store(k.complete()) }

// Close flushes, then closes the file. The readings of a failed flush are lost,
// and the error says so. It gives up when ctx ends, whatever the disk does.
func (s *Store) Close(ctx context.Context) error {
	var err error
	if !s.opt.ReadOnly {
		err = s.Flush(ctx, nil)
	}
	s.closed.Store(true)
	cerr := bounded(ctx, func() error {
		s.writing.Lock()
		defer s.writing.Unlock()
		h := s.current()
		if h == nil {
			return nil
		}
		h.gate.Lock()
		defer h.gate.Unlock()
		h.gone = true
		s.become(nil)
		if !s.opt.ReadOnly {
			leaveFreelist(h.DB)
		}
		return guard(h.Close)
	})
	if err = errors.Join(err, cerr); err != nil {
		return fmt.Errorf("close the record %s: %w", s.path, err)
	}
	return nil
}

// failed counts an error.
func (s *Store) failed(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fig.errors++
	s.fig.lastError = err.Error()
}

// damagedRecord counts a record that was refused, and tells of the first.
func (s *Store) damagedRecord(err error) {
	s.mu.Lock()
	s.fig.damaged++
	first := s.fig.damaged == 1
	s.mu.Unlock()
	if first {
		s.opt.Logger.Error("part of the record is damaged and is not served; run dewline repair", "err", err)
	}
}

// Probes lists every probe on record, in the order they were first seen.
func (s *Store) Probes() []sensors.ProbeID {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]sensors.ProbeID, len(s.mem.order))
	for i, p := range s.mem.order {
		out[i] = p.id
	}
	return out
}

// Stats describes the store as of the last commit. It waits for no disk.
func (s *Store) Stats() Stats {
	st := Stats{CapBytes: s.kept.Load().MaxBytes}
	s.mu.Lock()
	defer s.mu.Unlock()
	st.FileBytes, st.FreeBytes = s.fig.size, s.fig.size-s.fig.used
	st.OpenReadings, st.Lost = s.mem.total, s.mem.lost
	for _, p := range s.mem.order {
		st.Unwritten += len(p.recs) - p.parted - p.rowed
	}
	oldest, newest := int64(math.MaxInt64), int64(math.MinInt64)
	for _, e := range s.mem.entries {
		if e.raw != nil {
			st.Unwritten += e.readings
			continue
		}
		st.Tables++
		if !e.noRaw {
			st.Blocks++
		}
		oldest, newest = min(oldest, e.key.wallMin), max(newest, e.key.wallMax)
	}
	for _, p := range s.mem.order {
		if n := len(p.recs); n > 0 {
			oldest, newest = min(oldest, p.recs[0].Wall), max(newest, p.recs[n-1].Wall)
		}
	}
	if oldest <= newest {
		st.OldestRaw, st.Newest = time.UnixMilli(oldest).UTC(), time.UnixMilli(newest).UTC()
	}
	f := &s.fig
	st.Commits, st.Errors, st.Damaged, st.BytesWritten = f.commits, f.errors, f.damaged, f.written
	st.LastCommit, st.LastError = f.lastCommit, f.lastError
	return st
}
