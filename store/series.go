package store

import (
	"math"
	"sync"
	"sync/atomic"

	"dewline/sensors"
)

// A series is all readings on record: the bundles in the file, and the open hour in memory.
type series struct {
	*recordFile
	limits atomic.Pointer[LimitsFunc]
	mu     sync.Mutex // guards mem
	mem    memory
	dirs   directories
}

// SetLimits replaces the limits that rollups are made against from now on.
func (s *series) SetLimits(f LimitsFunc) {
	if f == nil {
		f = func(sensors.ProbeID, sensors.Instant) Limits { return Limits{} }
	}
	s.limits.Store(&f)
}

// Append takes a reading into memory. It never waits for the disk. Stamps
// within a quarter of a second of the probe's own grid are kept as on it. A
// reading that finds no room is counted, and Options.Lost is told: then every second one of
// each probe that waits is let go of, so that those kept are spread evenly.
func (s *series) Append(r sensors.Reading) {
	lost, full := s.keep(&r)
	s.tellLost(lost)
	if full && s.opt.Full != nil {
		s.opt.Full()
	}
}

// keep adds a reading to its probe's open records, and reports how many were lost for want
// of room and whether it is time to write.
func (s *series) keep(r *sensors.Reading) (lost uint64, full bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	before := s.mem.lost
	if s.mem.total >= maxOpen {
		s.mem.thin()
	} else if s.mem.total < maxOpen/4 {
		s.mem.oneOf = 0
	}
	if s.mem.total >= maxOpen || len(s.mem.order) >= maxProbes && s.mem.probes[r.Probe] == nil {
		s.mem.lost++
		return s.mem.lost - before, false
	}
	p := s.mem.probe(r.Probe)
	if p.passed++; p.passed < s.mem.oneOf {
		s.mem.lost++
		return s.mem.lost - before, false
	}
	p.passed = 0
	rec := p.next()
	pack(rec, r)
	p.grid.snap(rec)
	s.mem.total++
	return s.mem.lost - before, s.mem.total%fullEach == 0
}

// tellLost says that n more readings were dropped.
func (s *series) tellLost(n uint64) {
	if n > 0 && s.opt.Lost != nil {
		s.opt.Lost(n)
	}
}

// Probes lists every probe on record, in the order they were first seen.
func (s *series) Probes() []sensors.ProbeID {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]sensors.ProbeID, len(s.mem.order))
	for i, p := range s.mem.order {
		out[i] = p.id
	}
	return out
}

// newest is the latest running time on record.
func (s *series) newest() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	newest := int64(math.MinInt64)
	for _, e := range s.lastIndex() {
		newest = max(newest, e.key.monoMax)
	}
	for _, h := range s.mem.waiting {
		newest = max(newest, h.key.monoMax)
	}
	for _, p := range s.mem.order {
		if n := len(p.recs); n > 0 {
			newest = max(newest, p.recs[n-1].Mono)
		}
	}
	return newest
}
