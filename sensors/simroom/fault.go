package simroom

import (
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
	RoomHeatStuckOn                 // room
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
	FanDead                         // Enclosure: Amount air changes per hour (1)
	DoorAjar                        // Enclosure: Amount air changes per hour (200)
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
