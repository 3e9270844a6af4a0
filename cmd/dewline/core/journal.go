package core

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// Everything that the journal is told stands in this file: one function for
// each kind of line.

// kindRefused is the journal's word for what somebody asked and did not get.
const kindRefused = "refused"

// transitionEntry is the line of an alarm that moved.
func transitionEntry(t rules.Transition) store.JournalEntry {
	return store.JournalEntry{
		At: t.At, Kind: "alarm", Who: t.By, Subject: rules.OnsetID(t.Key, t.Seq),
		Old: t.From.String(), New: t.To.String(), Why: t.Why, Priority: t.Priority.String(),
	}
}

// noticeEntry is the line of what became of a notice.
func noticeEntry(ev *alert.Event) store.JournalEntry {
	return store.JournalEntry{
		At: ev.At, Kind: "notice", Subject: ev.Notice, New: ev.What, Who: ev.Person, Old: ev.Channel, Why: ev.Why,
	}
}

// actionEntry is the line of a person's action, with the state before and the
// one after; the alarms that moved with it have lines of their own.
func actionEntry(now sensors.Instant, a *rules.Action, ts []rules.Transition) store.JournalEntry {
	e := store.JournalEntry{
		At: now, Kind: string(a.Kind), Who: a.By, Subject: string(a.Key.Alarm) + "/" + a.Key.Subject, Why: a.Why,
	}
	switch a.Kind {
	case rules.TakeOut:
		e.Old, e.New = "in service", "out of service"
	case rules.ReturnToService:
		e.Old, e.New = "out of service", "in service"
	default:
		for _, t := range ts {
			if t.Key == a.Key {
				e.Old, e.New = t.From.String(), t.To.String()
			}
		}
	}
	switch {
	case a.For > 0:
		e.New += " for " + a.For.String()
	case !a.Until.IsZero():
		e.New += " until " + a.Until.UTC().Format(time.RFC3339)
	}
	if a.OneShot {
		e.New += ", once"
	}
	return e
}

// refusedEntry is the line of what somebody asked and did not get.
func refusedEntry(now sensors.Instant, who, subject, what string) store.JournalEntry {
	return store.JournalEntry{At: now, Kind: kindRefused, Who: who, Subject: subject, New: what}
}

// drillEntry is the line of a drill that was sent.
func drillEntry(now sensors.Instant, by, person, id string) store.JournalEntry {
	return store.JournalEntry{At: now, Kind: "drill", Who: by, Subject: person, New: id}
}

// drillOverEntry is the line of a drill that has ended: how fast it went.
func drillOverEntry(at sensors.Instant, d *alert.DrillResult) store.JournalEntry {
	var parts []string
	for _, channel := range slices.Sorted(maps.Keys(d.Taken)) {
		parts = append(parts, fmt.Sprintf("%s after %.1f s", channel, d.Taken[channel]))
	}
	if len(parts) == 0 {
		parts = append(parts, "no channel took it over")
	}
	words := strings.Join(parts, ", ") + "; nobody acknowledged it"
	if d.Acked {
		words = fmt.Sprintf("%s; acknowledged after %.1f s", strings.Join(parts, ", "), d.AckedIn)
	}
	return store.JournalEntry{At: at, Kind: "drill-result", Who: d.AckedBy, Subject: d.ID, New: words, Why: "for " + d.Person}
}

// clockEntry is the line of a step of the clock.
func clockEntry(now sensors.Instant, before time.Time, why string) store.JournalEntry {
	return store.JournalEntry{
		At: now, Kind: "clock-step", Who: "dewline", Old: before.UTC().Format(time.RFC3339), New: now.Wall.UTC().Format(time.RFC3339), Why: why,
	}
}

// StartEntries are what the journal is told of a start with a record.
func StartEntries(now sensors.Instant, report store.Report, version string) []store.JournalEntry {
	start := store.JournalEntry{At: now, Kind: "start", Who: "dewline", New: version}
	switch {
	case report.Quarantined != "":
		start.Why = SetAside(report)
	case report.Fresh:
		start.Why = "a new record"
	case report.FellBack:
		start.Why = "the last commit of the record was damaged, and the one before is used"
	case report.Migrated:
		start.Why = "the record was brought to the layout of this version"
	}
	entries := []store.JournalEntry{start}
	// A clock set forward looks like time that passed, which blind-period tells.
	if back := report.LastWall.Sub(now.Wall); back >= stepAtLeast {
		why := fmt.Sprintf("set back by %s or more while dewline was not running", back.Round(time.Second))
		entries = append(entries, clockEntry(now, report.LastWall, why))
	}
	return entries
}

// SetAside says that a record was damaged.
func SetAside(report store.Report) string {
	return "the record was damaged and set aside as " + report.Quarantined
}

// StopEntry is the line of a stop that was asked for.
func StopEntry(now sensors.Instant, version string) store.JournalEntry {
	return store.JournalEntry{At: now, Kind: "stop", Who: "dewline", New: version}
}

// RecordEntry is the line of something that happened to the record itself.
func RecordEntry(now sensors.Instant, what, why string) store.JournalEntry {
	return store.JournalEntry{At: now, Kind: "record", Who: "dewline", New: what, Why: why}
}

// ConfigurationEntry is the line of a configuration that was put in force, or
// refused with the reason why.
func ConfigurationEntry(now sensors.Instant, file, refused string) store.JournalEntry {
	e := store.JournalEntry{At: now, Kind: "configuration", Who: "keeper", Subject: file, New: "in force"}
	if refused != "" {
		e.New, e.Why = "refused", refused
	}
	return e
}

// SettingEntries are the lines of what differs between two configurations.
func SettingEntries(now sensors.Instant, old, next *configs.Config) []store.JournalEntry {
	var out []store.JournalEntry
	for _, c := range changesOf(old, next) {
		out = append(out, store.JournalEntry{At: now, Kind: "setting", Who: "keeper", Subject: c.key, Old: c.old, New: c.new})
	}
	return out
}

// CalibrationEntry is the line of a calibration, with the one whose place it
// takes.
func CalibrationEntry(now sensors.Instant, c *sensors.Correction, old, next string) store.JournalEntry {
	return store.JournalEntry{At: now, Kind: "calibration", Who: c.By, Subject: string(c.Probe), Old: old, New: next, Why: c.Note}
}

// SummaryEntry is the line of what became of the mails of a week's summary: of
// one person's, or, with an empty person, of all.
func SummaryEntry(now sensors.Instant, who, week, person, state, why string) store.JournalEntry {
	return store.JournalEntry{At: now, Kind: "summary", Who: who, Subject: week, Old: person, New: state, Why: why}
}

// A Note is one line that a keeper wrote about an enclosure, or about the room
// where Enclosure is empty.
type Note struct {
	At        sensors.Instant `json:"at"`
	Enclosure string          `json:"enclosure"`
	By        string          `json:"by"`
	Text      string          `json:"text"`
}

// doc is the stored form of a note; keys order those of an enclosure by when
// they were written.
func (n *Note) doc() (store.Doc, error) {
	value, err := json.Marshal(n)
	if err != nil {
		return store.Doc{}, fmt.Errorf("encode the note: %w", err)
	}
	return store.Doc{Bucket: store.BucketNotes, Key: fmt.Sprintf("%s/%020d", n.Enclosure, n.At.Mono), Value: value}, nil
}

// Keep returns what keeps a note on record.
func (n Note) Keep() (Effects, error) {
	d, err := n.doc()
	if err != nil {
		return Effects{}, err
	}
	return Effects{
		Docs:    []store.Doc{d},
		Journal: []store.JournalEntry{{At: n.At, Kind: "note", Who: n.By, Subject: n.Enclosure, New: n.Text}},
	}, nil
}
