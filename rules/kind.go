package rules

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
)

// kind indexes the table of alarms.
type kind uint8

// First those of an enclosure, then those of a probe, then dewline's own.
const (
	kLethal kind = iota
	kAhead
	kExposure
	kAbove
	kBelow
	kFloor
	kNightDrop
	kMistMissing
	kMistWeak
	kMistEndless
	kDryDown
	kDoorAjar
	kLampStuck
	kSilent
	kFrozen
	kWet
	kJump
	kDisagrees
	kNodeClock
	kOverdue
	kDelivery
	kRecord
	kClock
	kBlind
	kDrill
	kConfig
	kCertificate
	numKinds
)

const (
	enclosureKinds = int(kSilent)
	firstProbeKind = kSilent
	firstSelfKind  = kDelivery
	probeKinds     = int(firstSelfKind - firstProbeKind)

	// numByTemp are the alarms whose cause the enclosures' temperatures tell
	// together; they come first.
	numByTemp = int(kBelow) + 1
)

func (k kind) ofEnclosure() bool { return k < firstProbeKind }
func (k kind) ofProbe() bool     { return k >= firstProbeKind && k < firstSelfKind }
func (k kind) ofSelf() bool      { return k >= firstSelfKind }

var kindTable = [numKinds]struct {
	id       AlarmID
	priority Priority
	unit     string
}{
	kLethal:      {LethalCeiling, Wake, "°C"},
	kAhead:       {CeilingAhead, Wake, "min"},
	kExposure:    {Exposure, Today, "%"},
	kAbove:       {AboveBand, Today, "°C"},
	kBelow:       {BelowBand, Today, "°C"},
	kFloor:       {HumidityFloor, Today, "%"},
	kNightDrop:   {NightDrop, Today, "°C"},
	kMistMissing: {MistMissing, Today, ""},
	kMistWeak:    {MistWeak, Today, ""},
	kMistEndless: {MistEndless, Today, "min"},
	kDryDown:     {DryDown, Note, "min"},
	kDoorAjar:    {DoorAjar, Today, ""},
	kLampStuck:   {LampStuck, Today, ""},
	kSilent:      {ProbeSilent, Today, "s"},
	kFrozen:      {ProbeFrozen, Today, "min"},
	kWet:         {ProbeWet, Today, "%"},
	kJump:        {ProbeJump, Today, "°C"},
	kDisagrees:   {ProbeDisagrees, Today, "°C"},
	kNodeClock:   {ProbeClock, Today, ""},
	kOverdue:     {ProbeOverdue, Note, ""},
	kDelivery:    {DeliveryStalled, Wake, "s"},
	kRecord:      {RecordIncomplete, Today, ""},
	kClock:       {ClockUnset, Today, ""},
	kBlind:       {BlindPeriod, Today, "s"},
	kDrill:       {DrillOverdue, Note, ""},
	kConfig:      {ConfigRefused, Today, ""},
	kCertificate: {CertificateDue, Note, "d"},
}

func kindOf(id AlarmID) (kind, bool) {
	for k := range numKinds {
		if kindTable[k].id == id {
			return k, true
		}
	}
	return 0, false
}

// MaxShelf is the longest that an alarm of a priority may be shelved. A shift
// is common practice for a shelf, no source; that a wake alarm gets no more than
// a quarter of an hour is ours, and that the lethal ceiling gets none: who
// empties an enclosure takes it out of service.
func MaxShelf(p Priority) time.Duration {
	switch p {
	case Wake:
		return 15 * time.Minute
	case Today:
		return 12 * time.Hour
	default:
		return 7 * 24 * time.Hour
	}
}

// keepReturned is how long an unacknowledged alarm that is over waits for a
// person: a wake alarm until somebody has seen it, a note not at all.
func keepReturned(p Priority) time.Duration {
	switch p {
	case Wake:
		return 0
	case Today:
		return 12 * time.Hour
	default:
		return -1
	}
}

// Delays that no keeper has a reason to change.
const (
	ceilingOff  = 5 * time.Minute
	aheadOn     = 5 * time.Minute
	aheadOff    = 10 * time.Minute
	exposureOff = 20 * time.Minute
	actOn       = 5 * time.Minute
	coldOn      = 10 * time.Minute
	severeOff   = 10 * time.Minute
	disagreeOn  = 30 * time.Minute
	probeBack   = 2 * time.Minute
	jumpBack    = 10 * time.Minute
	nodeClockOn = 10 * time.Minute // a node may set its clock after it starts
	ceilingDead = 50               // hundredths of °C
)

// makeSpecs derives every alarm's delays from the configuration, for each
// priority it may have.
func makeSpecs(r configs.Rules) (specs [numKinds][Wake + 1]alarm.Spec) {
	delays := [numKinds]struct{ on, off time.Duration }{
		kLethal:    {0, ceilingOff},
		kAhead:     {aheadOn, aheadOff},
		kExposure:  {0, exposureOff},
		kAbove:     {r.BandOnDelay.D(), r.BandOffDelay.D()},
		kBelow:     {r.BandOnDelay.D(), r.BandOffDelay.D()},
		kFloor:     {r.FloorOnDelay.D(), r.FloorOffDelay.D()},
		kSilent:    {0, probeBack},
		kFrozen:    {0, probeBack},
		kWet:       {0, probeBack},
		kJump:      {0, jumpBack},
		kDisagrees: {disagreeOn, disagreeOn},
		kNodeClock: {nodeClockOn, probeBack},
	}
	// A wake alarm that goes on rings again; a full exposure does not, as it
	// lasts for a day whatever is done.
	realarm := [numKinds]bool{kLethal: true, kAhead: true, kAbove: true, kBelow: true, kDoorAjar: true}
	for k := range numKinds {
		for p := Note; p <= Wake; p++ {
			s := alarm.Spec{
				OnDelay: delays[k].on, OffDelay: delays[k].off, MaxShelf: MaxShelf(p),
				KeepReturned: keepReturned(p), Latched: k == kLethal,
			}
			if k == kLethal {
				s.MaxShelf = 0
			}
			if realarm[k] && p == Wake {
				s.RealarmAfter = r.RealarmAfter.D()
			}
			specs[k][p] = s
		}
	}
	return specs
}
