package event

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"dewline/sensors"
)

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
		Seq      uint64          `json:"seq"`
		At       sensors.Instant `json:"at"`
		Kind     string          `json:"kind"`
		Who      string          `json:"who"`
		Subject  string          `json:"subject"`
		Old      string          `json:"old"`
		New      string          `json:"new"`
		Why      string          `json:"why"`
		Priority string          `json:"priority"`
	}
	if err := json.Unmarshal(text, &o); err != nil {
		return Event{}, fmt.Errorf("read an old line of the journal: %w", err)
	}
	e := OfLine(o.At, Line{o.Kind, o.Who, o.Subject, o.Old, o.New, o.Why, o.Priority})
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
