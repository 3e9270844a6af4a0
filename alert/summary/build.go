package summary

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"dewline/configs"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// A History yields what probes measured.
type History interface {
	Rollups(ctx context.Context, probe sensors.ProbeID, level store.Level, from, to time.Time) iter.Seq2[store.Rollup, error]
	Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error]
}

// Papers yield what people and dewline did.
type Papers interface {
	Journal(from, to time.Time) iter.Seq2[event.Event, error]
	Docs(store.Bucket) iter.Seq2[store.Doc, error]
}

// A Record is what a summary is made from; *store.Store is one.
type Record interface {
	History
	Papers
}

// Build works out one week's report at now. What of the record cannot be read
// is named in Report.Unknown; the error is only for a context that ended.
func Build(ctx context.Context, rec Record, cfg *configs.Config, w Week, now time.Time) (*Report, error) {
	b := builder{ctx: ctx, rec: rec, cfg: cfg, week: w, prev: w.Prev(), now: now, loc: w.Location(),
		notes: map[string][]Note{}, found: map[string]*found{}, covered: map[sensors.ProbeID]time.Duration{}, alive: map[int64]time.Duration{}, faults: map[string]bool{}}
	r := &Report{
		Week: w.String(), Room: cfg.Room.ID, RoomName: cfg.Room.Name, From: w.From(), To: w.To(), Made: now.In(b.loc),
		Until: w.To(), Changes: []string{}, Outlook: []string{}, Unknown: []string{},
	}
	if now.Before(r.To) {
		r.Until = now.In(b.loc)
	}
	if !r.Until.After(r.From) {
		return nil, fmt.Errorf("week %s has not begun", w)
	}
	b.report = r
	b.readJournal()
	b.readNotes()
	for _, e := range inOrder(cfg.Enclosures) {
		r.Enclosures = append(r.Enclosures, b.enclosure(e))
		if ctx.Err() != nil {
			return nil, fmt.Errorf("summary of week %s: %w", w, context.Cause(ctx))
		}
	}
	b.roomProbes()
	b.blind()
	b.quality()
	b.careFor()
	r.Do = b.advise()
	r.Changes = b.changes()
	r.Outlook = b.outlook()
	b.tellMissing()
	r.complete()
	return r, nil
}

// A builder is one Build under way.
type builder struct {
	ctx        context.Context
	rec        Record
	cfg        *configs.Config
	week, prev Week
	now        time.Time
	loc        *time.Location
	report     *Report

	onsets  []*onset          // of the last weeks, in order
	events  []event.Event     // about notices and drills
	began   time.Time         // of the log
	typed   time.Time         // since when mists, nights and doses are in it; zero for never
	found   map[string]*found // by enclosure
	notes   map[string][]Note
	covered map[sensors.ProbeID]time.Duration // in the week
	alive   map[int64]time.Duration           // by ten minutes: the best coverage of any probe
	faults  map[string]bool                   // said already
}

// fault notes once that something cannot be read.
func (b *builder) fault(what string, err error) {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) || b.faults[what] {
		return
	}
	b.faults[what] = true
	b.unknown("%s cannot be read whole: %v", what, err)
}

func (b *builder) unknown(format string, args ...any) {
	b.report.Unknown = append(b.report.Unknown, fmt.Sprintf(format, args...))
}

// inOrder sorts enclosures as they stand.
func inOrder(all []configs.Enclosure) []configs.Enclosure {
	out := slices.Clone(all)
	slices.SortStableFunc(out, func(a, b configs.Enclosure) int {
		if c := strings.Compare(a.Rack, b.Rack); c != 0 {
			return c
		}
		if a.Shelf != b.Shelf {
			return a.Shelf - b.Shelf
		}
		return a.Slot - b.Slot
	})
	return out
}
