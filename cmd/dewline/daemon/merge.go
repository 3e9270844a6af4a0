package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"dewline/alert"
	"dewline/sensors"
	"dewline/store"
)

// Merge takes in what an earlier run left, read only when this one had gone on
// for a while. Times of this run move by so much running time as the earlier run
// had; now is past that. latest are the newest readings of this run, moved
// already. What cannot be read is named in the error and the rest is used.
func (c *Core) Merge(now sensors.Instant, by time.Duration, s Saved, latest []sensors.Reading) (Effects, error) {
	state, records, docs, errs := s.decode()
	c.shift(by)
	ts, onsets := c.engine.Merge(now, by, state, records)
	ts = slices.Clone(ts)
	for _, r := range latest {
		ts = append(ts, c.engine.Step(r)...)
	}
	fx, err := c.desk.Merge(now, by, docs, onsets, c.engine.Open())
	if err != nil {
		errs = append(errs, fmt.Errorf("read back notices: %w", err))
	}
	if err := c.resumeDrills(s.Drills); err != nil {
		errs = append(errs, err)
	}
	e := c.desked(fx)
	e.add(c.after(now, ts))
	c.resumeSelf(now)
	c.believe()
	e.add(c.tellBlind(now))
	return e, errors.Join(errs...)
}

// shift moves the running times that the core itself keeps.
func (c *Core) shift(by time.Duration) {
	for _, t := range []*time.Duration{&c.blindEnds, &c.refreshAt, &c.self.drilled, &c.self.unsetSince, &c.self.last.Mono} {
		if *t != 0 {
			*t += by
		}
	}
}

// believe takes channels that this run saw work for working, whatever an earlier
// one said.
func (c *Core) believe() {
	channels := c.desk.Stats(c.self.last).Channels
	for name := range c.stalled {
		if !channels[name].LastSuccess.IsZero() {
			c.stalled[name] = stall{}
		}
	}
}

// mergeLate joins a record that could be opened at last with the core that runs,
// and puts it in use. It runs on the core goroutine. Running time goes on from
// that of the record from then on.
func (d *Daemon) mergeLate(ctx context.Context, o opened, saved Saved) {
	by := o.report.LastMono
	d.leap.Store(int64(by))
	now, began := d.now(), d.began
	began.Mono, began.Synced = began.Mono+by, now.Synced
	began.Wall = now.Wall.Add(-now.Sub(began))
	kept := d.takeReadings(ctx, o.st, by)
	d.rec.rebase(by)
	fx, err := d.core.Merge(now, by, saved, d.newest(by))
	if err != nil {
		d.log.Error("part of an earlier run could not be read back; the rest is used", "err", err)
	}
	d.useStore(o.st)
	o.st.SetLimits(limitsOf(d.cfg.Load())) // a reload may have changed them since
	d.apply(fx)
	entries := startEntries(began, o.report, "opened late")
	d.keepAll(now, entries[0])
	d.rec.Put(d.core.forgotten(saved.Outbox), entries[1:])
	d.resumed(began, o.report)
	d.rec.Attach(o.st)
	d.log.Info("the record is open and joined with what went on without it", "readings", kept)
}

// forgotten are the deletions of notices that an earlier run left and that are
// in no book any more.
func (c *Core) forgotten(outbox []store.Doc) []store.Doc {
	held := map[string]bool{}
	for _, doc := range c.desk.Docs() {
		held[doc.Key] = true
	}
	var gone []store.Doc
	for _, doc := range outbox {
		if !held[doc.Key] {
			gone = append(gone, store.Doc{Bucket: store.BucketOutbox, Key: doc.Key})
		}
	}
	return gone
}

// newest moves the newest readings by so much running time and returns them in
// the order they came.
func (d *Daemon) newest(by time.Duration) []sensors.Reading {
	d.latestMu.Lock()
	defer d.latestMu.Unlock()
	for id, r := range d.latest {
		r.At.Mono += by
		d.latest[id] = r
	}
	return slices.SortedFunc(maps.Values(d.latest), func(a, b sensors.Reading) int {
		return cmp.Or(cmp.Compare(a.At.Mono, b.At.Mono), cmp.Compare(a.Probe, b.Probe))
	})
}

// takeReadings passes the readings that were kept in memory to a record, moved by
// so much running time, and returns how many there were.
func (d *Daemon) takeReadings(ctx context.Context, st *store.Store, by time.Duration) int {
	n := 0
	from := d.currentStore()
	for _, probe := range from.Probes() {
		for r, err := range from.Readings(ctx, probe, time.Time{}, farFuture) {
			if err != nil {
				d.log.Error("some readings since the start are lost", "probe", probe, "err", err)
				continue
			}
			r.At.Mono += by
			st.Append(r)
			n++
		}
	}
	return n
}

// rebased is a document of this run in the running time of a record: those of
// alarms and notices are made anew, nil; what is keyed by its time is keyed anew.
func rebased(doc store.Doc, by time.Duration) *store.Doc {
	var err error
	switch doc.Bucket {
	case store.BucketAlarms, store.BucketOutbox:
		return nil
	case store.BucketNotes:
		var n Note
		if err = json.Unmarshal(doc.Value, &n); err == nil {
			n.At.Mono += by
			doc.Key = noteKey(n)
			doc.Value, err = json.Marshal(n)
		}
	case store.BucketDrills:
		var r alert.DrillResult
		if err = json.Unmarshal(doc.Value, &r); err == nil {
			r.At.Mono += by
			doc.Key = drillKey(r)
			doc.Value, err = json.Marshal(r)
		}
	}
	if err != nil {
		return nil // dewline wrote it a moment ago
	}
	return &doc
}
