package summary

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
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
	r = r.In(unit.Celsius)
	r.complete()
	return r, nil
}

func inOrder(all []configs.Enclosure) []configs.Enclosure {
	out := slices.Clone(all)
	slices.SortStableFunc(out, func(a, b configs.Enclosure) int {
		return cmp.Or(strings.Compare(a.Rack, b.Rack), a.Shelf-b.Shelf, a.Slot-b.Slot)
	})
	return out
}

// tellMissing says in words what the report cannot know.
func (b *builder) tellMissing() {
	r := b.report
	if !r.compared() && !r.NoData {
		b.unknown("Changes cannot be told: there is less than a day on record of this week or the one before.")
	}
	if r.Until.Before(r.To) {
		b.unknown("The week is not over: it is told up to %s.", r.Until.Format("Monday 15:04"))
	}
	var noRaw []string
	for i := range r.Enclosures {
		for _, p := range r.Enclosures[i].Probes {
			if p.NoRaw {
				noRaw = append(noRaw, p.ID)
			}
		}
	}
	if len(noRaw) > 0 {
		b.unknown("Trust is not known for %s: only sums are left of so long ago.", list(noRaw, 4))
	}
	if !r.NoData && b.typed.After(r.From) && b.typed.After(b.began) {
		b.unknown("Mist pulses, dry-downs, night drops and exposure are recorded since %s.", b.typed.In(b.loc).Format("Monday 2 January 2006 15:04"))
	}
	if h := r.To.Sub(r.From).Hours(); h != 168 {
		b.unknown("The clocks were changed: the week had %.0f hours.", h)
	}
}
