package store

import (
	"context"
	"fmt"
	"iter"
	"math"
	"time"

	"dewline/sensors"
	"dewline/store/block"
)

// Readings yields one probe's readings with from <= wall time < to, in order of
// wall time as recorded; where the clock was set back, readings of both passes
// interleave. Times are kept to the millisecond, within half a second of what
// was appended. The iteration holds no lock and no transaction while it yields.
//
// A damaged block yields one error wrapping ErrDamaged and is left out; what
// follows it still comes if the caller goes on.
func (s *series) Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		q := newQuery(s, probe)
		defer q.release()
		windows(ctx, s, probe, from, to, dayMillis, 1, func(lo, hi int64, err error) bool {
			var recs []block.Record
			if err == nil {
				recs, err = q.window(lo, hi)
			}
			for _, err := range q.faults(err) {
				if !yield(sensors.Reading{}, fmt.Errorf("read probe %s: %w", probe, err)) {
					return false
				}
			}
			return hand(probe, recs, yield)
		})
	}
}

// hand yields records as readings.
func hand(probe sensors.ProbeID, recs []block.Record, yield func(sensors.Reading, error) bool) bool {
	r := sensors.Reading{Probe: probe}
	for i := range recs {
		if unpack(&r, &recs[i]); !yield(r, nil) {
			return false
		}
	}
	return true
}

// windows calls visit for each stretch of wall time between from and to that
// holds data, at most width milliseconds long and cut at multiples of it. What
// starts on multiples of align is met whole.
func windows(ctx context.Context, s *series, probe sensors.ProbeID, from, to time.Time, width, align int64, visit func(lo, hi int64, err error) bool) {
	at, end := from.UnixMilli(), to.UnixMilli()
	if from.Before(time.UnixMilli(math.MinInt64 / 4)) {
		at = math.MinInt64 / 4
	}
	for at < end {
		if err := ctx.Err(); err != nil {
			visit(at, at, err)
			return
		}
		start, ok := s.nextData(probe, at)
		if !ok || start >= end {
			return
		}
		at = max(at, floorDiv(start, align)*align)
		next := min((floorDiv(at, width)+1)*width, end)
		if !visit(at, next, nil) {
			return
		}
		at = next
	}
}

// nextData returns the earliest wall time at or after at that a bundle or the
// open hour of the probe may have data for.
func (s *series) nextData(probe sensors.ProbeID, at int64) (int64, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	best, ok := int64(math.MaxInt64), false
	note := func(k bundleKey) {
		if k.wallMax >= at {
			best, ok = min(best, max(k.wallMin, at)), true
		}
	}
	for _, e := range s.lastIndex() {
		note(e.key)
	}
	for _, h := range s.mem.waiting {
		note(h.key)
	}
	if p := s.mem.probes[probe]; p != nil {
		for i := range p.recs {
			if w := p.recs[i].Wall; w >= at {
				best, ok = min(best, w), true
			}
		}
	}
	return best, ok
}
