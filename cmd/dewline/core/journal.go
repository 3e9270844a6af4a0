package core

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// Facts become events in this file and nowhere else: one function for each kind.

func alarmEvent(t *rules.Transition) event.Event {
	a := event.Alarm{
		Alarm: string(t.Key.Alarm), Subject: t.Key.Subject, Onset: t.Seq, From: t.From.String(), To: t.To.String(),
		Priority: t.Priority.String(), Cause: string(t.Cause.Kind), CauseID: t.Cause.ID, Unit: t.Unit,
	}
	if t.HasValue {
		a.Value = &t.Value
	}
	if t.HasLimit {
		a.Limit = &t.Limit
	}
	if t.Since.Synced {
		a.Since = t.Since.Wall
	}
	if p := t.Peak; p != nil {
		a.Furthest = &event.Furthest{Value: p.Value, Limit: p.Limit, Urgent: p.Urgent}
		if p.At.Synced {
			a.Furthest.Time = p.At.Wall
		}
	}
	return event.New(t.At, a).With(event.Beside{By: t.By, Text: t.Why})
}

func noticeEvent(ev *alert.Event) event.Event {
	body := event.Notice{Notice: ev.Notice, What: ev.What, Version: ev.Version, Channel: ev.Channel}
	return event.New(ev.At, body).With(event.Beside{Person: ev.Person, Text: ev.Why})
}

// actEvent tells of a person's action, with the state before and the one after;
// the alarms that moved with it have events of their own.
func actEvent(now sensors.Instant, a *rules.Action, ts []rules.Transition) event.Event {
	b := event.Act{
		Act: string(a.Kind), Alarm: string(a.Key.Alarm), Subject: a.Key.Subject,
		For: a.For.Seconds(), Until: a.Until, Once: a.OneShot, Empty: a.Empty,
	}
	switch a.Kind {
	case rules.TakeOut:
		b.From, b.To = "in service", "out of service"
	case rules.ReturnToService:
		b.From, b.To = "out of service", "in service"
	default:
		for _, t := range ts {
			if t.Key == a.Key {
				b.From, b.To = t.From.String(), t.To.String()
			}
		}
	}
	return event.New(now, b).With(event.Beside{By: a.By, Text: a.Why})
}

// dutyEvent tells that somebody was put on duty, or that it is over, with who was
// told first before and who is after; empty for the order of the file.
func dutyEvent(now sensors.Instant, a *rules.Action, from, to string) event.Event {
	body := event.Act{Act: string(a.Kind), Subject: a.Key.Subject, From: from, To: to, Until: a.Until}
	return event.New(now, body).With(event.Beside{By: a.By, Text: a.Why})
}

func refusedEvent(now sensors.Instant, who, subject, what string) event.Event {
	return event.New(now, event.Refused{}).With(event.Beside{By: who, About: subject, Text: what})
}

func drillEvent(now sensors.Instant, by, person, id string) event.Event {
	return event.New(now, event.Drill{Notice: id}).With(event.Beside{By: by, Person: person})
}

func drillOverEvent(at sensors.Instant, d *alert.DrillResult) event.Event {
	body := event.DrillOver{Notice: d.ID, Taken: d.Taken, Answered: d.Acked, AnsweredIn: d.AckedIn}
	return event.New(at, body).With(event.Beside{By: d.AckedBy, Person: d.Person})
}

func clockEvent(now sensors.Instant, before time.Time, why string) event.Event {
	return event.New(now, event.Clock{Before: before, After: now.Wall, Why: why})
}

func gapEvent(now sensors.Instant, from time.Time, length time.Duration) event.Event {
	return event.New(now, event.Gap{From: from, For: length.Seconds()})
}

// StartEvents tell of a start with a record.
func StartEvents(now sensors.Instant, report store.Report, version string) []event.Event {
	note := ""
	switch {
	case report.Quarantined != "":
		note = SetAside(report)
	case report.Fresh:
		note = "a new record"
	case report.FellBack:
		note = "the last commit of the record was damaged, and the one before is used"
	case report.Migrated:
		note = "the record was brought to the layout of this version"
	}
	events := []event.Event{event.New(now, event.Start{Version: version, Note: note})}
	// A clock set forward looks like time that passed, which blind-period tells.
	if back := report.LastWall.Sub(now.Wall); back >= stepAtLeast {
		why := fmt.Sprintf("set back by %s or more while dewline was not running", back.Round(time.Second))
		events = append(events, clockEvent(now, report.LastWall, why))
	}
	return events
}

// SetAside says that a record was damaged.
func SetAside(report store.Report) string {
	return "the record was damaged and set aside as " + report.Quarantined
}

// StopEvent tells of a stop that was asked for.
func StopEvent(now sensors.Instant, version string) event.Event {
	return event.New(now, event.Stop{Version: version})
}

// RecordEvent tells of something that happened to the record itself.
func RecordEvent(now sensors.Instant, what, why string) event.Event {
	return event.New(now, event.Record{Act: "record", What: what, Why: why})
}

// ConfigurationEvent tells of a configuration that was put in force, or refused
// with the reason why.
func ConfigurationEvent(now sensors.Instant, file, refused string) event.Event {
	return event.New(now, event.Configuration{File: file, Refused: refused != ""}).With(event.Beside{Text: refused})
}

// SettingEvents tell what differs between two configurations, and of the limits
// that changed with it; old is nil for none.
func SettingEvents(now sensors.Instant, old, next *configs.Config) []event.Event {
	var out []event.Event
	was := map[string]event.Limits{}
	if old != nil {
		for _, c := range changesOf(old, next) {
			out = append(out, event.New(now, event.Setting{Key: c.key}).With(event.Beside{Old: c.old, New: c.new}))
		}
		for _, e := range old.Enclosures {
			was[e.ID] = limitsEvent(old, e, now)
		}
	}
	for _, e := range next.Enclosures {
		if l := limitsEvent(next, e, now); was[e.ID] != l {
			out = append(out, event.New(now, l))
		}
	}
	return out
}

// limitsEvent is what an enclosure is judged by on a day.
func limitsEvent(cfg *configs.Config, e configs.Enclosure, now sensors.Instant) event.Limits {
	var day time.Time // of no date, where the clock is not set
	if now.Synced {
		day = now.Wall
	}
	s := cfg.SpeciesOn(e, day)
	return event.Limits{
		Enclosure: e.ID, DayLow: float64(s.Day.Low), DayHigh: float64(s.Day.High), NightLow: float64(s.Night.Low),
		NightHigh: float64(s.Night.High), Floor: float64(s.Floor), Lethal: float64(s.Lethal), DropMin: float64(s.DropMin),
	}
}

// CalibrationEvent tells of a calibration, with the one whose place it takes;
// old and next are their documents.
func CalibrationEvent(now sensors.Instant, c *sensors.Correction, old, next string) event.Event {
	return event.New(now, event.Calibration{
		Probe: string(c.Probe), Quantity: string(c.Quantity), From: c.From, Gain: c.Gain, Offset: c.Offset,
		Uncertainty: c.Uncertainty, Undoes: c.Undoes,
	}).With(event.Beside{By: c.By, Old: old, New: next, Text: c.Note})
}

// SummaryEvent tells what became of the mails of a week's summary: of one
// person's, or, with an empty person, of all.
func SummaryEvent(now sensors.Instant, who, week, person, state, why string) event.Event {
	return event.New(now, event.Summary{Week: week, State: state}).With(event.Beside{By: who, Person: person, Text: why})
}

// noteDoc has keys that order an enclosure's notes by when they were written.
func noteDoc(n *alert.Note) (store.Doc, error) {
	value, err := json.Marshal(n)
	if err != nil {
		return store.Doc{}, fmt.Errorf("encode the note: %w", err)
	}
	return store.Doc{Bucket: store.BucketNotes, Key: fmt.Sprintf("%s/%020d", n.Enclosure, n.At.Mono), Value: value}, nil
}

// KeepNote returns what keeps a note on record.
func KeepNote(n alert.Note) (Effects, error) {
	d, err := noteDoc(&n)
	if err != nil {
		return Effects{}, err
	}
	e := event.New(n.At, event.Note{Enclosure: n.Enclosure}).With(event.Beside{By: n.By, Text: n.Text})
	return Effects{Docs: []store.Doc{d}, Events: []event.Event{e}}, nil
}

type change struct{ key, old, new string }

// changesOf lists what differs between two configurations, by the keys of the
// file. Elements of a list are named by their id. What may hold a secret is not
// shown.
func changesOf(a, b *configs.Config) (out []change) {
	compare(reflect.ValueOf(a).Elem(), reflect.ValueOf(b).Elem(), "", &out)
	return out
}

func compare(a, b reflect.Value, key string, out *[]change) {
	switch {
	case a.Kind() == reflect.Struct && isSection(a.Type()):
		for i := range a.NumField() {
			name := a.Type().Field(i).Tag.Get("toml")
			if name == "" || name == "-" {
				continue
			}
			key := strings.TrimPrefix(key+"."+name, ".")
			if a.Type().Field(i).Tag.Get(configs.HiddenTag) == "" {
				compare(a.Field(i), b.Field(i), key, out)
			} else if !reflect.DeepEqual(a.Field(i).Interface(), b.Field(i).Interface()) {
				*out = append(*out, change{key, "not shown", "another, not shown"})
			}
		}
	case a.Kind() == reflect.Slice && a.Type().Elem().Kind() == reflect.Struct:
		compareLists(a, b, key, out)
	case !reflect.DeepEqual(a.Interface(), b.Interface()):
		*out = append(*out, change{key, printed(a), printed(b)})
	}
}

// isSection tells a table of the file from a quantity made of two numbers.
func isSection(t reflect.Type) bool {
	return t.Field(0).Tag.Get("toml") != ""
}

func compareLists(a, b reflect.Value, key string, out *[]change) {
	before, after := byID(a), byID(b)
	for i := range a.Len() {
		id := idOf(a.Index(i))
		if other, ok := after[id]; ok {
			compare(a.Index(i), other, key+"."+id, out)
		} else {
			*out = append(*out, change{key: key + "." + id, old: "there", new: "gone"})
		}
	}
	for i := range b.Len() {
		id := idOf(b.Index(i))
		if _, ok := before[id]; !ok {
			*out = append(*out, change{key: key + "." + id, old: "not there", new: "added"})
		}
	}
}

func byID(list reflect.Value) map[string]reflect.Value {
	m := make(map[string]reflect.Value, list.Len())
	for i := range list.Len() {
		m[idOf(list.Index(i))] = list.Index(i)
	}
	return m
}

func idOf(v reflect.Value) string {
	if f := v.FieldByName("ID"); f.IsValid() {
		return f.String()
	}
	return fmt.Sprint(v.Interface())
}

func printed(v reflect.Value) string {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return "the default"
		}
		v = v.Elem()
	}
	return fmt.Sprint(v.Interface())
}

// Somebody who floods dewline with what is refused must not wear out the
// card: so many lines at once, then one in refusedEvery, which counts the
// others.
const (
	refusedAtOnce = 20
	refusedEvery  = 10 * time.Second
	maxRefused    = 200 // bytes of each field
)

// refusals thins the journal lines about what was refused.
type refusals struct {
	used int           // lines that count against refusedAtOnce
	at   time.Duration // when used last went down
	more int           // lines that wait, of which only the last is kept
	last event.Event
}

// pass returns e, or nothing yet.
func (r *refusals) pass(now sensors.Instant, e event.Event) []event.Event {
	r.last = e
	r.more++
	return r.flush(now)
}

// flush returns the newest line that waits, with how many were left out before it, once
// there is room for it.
func (r *refusals) flush(now sensors.Instant) []event.Event {
	if r.more == 0 {
		return nil
	}
	if r.refill(now); r.used >= refusedAtOnce {
		return nil
	}
	e := r.last
	e.Body = event.Refused{More: r.more - 1}
	r.used, r.more = r.used+1, 0
	return []event.Event{e}
}

func (r *refusals) refill(now sensors.Instant) {
	if r.used == 0 {
		r.at = now.Mono
		return
	}
	n := int((now.Mono - r.at) / refusedEvery)
	r.used = max(r.used-n, 0)
	r.at += time.Duration(n) * refusedEvery
}

// Refuse puts into the journal what was refused before it came to a decision:
// for its form, its token or its link.
func (c *Core) Refuse(now sensors.Instant, cmd alert.Command, why string) Effects {
	e := refusedEvent(now, Short(cmd.By), Short(cmd.Alarm+"/"+cmd.Subject), Short(cmd.Action+": "+why))
	return Effects{Events: c.refused.pass(now, e)}
}

// Short cuts what a stranger sent down to what the journal keeps of it.
func Short(s string) string {
	if len(s) <= maxRefused {
		return s
	}
	const more = "…"
	return strings.ToValidUTF8(s[:maxRefused-len(more)], "") + more
}
