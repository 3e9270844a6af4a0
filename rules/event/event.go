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

// An Alarm is one step of an alarm's life: an onset, an end, or another change
// of its state of ISA-18.2.
type Alarm struct {
	Alarm    string   `json:"alarm"`
	Subject  string   `json:"subject"`
	Onset    uint64   `json:"onset"` // the same until the alarm is NORM again
	From     string   `json:"from"`
	To       string   `json:"to"`
	Priority string   `json:"priority,omitempty"`
	Cause    string   `json:"cause,omitempty"` // its kind
	CauseID  string   `json:"cause_id,omitempty"`
	Value    *float64 `json:"value,omitempty"` // in Unit
	Limit    *float64 `json:"limit,omitempty"`
	Unit     string   `json:"unit,omitempty"`
	// Since is when the condition began, before the delay; zero where nobody knows it.
	Since    time.Time `json:"since,omitzero"`
	Furthest *Furthest `json:"furthest,omitempty"` // since then
}

// Furthest is the value of an alarm that lay furthest past the limit of its time.
type Furthest struct {
	Value  float64   `json:"value"`
	Limit  float64   `json:"limit"`
	Urgent bool      `json:"urgent,omitempty"` // the limit is the one that makes it urgent, before which no other counts
	Time   time.Time `json:"time,omitzero"`
}

// ID is the name of the onset, "alarm/subject/number".
func (a Alarm) ID() string { return a.Alarm + "/" + a.Subject + "/" + strconv.FormatUint(a.Onset, 10) }

// What becomes of a notice. Older records have "repeats-over" too.
const (
	NoticeRaised       = "raised"
	NoticeHandedOver   = "handed-over" // to a person by a channel
	NoticeFailed       = "failed"
	NoticeDropped      = "dropped"
	NoticeAcknowledged = "acknowledged"
	NoticeEscalated    = "escalated" // to the next person
	NoticeEnded        = "ended"
	NoticeMerged       = "merged" // into another one
	NoticeDrill        = "drill"
	NoticeDrillOver    = "drill-over"
)

// A Notice is what became of a notice.
type Notice struct {
	Notice  string `json:"notice"`
	What    string `json:"what"`              // one of those above
	Version int    `json:"version,omitempty"` // that was handed over; 0 where it is not known
	Channel string `json:"channel,omitempty"`
}

// An Act is what a person decided about an alarm, or about everything of a subject.
type Act struct {
	Act     string    `json:"act"`
	Alarm   string    `json:"alarm,omitempty"`
	Subject string    `json:"subject"`
	From    string    `json:"from,omitempty"`
	To      string    `json:"to,omitempty"`
	For     float64   `json:"for_s,omitempty"`
	Until   time.Time `json:"until,omitzero"`
	Once    bool      `json:"once,omitempty"`
	Empty   bool      `json:"empty,omitempty"` // nobody lives in what is taken out
}

// Refused is what somebody asked and did not get; what that was stands beside.
type Refused struct {
	More int `json:"and_others_before,omitempty"` // that have no line of their own
}

// A Drill is a test notice that was sent.
type Drill struct {
	Notice string `json:"notice"`
}

// DrillOver is how a drill went.
type DrillOver struct {
	Notice     string             `json:"notice"`
	Taken      map[string]float64 `json:"taken_s,omitempty"` // by channel, since it was sent
	Answered   bool               `json:"answered,omitempty"`
	AnsweredIn float64            `json:"answered_s,omitempty"`
}

// Verdicts on a scheduled mist.
const (
	MistGiven     = "given"
	MistWeak      = "weak"
	MistMissed    = "missed"
	MistUnclear   = "unclear"   // nothing was measured, or it would not have shown
	MistUnplanned = "unplanned" // a pulse, seen without a time that it was due at
)

// A Mist is a pulse that was seen, or a scheduled one with its verdict.
type Mist struct {
	Enclosure string    `json:"enclosure"`
	Due       time.Time `json:"due,omitzero"`
	Verdict   string    `json:"verdict"`
	Start     time.Time `json:"start,omitzero"` // of the pulse, zero for none
	Before    float64   `json:"before_pct,omitempty"`
	Peak      float64   `json:"peak_pct,omitempty"`
	Rise      float64   `json:"rise_g_m3,omitempty"` // of water vapour
}

// A DryDown is how an enclosure dried after a pulse.
type DryDown struct {
	Enclosure string    `json:"enclosure"`
	Start     time.Time `json:"start"`                 // of the pulse
	Wet       float64   `json:"wet_s"`                 // at or above 90 %
	HalfLife  float64   `json:"half_life_s,omitempty"` // 0 where it could not be fitted
	// Trend compares with the fortnight: "slower", "faster", "as usual", or
	// empty where there are too few.
	Trend string `json:"trend,omitempty"`
}

// A Night is the fall from lamps on to lamps off, told when the lamps come on.
type Night struct {
	Enclosure string   `json:"enclosure"`
	Drop      *float64 `json:"drop_c,omitempty"` // nil where too little was measured
	DayMin    float64  `json:"day_min_c"`
	DayMax    float64  `json:"day_max_c"`
	NightMin  float64  `json:"night_min_c"`
	NightMax  float64  `json:"night_max_c"`
}

// A Dose is exposure to heat: what there is, and what was added since the line
// before of the same enclosure.
type Dose struct {
	Enclosure   string  `json:"enclosure"`
	Share       float64 `json:"share"`          // of the keeper's reference
	Peak        float64 `json:"peak_share"`     // largest since the line before
	DegreeHours float64 `json:"degree_hours_c"` // °C h above the boundary, added
	Unseen      float64 `json:"unseen_s"`       // in gaps while it was hot or a dose was left, added
}

// Limits are what an enclosure is judged by from then on.
type Limits struct {
	Enclosure string  `json:"enclosure"`
	DayLow    float64 `json:"day_low_c"`
	DayHigh   float64 `json:"day_high_c"`
	NightLow  float64 `json:"night_low_c"`
	NightHigh float64 `json:"night_high_c"`
	Floor     float64 `json:"floor_pct"`
	Lethal    float64 `json:"lethal_limit_c"`
	DropMin   float64 `json:"night_drop_wanted_c"`
}

// A Note was written by a keeper about an enclosure, or about the room where
// that is empty.
type Note struct {
	Enclosure string `json:"enclosure,omitempty"`
}

// A Calibration is a correction that was put in force.
type Calibration struct {
	Probe       string    `json:"probe"`
	Quantity    string    `json:"quantity,omitempty"`
	From        time.Time `json:"from,omitzero"`
	Gain        float64   `json:"gain,omitempty"`
	Offset      float64   `json:"offset,omitempty"` // °C or % of relative humidity
	Uncertainty float64   `json:"uncertainty,omitempty"`
	Undoes      string    `json:"undoes,omitempty"`
}

// A Setting is one key of the configuration that changed.
type Setting struct {
	Key string `json:"key"`
}

// A Configuration is a file that was put in force or refused.
type Configuration struct {
	File    string `json:"file"`
	Refused bool   `json:"refused,omitempty"`
}

// A Start of dewline.
type Start struct {
	Version string `json:"version"`
	Note    string `json:"note,omitempty"` // what there is to say of the record
}

// A Stop that was asked for.
type Stop struct {
	Version string `json:"version"`
}

// A Gap is time in which nobody watched, once its length is known.
type Gap struct {
	From time.Time `json:"from,omitzero"`
	For  float64   `json:"for_s"`
}

// A Clock was set while dewline ran, or back while it did not.
type Clock struct {
	Before time.Time `json:"before"`
	After  time.Time `json:"after"`
	Why    string    `json:"why,omitempty"`
}

// A Record is what happened to the record itself.
type Record struct {
	Act  string `json:"act"` // "record", "import", "restore", "repair" or "let go"
	File string `json:"file,omitempty"`
	Was  string `json:"was,omitempty"` // where what was there before is now
	What string `json:"what,omitempty"`
	Why  string `json:"why,omitempty"`

	Until uint64 `json:"until,omitempty"` // the last line of the journal that was let go of
}

// A Summary is what became of a week's mail to a person, or to all.
type Summary struct {
	Week  string `json:"week"`
	State string `json:"state"`
}

// Other is a line of a kind that this version does not know.
type Other struct {
	Word string `json:"-"`
	Line Line   `json:"line,omitzero"` // of an old one
}

// At is when a mist was, or was due.
func (m *Mist) At() time.Time {
	if m.Start.IsZero() {
		return m.Due
	}
	return m.Start
}

// Mists are one line for each pulse of an enclosure and for each mist that was due.
type Mists []Mist

// Take adds an event. A pulse belongs to the mist that it answered; of two verdicts
// on one mist, as after a crash, the first that says something stands.
func (all *Mists) Take(m Mist) {
	for i := range *all {
		had := &(*all)[i]
		due := !m.Due.IsZero() && m.Due.Equal(had.Due)
		pulse := !m.Start.IsZero() && m.Start.Equal(had.Start) && (m.Due.IsZero() || had.Due.IsZero())
		if !due && !pulse {
			continue
		}
		if m.Verdict != MistUnclear && !m.Due.IsZero() && (had.Due.IsZero() || had.Verdict == MistUnclear) {
			*had = m
		}
		return
	}
	*all = append(*all, m)
}
