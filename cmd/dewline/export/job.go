package export

import (
	"cmp"
	"context"
	"errors"
	"iter"
	"slices"
	"time"

	"dewline/sensors"
	"dewline/store"
)

// A Source yields one probe's readings with from <= wall time < to, in order of
// wall time. An error that wraps store.ErrDamaged stands for what is left out.
type Source interface {
	Probes() []sensors.ProbeID
	Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error]
}

// A Result tells what was written.
type Result struct {
	Readings    int       `json:"readings"`
	Probes      int       `json:"probes"` // with any reading
	First, Last time.Time `json:",omitzero"`
	// Damaged counts the places where the record is damaged and readings were
	// left out; Fault is the first of them.
	Damaged int    `json:"damaged"`
	Fault   string `json:"fault,omitempty"`
	// Twice counts samples left out of OpenMetrics, which knows no two at one
	// time: the clock was set back.
	Twice int `json:"twice,omitempty"`
}

// A job is a Write at work.
type job struct {
	Result
	ctx      context.Context
	src      Source
	probes   []sensors.ProbeID
	from, to time.Time
	seen     map[sensors.ProbeID]bool
}

// count takes note of a reading that was written.
func (j *job) count(r *sensors.Reading) {
	j.Readings++
	if j.First.IsZero() || r.At.Wall.Before(j.First) {
		j.First = r.At.Wall
	}
	if r.At.Wall.After(j.Last) {
		j.Last = r.At.Wall
	}
	j.seen[r.Probe] = true
}

// of yields a probe's readings, and only errors that end the export.
func (j *job) of(p sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		for r, err := range j.src.Readings(j.ctx, p, from, to) {
			if errors.Is(err, store.ErrDamaged) {
				if j.Damaged++; j.Damaged == 1 {
					j.Fault = err.Error()
				}
				continue
			}
			if !yield(r, err) || err != nil {
				return
			}
		}
	}
}

// windowRows is about how many readings are put in the order of time at once.
const windowRows = 1 << 16

// window is a span of time in which so many probes, polled every ten seconds,
// have that many readings: a whole part of a day.
func window(probes int) time.Duration {
	parts := time.Duration(1 + probes*8640/windowRows)
	for 24*time.Hour%parts != 0 || (24*time.Hour/parts)%time.Second != 0 {
		parts++
	}
	return 24 * time.Hour / parts
}

// merged yields the readings of all probes in the order of time.
func (j *job) merged() iter.Seq2[*sensors.Reading, error] {
	return func(yield func(*sensors.Reading, error) bool) {
		width := window(len(j.probes))
		var rows []sensors.Reading
		var order []int32
		at, ok, err := j.next(j.from)
		for ok && err == nil {
			end := at.Truncate(width).Add(width)
			if end.After(j.to) {
				end = j.to
			}
			if rows, err = j.fill(rows[:0], at, end); err != nil {
				break
			}
			order = order[:0]
			for i := range rows {
				order = append(order, int32(i))
			}
			slices.SortFunc(order, func(a, b int32) int {
				return cmp.Or(rows[a].At.Wall.Compare(rows[b].At.Wall), cmp.Compare(a, b))
			})
			for _, i := range order {
				if !yield(&rows[i], nil) {
					return
				}
			}
			if at, ok = end, end.Before(j.to); ok && len(rows) == 0 {
				at, ok, err = j.next(at)
			}
		}
		if err != nil {
			yield(nil, err)
		}
	}
}

// fill appends the readings of all probes within [from, to).
func (j *job) fill(rows []sensors.Reading, from, to time.Time) ([]sensors.Reading, error) {
	for _, p := range j.probes {
		for r, err := range j.of(p, from, to) {
			if err != nil {
				return rows, err
			}
			rows = append(rows, r)
		}
	}
	return rows, nil
}

// next is the first reading from at on, so that years without any are stepped over.
func (j *job) next(at time.Time) (first time.Time, ok bool, err error) {
	for _, p := range j.probes {
		end := j.to
		if ok {
			end = first // only an earlier one matters
		}
		for r, err := range j.src.Readings(j.ctx, p, at, end) {
			if errors.Is(err, store.ErrDamaged) {
				continue // counted when its window is read
			}
			if err != nil {
				return first, false, err
			}
			if !ok || r.At.Wall.Before(first) {
				first, ok = r.At.Wall, true
			}
			break
		}
	}
	return first, ok, nil
}
