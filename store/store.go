package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"dewline/sensors"
)

// Store is an open record. All methods are safe for concurrent use, those that it has
// from its parts too: upkeep has Tidy, Compact, Backup, Recompute and Regain; series
// Append, Probes, Readings, Rollups and SetLimits; recordFile documents, the state and the
// journal.
//
// Locks, in the order they are taken: tidying, flushing, writing, the gate of
// a handle, currently, mu, figuring. Only the last two are taken by Append and Stats, and
// nobody holds the last three across a disk access.
type Store struct{ *upkeep }

// Open opens or begins the record in o.Dir. It checks an existing file before
// use, and moves a damaged one aside: what is small and whole in it goes on in a new
// one, and Regain brings back the rest.
//
// The Store is usable even when err is not nil: it then holds readings in
// memory, and each Flush or Commit tries to open the file again. A daemon should
// carry on with it and say that the record is incomplete.
func Open(ctx context.Context, o Options) (*Store, Report, error) {
	return openPath(ctx, o, filepath.Join(o.Dir, FileName))
}

// openPath is Open of a file of any name in o.Dir.
func openPath(ctx context.Context, o Options, path string) (*Store, Report, error) {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	r := &recordFile{opt: o, path: path, now: time.Now}
	r.kept.Store(o.Keep.complete())
	r.indexed.Store(&index{})
	w := &writer{flushing: make(token, 1), series: &series{recordFile: r,
		mem: memory{probes: make(map[sensors.ProbeID]*openProbe), nextSeq: 1}}}
	w.SetLimits(o.Limits)
	s := &Store{&upkeep{writer: w, tidying: make(token, 1)}}
	ctx, cancel := context.WithTimeout(ctx, cmp.Or(o.Within, openLimit))
	defer cancel()
	report, err := s.attach(ctx)
	if err != nil {
		s.failed(err)
	}
	wrap(&err, "open the record %s", s.path)
	return s, report, err
}

// openLimit keeps Open under the 5 s that a start may spend on history.
const openLimit = 4 * time.Second

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
		err := guard(h.Close)
		if err == nil && s.unchecked.Load() {
			_ = os.Remove(s.path + uncheckedMark) // nothing ended it
		}
		return err
	})
	err = errors.Join(err, cerr)
	wrap(&err, "close the record %s", s.path)
	return err
}

// Stats describes the store as of the last commit. It waits for no disk.
func (s *Store) Stats() Stats {
	st := s.figures()
	st.CapBytes = s.kept.Load().MaxBytes
	s.mu.Lock()
	defer s.mu.Unlock()
	st.OpenReadings, st.Lost = s.mem.total, s.mem.lost
	for _, p := range s.mem.order {
		st.Unwritten += len(p.recs) - p.written
	}
	oldest, newest := int64(math.MaxInt64), int64(math.MinInt64)
	for _, h := range s.mem.waiting {
		st.Unwritten += h.readings
	}
	for _, e := range s.lastIndex() {
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
	return st
}

// Flush is Write of nothing but readings and the engine's state.
func (s *Store) Flush(ctx context.Context, state []byte) error {
	return s.Write(ctx, Commit{State: state})
}

// Write writes the readings since the last one and then, in one transaction, all of c.
// After an error the readings stay in memory and the next Write takes them along; c is
// to be given again. ctx bounds the wait for another flush, not the disk.
func (s *Store) Write(ctx context.Context, c Commit) (err error) {
	defer wrap(&err, "flush the record")
	if err := c.check(); err != nil {
		return err
	}
	openErr := s.backInPlace(ctx)
	if err := s.flushing.take(ctx); err != nil {
		return fmt.Errorf("another write is still going on: %w", err)
	}
	defer s.flushing.give()
	if openErr == nil {
		openErr = s.reattach(ctx)
	}
	if openErr == nil {
		openErr = s.resync()
	}
	// Also while the disk takes nothing: sealed hours take up far less memory.
	if err := s.seal(); err != nil {
		return err
	}
	if err = openErr; err != nil {
		s.failed(err)
	} else {
		err = s.withRoom(func() error { return s.carryOut(s.plan(c)) })
	}
	if err != nil {
		s.trimRefused()
	}
	return err
}

// trimRefused bounds what waits for a disk that takes nothing.
func (s *Store) trimRefused() {
	s.mu.Lock()
	lost := s.mem.trimSealed()
	s.mu.Unlock()
	s.tellLost(lost)
}

// Commit writes documents, journal entries and state at once, in one
// transaction that is on the disk when it returns without an error. After an
// error it may be there or not; to commit again is safe, though a journal entry
// may then be there twice.
func (s *Store) Commit(c Commit) (err error) {
	defer wrap(&err, "commit to the record")
	if err := cmp.Or(c.check(), s.reattachNow()); err != nil {
		return err
	}
	write := func() error { return s.update(func(tx *bolt.Tx) error { return putCommit(tx, c) }) }
	if err = write(); errors.Is(err, bolterrors.ErrMaxSizeReached) {
		s.flushing <- struct{}{} // one that is at work may be making room too
		defer s.flushing.give()
		err = s.withRoom(write)
	}
	return err
}

// reattachNow is reattach for those who do not hold the flushing token: when a
// flush is at work, opening the file is left to it.
func (s *Store) reattachNow() error {
	if s.current() != nil {
		return nil
	}
	select {
	case s.flushing <- struct{}{}:
	default:
		return ErrUnavailable
	}
	defer s.flushing.give()
	ctx, cancel := context.WithTimeout(context.Background(), openLimit)
	defer cancel()
	err := s.reattach(ctx)
	if err != nil {
		s.failed(err)
	}
	return err
}
