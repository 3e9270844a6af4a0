package room

import (
	"encoding/json"
	"iter"
	"math"
	"math/bits"
	"slices"
	"strings"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
)

// Stats are an alarm's own self-measures.
type Stats struct {
	Raised   uint64        `json:"raised,omitempty"`
	Acked    uint64        `json:"acked,omitempty"`
	AckTotal time.Duration `json:"ack_total,omitempty"`
	AckMax   time.Duration `json:"ack_max,omitempty"`
	// Raises are the running times of the last ones, newest first.
	Raises    [3]time.Duration `json:"raises"`
	Chattered uint64           `json:"chattered,omitempty"` // times that it was chattering when raised
	UnackAt   time.Duration    `json:"unack_at,omitempty"`
	// Far is how far the value has gone past the limit on the normal side since
	// the last clearing, in its unit.
	Far     float64  `json:"far,omitempty"`
	Returns []Return `json:"returns,omitempty"` // the last quick returns, newest first
	Quick   uint64   `json:"quick,omitempty"`   // all of them
}

const mostReturns = 16

// Returned puts quick returns, newest first, before those that are kept. What was
// copied of the alarm before keeps its own.
func (st *Stats) Returned(newest ...Return) {
	all := slices.Concat(newest, st.Returns)
	st.Returns = all[:min(len(all), mostReturns)]
}

// Latest returns the quick returns that are kept, newest first. Records of before
// have empty ones behind them.
func (st *Stats) Latest() []Return {
	return st.Returns[:min(st.Quick, uint64(len(st.Returns)))]
}

// A Return is a new raise soon after a clearing.
type Return struct {
	After time.Duration `json:"after,omitempty"`
	Far   float64       `json:"far,omitempty"`
}

// A Record is the persisted form of one alarm: its life and what was last said
// about it. It survives a JSON round trip unchanged.
type Record struct {
	Key      alarm.Key      `json:"key"`
	Priority alarm.Priority `json:"priority"`
	Cause    alarm.Cause    `json:"cause"`
	Unit     string         `json:"unit,omitempty"`
	Text     string         `json:"text,omitempty"` // of an older version, until it is said anew
	// AckedBy is who acknowledged the present onset.
	AckedBy string `json:"acked_by,omitempty"`
	// Detail is what was last said about it; nil for nothing yet. It is replaced,
	// so that who copied the record keeps what it was.
	Detail   *alarm.Detail `json:"detail,omitempty"`
	Peak     *alarm.Peak   `json:"furthest,omitempty"`
	Life     alarm.Record  `json:"life"`
	Value    float64       `json:"value"`
	Limit    float64       `json:"limit"`
	HasValue bool          `json:"has_value"`
	HasLimit bool          `json:"has_limit"`
	Stats    *Stats        `json:"stats,omitempty"` // nil while it was never raised
	// Severe is how long the limit that makes a band alarm urgent has been
	// passed; nil for other alarms.
	Severe *alarm.Record `json:"severe,omitempty"`
	// Given is what a Condition of dewline itself came with.
	Given *Given `json:"given,omitempty"`
}

// UnmarshalJSON also reads the furthest value of an older record, which had no limit.
func (r *Record) UnmarshalJSON(data []byte) error {
	type plain Record
	var old struct {
		plain
		Peak float64 `json:"peak"`
	}
	if err := json.Unmarshal(data, &old); err != nil {
		return err
	}
	if *r = Record(old.plain); r.Peak == nil && old.Peak != 0 {
		r.Peak = &alarm.Peak{Value: old.Peak, Limit: r.Limit, At: r.Life.Since}
	}
	return nil
}

// Measured are the alarm's own measures so far.
func (r *Record) Measured() Stats {
	if r.Stats == nil {
		return Stats{}
	}
	return *r.Stats
}

// Told is what was last said about the alarm.
func (r *Record) Told() alarm.Detail {
	if r.Detail == nil {
		return alarm.Detail{}
	}
	return *r.Detail
}

// Onset is the present one, or the last, with what is known of it.
func (r *Record) Onset() alarm.Onset {
	return alarm.Onset{
		Key: r.Key, Seq: r.Life.Seq, Priority: r.Priority, Cause: r.Cause, Value: r.Value, HasValue: r.HasValue,
		Limit: r.Limit, HasLimit: r.HasLimit, Unit: r.Unit, Peak: r.Peak, Since: r.Life.Since, Text: r.Text, Detail: r.Told(),
	}
}

// Because takes what now speaks for the alarm's cause.
func (r *Record) Because(evidence []alarm.Fact) {
	var before []alarm.Fact
	if r.Detail != nil {
		before = r.Detail.Evidence
	}
	if !slices.Equal(before, evidence) {
		d := r.Told()
		d.Evidence, r.Detail = evidence, &d
	}
}

// Given is what came with a Condition. It is replaced, never changed.
type Given struct {
	Is       alarm.Fact   `json:"is,omitzero"`
	Evidence []alarm.Fact `json:"evidence,omitempty"`
	Steps    []alarm.Step `json:"steps,omitempty"`
}

// UnmarshalJSON also reads the sentences of an older record.
func (g *Given) UnmarshalJSON(data []byte) error {
	type plain Given
	var old struct {
		plain
		Text string `json:"text"`
	}
	if err := json.Unmarshal(data, &old); err != nil {
		return err
	}
	if *g = Given(old.plain); old.Text != "" {
		g.Is = alarm.Fact{ID: alarm.FactSaid, Note: strings.TrimSuffix(old.Text, ".")}
	}
	return nil
}

// An Alarm is one alarm of one subject with what was last said about it.
type Alarm struct {
	Rec      Record
	Severe   *alarm.Record // of the limit that makes it urgent; nil for none
	Index    int           // index of the enclosure or probe; -1 for dewline itself
	Kind     alarm.Kind
	Numbered bool // its onsets are numbered as ones of this run
}

// makeAlarms fills the alarms of one subject, whose kinds follow one another from first on.
func makeAlarms(all []Alarm, first alarm.Kind, subj int, subject string) {
	for k := range all {
		all[k] = MakeAlarm(first+alarm.Kind(k), subj, subject)
	}
}

// MakeAlarm returns a normal alarm of the enclosure or probe of that index.
func MakeAlarm(k alarm.Kind, subj int, subject string) Alarm {
	row := k.Row()
	return Alarm{Kind: k, Index: subj, Rec: Record{
		Key: alarm.Key{Alarm: row.ID, Subject: subject}, Priority: row.Priority, Unit: row.Value.Unit(),
	}}
}

// Kinds is a set of kinds of alarms of one subject.
type Kinds uint64

// Turn puts a kind into the set, or takes it out where it is there.
func (s *Kinds) Turn(k alarm.Kind) { *s ^= 1 << k }

// Has reports whether a kind is in the set.
func (s Kinds) Has(k alarm.Kind) bool { return s&(1<<k) != 0 }

// All gives the kinds in their order, as they were when it began.
func (s Kinds) All() iter.Seq[alarm.Kind] {
	return func(yield func(alarm.Kind) bool) {
		for ; s != 0; s &= s - 1 {
			if !yield(alarm.Kind(bits.TrailingZeros64(uint64(s)))) {
				return
			}
		}
	}
}

// Alarms gives those of each subject, by their kinds, and which of them are not NORM:
// of the enclosures, the probes and the contacts.
func (v *View) Alarms() iter.Seq2[[]Alarm, Kinds] {
	return func(yield func([]Alarm, Kinds) bool) {
		for i := range v.Enclosures {
			if !yield(v.Enclosures[i].Alarms[:], v.Enclosures[i].Open) {
				return
			}
		}
		for i := range v.Probes {
			if !yield(v.Probes[i].Alarms[:], v.Probes[i].Open) {
				return
			}
		}
		for i := range v.Contacts {
			if !yield(v.Contacts[i].Alarms[:], v.Contacts[i].Open) {
				return
			}
		}
	}
}

// Open reports whether the alarm is not NORM.
func (s *Alarm) Open() bool { return s.Rec.Life.State != alarm.Norm }

// Worth reports whether the record is worth persisting: it was raised once, or
// a delay is running.
func (s *Alarm) Worth() bool {
	l := &s.Rec.Life
	return s.Open() || l.Seq > 0 || l.Active || l.Seen == alarm.Beyond || l.OnFor > 0
}

// Afresh takes the urgency of an alarm that rises again, before anybody
// answered for the last time, back to where every alarm of its kind begins.
func (s *Alarm) Afresh() {
	if s.Kind.Row().Graded {
		s.Rec.Priority = s.Kind.Row().Priority
	}
}

// Against notes what the alarm is judged by.
func (s *Alarm) Against(value, limit float64) {
	s.Rec.Value, s.Rec.HasValue, s.Rec.Limit, s.Rec.HasLimit = value, true, limit, true
	if st := s.Rec.Stats; st != nil && !s.Rec.Life.Active && st.Raised > 0 {
		st.Far = max(st.Far, math.Abs(value-limit))
	}
}

// Follow keeps the furthest value up to a look that its life has taken in. What is on
// its way to rise counts from when it began, as its time does.
func (s *Alarm) Follow(now sensors.Instant, in alarm.Input, urgent bool) {
	r, l := &s.Rec, &s.Rec.Life
	switch {
	case in == alarm.Missing || !r.HasValue || !r.HasLimit:
	case in == alarm.Beyond || l.Active:
		p := alarm.Peak{Value: r.Value, Limit: r.Limit, Urgent: urgent, At: now}
		anew := l.Since.Mono == now.Mono && (r.Peak == nil || r.Peak.At.Mono < now.Mono)
		if r.Peak == nil || anew || p.Beyond(*r.Peak, s.Kind.Row().Low) {
			r.Peak = &p
		}
	case l.State == alarm.Norm && l.OnFor <= 0:
		r.Peak = nil
	}
}

// Blame sets the cause that the next onset tells.
func (s *Alarm) Blame(c alarm.Cause) {
	if s.Rec.Life.State == alarm.Norm || s.Rec.Cause.Kind == "" {
		s.Rec.Cause = c
	}
}

// Due is why the judges look.
type Due uint8

// The reasons, in the order in which they come. A judge is asked at those that
// its row in the table names.
const (
	Blind      Due = iota // a stretch is over in which nobody looked; see Absence
	Calibrated            // a probe was; see Calibration
	Arrived               // a reading has come; see Reading
	Around                // and it is of no enclosure
	Quick                 // or its enclosure is looked at: mist and door
	Slow                  // the same for what needs no more than a look a minute
	Ticked                // time has passed
	Schedule              // a minute has passed: schedules first
	Minute                // then probes and what is between them
	Learn                 // then what only learns
	Hour                  // an hour has passed
	Touched               // a contact has said something
	NumDue                // how many reasons there are
)

// A Finding is one look at the condition of one alarm.
type Finding struct {
	Alarm *Alarm
	In    alarm.Input
	Gap   time.Duration // longest time between two looks that a delay counts; 0 for any
	// AtOnce leaves out both delays; Slow takes the on-delay so many times.
	AtOnce bool
	Slow   time.Duration
	// Urgent needs no on-delay and wakes until the alarm is over.
	Urgent bool
	// Severe: the value is held against the limit that makes the alarm urgent.
	Severe bool
	// Mild is for the week; an alarm that is open becomes one for today without it.
	Mild bool
	// Hold lets what is seen count, but the alarm not rise.
	Hold bool
}

// Lives are the lifecycles, which take findings.
type Lives interface {
	Find(Finding)
	// Raise makes an alarm more urgent until it is over.
	Raise(*Alarm, alarm.Priority)
	// Tell keeps a fact for the log.
	Tell(sensors.Instant, event.Body)
}

// Out is where a judge says what it found.
type Out struct{ Lives }

// Apply tells of one look.
func (o *Out) Apply(a *Alarm, in alarm.Input, gap time.Duration) {
	o.Find(Finding{Alarm: a, In: in, Gap: gap})
}

// Hold tells of a condition that is known as such, without a value.
func (o *Out) Hold(a *Alarm, active bool) {
	in := alarm.Back
	if active {
		in = alarm.Beyond
	}
	o.Apply(a, in, 0)
}
