// Package kernfile reads the small attribute files by which the kernel's
// drivers show a probe, within a context. A read there runs the measurement,
// takes up to seconds and cannot be interrupted.
package kernfile

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"

	"dewline/sensors"
)

// limit is more than any of these files holds.
const limit = 4096

// A Reader reads files one after another. It is for one goroutine; the zero
// value is ready.
type Reader struct {
	pending chan result // of a read that was given up, once it ends; nil for none
}

type result struct {
	text string
	err  error
}

// Read returns the file's text without surrounding space. If ctx ends first,
// the read goes on by itself until the kernel gives up, and until then every
// Read fails at once, so that a hanging driver holds at most one goroutine.
func (r *Reader) Read(ctx context.Context, path string) (string, error) {
	if r.pending != nil {
		select {
		case <-r.pending:
		default:
			return "", sensors.Faultf(sensors.TimedOut, "read %s: the kernel is still busy with the read before", path)
		}
	}
	done := make(chan result, 1)
	r.pending = done
	go func() {
		text, err := slurp(path)
		done <- result{text, err}
	}()
	select {
	case res := <-done:
		r.pending = nil
		return res.text, res.err
	case <-ctx.Done():
		return "", sensors.Fault(sensors.TimedOut, fmt.Errorf("read %s: %w", path, ctx.Err()))
	}
}

func slurp(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", describe(err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return "", describe(err)
	}
	if len(b) > limit {
		return "", sensors.Faultf(sensors.Malformed, "read %s: more than %d bytes; this is no attribute file", path, limit)
	}
	return strings.TrimSpace(string(b)), nil
}

func describe(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%w (is the probe connected, and its overlay loaded?)", err)
	}
	return sensors.Fault(sensors.BusError, err)
}

// Line returns the text of a file that only names something, empty if it cannot
// be read.
func Line(path string) string {
	text, err := slurp(path)
	if err != nil {
		return ""
	}
	return text
}
