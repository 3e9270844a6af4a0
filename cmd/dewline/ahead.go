package main

import (
	"context"
	"time"

	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/sensors/trace"
)

// A readAhead reads a trace and judges its rows on a goroutine of its own, so
// that decoding and judging go on beside deciding, on two cores.
type readAhead struct {
	batches chan []result
	spent   chan []result // goes back to be filled again

	// Owned by the goroutine.
	rd      *trace.Reader
	family  func(sensors.ProbeID) string
	judges  map[sensors.ProbeID]*judged
	before  *judged // whose row came last
	began   bool
	missing error         // of a row without a value
	start   time.Time     // when running time began: the trace is the clock
	resume  time.Duration // running time of the first row
	now     sensors.Instant
}

// A judged is a probe of the trace. Rows of a poll tend to come in the same
// order every time, so each remembers who came after it.
type judged struct {
	id    sensors.ProbeID
	judge *sensors.Judge
	next  *judged
}

// A result is a row made into a reading, or why there is none.
type result struct {
	reading sensors.Reading
	line    int
	first   bool // of its probe
	err     error
}

const (
	rowsPerBatch = 1024
	batchesAhead = 4
	// headBatches are read before the first row is used, to learn which probes
	// there are and how often they were read.
	headBatches = 4
)

// newReadAhead starts reading; it stops with ctx, at the end of the trace, or
// at the first error that is not about a single line. family names the kind of
// a probe for its judge. The first row comes at the running time resume.
func newReadAhead(ctx context.Context, rd *trace.Reader, family func(sensors.ProbeID) string, resume time.Duration) *readAhead {
	const pool = headBatches + batchesAhead + 2
	a := &readAhead{
		batches: make(chan []result, batchesAhead), spent: make(chan []result, pool),
		rd: rd, family: family, resume: resume, judges: map[sensors.ProbeID]*judged{}, before: &judged{},
		missing: sensors.Faultf(sensors.BusError, "no value in the trace"),
	}
	for range pool {
		a.spent <- make([]result, rowsPerBatch)
	}
	go a.read(ctx)
	return a
}

func (a *readAhead) read(ctx context.Context) {
	defer close(a.batches)
	for last := false; !last; {
		var b []result
		select {
		case b = <-a.spent:
		case <-ctx.Done():
			return
		}
		b = b[:cap(b)]
		n := 0
		for n < len(b) && !last {
			row, err := a.rd.Next()
			if err != nil {
				_, isLine := err.(*trace.LineError)
				last = !isLine
				b[n] = result{err: err}
			} else {
				a.judge(&b[n], &row)
			}
			n++
		}
		select {
		case a.batches <- b[:n]:
		case <-ctx.Done():
			return
		}
	}
}

// judge makes a row into a reading. A row without any value is what a probe
// that failed leaves in the record.
func (a *readAhead) judge(to *result, row *trace.Row) {
	if !a.began || row.Time != a.now.Wall {
		if !a.began {
			a.began, a.start = true, row.Time.Add(-a.resume)
		}
		a.now = sensors.Instant{Mono: row.Time.Sub(a.start), Wall: row.Time, Synced: true}
	}
	p := a.before.next
	to.first = false
	if p == nil || p.id != row.Probe {
		if p = a.judges[row.Probe]; p == nil {
			p = &judged{id: row.Probe, judge: a.newJudge(row.Probe)}
			a.judges[row.Probe] = p
			to.first = true
		}
		a.before.next = p
	}
	a.before = p
	var missing error
	if row.Has == 0 {
		missing = a.missing
	}
	to.reading = p.judge.Read(a.now, row.Sample(), missing)
	to.line, to.err = row.Line, nil
}

// newJudge returns a judge for one probe of the trace. A trace says nothing of
// the steps in which its probe counts, so an unchanged value alone proves
// nothing; the rules still compare it with its peers.
func (a *readAhead) newJudge(id sensors.ProbeID) *sensors.Judge {
	j := table.NewJudge(id, a.family(id))
	j.FreezeAfter(0)
	return j
}

// next returns the next batch, nothing at the end. Give it back with done.
func (a *readAhead) next(ctx context.Context) ([]result, error) {
	select {
	case b, ok := <-a.batches:
		if !ok {
			return nil, context.Cause(ctx)
		}
		return b, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// done gives a batch back to be filled again.
func (a *readAhead) done(b []result) { a.spent <- b }
