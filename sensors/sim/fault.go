package sim

import (
	"fmt"
	"time"

	"dewline/sensors"
)

// A Kind names what goes wrong, or what else happens to a room.
type Kind uint8

// The kinds. The comment names the part of Target that each needs, and what
// Amount means with its default.
const (
	ACFailure       Kind = iota + 1 // room
	HeatingFailure                  // room
	RoomHeatStuckOn                 // room: a reversible unit that heats and does not cool
	PowerCut                        // room: lamps, pumps, fans and conditioning stop; probes go on
	HotSpell                        // room: outdoors warmer by Amount (10 °C)
	LampStuckOn                     // Lamps, Shelf or Enclosure
	LampStuckOff                    // Lamps, Shelf or Enclosure
	HeaterStuckOn                   // Enclosure: Amount W (50)
	SupplyOut                       // Supply: reservoir empty or pump dead
	NozzleClogged                   // Enclosure: Amount is the share that still flows (0)
	MisterStuckOn                   // Supply or Enclosure
	FogEndless                      // Enclosure: fog without water on the leaves
	VentStuckOpen                   // Enclosure: Amount air changes per hour (20)
	SealLeak                        // Enclosure: Amount air changes more (8)
	FanDead                         // Enclosure: Amount air changes per hour (0.6)
	DoorAjar                        // Enclosure: Amount air changes per hour (400)
	DoorOpened                      // Enclosure: as ajar, closed again after 2 min unless To says otherwise
	ProbeSilent                     // Probe
	ProbeFrozen                     // Probe: repeats its last value
	ProbeJump                       // Probe: a step of Amount °C (6)
	ProbePinnedWet                  // Probe: 100 %RH whatever happens
	ProbeDisagrees                  // Probe: an offset of Amount °C (2.5) that creeps in over an hour
	ProbesSwapped                   // Probe and Other
	ProbePowerOn                    // Probe: 85.00 °C
	ProbeNoisy                      // Probe: noise of Amount °C (1.5)
	numKinds
)

// A Target is what a fault befalls. The zero Target is the room.
type Target struct {
	Enclosure string
	Probe     sensors.ProbeID
	Other     sensors.ProbeID // the second of two swapped probes
	Lamps     string
	Supply    string
	Rack      string // with Shelf
	Shelf     int
}

// A Fault is one thing that goes wrong for a while.
type Fault struct {
	Kind   Kind
	On     Target
	From   time.Time
	To     time.Time // zero: until repaired by nobody
	Amount float64   // 0 takes the kind's default
}

// normalOpening is how long a keeper's door stands open.
const normalOpening = 2 * time.Minute

// need says which part of a Target a kind is aimed at.
type need uint8

const (
	theRoom need = iota
	lampsShelfOrTank
	oneTank
	oneSupply
	supplyOrTank
	oneProbe
	twoProbes
)

// kinds holds each kind's name, target and default amount.
var kinds = [numKinds]struct {
	name   string
	needs  need
	amount float64
}{
	ACFailure:       {"air-conditioner failure", theRoom, 0},
	HeatingFailure:  {"heating failure", theRoom, 0},
	RoomHeatStuckOn: {"room heating stuck on", theRoom, 0},
	PowerCut:        {"power cut", theRoom, 0},
	HotSpell:        {"hot spell", theRoom, 10},
	LampStuckOn:     {"lamps stuck on", lampsShelfOrTank, 0},
	LampStuckOff:    {"lamps stuck off", lampsShelfOrTank, 0},
	HeaterStuckOn:   {"heater stuck on", oneTank, 50},
	SupplyOut:       {"mist supply out", oneSupply, 0},
	NozzleClogged:   {"nozzle clogged", oneTank, 0},
	MisterStuckOn:   {"mister stuck on", supplyOrTank, 0},
	FogEndless:      {"fogger stuck on", oneTank, 0},
	VentStuckOpen:   {"vent stuck open", oneTank, 20},
	SealLeak:        {"seal leak", oneTank, 8},
	FanDead:         {"fan dead", oneTank, 0.6},
	DoorAjar:        {"door ajar", oneTank, 400},
	DoorOpened:      {"door opened", oneTank, 400},
	ProbeSilent:     {"probe silent", oneProbe, 0},
	ProbeFrozen:     {"probe frozen", oneProbe, 0},
	ProbeJump:       {"probe jump", oneProbe, 6},
	ProbePinnedWet:  {"probe pinned wet", oneProbe, 0},
	ProbeDisagrees:  {"probe disagrees", oneProbe, 2.5},
	ProbesSwapped:   {"probes swapped", twoProbes, 0},
	ProbePowerOn:    {"probe at its power-on value", oneProbe, 0},
	ProbeNoisy:      {"probe noisy", oneProbe, 1.5},
}

// String returns the kind's name in words.
func (k Kind) String() string {
	if k == 0 || k >= numKinds {
		return fmt.Sprintf("kind %d", uint8(k))
	}
	return kinds[k].name
}
