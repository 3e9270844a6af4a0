// Package export writes readings in forms that other programs read: CSV and
// OpenMetrics. However long the span is, it holds a few megabytes:
// the daemon itself streams with it.
//
// Where the readings come from and where the text goes is its caller's business.
package export

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"dewline/sensors"
)

// A Request says what to write.
type Request struct {
	Format   string
	Probes   []sensors.ProbeID // none for all
	From, To time.Time
}

// ErrRequest says that a request makes no sense.
var ErrRequest = errors.New("what is asked for cannot be exported")

// Check refuses a request that names a form or a probe that is not there.
func (r *Request) Check(src Source) error {
	if r.Format != "csv" && r.Format != "openmetrics" {
		return fmt.Errorf("%w: the format is csv or openmetrics, not %q", ErrRequest, r.Format)
	}
	known := src.Probes()
	for _, p := range r.Probes {
		if !slices.Contains(known, p) {
			return fmt.Errorf("%w: the record has no probe %q", ErrRequest, p)
		}
	}
	return nil
}

// Write writes what r asks for. What the record cannot give is left out and
// counted; any other error ends it.
func Write(ctx context.Context, w io.Writer, src Source, r Request) (Result, error) {
	if err := r.Check(src); err != nil {
		return Result{}, err
	}
	j := &job{ctx: ctx, src: src, probes: r.Probes, from: r.From, to: r.To, seen: map[sensors.ProbeID]bool{}}
	if len(j.probes) == 0 {
		j.probes = src.Probes()
	}
	write := j.csv
	if r.Format == "openmetrics" {
		write = j.openMetrics
	}
	err := write(w)
	j.Probes = len(j.seen)
	return j.Result, err
}
