// Package event has the typed lines of the log: what happened, once, as facts
// that every later reader takes as they are. A line is frozen when it is
// written; fields may be added, none changes its meaning. It holds no text that
// was made for a reader.
package event

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"time"

	"dewline/sensors"
)

// Schema is the version of the encoding that is written.
const Schema = 1

// An Event is one line of the log.
type Event struct {
	Seq    uint64 // given by the store, from 1
	At     sensors.Instant
	Schema int // 0 for a line of before events had types
	Beside
	Body Body
}

// Beside are the names and the free text of a line. They are kept beside the
// chain, so that they can be erased and the chain still holds.
type Beside struct {
	By     string `json:"by,omitempty"`     // who did it
	Person string `json:"person,omitempty"` // whom it was for
	About  string `json:"about,omitempty"`  // what it was about, where a stranger or a file says so
	Old    string `json:"old,omitempty"`    // as written by a person
	New    string `json:"new,omitempty"`
	Text   string `json:"text,omitempty"` // a reason or a note
}

// A Body is one of the plain types of this package.
type Body any

// Kind is the word of e's type in the log.
func (e *Event) Kind() string {
	if o, ok := e.Body.(Other); ok {
		return o.Word
	}
	for _, t := range types {
		if reflect.TypeOf(e.Body) == reflect.TypeOf(t.zero) {
			return t.word
		}
	}
	return ""
}

// New returns the line of body at a moment.
func New(at sensors.Instant, body Body) Event { return Event{At: at, Schema: Schema, Body: body} }

// With returns e with what stands beside it.
func (e Event) With(b Beside) Event {
	e.Beside = b
	return e
}

// Measured reports whether e says what was measured, and not what somebody did.
func (e *Event) Measured() bool {
	switch e.Body.(type) {
	case Mist, DryDown, Night, Dose:
		return true
	}
	return false
}

// head are the fields that every line has.
type head struct {
	Schema   int       `json:"v"`
	Type     string    `json:"type"`
	Seq      uint64    `json:"seq"`
	Time     time.Time `json:"time"`
	ClockSet bool      `json:"clock_set"`
	Running  Running   `json:"running_s"`
	// Beside is the hash of what is kept beside the chain, empty for nothing.
	Beside string `json:"beside,omitempty"`
}

// Encode writes e as one JSON object. beside is the hash of what is kept beside it.
func Encode(e *Event, beside string) ([]byte, error) {
	h := head{Schema, e.Kind(), e.Seq, e.At.Wall, e.At.Synced, Running(e.At.Mono), beside}
	if h.Type == "" {
		return nil, fmt.Errorf("%T is no event", e.Body)
	}
	out, err := json.Marshal(h)
	if err != nil {
		return nil, fmt.Errorf("event %s: %w", h.Type, err)
	}
	body, err := json.Marshal(e.Body)
	if err != nil {
		return nil, fmt.Errorf("event %s: %w", h.Type, err)
	}
	if len(body) > len("{}") {
		out = append(append(out[:len(out)-1], ','), body[1:]...)
	}
	return out, nil
}

func decodeBody(word string, text []byte) (Body, error) {
	for _, t := range types {
		if t.word == word {
			v := reflect.New(reflect.TypeOf(t.zero))
			err := json.Unmarshal(text, v.Interface())
			return v.Elem().Interface(), err
		}
	}
	o := Other{Word: word} // of a later version
	err := json.Unmarshal(text, &o)
	return o, err
}

// types are all that a body can be, with their words.
var types = [...]struct {
	word string
	zero Body
}{
	{"alarm", Alarm{}}, {"notice", Notice{}}, {"act", Act{}}, {"refused", Refused{}}, {"drill", Drill{}},
	{"drill-result", DrillOver{}}, {"mist", Mist{}}, {"dry-down", DryDown{}}, {"night", Night{}}, {"dose", Dose{}},
	{"limits", Limits{}}, {"note", Note{}}, {"calibration", Calibration{}}, {"setting", Setting{}},
	{"configuration", Configuration{}}, {"start", Start{}}, {"stop", Stop{}}, {"gap", Gap{}}, {"clock-step", Clock{}},
	{"record", Record{}}, {"summary", Summary{}},
}

// At returns the running time of a line as Encode or an older version wrote it.
func At(text []byte) (time.Duration, bool) {
	var h struct {
		Running *Running `json:"running_s"`
		At      *struct {
			Mono time.Duration `json:"mono"`
		} `json:"at"`
	}
	switch err := json.Unmarshal(text, &h); {
	case err != nil:
		return 0, false
	case h.Running != nil:
		return time.Duration(*h.Running), true
	case h.At != nil:
		return h.At.Mono, true
	}
	return 0, true
}

// Running is a running time, written exactly in seconds.
type Running time.Duration

// MarshalJSON writes seconds with as many digits as it takes.
func (r Running) MarshalJSON() ([]byte, error) {
	sign, n := "", uint64(r)
	if r < 0 {
		sign, n = "-", -n
	}
	s := fmt.Sprintf("%s%d.%09d", sign, n/1e9, n%1e9)
	return []byte(strings.TrimRight(strings.TrimRight(s, "0"), ".")), nil
}

// UnmarshalJSON reads seconds without rounding them.
func (r *Running) UnmarshalJSON(b []byte) error {
	whole, part, _ := strings.Cut(string(b), ".")
	if len(part) > 9 {
		return fmt.Errorf("running time %s is finer than a nanosecond", b)
	}
	digits, negative := strings.CutPrefix(whole+part+strings.Repeat("0", 9-len(part)), "-")
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil {
		return fmt.Errorf("running time %s: %w", b, err)
	}
	if negative {
		n = -n
	}
	*r = Running(n)
	return nil
}
