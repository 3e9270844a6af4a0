package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// A Measure is a value with how far it can be trusted.
type Measure struct {
	Value float64 `json:"value"`
	// Known is false where there is no trustworthy value younger than the age
	// limit; Value is then the present one where Doubt says why nobody trusts
	// it, or else the last good one, not a present one.
	Known       bool          `json:"known"`
	Ever        bool          `json:"ever"` // there has been a value at all
	Age         time.Duration `json:"age"`
	Uncertainty float64       `json:"uncertainty,omitempty"` // ±, in the value's unit; 0 for unknown
	Probe       string        `json:"probe,omitempty"`       // which one it comes from; empty for the middle of several
	Place       string        `json:"place,omitempty"`       // of that probe
	Doubt       string        `json:"doubt,omitempty"`       // a reason of package sensors, such as "pinned-wet"
}

// An EnclosureView is a snapshot of one enclosure. Temperatures in °C,
// humidity in %, VPD in Pa.
type EnclosureView struct {
	ID           string          `json:"id"`
	Name         string          `json:"name"`
	Rack         string          `json:"rack"`
	Shelf        int             `json:"shelf"`
	Slot         int             `json:"slot"`
	Species      string          `json:"species"`
	Stage        string          `json:"stage"`
	At           sensors.Instant `json:"at"`               // of the last reading of any of its probes
	Temperature  Measure         `json:"temperature"`      // of the hottest trustworthy probe, on which heat is judged
	Hottest      Measure         `json:"hottest"`          // the same
	Band         Measure         `json:"band_temperature"` // what the band is judged on: where the frogs live
	Humidity     Measure         `json:"humidity"`
	DewPoint     *float64        `json:"dew_point,omitempty"`
	VPD          *float64        `json:"vpd_pa,omitempty"`
	RoomWet      *float64        `json:"room_wet_bulb,omitempty"` // °C, of the room's air
	OutsideWet   *float64        `json:"outside_wet_bulb,omitempty"`
	BlownIn      climate.Blow    `json:"blown_in,omitempty"` // what the room's air would do
	BandLow      float64         `json:"band_low"`           // in force now
	BandHigh     float64         `json:"band_high"`
	BandName     string          `json:"band_name"` // "day", "night", "day or night"
	Floor        float64         `json:"floor"`
	Warn         float64         `json:"warn"`
	Act          float64         `json:"act"`
	Lethal       float64         `json:"ceiling"`
	LampsOn      *bool           `json:"lamps_on,omitempty"`      // by schedule; nil without one or without a clock
	RatePerHour  *float64        `json:"rate_per_hour,omitempty"` // °C/h
	ToLethal     *Range          `json:"time_to_ceiling,omitempty"`
	LampsOffGain *Range          `json:"lamps_off_gain,omitempty"`
	Exposure     float64         `json:"exposure"` // fraction of the reference
	LastMist     *time.Duration  `json:"last_mist_age,omitempty"`
	MissedMists  int             `json:"missed_mists"` // scheduled ones in a row without a pulse
	DryDown      *time.Duration  `json:"dry_down_half_life,omitempty"`
	DryDownUsual *time.Duration  `json:"dry_down_usual,omitempty"` // own 14-day median
	NightDrop    *float64        `json:"night_drop,omitempty"`     // last whole night, °C
	NightsNoDrop int             `json:"nights_without_drop"`
	DoorOpen     bool            `json:"door_open"`
	OutOfService bool            `json:"out_of_service"`
	Empty        bool            `json:"empty"` // out of service, and nobody lives there
	Blind        bool            `json:"blind"` // no probe of it delivers
	Unknown      []string        `json:"unknown,omitempty"`
	Alarms       []AlarmID       `json:"alarms,omitempty"` // not NORM
	Worst        *Priority       `json:"worst,omitempty"`  // of the active ones; nil for none
}

// A ProbeView is a snapshot of one probe.
type ProbeView struct {
	ID             string               `json:"id"`
	Family         string               `json:"family"`
	Place          string               `json:"place"`
	Enclosure      string               `json:"enclosure,omitempty"`
	At             sensors.Instant      `json:"at"` // last reading, of any quality
	LastGood       sensors.Instant      `json:"last_good"`
	Age            time.Duration        `json:"age"`       // of the last good reading
	Fresh          bool                 `json:"fresh"`     // it answers, be it with values that are doubted
	HeardAge       time.Duration        `json:"heard_age"` // of the last reading that was not bad
	Quality        string               `json:"quality"`   // of the last reading
	Reason         string               `json:"reason,omitempty"`
	HasTemperature bool                 `json:"has_temperature"`
	Temperature    sensors.CentiCelsius `json:"temperature_centi"` // last good, hundredths of °C
	HasHumidity    bool                 `json:"has_humidity"`
	Humidity       sensors.CentiPercent `json:"humidity_centi"`
	// TemperatureDoubt and HumidityDoubt say why the present value, which is
	// then shown in the place of the last good one, is not trusted.
	TemperatureDoubt string `json:"temperature_doubt,omitempty"`
	HumidityDoubt    string `json:"humidity_doubt,omitempty"`

	HasLight       bool              `json:"has_light"`
	LightLux       uint32            `json:"light_lux"`
	Uncertainty    float64           `json:"humidity_uncertainty"` // ± %
	Readings       uint64            `json:"readings"`
	Good           uint64            `json:"good"`
	Counts         map[string]uint64 `json:"counts,omitempty"` // suspect and bad readings by reason
	HumidityDue    *time.Time        `json:"humidity_due,omitempty"`
	TemperatureDue *time.Time        `json:"temperature_due,omitempty"`
	Frozen         bool              `json:"frozen"`
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
	Key      Key             `json:"key"`
	ID       string          `json:"id"` // see OnsetID
	Seq      uint64          `json:"seq"`
	State    alarm.State     `json:"state"`
	Active   bool            `json:"active"`  // the condition holds, whatever the state
	Unknown  bool            `json:"unknown"` // cannot be evaluated at present
	Priority Priority        `json:"priority"`
	Cause    Cause           `json:"cause"`
	Value    float64         `json:"value"`
	HasValue bool            `json:"has_value"`
	Limit    float64         `json:"limit"`
	HasLimit bool            `json:"has_limit"`
	Unit     string          `json:"unit"`
	Since    sensors.Instant `json:"since"`
	// OverFor is how long ago the condition ended under an alarm that still
	// waits for a person.
	OverFor time.Duration `json:"over_for,omitempty"`
	AckedBy string        `json:"acked_by,omitempty"`
	// ShelfLeft is the rest of a shelf or of being out of service.
	ShelfLeft time.Duration `json:"shelf_left,omitempty"`
	Text      string        `json:"text"`
	Detail    Detail        `json:"detail"`
}

// Said is what words are made of.
func (v *AlarmView) Said() alarm.Said {
	return alarm.Said{Key: v.Key, Cause: v.Cause, HasValue: v.HasValue, HasLimit: v.HasLimit,
		Unit: v.Unit, Text: v.Text, Detail: &v.Detail}
}
