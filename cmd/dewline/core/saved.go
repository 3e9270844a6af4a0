package core

import (
	"bytes"
	"compress/flate"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/store"
)

// KeepOf is for how long a configuration has the record kept, and how large.
func KeepOf(cfg *configs.Config) store.Keep {
	return store.Keep{
		KeepRaw: cfg.Store.KeepRaw.D(), KeepTable: cfg.Store.KeepTable.D(), KeepJournal: cfg.Store.KeepJournal.D(),
		MaxBytes: int64(cfg.Store.MaxMiB) << 20,
	}
}

// LimitsOf tells the record what counts as inside the band, for each probe's
// enclosure: the band that the rules judge by at that instant.
func LimitsOf(cfg *configs.Config) store.LimitsFunc {
	byProbe := map[sensors.ProbeID]room.Band{}
	for _, e := range cfg.Enclosures {
		b := room.BandOf(cfg, e)
		for _, p := range cfg.ProbesOf(e.ID) {
			byProbe[sensors.ProbeID(p.ID)] = b
		}
	}
	return func(probe sensors.ProbeID, at sensors.Instant) store.Limits {
		b, ok := byProbe[probe]
		if !ok {
			return store.Limits{}
		}
		low, high, s := b.At(at)
		floor, ceiling := sensors.PercentOf(float64(s.Floor)), sensors.CelsiusOf(float64(s.Lethal))
		return store.Limits{Low: &low, High: &high, Floor: &floor, Lethal: &ceiling}
	}
}

// Saved is what an earlier run left in the store.
type Saved struct {
	State  []byte
	Alarms []store.Doc
	Outbox []store.Doc
	Drills []store.Doc
	// LastSet is the newest moment with a set clock on record; zero for none.
	LastSet sensors.Instant
}

// state is the rules' state with the newest set clock, which may be all of it.
func (s *Saved) state() (*rules.State, error) {
	state, err := decodeState(s.State)
	if s.LastSet.IsZero() {
		return state, err
	}
	if state == nil {
		state = &rules.State{Version: rules.StateVersion}
	}
	if s.LastSet.Mono > state.Off.Set.Mono {
		state.Off.Set = s.LastSet
		state.Off.Open = state.Off.Open && s.LastSet.Mono <= state.Off.At // or it was told since
	}
	return state, err
}

// decode reads back what the parts of the core left. What cannot be read is named.
func (s *Saved) decode() (state *rules.State, records []room.Record, errs []error) {
	state, err := s.state()
	if err != nil {
		errs = append(errs, err)
	}
	for _, d := range s.Alarms {
		var r room.Record
		if err := json.Unmarshal(d.Value, &r); err != nil {
			errs = append(errs, fmt.Errorf("read back alarm %s: %w", d.Key, err))
			continue
		}
		records = append(records, r)
	}
	return state, records, errs
}

// Restore goes on from an earlier run. What cannot be read is named in the
// error and the rest is used.
func (c *Core) Restore(now sensors.Instant, s Saved) (Effects, error) {
	state, records, errs := s.decode()
	errs = append(errs, c.roster.resume(s.Outbox))
	e := Effects{Docs: c.roster.turn(now)}
	e.add(c.desked(c.desk.Reconfigure(now, c.roster.options())))
	fx, err := c.desk.Restore(now, s.Outbox)
	errs = append(errs, err, c.self.resumeDrills(c.desk, s.Drills))
	e.add(c.desked(fx))
	e.add(c.removed(now, c.engine.Restore(state, records, now)))
	// Where one side could not be read back whole, the other makes up for it.
	e.add(c.desked(c.desk.Reconcile(now, c.engine.Open())))
	c.resumeSelf(now)
	e.add(c.self.tellBlind(c.parts, now))
	return e, errors.Join(errs...)
}

// Merge takes in what an earlier run left, read only when this one had gone on
// for a while. Times of this run move by so much running time as the earlier run
// had; now is past that. latest are the newest readings of this run, moved
// already. What cannot be read is named in the error and the rest is used.
func (c *Core) Merge(now sensors.Instant, by time.Duration, s Saved, latest []sensors.Reading) (Effects, error) {
	state, records, errs := s.decode()
	c.shift(by)
	ts, onsets := c.engine.Merge(now, by, state, records)
	ts = slices.Clone(ts)
	for _, r := range latest {
		ts = append(ts, c.engine.Step(&r)...)
	}
	fx, err := c.desk.Merge(now, by, s.Outbox, onsets, c.engine.Open())
	errs = append(errs, err, c.self.resumeDrills(c.desk, s.Drills), c.roster.resume(s.Outbox))
	e := c.desked(fx)
	e.Docs = append(append(e.Docs, c.roster.turn(now)...), c.roster.doc()) // that of this run is on no disk yet
	e.add(c.desked(c.desk.Reconfigure(now, c.roster.options())))
	e.add(c.removed(now, ts))
	c.resumeSelf(now)
	e.add(c.self.tellBlind(c.parts, now))
	return e, errors.Join(errs...)
}

// shift moves the running times that the core itself keeps.
func (c *Core) shift(by time.Duration) {
	for _, t := range []*time.Duration{&c.self.blindEnds, &c.refreshAt, &c.self.drilled, &c.self.setAt, &c.self.last.Mono, &c.refused.at, &c.refused.last.At.Mono, &c.bell.since, &c.roster.Over} {
		if *t != 0 {
			*t += by
		}
	}
	c.neighbours.shift(by)
}

// resumeSelf has the blind period that an earlier run told of shown as long as one of now.
func (c *Core) resumeSelf(now sensors.Instant) {
	if c.active(self(alarm.BlindPeriod)) {
		c.self.blindEnds = max(c.self.blindEnds, now.Mono+blindShown)
	}
}

// Forgotten are the deletions of notices that an earlier run left and that are
// in no book any more.
func (c *Core) Forgotten(outbox []store.Doc) []store.Doc {
	held := map[string]bool{dutyKey: true}
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

// All returns every document, for a store that starts empty.
func (c *Core) All() ([]store.Doc, error) {
	docs := []store.Doc{c.roster.doc()}
	for _, r := range c.engine.Records() {
		d, err := alarmDoc(r)
		if err != nil {
			return docs, err
		}
		docs = append(docs, d)
	}
	return append(docs, c.desk.Docs()...), nil
}

// State encodes what has to be kept beside the alarm records, compressed: it
// is large and much of it is alike.
func (c *Core) State() ([]byte, error) {
	var b bytes.Buffer
	w, err := flate.NewWriter(&b, flate.DefaultCompression)
	if err != nil {
		return nil, fmt.Errorf("compress the rules' state: %w", err)
	}
	if err := errors.Join(c.engine.State().Encode(w), w.Close()); err != nil {
		return nil, fmt.Errorf("encode the rules' state: %w", err)
	}
	return b.Bytes(), nil
}

// decodeState reads what State wrote; nil for nothing.
func decodeState(b []byte) (*rules.State, error) {
	if len(b) == 0 {
		return nil, nil
	}
	r := flate.NewReader(bytes.NewReader(b))
	defer r.Close()
	s := new(rules.State)
	if err := json.NewDecoder(io.LimitReader(r, maxState)).Decode(s); err != nil {
		return nil, fmt.Errorf("read back the rules' state: %w", err)
	}
	return s, nil
}

// maxState bounds what a damaged state may unpack to.
const maxState = 64 << 20

// How often the estimators are kept: they move slowly and are large, some 3 kB
// an enclosure when compressed, more than all readings of a quarter of an hour. A
// crash costs at most so much of what they learned; while it is warm, and the heat
// dose grows, less.
const (
	stateEvery     = 6 * time.Hour
	warmStateEvery = 20 * time.Minute
	hotStateEvery  = 5 * time.Minute
)

// StateEvery returns how often State is worth keeping now.
func (c *Core) StateEvery() time.Duration {
	every := stateEvery
	for _, v := range c.engine.Open() {
		if row, _ := alarm.Find(v.Key.Alarm); !v.Active || !row.Heat {
			continue
		}
		if v.Priority == alarm.Wake {
			return hotStateEvery
		}
		every = warmStateEvery
	}
	return every
}

// Timing returns the records of alarms whose on-delay or off-delay is running, or whose
// value may have gone further past its limit, so that a crash loses none of what was
// already observed.
func (c *Core) Timing() []store.Doc {
	var docs []store.Doc
	for _, r := range c.engine.Records() {
		row, _ := alarm.Find(r.Key.Alarm)
		if r.Life.OnFor == 0 && r.Life.OffFor == 0 && !(row.AtLimit && r.Life.Active) {
			continue
		}
		if d, err := alarmDoc(r); err == nil {
			docs = append(docs, d)
		}
	}
	return docs
}

// Rebased is a document of this run in the running time of a record: those of
// alarms and notices are made anew, nil; what is keyed by its time is keyed anew.
func Rebased(doc store.Doc, by time.Duration) *store.Doc {
	var err error
	switch doc.Bucket {
	case store.BucketAlarms, store.BucketOutbox:
		return nil
	case store.BucketNotes:
		var n alert.Note
		if err = json.Unmarshal(doc.Value, &n); err == nil {
			n.At.Mono += by
			doc, err = noteDoc(&n)
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
