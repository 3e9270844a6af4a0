package event

import (
	"strconv"
	"time"
)

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
}

// ID is the name of the onset, "alarm/subject/number".
func (a Alarm) ID() string { return a.Alarm + "/" + a.Subject + "/" + strconv.FormatUint(a.Onset, 10) }

// A Notice is what became of a notice: "raised", "handed-over" to a person by a
// channel, "acknowledged", "escalated", "ended" and the like.
type Notice struct {
	Notice  string `json:"notice"`
	What    string `json:"what"`
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
