package sim

import (
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// MaxStep is the longest and the default integration step.
const MaxStep = 10 * time.Second

// Options describe a room before it starts. Zero numbers take the defaults
// named beside them, except where said otherwise.
type Options struct {
	Seed       uint64         // of every random choice, noise included
	Start      time.Time      // wall time; the room has lived unseen for two days by then
	Location   *time.Location // whose time timers keep; nil takes Start's
	Step       time.Duration  // of integration, at most MaxStep, which is the default
	Climate    Climate
	House      House
	Lamps      []Lamps
	Mists      []Mist
	Enclosures []Enclosure
	Probes     []Probe
}

// Climate is the weather outdoors: a yearly and a daily sine, warmest in late July and at
// 15:00 local standard time, and an offset that wanders from day to day.
type Climate struct {
	Mean         float64 // °C over the year; 12
	YearSwing    float64 // °C, half of July minus January; 9
	DaySwing     float64 // °C, half of afternoon minus dawn; 5
	WeatherSigma float64 // °C, spread of the daily offset; 2; negative for none
	DewPoint     float64 // °C below the day's mean temperature; 6
}

// House is the room around the racks. Gains are given as the rise in °C that they would
// hold the room at for ever.
type House struct {
	Tau          time.Duration     // time constant of the house; 10 h
	NightSet     float64           // °C; 20.25
	Day          configs.ClockSpan // when the day's set point holds; 07:00-20:00
	LampGain     float64           // °C with every lamp on; 4; negative for none
	OtherGain    float64           // °C from pumps, people, appliances; 4; negative for none
	Humidity     float64           // %RH that the air conditioner keeps at the set point; 50
	ShelfStep    float64           // °C warmer per shelf upwards; 0.2; negative for none
	Uncontrolled bool              // neither; the room follows the weather
}

// Lamps is one timer and the enclosures' lamps on it.
type Lamps struct {
	ID string
	On configs.ClockSpan
}

// Mist is one misting timer, and the pump that feeds it.
type Mist struct {
	ID     string
	Supply string // empty means ID
	Times  []configs.ClockTime
	Pulse  time.Duration // 90 s
}

// Enclosure is one tank.
type Enclosure struct {
	ID    string
	Rack  string
	Shelf int // 1 is the lowest
	Slot  int
	// Species and Stage play no part in the physics; TOML carries them over.
	Species    string
	Stage      string
	Litres     float64 // 91
	Lamps      string  // id of a Lamps, empty for none
	Mist       string  // id of a Mist, empty for none
	AirChanges float64 // per hour; 4
}

// Probe is one probe and its flaws.
type Probe struct {
	ID        sensors.ProbeID
	Enclosure string // empty for a probe in the room or outside
	Place     configs.Place
	// NoHumidity makes a probe of temperature alone, as in water.
	NoHumidity bool
	Lag        time.Duration // first-order response; 20 s; negative for none
	TempOffset float64       // °C
	TempSigma  float64       // °C; 0.02; negative for none
	HumGain    float64       // 0 means 1
	HumOffset  float64       // %RH
	HumSigma   float64       // %RH; 0.1; negative for none
	// HumCreep is the offset in %RH that days above 80 %RH end at, built up
	// and lost again with a time constant of 60 h.
	HumCreep float64
}

// Glass holds the thermal figures of one enclosure, heat paths in W/K and
// capacities in J/K. The air node takes in leaves and glass; the substrate
// node is litter, soil and water.
type Glass struct {
	AirToRoom      float64
	LitterToRoom   float64
	AirToLitter    float64
	AirCapacity    float64
	LitterCapacity float64
}
