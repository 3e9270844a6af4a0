package page

import (
	"errors"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/chart"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/store"
)

// An onset is one alarm of the past, from the journal.
type onset struct {
	key      rules.Key
	id       string
	from, to time.Time // to is zero while it is not over
	acked    time.Time
	by       string
	priority string // the highest it had; empty in old entries
}

// onsets reads the alarms of [from, to), oldest first.
func onsets(rec Record, from, to time.Time) ([]*onset, error) {
	var out []*onset
	var errs error
	byID := map[string]*onset{}
	for e, err := range rec.Journal(from, to) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		if e.Kind != "alarm" {
			continue
		}
		key, ok := keyOf(e.Subject)
		if !ok {
			continue
		}
		o := byID[e.Subject]
		if o == nil {
			o = &onset{key: key, from: e.At.Wall}
			byID[e.Subject], out = o, append(out, o)
		}
		o.take(e)
	}
	return out, errs
}

// A diary keeps the alarms of the last year, because finding them means
// reading the whole journal. They change when an alarm does.
type diary struct {
	mu      sync.Mutex // guards what follows
	at      time.Time  // room time
	print   uint64     // of the alarms
	changed time.Time  // when print did, and
	read    time.Time  // when the journal was read, on the process's clock
	all     []*onset
	err     error
}

// Limits of a diary.
const (
	diaryFor  = 366 * 24 * time.Hour
	diaryKept = 24 * time.Hour // of room time, though no alarm changes
	// diaryLag is the longest that an entry follows its alarm: the card is
	// written beside the decisions.
	diaryLag = 5 * time.Second
)

// of returns the alarms of the last year that keep lets through and that were
// not over before from, oldest first. They must not be changed.
func (d *diary) of(rec Record, snap *alert.Snapshot, from time.Time, keep func(rules.Key) bool) ([]*onset, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	now, print := snap.At.Wall, fingerprint(snap)
	if d.print != print {
		d.print, d.changed = print, time.Now()
	}
	age := now.Sub(d.at)
	if d.err != nil || d.read.Sub(d.changed) < diaryLag || age < 0 || age > diaryKept {
		d.at, d.read = now, time.Now()
		// A clock that was wrong may have dated entries into the future.
		d.all, d.err = onsets(rec, now.Add(-diaryFor), now.Add(diaryFor))
	}
	var out []*onset
	for _, o := range d.all {
		if keep(o.key) && (o.to.IsZero() || !o.to.Before(from)) {
			out = append(out, o)
		}
	}
	return out, d.err
}

// keyOf takes "alarm/subject/number" apart.
func keyOf(onsetID string) (rules.Key, bool) {
	parts := strings.Split(onsetID, "/")
	if len(parts) != 3 {
		return rules.Key{}, false
	}
	return rules.Key{Alarm: rules.AlarmID(parts[0]), Subject: parts[1]}, true
}

// take follows one step of the alarm's life.
func (o *onset) take(e store.JournalEntry) {
	if o.priority == "" || e.Priority == rules.Wake.String() {
		o.priority = e.Priority
	}
	switch e.New {
	case alarm.Norm.String(), alarm.RTNUN.String(), alarm.LatchUnack.String(), alarm.LatchAck.String():
		if o.to.IsZero() {
			o.to = e.At.Wall
		}
	case alarm.Unack.String(), alarm.Acked.String():
		o.to = time.Time{} // it came back before anybody answered
	}
	answered := e.New == alarm.Acked.String() || e.New == alarm.LatchAck.String() ||
		e.New == alarm.Norm.String() && e.Old == alarm.RTNUN.String() && e.Who != ""
	if answered && o.acked.IsZero() {
		o.acked, o.by = e.At.Wall, e.Who
	}
}

// markKind is how an alarm is drawn; false for what is not worth a mark.
func (o *onset) markKind() (chart.MarkKind, bool) {
	switch o.priority {
	case rules.Wake.String():
		return chart.Wake, true
	case rules.Note.String():
		return 0, false
	}
	return chart.Today, true
}

// ofEnclosure returns which alarms are about an enclosure or its probes.
func ofEnclosure(cfg *configs.Config, id string) func(rules.Key) bool {
	subjects := map[string]bool{id: true}
	for _, p := range cfg.ProbesOf(id) {
		subjects[p.ID] = true
	}
	return func(k rules.Key) bool { return subjects[k.Subject] }
}
