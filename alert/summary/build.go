package summary

import (
	"context"
	"fmt"
	"time"

	"dewline/configs"
	"dewline/configs/unit"
	"dewline/sensors"
)

// Build works out one week's report at now. What of the record cannot be read
// is named in Report.Unknown; the error is only for a context that ended.
func Build(ctx context.Context, rec Record, cfg *configs.Config, w Week, now time.Time) (*Report, error) {
	b := builder{ctx: ctx, rec: rec, cfg: cfg, week: w, prev: w.Prev(), now: now, loc: w.Location(), notes: map[string][]Note{}, found: map[string]*found{},
		covered: map[sensors.ProbeID]time.Duration{}, alive: map[int64]time.Duration{}, owned: map[string]bool{}, faults: map[string]bool{}}
	r := &Report{
		Week: w.String(), Room: cfg.Room.ID, RoomName: cfg.Room.Name, Stretch: Stretch{w.From(), w.To()}, Made: now.In(b.loc),
		Until: w.To(), next: w.Next(), supply: map[string]string{},
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
	b.tellMissing()
	r.advise(unit.Celsius)
	r.complete()
	return r, nil
}
