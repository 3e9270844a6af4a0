package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

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
// humidity in %, VPD in Pa. Package wire makes what leaves of it.
type EnclosureView struct {
	EnclosureHome
	At sensors.Instant // of the last reading of any of its probes
	EnclosureAir
	BandName string // "day", "night" or "day or night"
	EnclosureLimits
	EnclosureOutlook
	EnclosureHabits
	LampsOn      *bool // by schedule; nil without one or without a clock
	DoorOpen     bool
	OutOfService bool
	Blind        bool // no probe of it delivers
	Unknown      []string
	Alarms       []alarm.ID      // not NORM
	Worst        *alarm.Priority // of the active ones; nil for none
}

// An EnclosureHome is which enclosure it is, where it stands and who lives there.
type EnclosureHome struct {
	ID, Name       string
	Rack           string
	Shelf, Slot    int
	Species, Stage string
}

// An EnclosureAir is what the probes of an enclosure say of its air, and the air
// around.
type EnclosureAir struct {
	Temperature Measure // of the hottest trustworthy probe, on which heat is judged
	Band        Measure // what the band is judged on: where the frogs live
	Humidity    Measure
	DewPoint    *float64
	VPD         *float64
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

// An EnclosureOutlook is where the heat of an enclosure goes.
type EnclosureOutlook struct {
	RatePerHour  *float64 // °C/h
	ToLethal     *alarm.Range
	LampsOffGain *alarm.Range
	Exposure     float64 // fraction of the reference
}

// An EnclosureHabits is how an enclosure was misted, dried and cooled by night.
type EnclosureHabits struct {
	LastMist     *time.Duration // ago
	MissedMists  int            // scheduled ones in a row without a pulse
	DryDown      *time.Duration // half-life
	DryDownUsual *time.Duration // own 14-day median
	NightDrop    *float64       // last whole night, °C
	NightsNoDrop int
}

// A ProbeView is a snapshot of one probe.
type ProbeView struct {
	ID        string
	Family    string
	Place     string
	Enclosure string
	ProbeAge
	Quality string // of the last reading
	Reason  string
	ProbeValues
	Readings       uint64
	Good           uint64
	Counts         map[string]uint64 // suspect and bad readings by reason
	HumidityDue    *time.Time
	TemperatureDue *time.Time
	Frozen         bool
}

// A ProbeAge is when a probe was heard.
type ProbeAge struct {
	At       sensors.Instant // last reading, of any quality
	LastGood sensors.Instant
	Age      time.Duration // of the last good reading
	Fresh    bool          // it answers, be it with values that are doubted
	Heard    bool          // it has answered since the start
	HeardAge time.Duration // of the last reading that was not bad, or of the start
}

// A ProbeValues is what a probe says, or said last.
type ProbeValues struct {
	HasTemperature bool
	Temperature    sensors.CentiCelsius // last good
	HasHumidity    bool
	Humidity       sensors.CentiPercent
	// TemperatureDoubt and HumidityDoubt say why the present value, which is
	// then shown in the place of the last good one, is not trusted.
	TemperatureDoubt, HumidityDoubt string

	HasLight    bool
	LightLux    uint32
	Uncertainty float64 // of the humidity, ± %
}

// A ContactView is a snapshot of one contact.
type ContactView struct {
	ID     string
	Is     string // mains, pump, reservoir, door or battery
	Known  bool   // else nothing follows from what it said
	Why    string // it is not known, where that was said
	Active bool   // the mains are there, the pump runs, the reservoir or the battery is low, the door is open
	For    time.Duration
	Value  float64 // of a battery
	Unit   string  // "%" or "V"
	Serves []string
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
