package event

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/sensors"
)

// A Line is an event in nine words, as the journal is printed: what, who, about
// what, the old value and the new one, and why.
type Line struct {
	Kind, Who, Subject, Old, New, Why, Priority string
}

// Line puts e into words.
func (e *Event) Line() Line {
	l := Line{Kind: e.Kind(), Who: e.By, Why: e.Text}
	switch b := e.Body.(type) {
	case Alarm:
		l.Subject, l.Old, l.New, l.Priority = b.ID(), b.From, b.To, b.Priority
	case Notice:
		l.Subject, l.Old, l.New, l.Who = b.Notice, b.Channel, b.What, e.Person
	case Act:
		l.Kind, l.Subject, l.Old, l.New = b.Act, b.Alarm+"/"+b.Subject, b.From, b.words()
	case Refused:
		l.Subject, l.New, l.Why = e.About, e.Text, ""
		if b.More > 0 {
			l.New += fmt.Sprintf(" (and %d others before)", b.More)
		}
	case Drill:
		l.Subject, l.New = e.Person, b.Notice
	case DrillOver:
		l.Subject, l.New, l.Why = b.Notice, b.words(e.Text), "for "+e.Person
	case Note:
		l.Subject, l.New, l.Why = b.Enclosure, e.Text, ""
	case Calibration:
		l.Subject, l.Old, l.New = b.Probe, e.Old, e.New
	case Setting:
		l.Who, l.Subject, l.Old, l.New = "keeper", b.Key, e.Old, e.New
	case Configuration:
		l.Who, l.Subject, l.New = "keeper", b.File, "in force"
		if b.Refused {
			l.New = "refused"
		}
	case Summary:
		l.Subject, l.Old, l.New = b.Week, e.Person, b.State
	case Other:
		l = b.Line
		l.Kind = b.Word
	default:
		l.own(e.Body)
	}
	return l
}

// own puts into words what dewline itself did or found.
func (l *Line) own(body Body) {
	if l.Who == "" {
		l.Who = "dewline"
	}
	switch b := body.(type) {
	case Start:
		l.New, l.Why = b.Version, b.Note
	case Stop:
		l.New = b.Version
	case Clock:
		l.Old, l.New, l.Why = stamp(b.Before), stamp(b.After), b.Why
	case Gap:
		l.Old, l.New = stamp(b.From), seconds(b.For).String()
	case Record:
		l.Kind, l.Subject, l.Old, l.New, l.Why = b.Act, b.File, b.Was, b.What, b.Why
	case Mist:
		l.Subject, l.Old, l.New = b.Enclosure, stamp(b.Due), b.words()
	case DryDown:
		l.Subject, l.Old, l.New, l.Why = b.Enclosure, stamp(b.Start), "not fitted", b.Trend
		if b.HalfLife > 0 {
			l.New = fmt.Sprintf("half-life %.0f min", b.HalfLife/60)
		}
	case Night:
		l.Subject, l.New = b.Enclosure, "too few readings"
		if b.Drop != nil {
			l.New = fmt.Sprintf("drop %.1f °C", *b.Drop)
		}
	case Dose:
		l.Subject, l.New = b.Enclosure, fmt.Sprintf("%.0f %% of the reference, %.1f °C h added", 100*b.Share, b.DegreeHours)
	case Limits:
		l.Subject = b.Enclosure
		l.New = fmt.Sprintf("day %g to %g °C, night %g to %g °C, floor %g %%, lethal limit %g °C", b.DayLow, b.DayHigh, b.NightLow, b.NightHigh, b.Floor, b.Lethal)
	}
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

func seconds(s float64) time.Duration {
	return time.Duration(s * float64(time.Second)).Round(time.Second)
}

func (a Act) words() string {
	s := a.To
	switch {
	case a.For > 0:
		s += " for " + seconds(a.For).String()
	case !a.Until.IsZero():
		s += " until " + stamp(a.Until)
	}
	if a.Empty {
		s += ", empty"
	}
	if a.Once {
		s += ", once"
	}
	return s
}

func (d DrillOver) words(old string) string {
	if old != "" {
		return old
	}
	var parts []string
	for _, channel := range slices.Sorted(maps.Keys(d.Taken)) {
		parts = append(parts, fmt.Sprintf("%s after %.1f s", channel, d.Taken[channel]))
	}
	if len(parts) == 0 {
		parts = append(parts, "no channel took it over")
	}
	if d.Answered {
		return fmt.Sprintf("%s; acknowledged after %.1f s", strings.Join(parts, ", "), d.AnsweredIn)
	}
	return strings.Join(parts, ", ") + "; nobody acknowledged it"
}

func (m Mist) words() string {
	if m.Start.IsZero() {
		return m.Verdict
	}
	return fmt.Sprintf("%s, %.0f → %.0f %%", m.Verdict, m.Before, m.Peak)
}

// parseID takes "alarm/subject/number" apart.
func parseID(s string) (a Alarm, ok bool) {
	id, rest, cut := strings.Cut(s, "/")
	at := strings.LastIndexByte(rest, '/')
	if !cut || at < 0 {
		return a, false
	}
	n, err := strconv.ParseUint(rest[at+1:], 10, 64)
	return Alarm{Alarm: id, Subject: rest[:at], Onset: n}, err == nil
}

// Decode reads what Encode wrote, or a line of before events had types, and
// returns the hash of what is kept beside it.
func Decode(text []byte) (e Event, beside string, err error) {
	var h head
	if err := json.Unmarshal(text, &h); err != nil {
		return e, "", fmt.Errorf("read an event: %w", err)
	}
	if h.Schema == 0 {
		e, err = decodeOld(text)
		return e, "", err
	}
	e = Event{Seq: h.Seq, At: sensors.Instant{Mono: time.Duration(h.Running), Wall: h.Time, Synced: h.ClockSet}, Schema: h.Schema}
	if e.Body, err = decodeBody(h.Type, text); err != nil {
		return e, "", fmt.Errorf("read event %s: %w", h.Type, err)
	}
	return e, h.Beside, nil
}

// decodeOld reads a line of before events had types: nine fields of text. It
// says nothing of mists, nights, dry-downs and doses: those were not recorded.
func decodeOld(text []byte) (Event, error) {
	var o struct {
		Seq  uint64          `json:"seq"`
		At   sensors.Instant `json:"at"`
		Line                 // the same words, in small letters
	}
	if err := json.Unmarshal(text, &o); err != nil {
		return Event{}, fmt.Errorf("read an old line of the journal: %w", err)
	}
	e := OfLine(o.At, o.Line)
	e.Seq, e.Schema = o.Seq, 0
	return e, nil
}

// OfLine is the event that an old line tells of.
func OfLine(at sensors.Instant, l Line) Event {
	e := New(at, nil)
	e.By, e.Text = l.Who, l.Why
	switch l.Kind {
	case "alarm":
		a, ok := parseID(l.Subject)
		if !ok {
			e.Body = Other{Word: l.Kind, Line: l} // another hand wrote it
			break
		}
		a.From, a.To, a.Priority = l.Old, l.New, l.Priority
		e.Body = a
	case "notice":
		e.By, e.Person = "", l.Who
		e.Body = Notice{Notice: l.Subject, What: l.New, Channel: l.Old}
	case "acknowledge", "shelve", "unshelve", "reset", "out-of-service", "in-service":
		alarm, subject, _ := strings.Cut(l.Subject, "/")
		e.Body = Act{Act: l.Kind, Alarm: alarm, Subject: subject, From: l.Old, To: l.New}
	case "refused":
		e.About, e.Text, e.Body = l.Subject, l.New, Refused{}
	case "drill":
		e.Person, e.Body = l.Subject, Drill{Notice: l.New}
	case "drill-result":
		e.Person, e.Text, e.Body = strings.TrimPrefix(l.Why, "for "), l.New, DrillOver{Notice: l.Subject}
	case "note":
		e.Text, e.Body = l.New, Note{Enclosure: l.Subject}
	case "calibration":
		e.Old, e.New, e.Body = l.Old, l.New, Calibration{Probe: l.Subject}
	case "setting":
		e.Old, e.New, e.Body = l.Old, l.New, Setting{Key: l.Subject}
	case "configuration":
		e.Body = Configuration{File: l.Subject, Refused: l.New == "refused"}
	case "summary":
		e.Person, e.Body = l.Old, Summary{Week: l.Subject, State: l.New}
	default:
		e.ofOwn(l)
	}
	return e
}

// ofOwn reads a line about dewline itself.
func (e *Event) ofOwn(l Line) {
	e.Text = ""
	switch l.Kind {
	case "start":
		e.Body = Start{Version: l.New, Note: l.Why}
	case "stop":
		e.Body = Stop{Version: l.New}
	case "clock-step":
		before, _ := time.Parse(time.RFC3339, l.Old) // zero where it is no time
		after, _ := time.Parse(time.RFC3339, l.New)
		e.Body = Clock{Before: before, After: after, Why: l.Why}
	case "record", "import", "restore", "repair":
		e.Body = Record{Act: l.Kind, File: l.Subject, Was: l.Old, What: l.New, Why: l.Why}
	default:
		e.Body = Other{Word: l.Kind, Line: l}
	}
}
