package wire

import (
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/event"
	"dewline/store"
)

// A Room is everything that the API says of one moment.
type Room struct {
	Time     time.Time `json:"time"`
	ClockSet bool      `json:"clock_set"` // false while the board has no time from outside
	Room     string    `json:"room"`
	Name     string    `json:"name"`
	Version  string    `json:"version"`
	Started  time.Time `json:"started"`
	Rounds   uint64    `json:"rounds"` // completed rounds of readings and rules
	RoundAt  time.Time `json:"round_at,omitzero"`

	Enclosures []Enclosure         `json:"enclosures"`
	Probes     []rules.ProbeView   `json:"probes"`
	Contacts   []rules.ContactView `json:"contacts"`
	Alarms     []Alarm             `json:"alarms"`
	Notices    []Notice            `json:"notices"`
	Measures   Measures            `json:"measures"`

	Delivery alert.Stats `json:"delivery"`
	Drill    *Drill      `json:"last_drill,omitempty"`
	Record   Record      `json:"record"`

	Configuration Configuration `json:"configuration"`
}

// A Configuration says which configuration is in force.
type Configuration struct {
	Loaded  time.Time `json:"loaded,omitzero"`
	Refused string    `json:"refused,omitempty"` // why the newest one is not
}

// RoomOf makes the document of a snapshot.
func RoomOf(s *alert.Snapshot) Room {
	return Room{
		Time: s.At.Wall.Round(time.Second), ClockSet: s.At.Synced, Room: s.Room, Name: s.RoomName, Version: s.Version,
		Started: s.Started.Round(time.Second), Rounds: s.Cycle, RoundAt: s.CycleAt.Round(time.Second),
		Enclosures: EnclosuresOf(s), Probes: list(s.Probes), Contacts: list(s.Contacts), Alarms: AlarmsOf(s), Notices: NoticesOf(s), Measures: MeasuresOf(&s.KPI),
		Delivery: s.Delivery, Drill: drillOf(s.Drill), Record: recordOf(s),
		Configuration: Configuration{Loaded: s.ConfigLoaded.Round(time.Second), Refused: s.ConfigRefused},
	}
}

// EnclosuresOf lists the enclosures of a snapshot in file order.
func EnclosuresOf(s *alert.Snapshot) []Enclosure { return listOf(s.Enclosures, enclosureOf) }

// AlarmsOf lists what is not normal in a snapshot, the most urgent first.
func AlarmsOf(s *alert.Snapshot) []Alarm {
	return listOf(s.Alarms, func(v *rules.AlarmView) Alarm { return AlarmOf(v, s.At) })
}

// NoticesOf lists the open notices of a snapshot, worst first.
func NoticesOf(s *alert.Snapshot) []Notice { return listOf(s.Notices, noticeOf) }

// A Notice is an open notice with how far it has got: the message in °C, who has been
// told and whether somebody answered.
type Notice struct {
	alert.Message
	Acknowledged bool     `json:"acknowledged"`
	AckedBy      string   `json:"acknowledged_by,omitempty"`
	Told         []string `json:"told"` // people, in order
}

func noticeOf(v *alert.NoticeView) Notice {
	n := Notice{Message: alert.Render(v.Notice, unit.Celsius), Acknowledged: v.Acknowledged, AckedBy: v.Notice.AckedBy, Told: list(v.Told)}
	if n.Time.IsZero() { // nothing was said of it yet
		n.Time = n.Since
	}
	n.Subjects, n.Alarms, n.Supersedes = list(n.Subjects), list(n.Alarms), list(n.Supersedes)
	return n
}

// A Drill is what a test notice measured.
type Drill struct {
	ID           string             `json:"id"`
	Person       string             `json:"person"`
	Time         rules.Moment       `json:"time,omitzero"`
	TakenSeconds map[string]float64 `json:"taken_seconds"` // until each channel took it over
	Acknowledged bool               `json:"acknowledged"`
	AckedSeconds float64            `json:"acknowledged_seconds,omitempty"` // until then
	AckedBy      string             `json:"acknowledged_by,omitempty"`
	Done         bool               `json:"done"`
}

func drillOf(r *alert.DrillResult) *Drill {
	if r == nil {
		return nil
	}
	d := Drill{
		ID: r.ID, Person: r.Person, Time: rules.Moment{Instant: r.At}, TakenSeconds: make(map[string]float64, len(r.Taken)),
		Acknowledged: r.Acked, AckedSeconds: tenth(r.AckedIn), AckedBy: r.AckedBy, Done: r.Done,
	}
	for channel, after := range r.Taken {
		d.TakenSeconds[channel] = tenth(after)
	}
	return &d
}

// DrillsOf lists results of drills.
func DrillsOf(results []alert.DrillResult) []Drill {
	return listOf(results, func(r *alert.DrillResult) Drill { return *drillOf(r) })
}

// A Record says how the record does.
type Record struct {
	OK   bool   `json:"ok"` // the last commit worked and nothing was lost
	Note string `json:"note,omitempty"`
	store.Stats
}

func recordOf(s *alert.Snapshot) Record {
	r := Record{OK: s.Recording, Note: words.Fact(s.RecordWhy, unit.Celsius), Stats: s.Record}
	for _, t := range []*time.Time{&r.LastCommit, &r.OldestRaw, &r.Newest} {
		*t = t.Round(time.Second)
	}
	return r
}

// A JournalEntry is one line of who did what.
type JournalEntry struct {
	Number   uint64    `json:"number"`
	Time     time.Time `json:"time"`
	ClockSet bool      `json:"clock_set"`
	Kind     string    `json:"kind"`
	Who      string    `json:"who,omitempty"`
	Subject  string    `json:"subject,omitempty"`
	Old      string    `json:"old,omitempty"`
	New      string    `json:"new,omitempty"`
	Why      string    `json:"why,omitempty"`
	Priority string    `json:"priority,omitempty"`
	// Fault stands in the place of an entry that was changed or damaged.
	Fault string `json:"fault,omitempty"`
}

// JournalEntryOf makes the document of a line of the log.
func JournalEntryOf(e *event.Event) JournalEntry {
	l := e.Line()
	return JournalEntry{
		Number: e.Seq, Time: e.At.Wall, ClockSet: e.At.Synced, Kind: l.Kind, Who: l.Who, Subject: l.Subject,
		Old: l.Old, New: l.New, Why: l.Why, Priority: l.Priority,
	}
}

// A Note is what a keeper wrote about an enclosure, or about the room where
// Enclosure is empty.
type Note struct {
	Time      time.Time `json:"time"`
	ClockSet  bool      `json:"clock_set"`
	Enclosure string    `json:"enclosure"`
	By        string    `json:"by"`
	Text      string    `json:"text"`
}

// NotesOf makes the documents of notes.
func NotesOf(notes []alert.Note) []Note {
	return listOf(notes, func(n *alert.Note) Note {
		return Note{Time: n.At.Wall.Round(time.Second), ClockSet: n.At.Synced, Enclosure: n.Enclosure, By: n.By, Text: n.Text}
	})
}

// Measures are the self-measures, with words of what would have avoided some alarms.
type Measures struct {
	rules.KPIDays
	MostFrequent []MeasuredAlarm `json:"most_frequent"`
	Chattering   []MeasuredAlarm `json:"chattering"`
	Stale        []MeasuredAlarm `json:"stale"` // active for more than 24 h
	rules.KPIWork
}

// A MeasuredAlarm is one alarm in a list of self-measures.
type MeasuredAlarm struct {
	rules.KPIItem
	Suggestion string `json:"suggestion,omitempty"`
}

// MeasuresOf makes the document of the self-measures.
func MeasuresOf(k *rules.KPI) Measures {
	item := func(i *rules.KPIItem) MeasuredAlarm { return MeasuredAlarm{*i, words.Fact(i.Suggestion, unit.Celsius)} }
	if k.ByPriority == nil { // a sentinel measures nothing
		k.ByPriority = map[string]int64{}
	}
	return Measures{k.KPIDays, listOf(k.Worst, item), listOf(k.Chattering, item), listOf(k.Stale, item), k.KPIWork}
}
