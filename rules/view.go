package rules

import (
	"encoding/json"
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// What is shown stands here as it leaves, so that no document says it again: package
// wire adds what only a document needs. Quantities have all their digits in memory, and
// in JSON as many as a probe can know.

// Seconds are a span that leaves in whole seconds.
type Seconds time.Duration

// D is the span itself.
func (s Seconds) D() time.Duration { return time.Duration(s) }

// IsZero reports whether no whole second is left of it.
func (s Seconds) IsZero() bool { return s.D().Round(time.Second) == 0 }

// MarshalJSON writes whole seconds.
func (s Seconds) MarshalJSON() ([]byte, error) {
	return json.Marshal(int64(s.D().Round(time.Second) / time.Second))
}

// UnmarshalJSON reads seconds.
func (s *Seconds) UnmarshalJSON(data []byte) error {
	var n int64
	err := json.Unmarshal(data, &n)
	*s = Seconds(time.Duration(n) * time.Second)
	return err
}

// A Tenth is an estimate that leaves with one decimal, a Hundredth one with two, a Share
// one of which the percentage has one.
type (
	Tenth     float64
	Hundredth float64
	Share     float64
)

// IsZero reports whether nothing is left of it.
func (t Tenth) IsZero() bool { return math.Round(float64(t)*10) == 0 }

// MarshalJSON writes one decimal.
func (t Tenth) MarshalJSON() ([]byte, error) { return rounded(float64(t), 10, 1) }

// MarshalJSON writes two decimals.
func (h Hundredth) MarshalJSON() ([]byte, error) { return rounded(float64(h), 100, 1) }

// MarshalJSON writes a percentage with one decimal as a share of one.
func (s Share) MarshalJSON() ([]byte, error) { return rounded(float64(s)*100, 10, 100) }

// rounded keeps so many parts of one before it divides. What is no number is null.
func rounded(v, parts, by float64) ([]byte, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(math.Round(v*parts) / (parts * by))
}

// A Moment leaves as a time, and is absent where the clock was not set.
type Moment struct{ sensors.Instant }

// IsZero reports whether no clock told the time.
func (m Moment) IsZero() bool { return !m.Synced }

// MarshalJSON writes RFC 3339 with whole seconds.
func (m Moment) MarshalJSON() ([]byte, error) { return m.Wall.Round(time.Second).MarshalJSON() }

// UnmarshalJSON reads what MarshalJSON writes.
func (m *Moment) UnmarshalJSON(data []byte) error {
	m.Synced = true
	return m.Wall.UnmarshalJSON(data)
}

// Given is v where there is one.
func Given[T any](has bool, v T) *T {
	if !has {
		return nil
	}
	return &v
}

// A Measure is a value with how far it can be trusted.
type Measure struct {
	Value float64
	// Known is false where there is no trustworthy value younger than the age
	// limit; Value is then the present one where Doubt says why nobody trusts
	// it, or else the last good one, not a present one.
	Known       bool
	Ever        bool // there has been a value at all
	Age         time.Duration
	Uncertainty float64 // ±, in the value's unit; 0 for unknown
	Probe       string  // which one it comes from; empty for the middle of several
	Place       string  // of that probe
	Doubt       string  // a reason of package sensors, such as "pinned-wet"
}

// An EnclosureView is a snapshot of one enclosure. Temperatures in °C,
// humidity in %, VPD in Pa.
type EnclosureView struct {
	EnclosureHome
	At Moment // of the last reading of any of its probes
	EnclosureAir
	BandName string // "day", "night" or "day or night"
	EnclosureLimits
	EnclosureOutlook
	EnclosureHabits
	EnclosureState
}

// An EnclosureHome is which enclosure it is, where it stands, what is known of that, and
// who lives there.
type EnclosureHome struct {
	ID      string `json:"id"`
	Name    string `json:"name"`
	Rack    string `json:"rack,omitempty"`
	Shelf   int    `json:"shelf,omitempty"`
	Slot    int    `json:"slot,omitempty"`
	Species string `json:"species"`
	Stage   string `json:"stage"`
}

// An EnclosureAir is what the probes of an enclosure say of its air, and the air
// around.
type EnclosureAir struct {
	Temperature Measure // of the hottest trustworthy probe, on which heat is judged
	Band        Measure // what the band is judged on: where the frogs live
	Humidity    Measure
	RoomWet     *float64 // wet bulb of the room's air
	OutsideWet  *float64
	BlownIn     climate.Blow // what the room's air would do
}

// An EnclosureLimits is what an enclosure is judged by now.
type EnclosureLimits struct {
	BandLow  float64 `json:"band_low_c"`
	BandHigh float64 `json:"band_high_c"`
	Warn     float64 `json:"warn_c"`
	Act      float64 `json:"act_c"`
	Lethal   float64 `json:"lethal_limit_c"`
	Floor    float64 `json:"floor_pct,omitempty"` // 0 for none
}

// An EnclosureOutlook is what was worked out from an enclosure's readings, and where its
// heat goes. Every one is absent while it is not known.
type EnclosureOutlook struct {
	DewPoint     *Tenth       `json:"dew_point_c,omitempty"`
	VPD          *Tenth       `json:"vpd_pa,omitempty"` // vapour pressure deficit of the air
	RatePerHour  *Tenth       `json:"rate_c_per_hour,omitempty"`
	ToLethal     *alarm.Range `json:"time_to_lethal_limit,omitempty"`
	LampsOffGain *alarm.Range `json:"lamps_off_gain,omitempty"`
	Exposure     Share        `json:"exposure"`           // of the keeper's reference dose
	LampsOn      *bool        `json:"lamps_on,omitempty"` // by schedule; nil without one or without a clock
}

// An EnclosureHabits is how an enclosure was misted, dried and cooled by night.
type EnclosureHabits struct {
	LastMist     *Seconds `json:"since_mist_seconds,omitempty"`
	MissedMists  int      `json:"missed_mists"` // scheduled ones in a row without a pulse
	DryDown      *Seconds `json:"dry_down_half_life_seconds,omitempty"`
	DryDownUsual *Seconds `json:"dry_down_usual_seconds,omitempty"` // own 14-day median
	NightDrop    *Tenth   `json:"night_drop_c,omitempty"`           // of the last whole night
	NightsNoDrop int      `json:"nights_without_drop"`
}

// An EnclosureState is whether an enclosure can be watched, and what is wrong.
type EnclosureState struct {
	DoorOpen     bool            `json:"door_open"`
	OutOfService bool            `json:"out_of_service"`
	Blind        bool            `json:"blind"` // no probe of it delivers
	Unknown      []string        `json:"unknown"`
	Alarms       []alarm.ID      `json:"alarms"`          // not NORM
	Worst        *alarm.Priority `json:"worst,omitempty"` // of the active ones; nil for none
}

// A ProbeView is a snapshot of one probe. A value with a doubt beside it is
// the present one; without, it is the last good one.
type ProbeView struct {
	ID        string `json:"id"`
	Family    string `json:"family"`
	Place     string `json:"place"`
	Enclosure string `json:"enclosure,omitempty"`
	ProbeAge
	Quality string `json:"quality,omitempty"` // of the last reading: good, suspect or bad
	Reason  string `json:"reason,omitempty"`
	ProbeValues
	Readings       uint64            `json:"readings"`
	Good           uint64            `json:"good_readings"`
	Counts         map[string]uint64 `json:"doubts"` // suspect and bad readings by reason
	HumidityDue    *time.Time        `json:"humidity_calibration_due,omitempty"`
	TemperatureDue *time.Time        `json:"temperature_calibration_due,omitempty"`
	Frozen         bool              `json:"frozen"`
}

// A ProbeAge is when a probe was heard.
type ProbeAge struct {
	At       Moment   `json:"time,omitzero"`         // of the last reading, of any quality
	LastGood Moment   `json:"last_good,omitzero"`    // of the last good one
	Fresh    bool     `json:"fresh"`                 // it answers, be it with values that are doubted
	Age      *Seconds `json:"age_seconds,omitempty"` // of the last good value
	// HeardAge is that of the last reading that was not bad, or of the start where none
	// was Heard; nil before any.
	HeardAge *Seconds `json:"heard_age_seconds,omitempty"`
	Heard    bool     `json:"-"` // it has answered since the start
}

// A ProbeValues is what a probe says, or said last.
type ProbeValues struct {
	Temperature *float64 `json:"temperature_c,omitempty"`
	Humidity    *float64 `json:"humidity_pct,omitempty"`
	// TemperatureDoubt and HumidityDoubt say why the present value, which is
	// then shown in the place of the last good one, is not trusted.
	TemperatureDoubt string  `json:"temperature_doubt,omitempty"`
	HumidityDoubt    string  `json:"humidity_doubt,omitempty"`
	Uncertainty      Tenth   `json:"humidity_uncertainty_pct,omitzero"` // ±, about 95 %
	LightLux         *uint32 `json:"light_lux,omitempty"`
}

// A ContactView is a snapshot of one contact. Where it is not known nothing
// follows from it: not that it is active, nor that it is not.
type ContactView struct {
	ID     string   `json:"id"`
	Is     string   `json:"is"` // mains, pump, reservoir, door or battery
	Known  bool     `json:"known"`
	Why    string   `json:"why,omitempty"` // it is not known
	Serves []string `json:"serves"`        // enclosures; none for the whole room
	// Active says that the mains are there, the pump runs, the reservoir or the
	// battery is low, the door is open.
	Active *bool    `json:"active,omitempty"`
	For    *Seconds `json:"for_seconds,omitempty"` // it has been so
	Value  *float64 `json:"value,omitempty"`       // of a battery
	Unit   string   `json:"unit,omitempty"`        // "%" or "V"
}

// An AlarmView is a snapshot of one alarm that is not NORM.
type AlarmView struct {
	alarm.Onset
	State   alarm.State
	Active  bool // the condition holds, whatever the state
	Unknown bool // cannot be evaluated at present
	// OverFor is how long ago the condition ended under an alarm that still
	// waits for a person.
	OverFor time.Duration
	AckedBy string
	// ShelfLeft is the rest of a shelf or of being out of service.
	ShelfLeft time.Duration
}
