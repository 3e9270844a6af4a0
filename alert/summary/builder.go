package summary

import (
	"cmp"
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

// A Record is what a summary is made from; *store.Store is one.
type Record interface {
	Rollups(ctx context.Context, probe sensors.ProbeID, level store.Level, from, to time.Time) iter.Seq2[store.Rollup, error]
	Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error]
	Journal(from, to time.Time) iter.Seq2[event.Event, error]
	Docs(store.Bucket) iter.Seq2[store.Doc, error]
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

	onsets  []*Excursion      // of the last weeks, in order
	events  []event.Event     // about notices and drills
	began   time.Time         // of the log
	typed   time.Time         // since when mists, nights and doses are in it; zero for never
	found   map[string]*found // by enclosure
	notes   map[string][]Note
	covered map[sensors.ProbeID]time.Duration // in the week
	alive   map[int64]time.Duration           // by ten minutes: the best coverage of any probe
	owned   map[string]bool                   // enclosures and their probes
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

func inOrder(all []configs.Enclosure) []configs.Enclosure {
	out := slices.Clone(all)
	slices.SortStableFunc(out, func(a, b configs.Enclosure) int {
		return cmp.Or(strings.Compare(a.Rack, b.Rack), a.Shelf-b.Shelf, a.Slot-b.Slot)
	})
	return out
}

// found are the events about one enclosure that figures are made of, in order.
type found struct {
	mists  event.Mists
	dries  []event.DryDown
	nights []Night
	doses  []dosed
}

// dosed is a dose with when it was told.
type dosed struct {
	at time.Time
	event.Dose
}
