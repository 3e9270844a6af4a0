package main

import (
	"context"

	"dewline/sensors/trace"
)

// A readAhead reads a trace on a goroutine of its own, so that decoding and
// deciding run side by side on two cores.
type readAhead struct {
	batches chan []result
	spent   chan []result // goes back to be filled again
	batch   []result
	at      int
}

// A result is a row, or why there is none.
type result struct {
	row trace.Row
	err error
}

const (
	rowsPerBatch = 2048
	batchesAhead = 4
)

// newReadAhead starts reading; it stops with ctx, at the end of the trace, or
// at the first error that is not about a single line.
func newReadAhead(ctx context.Context, rd *trace.Reader) *readAhead {
	a := &readAhead{batches: make(chan []result, batchesAhead), spent: make(chan []result, batchesAhead+2)}
	for range batchesAhead + 2 {
		a.spent <- make([]result, 0, rowsPerBatch)
	}
	go a.read(ctx, rd)
	return a
}

func (a *readAhead) read(ctx context.Context, rd *trace.Reader) {
	defer close(a.batches)
	for last := false; !last; {
		var b []result
		select {
		case b = <-a.spent:
		case <-ctx.Done():
			return
		}
		for b = b[:0]; len(b) < rowsPerBatch && !last; {
			row, err := rd.Next()
			b = append(b, result{row, err})
			_, isLine := err.(*trace.LineError)
			last = err != nil && !isLine
		}
		select {
		case a.batches <- b:
		case <-ctx.Done():
			return
		}
	}
}

// next returns the next row or error. It must not be called again after an
// error that is not about a single line.
func (a *readAhead) next(ctx context.Context) (trace.Row, error) {
	if a.at == len(a.batch) {
		if a.batch != nil {
			a.spent <- a.batch
			a.batch = nil
		}
		select {
		case b, ok := <-a.batches:
			if !ok {
				return trace.Row{}, context.Cause(ctx)
			}
			a.batch, a.at = b, 0
		case <-ctx.Done():
			return trace.Row{}, context.Cause(ctx)
		}
	}
	r := &a.batch[a.at]
	a.at++
	return r.row, r.err
}
