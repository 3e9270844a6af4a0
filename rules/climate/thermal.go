package climate

import "time"

// Lamps is what is known about an enclosure's lamps at one moment.
type Lamps uint8

// The states of lamps.
const (
	LampsUnknown Lamps = iota
	LampsOff
	LampsOn
)

// A ThermalReading is one step of a Thermal.
type ThermalReading struct {
	At      time.Duration
	Air     float64 // °C in the enclosure
	Room    float64 // °C beside it, latest good
	HasRoom bool
	Lamps   Lamps
	Hour    float64 // local hour of day; negative while the clock is unset
	// Exclude keeps the reading out of learning: within 20 min of a mist pulse,
	// while the door is or may be open, a doubtful probe. It still counts as
	// the present state.
	Exclude bool
}

// Thermal is the thermal model of one enclosure: a fast and a slow response to
// room and lamps, and the offset to the room by hour of day, learned from its
// own last week. Make one with NewThermal; until Refit accepts a fit it speaks
// from priors, with wider ranges.
type Thermal struct{}

// NewThermal returns a model with the priors of an enclosure of that many
// litres; 0 means unknown.
func NewThermal(litres float64) *Thermal { return &Thermal{} }

// Observe takes one reading. Allocates nothing.
func (m *Thermal) Observe(r ThermalReading) {}

// A Refusal says why a fit was not taken.
type Refusal string

// Why Refit kept what it had.
const (
	Accepted      Refusal = ""                // the new fit is in use
	TooLittleData Refusal = "too little data" // less than two days without exclusions
	RoomTooCalm   Refusal = "room too calm"   // the room moved less than 1 °C
	PoorFit       Refusal = "poor fit"        // R² below 0.8
	TauOutside    Refusal = "time constant outside 0.3–10 h"
	NotBetter     Refusal = "not better than the fit in use"
)

// Refit learns from the readings so far, at most a week back. The new fit is
// kept only if it predicts the last day, which it was not fitted to, better
// than the one in use. Call it once a night.
func (m *Thermal) Refit() Refusal { return TooLittleData }

// A ThermalFit is the model's numbers.
type ThermalFit struct {
	Fast     time.Duration `json:"fast"`      // time constant of the air
	Slow     time.Duration `json:"slow"`      // time constant of substrate and water
	FastPart float64       `json:"fast_part"` // share of the response that is fast, 0–1
	LampGain float64       `json:"lamp_gain"` // °C that lamps add in the end
	R2       float64       `json:"r2"`
	Residual float64       `json:"residual"` // standard deviation on held-out data, °C
	Learned  bool          `json:"learned"`  // false: priors
}

// Fit returns the numbers in use.
func (m *Thermal) Fit() ThermalFit { return ThermalFit{} }

// Offset returns by how much the enclosure is usually warmer than the room at
// this hour of day, false until a fit was accepted.
func (m *Thermal) Offset(hour float64) (float64, bool) { return 0, false }

// An Outlook is what a forecast starts from, beside the model's own state.
type Outlook struct {
	At           time.Duration
	Air          float64 // latest good value, °C
	Trend        Slope   // of Air
	HasTrend     bool
	Room         float64
	HasRoom      bool
	RoomTrend    Slope
	HasRoomTrend bool
	LampsOn      bool
	// LampChanges are the coming switches of the lamps as spans from now,
	// ascending, within six hours. Empty for none or unknown.
	LampChanges []time.Duration
	BandTop     float64 // °C; the top that will hold, such as the day band's
	Ceiling     float64 // °C
}

// An Eta is a span of time in which a limit is expected to be reached.
type Eta struct {
	Known bool          `json:"known"` // false: not within six hours, or too vague to say
	From  time.Duration `json:"from"`  // from now; zero when already there
	Mid   time.Duration `json:"mid"`
	To    time.Duration `json:"to"` // Horizon when the cool end of the range does not get there
	// Open says that the cool end does not reach the limit within the horizon:
	// say "at the earliest in From".
	Open bool `json:"open"`
}

// Horizon is how far a forecast looks.
const Horizon = 6 * time.Hour

// A Span is a range with a middle, in °C.
type Span struct{ Low, Mid, High float64 }

// A Forecast is the next six hours as ranges.
type Forecast struct {
	Learned   bool          `json:"learned"` // from the enclosure's own fit, not from priors
	Peak      Span          `json:"peak"`
	PeakAfter time.Duration `json:"peak_after"`
	BandTop   Eta           `json:"band_top"`
	Ceiling   Eta           `json:"ceiling"`
	// LampsOff is how much longer until the ceiling with all lamps off now;
	// Known false when lamps are off or the ceiling is not ahead.
	LampsOff Eta `json:"lamps_off"`
	// RoomCooled is the same for a room that stops warming now.
	RoomCooled Eta `json:"room_cooled"`
}

// Forecast looks ahead from o. False when there is nothing to go by (neither a
// trend nor a room).
func (m *Thermal) Forecast(o Outlook) (Forecast, bool) { return Forecast{}, false }

// A WhatIf is the answer to an assumed room.
type WhatIf struct {
	Peak      float64       `json:"peak"`    // °C, within the horizon of 24 h
	Reached   bool          `json:"reached"` // the ceiling is reached
	ToCeiling time.Duration `json:"to_ceiling"`
	Learned   bool          `json:"learned"`
}

// WhatIf runs the model from air °C for 24 h in a room held at room °C with the
// lamps held on or off.
func (m *Thermal) WhatIf(air, room float64, lampsOn bool, ceiling float64) WhatIf { return WhatIf{} }
