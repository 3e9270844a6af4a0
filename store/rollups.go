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

// Rollups yields one probe's rollups of a level whose span starts in [from,
// to), in order. The span that is still going on is among them. Spans without
// any reading are left out. A damaged block yields an error wrapping
// ErrDamaged; what follows still comes if the caller goes on.
func (s *series) Rollups(ctx context.Context, probe sensors.ProbeID, level Level, from, to time.Time) iter.Seq2[Rollup, error] {
	return func(yield func(Rollup, error) bool) {
		if level < TenMinutes || level > Day {
			yield(Rollup{}, fmt.Errorf("read rollups of probe %s: no level %d", probe, level))
			return
		}
		kept := min(level, Hour)
		q := newQuery(s, probe)
		defer q.release()
		windows(ctx, s, probe, from, to, 32*dayMillis, kept.Span().Milliseconds(), func(lo, hi int64, err error) bool {
			var spans []block.Span
			if err == nil {
				spans, err = q.spanWindow(kept, lo, hi)
			}
			for _, err := range q.faults(err) {
				if !yield(Rollup{}, fmt.Errorf("read rollups of probe %s: %w", probe, err)) {
					return false
				}
			}
			if level == Day {
				for i := range spans {
					spans[i].Start = floorDiv(spans[i].Start, dayMillis) * dayMillis
				}
				spans = ordered(spans, math.MinInt64, hi)
			}
			for i := range spans {
				if !yield(rollupOf(probe, level, &spans[i]), nil) {
					return false
				}
			}
			return true
		})
	}
}

// spanWindow returns the probe's spans that start in [lo, hi), valid until the next call.
func (q *query) spanWindow(level Level, lo, hi int64) ([]block.Span, error) {
	l := int(level) - 1
	// A span that starts before lo may lie in a bundle that begins after it.
	if err := q.collect(l, lo, hi+spanMillis[l]); err != nil {
		return nil, err
	}
	if len(q.open) > 0 {
		q.spans = sumUp(q.spans, q.probe, q.open, *q.s.limits.Load(), l)
	}
	return ordered(q.spans, lo, hi), nil
}
