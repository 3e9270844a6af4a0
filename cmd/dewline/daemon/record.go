package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/sensors"
	"dewline/store"
)

// openWithin is how long the record may take to open: then watching begins without
// it.
const openWithin = 8 * time.Second

// openRecord opens the store and returns what an earlier run left in it. A
// store that cannot be opened does not stop the watch: it keeps readings in
// memory and tries again with every write. Only another dewline on the same
// record does, since two would tell everything twice.
func (d *Daemon) openRecord(ctx context.Context) (core.Saved, store.Report, error) {
	d.rec = newRecorder(nil, d.log, d.recordHealth)
	d.rec.lostReadings, d.rec.lostLines = d.lostReadings, d.lostLines
	web.DropCopies(d.o.Dir)
	d.book = new(calibrationBook)
	late, o := d.tryOpen(ctx)
	st, report, err := o.st, o.report, o.err
	if errors.Is(err, store.ErrLocked) {
		return core.Saved{}, report, fmt.Errorf("another dewline uses the record in %s: stop it first, or give this one a directory of its own: %w", d.o.Dir, err)
	}
	if err != nil {
		d.late = late
		d.keepInMemory(ctx)
		d.log.Error("the record cannot be opened; watching and warning go on without it",
			"dir", d.o.Dir, "err", err, "do", "make the directory writable for dewline; it is tried again")
		d.recording.Store(&recordHealth{note: err.Error()})
		return core.Saved{}, report, nil
	}
	if report.Quarantined != "" {
		d.log.Error("the record was damaged and set aside; a new one was begun",
			"file", report.Quarantined, "damage", report.Damage, "do", "dewline repair saves what can be read")
	}
	d.attach(st)
	saved, err := loadSaved(st)
	saved.LastSet = report.LastSet
	if err != nil {
		d.log.Error("part of the record cannot be read", "err", err)
	}
	d.loadBook(st, 0)
	return saved, report, nil
}

// A resumer is a source whose probes have a past that may come to light late.
type resumer interface {
	Resume(past map[sensors.ProbeID]sensors.Ageing)
}

// loadBook puts the calibrations on record in force beside those made since the
// start, once, before the record is used. The sources count from by less than the
// record does.
func (d *Daemon) loadBook(st *store.Store, by time.Duration) {
	records, err := loadCorrections(st)
	if err != nil {
		d.log.Error("some calibrations cannot be read; raw values are used for them", "err", err)
	}
	d.book.load(records, d.log)
	d.correctSource()
	d.loadRedos(st)
	src, ok := d.currentSource().(resumer)
	if !ok {
		return // not there yet, and will ask for it; or simulated
	}
	past, err := loadAgeing(st)
	if err != nil {
		d.log.Warn("what the probes went through cannot be read; their stated uncertainty starts afresh", "err", err)
	}
	src.Resume(moved(past, -by))
}

// Store returns the record; nil while none is open.
func (d *Daemon) Store() *store.Store {
	d.storeMu.Lock()
	defer d.storeMu.Unlock()
	return d.store
}

// recordReplaced takes in that the record was damaged while it was in use. What is
// open goes into the new one once it is written.
func (d *Daemon) recordReplaced(report store.Report) {
	why := core.SetAside(report)
	d.replaced.Store(&why)
	d.nudgeHealth() // a reader may have met the damage, and no write failed
}

// nudgeHealth has the core look at how the record is.
func (d *Daemon) nudgeHealth() {
	select {
	case d.healthMoved <- struct{}{}:
	default: // the core will see the newest when it looks
	}
}

// keepAll hands the recorder everything that is open, for a record that could
// not be written from the start.
func (d *Daemon) keepAll(entry store.JournalEntry) {
	all, err := d.core.All()
	if err != nil {
		d.log.Error("the open alarms cannot be kept", "err", err)
	}
	d.rec.Put(all.Docs, []store.JournalEntry{entry})
}

func loadSaved(st *store.Store) (core.Saved, error) {
	var s core.Saved
	var errs []error
	var err error
	if s.State, err = st.State(); err != nil {
		errs = append(errs, fmt.Errorf("read the rules' state: %w", err))
	}
	for _, b := range []struct {
		bucket store.Bucket
		to     *[]store.Doc
	}{{store.BucketAlarms, &s.Alarms}, {store.BucketOutbox, &s.Outbox}, {store.BucketDrills, &s.Drills}} {
		for doc, err := range st.Docs(b.bucket) {
			if err != nil {
				errs = append(errs, err)
				continue
			}
			*b.to = append(*b.to, doc)
		}
	}
	return s, errors.Join(errs...)
}

// resume restores the core, and says so where nobody watched for a while.
func (d *Daemon) resume(saved core.Saved, report store.Report) {
	now := d.now()
	fx, err := d.core.Restore(now, saved)
	if err != nil {
		d.log.Error("part of an earlier run could not be read back; the rest is used", "err", err)
	}
	d.apply(fx)
	d.rec.Put(nil, core.StartEntries(now, report, d.o.Version))
	d.resumed(now, report)
	// Also where all is well: an earlier run may have left the alarm open.
	if h := d.recording.Load(); !h.ok || report.Quarantined == "" {
		d.setRecordAlarm(now, h.ok, h.note)
	}
	d.apply(d.core.ConfigRefused(now, d.o.ConfigRefused))
}

// resumed tells what there is to tell of a record that goes on at now, the
// beginning of this run.
func (d *Daemon) resumed(now sensors.Instant, report store.Report) {
	d.apply(d.core.Calibrated(d.now(), d.book.calibrations(d.cfg.Load())))
	d.showAll()
	if report.Quarantined != "" {
		d.setRecordAlarm(now, false, core.SetAside(report))
	}
	if report.FellBack {
		d.log.Error("the last commit of the record was damaged; the one before is used", "damage", report.Damage)
	}
	if st := d.Store(); st != nil {
		d.noteSettings(now, st)
	}
}

// showAll publishes the retained documents of all alarms.
func (d *Daemon) showAll() {
	now := d.now()
	for _, v := range d.core.Open() {
		d.channels.alarm(now, v.Key, &v)
	}
	// A phone may still hold what ended while nobody was there to say so.
	for _, k := range d.core.Quiet() {
		d.channels.alarm(now, k, nil)
	}
}

// recordHealth takes in that the record stopped or resumed being written.
func (d *Daemon) recordHealth(ok bool, note string) {
	d.recording.Store(&recordHealth{ok: ok, note: note})
	d.nudgeHealth()
}

func (d *Daemon) setRecordAlarm(now sensors.Instant, ok bool, note string) {
	if why := d.replaced.Load(); ok && why != nil && d.replaced.CompareAndSwap(why, nil) {
		d.keepAll(core.RecordEntry(now, "begun anew", *why))
	}
	if lost := d.losses.note(d.cfg.Load().Room.Location); ok && lost != "" {
		ok, note = false, lost
	}
	d.apply(d.core.RecordIncomplete(now, ok, note))
}

// What probes went through is kept under this key, once an hour: it moves
// slowly and would only wear the card.
const (
	ageingKey   = "ageing"
	ageingEvery = time.Hour
)

// ageing returns what each probe went through, from the running source or from
// the record.
func (d *Daemon) ageing() map[sensors.ProbeID]sensors.Ageing {
	if s := d.currentSource(); s != nil {
		return s.Ageing()
	}
	st := d.Store()
	if st == nil {
		return nil
	}
	m, err := loadAgeing(st)
	if err != nil {
		d.log.Warn("what the probes went through cannot be read; their stated uncertainty starts afresh", "err", err)
	}
	return m
}

// moved is what probes went through, counted in another running time.
func moved(m map[sensors.ProbeID]sensors.Ageing, by time.Duration) map[sensors.ProbeID]sensors.Ageing {
	out := make(map[sensors.ProbeID]sensors.Ageing, len(m))
	for id, a := range m {
		a.Last += by
		out[id] = a
	}
	return out
}

func loadAgeing(st *store.Store) (map[sensors.ProbeID]sensors.Ageing, error) {
	b, err := st.Get(store.BucketMeta, ageingKey)
	if err != nil || len(b) == 0 {
		return nil, err
	}
	var m map[sensors.ProbeID]sensors.Ageing
	if err := json.Unmarshal(b, &m); err != nil {
		return nil, fmt.Errorf("decode what the probes went through: %w", err)
	}
	return m, nil
}

// ProbePast returns what the stated uncertainty of a probe depends on beside
// its family: the corrections on record, and what each probe went through.
func ProbePast(st *store.Store) (*sensors.Corrections, map[sensors.ProbeID]sensors.Ageing, error) {
	records, err := loadCorrections(st)
	set, faults := sensors.NewCorrections(records)
	ageing, aerr := loadAgeing(st)
	return set, ageing, errors.Join(err, faults, aerr)
}

// keepAgeing queues what each probe went through.
func (d *Daemon) keepAgeing() {
	s := d.currentSource()
	if s == nil {
		return
	}
	b, err := json.Marshal(moved(s.Ageing(), time.Duration(d.leap.Load())))
	if err != nil {
		d.log.Warn("what the probes went through cannot be kept", "err", err)
		return
	}
	d.rec.Put([]store.Doc{{Bucket: store.BucketMeta, Key: ageingKey, Value: b}}, nil)
}

// keepState asks for the last state to be written before the end.
func (d *Daemon) keepState() {
	now := d.now()
	d.rec.Put(nil, []store.JournalEntry{core.StopEntry(now, d.o.Version)})
	d.keepAgeing()
	d.rec.ForceFlush(d.core.State)
}

func (d *Daemon) closeRecord(ctx context.Context) {
	if d.rec.held(ctx) {
		d.log.Error("the record was never open: nothing of this run is kept", "dir", d.o.Dir)
		return
	}
	if st := d.Store(); st != nil {
		if err := st.Close(ctx); err != nil {
			d.log.Error("the record did not close well", "err", err)
		}
	}
}
