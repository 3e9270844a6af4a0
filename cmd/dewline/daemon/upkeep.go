package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// owe notes that the sums since a correction are to be made again, and returns
// the document that says so. An undo changes those since the record that it
// undoes.
func (rc *record) owe(c sensors.Correction, set *sensors.Corrections) (store.Doc, error) {
	r := redo{From: c.From, Until: rc.now().Wall}
	for _, old := range set.Records() {
		if old.ID == c.Undoes && old.From.Before(r.From) {
			r.From = old.From
		}
	}
	value, err := json.Marshal(rc.redos.add(c.Probe, r))
	if err != nil {
		return store.Doc{}, fmt.Errorf("encode what is to be made again: %w", err)
	}
	return store.Doc{Bucket: store.BucketMeta, Key: redoPrefix + string(c.Probe), Value: value}, nil
}

// loadRedos goes on with what an earlier run did not finish.
func (rc *record) loadRedos(st *store.Store) {
	for doc, err := range st.Docs(store.BucketMeta) {
		probe, ok := strings.CutPrefix(doc.Key, redoPrefix)
		if err != nil || !ok {
			continue
		}
		var r redo
		if err := json.Unmarshal(doc.Value, &r); err != nil {
			rc.log.Error("it cannot be read since when a probe's sums are to be made again", "probe", probe, "err", err)
			continue
		}
		rc.redos.add(sensors.ProbeID(probe), r)
	}
	nudge(rc.redos.wake)
}

// redoEvery is until the open hour may be over, or the card mended.
const redoEvery = 10 * time.Minute

func (rc *record) upkeep(ctx context.Context) {
	again := time.NewTicker(redoEvery)
	defer again.Stop()
	var tidyAt time.Time
	sound := rc.check(ctx)
	for {
		select {
		case <-ctx.Done():
			return
		case <-rc.redos.wake:
		case now := <-again.C:
			if sound = rc.check(ctx); sound && now.After(tidyAt) {
				tidyAt = now.Add(rc.tidy(ctx))
			}
		}
		if !sound {
			continue
		}
		for probe, r := range rc.redos.all() {
			rc.makeAgain(ctx, probe, r)
		}
	}
}

// check has the record read that Open did not look at, brings back what an earlier
// damage, or one found now, left in a file beside it, and reports whether all that is done.
func (rc *record) check(ctx context.Context) bool {
	st := rc.Store()
	if st == nil {
		return false
	}
	err := st.Check(ctx)
	if err == nil {
		err = rc.regain(ctx, st)
	}
	if err != nil && ctx.Err() == nil && !errors.Is(err, store.ErrUnavailable) {
		rc.log.Error("the record could not be checked, or readings of a damaged one not be brought back; it is tried again", "err", err)
	}
	return err == nil
}

// regain brings back what is whole in files that were set aside.
func (rc *record) regain(ctx context.Context, st *store.Store) error {
	r, err := st.Regain(ctx)
	if r.Readings > 0 {
		text := fmt.Sprintf("%d readings of %s to %s", r.Readings, r.From.Format(time.RFC3339), r.To.Format(time.RFC3339))
		rc.log.Info("readings were brought back from a damaged record that was set aside", "what", text)
		rc.rec.Put(nil, []event.Event{core.RecordEvent(rc.now(), text, "brought back from what was set aside as damaged")})
	}
	return err
}

// How long a look at the size of the record waits for the next one, and after a
// smaller copy could not be made, which costs the card as much as one that could.
const (
	tidyEvery  = time.Hour
	tidyFailed = 24 * time.Hour
)

// tidy makes the file smaller where that is worth it, and returns when to look again.
func (rc *record) tidy(ctx context.Context) time.Duration {
	st := rc.Store()
	if st == nil {
		return 0
	}
	before := st.Stats().FileBytes
	done, err := st.Tidy(ctx)
	switch {
	case ctx.Err() != nil:
	case err != nil:
		rc.log.Error("no smaller copy of the record could be made; it goes on as it is", "err", err,
			"do", "dewline backup tells whether the record is sound")
		return tidyFailed
	case done:
		rc.log.Info("the record is a smaller file now", "before", before, "now", st.Stats().FileBytes)
	}
	return tidyEvery
}

// makeAgain makes the sums of a probe's past again with the calibrations in force.
func (rc *record) makeAgain(ctx context.Context, probe sensors.ProbeID, r redo) {
	st := rc.Store()
	if st == nil || ctx.Err() != nil {
		return
	}
	set := rc.book.set()
	_ = st.Flush(ctx, nil) // else hours that wait for the disk stay as they are until redoEvery has passed; who writes tells a fault
	n, whole, err := st.Recompute(ctx, probe, r.From, r.Until, func(reading sensors.Reading) sensors.Reading {
		if reading.Quality == sensors.Bad || reading.Raw.Has == 0 {
			return reading
		}
		reading.Temperature, reading.Humidity = set.At(probe, reading.At.Wall).Apply(reading.Raw)
		return reading
	})
	switch {
	case ctx.Err() != nil:
	case err != nil:
		rc.log.Error("sums of the past cannot be made again with the new calibration now; it is tried again", "probe", probe, "err", err)
	case n > 0:
		rc.log.Info("sums of the past were made again with the new calibration", "probe", probe, "since", r.From, "bundles", n)
	}
	if err == nil && whole {
		rc.redos.takeOut(probe, r, func() { rc.rec.Put([]store.Doc{{Bucket: store.BucketMeta, Key: redoPrefix + string(probe)}}, nil) })
	}
}
