// Package summary works out what a week was like, enclosure by enclosure, and
// writes it as mail-safe HTML and as plain text that is complete by itself.
//
// Build reads the record through small interfaces and returns a Report, which
// is plain data; nothing is remembered between two weeks. Figures come from
// the record's ten-minute sums where those hold them, and from the readings,
// through the estimators of package climate, where they do not. What could not
// be told is said to be unknown, never left out or taken for zero, and nothing
// here calls a temperature or a time safe.
//
// When a summary is sent, and by whom it is carried, is decided elsewhere.
package summary

import (
	"slices"
	"time"

	"dewline/alert/chart"
	"dewline/rules/alarm"
)

// A Report is what a week was like. Temperatures are in °C, humidities in %,
// spans of time in minutes. A nil figure is unknown.
type Report struct {
	Week     string `json:"week"` // "2026-W47"
	Room     string `json:"room"` // id
	RoomName string `json:"room_name"`
	Stretch
	Made time.Time `json:"made"`
	// Until is To, or the moment of making where the week is not over.
	Until time.Time `json:"until"`
	// NoData says that the record holds no reading of the week.
	NoData bool `json:"no_data"`
	// Begins is when the record begins, where that is after the week.
	Begins time.Time `json:"record_begins,omitzero"`
	// Blind are the minutes in which no probe at all delivered.
	Blind float64 `json:"blind_minutes"`

	Do         []Advice    `json:"do"` // at most three, most urgent first
	Changes    []string    `json:"changes"`
	Enclosures []Enclosure `json:"enclosures"` // as they stand: rack, shelf, slot
	Alarms     Quality     `json:"alarms"`
	Others     []Excursion `json:"other_alarms"` // of the room's own probes and of dewline
	Probes     []Probe     `json:"probes"`       // those in no enclosure
	Drill      Drill       `json:"drill"`
	Due        []Due       `json:"calibrations"`
	Outlook    []string    `json:"outlook"`
	Notes      []Note      `json:"notes"`   // about the room
	Unknown    []string    `json:"unknown"` // what could not be told, and why

	next   Week
	supply map[string]string // what mists an enclosure
	open   []string          // alarms that had not ended with the week
}

// A Stretch is the time that a report is about, To excluded.
type Stretch struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// complete puts an empty list in the place of none, as JSON readers expect.
func (r *Report) complete() {
	r.Do, r.Changes, r.Enclosures, r.Others = some(r.Do), some(r.Changes), some(r.Enclosures), some(r.Others)
	r.Probes, r.Due, r.Outlook, r.Notes, r.Unknown = some(r.Probes), some(r.Due), some(r.Outlook), some(r.Notes), some(r.Unknown)
	a := &r.Alarms
	a.Chattering, a.Stale, a.Top = some(a.Chattering), some(a.Stale), some(a.Top)
	for i := range r.Enclosures {
		e := &r.Enclosures[i]
		e.Nights, e.Excursions, e.Others = some(e.Nights), some(e.Excursions), some(e.Others)
		e.Probes, e.Notes = some(e.Probes), some(e.Notes)
	}
}

// some returns s, and for nil an empty list.
func some[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

// Early reports whether the week was over before the record begins, so that
// there is nothing to tell and nothing amiss.
func (r *Report) Early() bool { return !r.Begins.IsZero() }

// Advice is one thing worth doing.
type Advice struct {
	Title string `json:"title"` // "Look at the cooling of the room"
	Why   string `json:"why"`
}

// Enclosure is the week of one enclosure.
type Enclosure struct {
	ID      string `json:"id"`
	Name    string `json:"name"`
	Rack    string `json:"rack"`
	Shelf   int    `json:"shelf"`
	Slot    int    `json:"slot"`
	Species string `json:"species"`
	Stage   string `json:"stage"`
	Limits  Limits `json:"limits"`

	Figures
	Before     Figures     `json:"before"` // the week before
	Nights     []Night     `json:"nights"` // seven, by the morning on which they ended
	Excursions []Excursion `json:"excursions"`
	Others     []Excursion `json:"other_alarms"`
	Probes     []Probe     `json:"probes"`
	Notes      []Note      `json:"notes"`

	picture        chart.Chart
	pulses, missed []time.Time // mist
	since          time.Time   // the week's start, or the first reading
	young          bool        // there was none in the week before
}

// Limits are what the enclosure was judged by, as configured now.
type Limits struct {
	DayLow    float64 `json:"day_low_c"`
	DayHigh   float64 `json:"day_high_c"`
	NightLow  float64 `json:"night_low_c"`
	NightHigh float64 `json:"night_high_c"`
	Floor     float64 `json:"floor_pct"` // 0 for none
	Lethal    float64 `json:"lethal_limit_c"`
	DropMin   float64 `json:"night_drop_wanted_c"` // wanted night drop; 0 for none
	Lamps     bool    `json:"lamps"`               // there is a photoperiod, so day and night differ
	Mist      bool    `json:"mist"`                // there is a misting schedule
}

// Figures are the numbers of one week.
type Figures struct {
	Covered  float64  `json:"covered_minutes"`
	Missing  float64  `json:"missing_minutes"` // of the week so far, or since the first reading ever
	InBand   *float64 `json:"in_band_share"`   // share of the covered time, 0 to 1
	Day      Climate  `json:"day"`             // lamps on; everything where there is no photoperiod
	Night    Climate  `json:"night"`           // lamps off
	BelowMin *float64 `json:"below_floor_minutes"`
	AboveMin *float64 `json:"above_lethal_limit_minutes"`
	Drop     *float64 `json:"night_drop_c"` // median of the complete nights
	Mist     Mist     `json:"mist"`
	DryDown  DryDown  `json:"dry_down"`
	Exposure Exposure `json:"exposure"`
	// Unrecorded says that mists, dry-downs, nights and exposure are not in the
	// log of that week: it was written before they were.
	Unrecorded bool `json:"not_recorded,omitempty"`
}

// Climate is least, mean and greatest of both quantities. Max temperature is
// the hottest probe's.
type Climate struct {
	Temperature *Spread `json:"temperature_c,omitempty"`
	Humidity    *Spread `json:"humidity_pct,omitempty"`
}

// A Spread is the least, the mean and the greatest of one quantity.
type Spread struct {
	Min  float64 `json:"min"`
	Mean float64 `json:"mean"`
	Max  float64 `json:"max"`
}

// A Night is the fall from lamps on to lamps off in one night. Drop is nil
// where too little of the day or the night was measured.
type Night struct {
	Morning time.Time `json:"morning"`
	Drop    *float64  `json:"drop_c"`
}

// Mist counts the scheduled mist pulses. What is neither seen, weak nor missed
// could not be told: no readings, or air that was saturated already.
type Mist struct {
	Due    int `json:"due"`
	Seen   int `json:"seen"` // weak ones not among them
	Weak   int `json:"weak"`
	Missed int `json:"missed"`
}

// Pulses returns how many were seen, weak ones too.
func (m Mist) Pulses() int { return m.Seen + m.Weak }

// Unclear returns how many could not be told.
func (m Mist) Unclear() int { return max(m.Due-m.Seen-m.Weak-m.Missed, 0) }

// DryDown is how fast the enclosure dries after a mist pulse.
type DryDown struct {
	HalfLife *float64 `json:"half_life_minutes"` // median of the week
	Pulses   int      `json:"pulses"`            // that it was measured on
	// Trend compares the last pulses with the fortnight: "slower", "faster",
	// "as usual", or empty where there are too few.
	Trend string `json:"trend,omitempty"`
}

// Exposure is heat dose: a relative figure and no measure of safety.
type Exposure struct {
	Known       bool    `json:"known"`
	Peak        float64 `json:"peak_share"`     // largest share of the keeper's reference while heat added to it
	DegreeHours float64 `json:"degree_hours_c"` // °C h above the boundary
	Carried     float64 `json:"carried_share"`  // share left over when the week began
	// Unseen are minutes in gaps while it was hot or a dose was left.
	Unseen float64 `json:"unseen_minutes"`
}

// An Excursion is one alarm from its onset to its end.
type Excursion struct {
	Alarm    alarm.ID       `json:"alarm"`
	Subject  string         `json:"subject"`
	Priority alarm.Priority `json:"priority"`
	From     time.Time      `json:"from"`
	To       time.Time      `json:"to,omitzero"` // zero while it lasts
	Peak     *float64       `json:"peak"`        // furthest past the limit of its time, by reading; null where the log is older than that
	PeakAt   time.Time      `json:"peak_at,omitzero"`
	AckedBy  string         `json:"acknowledged_by,omitempty"`
	AckedIn  float64        `json:"acknowledged_in_minutes,omitempty"`
	Shelved  bool           `json:"shelved,omitempty"`
	began    bool           // before the week
	raised   time.Time      // when it first rang, by which alarms are counted
	limits   *Limits        // where it is told: what the peak stands beside
	past     *alarm.Past    // of the log
}

// A Probe is how far one probe could be trusted.
type Probe struct {
	ID       string            `json:"id"`
	Place    string            `json:"place"`
	Readings uint64            `json:"readings"`
	Good     uint64            `json:"good"`
	Suspect  uint64            `json:"suspect"`
	Bad      uint64            `json:"bad"`
	Reasons  map[string]uint64 `json:"reasons"` // of suspect and bad ones
	Missing  float64           `json:"missing_minutes"`
	// Calibrated is when it last was; zero for never.
	Calibrated time.Time `json:"calibrated,omitzero"`
	// NoRaw says that the readings of the week are past their age: only sums
	// are left and nothing is known of quality.
	NoRaw bool `json:"no_raw,omitempty"`
}

// Trust returns the share of good readings; NaN where there are none.
func (p Probe) Trust() float64 { return float64(p.Good) / float64(p.Readings) }

// Doubted is how many were not good.
func (p Probe) Doubted() uint64 { return p.Suspect + p.Bad }

// Quality is how the alarms themselves did, by ISA-18.2 clause 16.
type Quality struct {
	Count      int            `json:"count"`
	PerDay     float64        `json:"per_day"`
	FourWeeks  float64        `json:"per_day_four_weeks"` // of the record, at most four weeks
	ByPriority map[string]int `json:"by_priority"`
	BusiestDay int            `json:"busiest_day"`
	Floods     int            `json:"floods"` // times with more than 10 in 10 minutes
	Chattering []string       `json:"chattering"`
	Stale      []string       `json:"stale"` // active for more than 24 h
	Longest    float64        `json:"longest_active_minutes"`
	Answers
	Shelved   int     `json:"shelved"`
	Top       []Count `json:"top"`       // most frequent
	Notices   int     `json:"notices"`   // that people received
	Wakes     int     `json:"wakes"`     // wake alarms
	Nightly   int     `json:"nightly"`   // of these between 22:00 and 07:00
	Escalated int     `json:"escalated"` // notices that went to the next person
	Before    int     `json:"before"`    // alarms in the week before
	unheard   int     // wake alarms that nobody acknowledged
}

// Answers are what people said to the alarms.
type Answers struct {
	Acked       int     `json:"acknowledged"`
	AckMean     float64 `json:"acknowledge_mean_minutes"`
	AckMax      float64 `json:"acknowledge_max_minutes"`
	Unacked     int     `json:"unacknowledged"` // never answered, of those that ended or last
	LongestWait float64 `json:"longest_unacknowledged_minutes"`
}

// A Count is how often one alarm came.
type Count struct {
	Alarm   alarm.ID `json:"alarm"`
	Subject string   `json:"subject"`
	N       int      `json:"n"`
	// Suggestion is what would have avoided some of them, zero for nothing; the
	// document has it in words.
	Suggestion alarm.Fact `json:"-"`
	Suggested  string     `json:"suggestion,omitempty"`
}

// Drill is the last test notice and when the next is due.
type Drill struct {
	Last     time.Time `json:"last,omitzero"`
	Answered bool      `json:"answered"`
	Result   string    `json:"result,omitempty"`
	Due      time.Time `json:"due,omitzero"` // zero where no drills are asked for
}

// Due is one calibration that is due or will be within two weeks.
type Due struct {
	Probe    string    `json:"probe"`
	Subject  string    `json:"subject,omitempty"` // the enclosure
	Quantity string    `json:"quantity"`
	At       time.Time `json:"at"`
	Never    bool      `json:"never,omitempty"` // it counts from the first reading
}

// A Note is a keeper's line.
type Note struct {
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Text string    `json:"text"`
}

// Low reports whether the lower value is the worse one.
func (x Excursion) Low() bool { row, _ := alarm.Find(x.Alarm); return row.Low }

// Asks reports whether somebody was to acknowledge it.
func (x Excursion) Asks() bool { return x.Priority > alarm.Note }

// calibrations are the probes that are late, and those that will soon be due.
func (r *Report) calibrations() (late, soon []string) {
	for _, d := range r.Due {
		to := &late
		if d.At.After(r.Until) {
			to = &soon
		}
		if !slices.Contains(*to, d.Probe) {
			*to = append(*to, d.Probe)
		}
	}
	return late, soon
}
