package store

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"slices"
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
		if level != TenMinutes && level != Hour {
			yield(Rollup{}, fmt.Errorf("read rollups of probe %s: no level %d", probe, level))
			return
		}
		q := newQuery(s, probe)
		defer q.release()
		windows(ctx, s, probe, from, to, 32*dayMillis, level.Span().Milliseconds(), func(lo, hi int64, err error) bool {
			if err != nil {
				return yield(Rollup{}, fmt.Errorf("read rollups of probe %s: %w", probe, err))
			}
			spans, errs := q.spanWindow(level, lo, hi)
			for _, err := range errs {
				if !yield(Rollup{}, fmt.Errorf("read rollups of probe %s: %w", probe, err)) {
					return false
				}
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

// spanWindow returns the probe's spans that start in [lo, hi), and the faults
// met on the way to them. Both are valid until the next call.
func (q *query) spanWindow(level Level, lo, hi int64) ([]block.Span, []error) {
	l := int(level) - 1
	// A span that starts before lo may lie in a bundle that begins after it.
	if err := q.collect(l, lo, hi+spanMillis[l]); err != nil {
		return nil, []error{err}
	}
	var errs []error
	q.spans = q.spans[:0]
	for i := range q.from {
		errs = q.unpackSpans(&q.from[i], l, errs)
	}
	if len(q.open) > 0 {
		q.spans = sumUp(q.spans, q.probe, q.open, *q.s.limits.Load(), l)
	}
	return ordered(q.spans, lo, hi), errs
}

// unpackSpans appends a bundle's rollups of a level to q.spans, and its faults to errs.
func (q *query) unpackSpans(src *source, l int, errs []error) []error {
	before := len(errs)
	q.recs = q.recs[:0]
	if errs = q.unpackSource(src, errs); src.err != nil {
		return errs
	}
	var err error
	if q.spans, err = levelOf(q.spans, &q.dec, q.probe, l, src.stored, q.recs); err != nil && len(errs) == before {
		errs = append(errs, fmt.Errorf("%w: %w", ErrDamaged, err))
		q.s.damagedRecord(err)
	}
	return errs
}

// ordered keeps the spans that start in [lo, hi), sorts them where the clock
// was set back or an hour has several bundles, and merges those that start together.
func ordered(spans []block.Span, lo, hi int64) []block.Span {
	spans = slices.DeleteFunc(spans, func(s block.Span) bool { return s.Start < lo || s.Start >= hi })
	slices.SortStableFunc(spans, func(a, b block.Span) int { return cmp.Compare(a.Start, b.Start) })
	out := spans[:0]
	for len(spans) > 0 {
		n := 1
		for n < len(spans) && spans[n].Start == spans[0].Start {
			n++
		}
		one := spans[0]
		if n > 1 {
			one = mergeSpans(spans[:n]...)
		}
		out, spans = append(out, one), spans[n:]
	}
	return out
}
