package climate

import "time"

// A NightReport is one lamp cycle: a lamps-on phase and the lamps-off phase
// after it.
type NightReport struct {
	Drop      float64 `json:"drop"` // °C; median of the last 2 h on minus of the last 2 h off
	DayMean   float64 `json:"day_mean"`
	NightMean float64 `json:"night_mean"`
	DayMin    float64 `json:"day_min"`
	DayMax    float64 `json:"day_max"`
	NightMin  float64 `json:"night_min"`
	NightMax  float64 `json:"night_max"`
	Complete  bool    `json:"complete"` // both phases had enough readings
}

// Night compares lamps-on with lamps-off. The zero value is ready. The phases
// come with the readings, so a clock change only makes one of them longer.
type Night struct{}

// Observe takes one good reading and whether the lamps are on by schedule. It
// returns true when a night has just ended: Report is new.
func (n *Night) Observe(at time.Duration, celsius float64, lampsOn bool) bool { return false }

// Report returns the last whole cycle.
func (n *Night) Report() (NightReport, bool) { return NightReport{}, false }

// Streak returns how many nights in a row had a drop below least °C. Nights
// without enough readings neither count nor break it.
func (n *Night) Streak(least float64) int { return 0 }

// A LampVerdict is whether the lamps follow their schedule.
type LampVerdict uint8

// The verdicts.
const (
	LampsUnjudged LampVerdict = iota
	LampsAsScheduled
	LampsStuckOn
	LampsStuckOff
)

// A LampStep is how an enclosure answered its last scheduled switch.
type LampStep struct {
	On     bool    `json:"on"`     // switched on; false: off
	Step   float64 `json:"step"`   // °C against the room, signed
	Usual  float64 `json:"usual"`  // own median of such steps
	Judged bool    `json:"judged"` // Usual is known and large enough to tell
	Light  Lamps   `json:"light"`  // from a light probe, where there is one
}

// LampWatch measures the thermal step at each scheduled switch. The zero
// value is ready.
type LampWatch struct{}

// Observe takes one good reading; room is ignored unless hasRoom. It returns
// true when a step has just been measured, some 90 minutes after the switch.
func (w *LampWatch) Observe(at time.Duration, celsius, room float64, hasRoom, lampsOn bool) bool {
	return false
}

// ObserveLight takes a light reading in lux.
func (w *LampWatch) ObserveLight(at time.Duration, lux float64, lampsOn bool) {}

// Step returns the last measured step.
func (w *LampWatch) Step() (LampStep, bool) { return LampStep{}, false }

// JudgeLamps decides for one enclosure; peers are the steps of others at their
// last switch in the same direction. Without peers the own history decides.
func JudgeLamps(own LampStep, peers []LampStep) LampVerdict { return LampsUnjudged }
