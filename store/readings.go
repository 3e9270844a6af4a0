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
			if err != nil {
				return yield(sensors.Reading{}, fmt.Errorf("read probe %s: %w", probe, err))
			}
			return q.window(lo, hi, func(p part) bool { return q.handPart(p, lo, hi, yield) })
		})
	}
}

// handPart yields what is wrong with a part and its readings in [lo, hi).
func (q *query) handPart(p part, lo, hi int64, yield func(sensors.Reading, error) bool) bool {
	for _, err := range p.errs {
		if !yield(sensors.Reading{}, fmt.Errorf("read probe %s: %w", q.probe, err)) {
			return false
		}
	}
	if p.run != nil {
		return q.handRun(p.run, lo, hi, yield)
	}
	return q.hand(p.recs, yield)
}

// hand yields records as readings. It unpacks the next one before it yields the
// one at hand: copying what was written a moment ago, field by field, makes the
// processor wait until all of it has reached the cache.
func (q *query) hand(recs []block.Record, yield func(sensors.Reading, error) bool) bool {
	if len(recs) == 0 {
		return true
	}
	even, odd := sensors.Reading{Probe: q.probe}, sensors.Reading{Probe: q.probe}
	last := len(recs) - 1
	unpack(&even, &recs[0])
	for i := 0; i < last; i += 2 {
		unpack(&odd, &recs[i+1])
		if !yield(even, nil) {
			return false
		}
		if i+1 < last {
			unpack(&even, &recs[i+2])
		}
		if !yield(odd, nil) {
			return false
		}
	}
	return last%2 != 0 || yield(even, nil)
}

// handRun is hand for those readings of a run that are in [lo, hi). What they have in
// common is set once.
func (q *query) handRun(run *block.Run, lo, hi int64, yield func(sensors.Reading, error) bool) bool {
	i, end := run.Within(lo, hi)
	if i >= end {
		return true
	}
	first := run.Record(i)
	even := sensors.Reading{Probe: q.probe}
	unpack(&even, &first)
	odd, c := even, courseOf(&first, run.Step)
	for i++; i < end; i++ {
		c.next(&odd, run, i)
		if !yield(even, nil) {
			return false
		}
		if i++; i == end {
			return yield(odd, nil)
		}
		c.next(&even, run, i)
		if !yield(odd, nil) {
			return false
		}
	}
	return yield(even, nil)
}

// A course is the time of one reading of a run after another, so that none needs a
// division to be told in seconds.
type course struct {
	mono, step  time.Duration
	second      int64 // since 1970
	nanos       int64 // of that second
	stepSeconds int64
	stepNanos   int64
}

// courseOf starts at a reading, in steps of so many milliseconds.
func courseOf(first *block.Record, step int64) course {
	wall := time.UnixMilli(first.Wall)
	return course{
		mono: time.Duration(first.Mono) * time.Millisecond, step: time.Duration(step) * time.Millisecond,
		second: wall.Unix(), nanos: int64(wall.Nanosecond()),
		stepSeconds: step / 1000, stepNanos: step % 1000 * int64(time.Millisecond),
	}
}

// next makes r, a reading of the run before, the run's reading i.
func (c *course) next(r *sensors.Reading, run *block.Run, i int) {
	c.mono += c.step
	c.second += c.stepSeconds
	if c.nanos += c.stepNanos; c.nanos >= int64(time.Second) {
		c.second, c.nanos = c.second+1, c.nanos-int64(time.Second)
	}
	r.At.Mono, r.At.Wall = c.mono, time.Unix(c.second, c.nanos).UTC()
	t, raw := run.Temperature(i)
	r.Temperature, r.Raw.Temperature = sensors.CentiCelsius(t), sensors.CentiCelsius(raw)
	h, raw := run.Humidity(i)
	r.Humidity, r.Raw.Humidity = sensors.CentiPercent(h), sensors.CentiPercent(raw)
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
	for _, e := range s.mem.entries {
		if e.key.wallMax >= at {
			best, ok = min(best, max(e.key.wallMin, at)), true
		}
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
