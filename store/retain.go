package store

import "math"

// reserve is the part of the cap that readings leave free for alarms, and for
// the copies that a commit makes before it frees the old pages.
func reserve(limit int64) int64 { return max(limit/8, 256<<10) }

// expired returns bundles whose readings are past their age or, when the file
// nears its cap, the oldest one with readings; and those to drop whole.
func (s *Store) expired() (dropRaw, dropAll []*entry) {
	s.file.RLock()
	var size, free int64
	if s.db != nil {
		size, free = s.sizes()
	}
	s.file.RUnlock()
	full := size-free > s.opt.MaxBytes-reserve(s.opt.MaxBytes)
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.mem.newestMono()
	keepRaw, keepTable := s.opt.KeepRaw.Milliseconds(), s.opt.KeepTable.Milliseconds()
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
