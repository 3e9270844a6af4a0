package store

import (
	"errors"
	"math"

	boltErrors "go.etcd.io/bbolt/errors"
)

// reserve is the part of the cap that readings leave free for alarms, for the
// copies that a commit makes before it frees the old pages, and for holes too
// small for a day.
func reserve(limit int64) int64 { return max(limit/8, min(limit/3, 2<<20)) }

// roomTries is how many old bundles one write may take out to find its room.
const roomTries = 8

// withRoom runs write and, while that fails for want of room under the cap,
// takes out the oldest readings and runs it again. The caller holds the flushing
// token.
func (s *Store) withRoom(write func() error) error {
	err := write()
	for range roomTries {
		if !errors.Is(err, boltErrors.ErrMaxSizeReached) {
			return err
		}
		if rerr := s.resync(); rerr != nil {
			return errors.Join(err, rerr)
		}
		p := &plan{}
		p.dropRaw, p.dropAll = s.oldest()
		if p.empty() {
			return err
		}
		if derr := s.drop(p); derr != nil {
			return errors.Join(err, derr)
		}
		err = write()
	}
	return err
}

// oldest returns the oldest bundle on disk with readings, or else the oldest
// with rollups.
func (s *Store) oldest() (dropRaw, dropAll []*entry) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range s.mem.entries {
		if e.raw == nil && !e.noRaw {
			return []*entry{e}, nil
		}
	}
	for _, e := range s.mem.entries {
		if e.raw == nil {
			return nil, []*entry{e}
		}
	}
	return nil, nil
}

// expired returns bundles whose readings are past their age or, when the file
// nears its cap, the oldest one with readings; and those to drop whole.
func (s *Store) expired() (dropRaw, dropAll []*entry) {
	_, used := s.sizes()
	full := used > s.kept.Load().MaxBytes-reserve(s.kept.Load().MaxBytes)
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.mem.newestMono()
	keepRaw, keepTable := s.kept.Load().KeepRaw.Milliseconds(), s.kept.Load().KeepTable.Milliseconds()
	const most = 8 // bundles a flush, so that no flush is long
	for _, e := range s.mem.entries {
		if e.raw != nil || e.key.monoMax == math.MaxInt64 || len(dropRaw)+len(dropAll) >= most {
			continue
		}
		age := now - e.key.monoMax
		switch {
		case keepTable > 0 && age > keepTable:
			dropAll = append(dropAll, e)
		case !e.noRaw && (age > keepRaw || full):
			dropRaw = append(dropRaw, e)
			full = false
		}
	}
	if full && len(dropRaw)+len(dropAll) == 0 && len(s.mem.entries) > 0 && s.mem.entries[0].raw == nil {
		dropAll = append(dropAll, s.mem.entries[0])
	}
	return dropRaw, dropAll
}
