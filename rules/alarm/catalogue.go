package alarm

import (
	"time"

	"dewline/configs"
)

// The alarms by id.
const (
	LethalLimit      ID = "lethal-ceiling"
	LethalAhead      ID = "ceiling-ahead"
	Exposure         ID = "exposure"
	AboveBand        ID = "above-band"
	BelowBand        ID = "below-band"
	HumidityFloor    ID = "humidity-floor"
	NightDrop        ID = "night-drop"
	MistMissing      ID = "mist-missing"
	MistWeak         ID = "mist-weak"
	MistEndless      ID = "mist-endless"
	DryDown          ID = "dry-down"
	DoorAjar         ID = "door-ajar"
	LampStuck        ID = "lamp-stuck"
	ProbeSilent      ID = "probe-silent"
	ProbeLossy       ID = "probe-lossy" // it watches, and many readings do not come
	ProbeFrozen      ID = "probe-frozen"
	ProbeWet         ID = "probe-wet"
	ProbeJump        ID = "probe-jump"
	ProbeDisagrees   ID = "probe-disagrees"
	ProbeClock       ID = "probe-clock"       // a node stamps its values wrong
	ProbeOverdue     ID = "probe-overdue"     // calibration due
	ContactMains     ID = "contact-mains"     // the mains are away
	ContactPump      ID = "contact-pump"      // the mist pump runs for too long
	ContactReservoir ID = "contact-reservoir" // it is low
	ContactDoor      ID = "contact-door"      // it stays open
	ContactBattery   ID = "contact-battery"   // it is low
	ContactSilent    ID = "contact-silent"    // nobody knows what the contact says
	DeliveryStalled  ID = "delivery-stalled"
	RecordIncomplete ID = "record-incomplete"
	ClockUnset       ID = "clock-unset"
	BlindPeriod      ID = "blind-period"
	DrillOverdue     ID = "drill-overdue"
	ConfigRefused    ID = "config-refused"  // an earlier configuration is in force
	CertificateDue   ID = "certificate-due" // one that a channel or the page needs runs out
	DuplicateRoom    ID = "duplicate-room"  // another board has this room's id
	SentinelSilent   ID = "sentinel-silent" // who watches this room gives no sign of life
	RoomSilent       ID = "room-silent"     // a room gives a sentinel no sign of life
)

// A Kind is the place of an alarm in the catalogue. It is never kept: records
// hold the id.
type Kind uint8

// The kinds. First those of an enclosure, of which those whose cause the
// temperatures tell come first; then those of a probe, a contact's, dewline's own and a
// sentinel's.
const (
	KindLethal Kind = iota
	KindAhead
	KindExposure
	KindAbove
	KindBelow
	KindFloor
	KindNightDrop
	KindMistMissing
	KindMistWeak
	KindMistEndless
	KindDryDown
	KindDoorAjar
	KindLampStuck
	KindSilent
	KindLossy
	KindFrozen
	KindWet
	KindJump
	KindDisagrees
	KindNodeClock
	KindOverdue
	KindContactMains
	KindContactPump
	KindContactReservoir
	KindContactDoor
	KindContactBattery
	KindContactSilent
	KindDelivery
	KindRecord
	KindClock
	KindBlind
	KindDrill
	KindConfig
	KindCertificate
	KindDuplicate
	KindSentinel
	KindRoomSilent
	NumKinds
)

// Where the kinds of each owner begin; a test holds the rows against it.
const (
	FirstProbeKind    = KindSilent
	FirstContactKind  = KindContactMains
	FirstSelfKind     = KindDelivery
	FirstSentinelKind = KindRoomSilent

	// NumByTemperature are the kinds whose cause the temperatures tell.
	NumByTemperature = int(KindBelow) + 1
)

// Delays that no keeper has a reason to change.
const (
	lethalOff   = 5 * time.Minute
	aheadOn     = 5 * time.Minute
	aheadOff    = 10 * time.Minute
	exposureOff = 20 * time.Minute
	disagreeOn  = 30 * time.Minute
	probeBack   = 2 * time.Minute
	jumpBack    = 10 * time.Minute
	nodeClockOn = 10 * time.Minute // a node may set its clock after it starts

	// Those of contacts, common practice, no source: a float sloshes, a fuse is put
	// back, a battery is lower while its node sends and where it is cold.
	mainsOn, mainsOff     = time.Minute, time.Minute
	floatOn, floatOff     = 2 * time.Minute, 2 * time.Minute
	doorOn                = 10 * time.Minute // as long as a door takes to show in the climate
	batteryOn, batteryOff = 30 * time.Minute, 6 * time.Hour
	contactOn, contactOff = 5 * time.Minute, time.Minute
)

func fixed(on, off time.Duration) func(configs.Rules) (time.Duration, time.Duration) {
	return func(configs.Rules) (time.Duration, time.Duration) { return on, off }
}

func bandDelays(r configs.Rules) (on, off time.Duration) {
	return r.BandOnDelay.D(), r.BandOffDelay.D()
}

func bandDeadband(r configs.Rules) float64  { return float64(r.BandDeadband) }
func floorDeadband(r configs.Rules) float64 { return float64(r.FloorDeadband) }

func floorDelays(r configs.Rules) (on, off time.Duration) {
	return r.FloorOnDelay.D(), r.FloorOffDelay.D()
}

// catalogue is one row per kind: a new alarm is a row here, a judge and a test.
var catalogue = [NumKinds]Row{
	KindLethal: {ID: LethalLimit, Priority: Wake, Value: Temperature, Weight: 5, Heat: true, ByTemperature: true,
		AtLimit: true, Graded: true, Latched: true, Realarms: true, Delays: fixed(0, lethalOff)},
	KindAhead: {ID: LethalAhead, Priority: Wake, Value: Minutes, Weight: 4, Heat: true, ByTemperature: true,
		Graded: true, Realarms: true, Delays: fixed(aheadOn, aheadOff)},
	KindExposure: {ID: Exposure, Priority: Today, Value: Dose, Weight: 3, Heat: true, ByTemperature: true,
		Graded: true, Delays: fixed(0, exposureOff)},
	KindAbove: {ID: AboveBand, Priority: Today, Value: Temperature, Weight: 2, Heat: true, ByTemperature: true,
		AtLimit: true, Graded: true, Realarms: true, Delays: bandDelays, Deadband: bandDeadband},
	KindBelow: {ID: BelowBand, Priority: Today, Value: Temperature, Weight: 2, ByTemperature: true,
		AtLimit: true, Low: true, Graded: true, Realarms: true, Delays: bandDelays, Deadband: bandDeadband},
	KindFloor: {ID: HumidityFloor, Priority: Today, Value: Humidity, Weight: 2,
		AtLimit: true, Low: true, Graded: true, ByHumidity: true, Delays: floorDelays, Deadband: floorDeadband},
	KindNightDrop:   {ID: NightDrop, Priority: Today, Value: Difference},
	KindMistMissing: {ID: MistMissing, Priority: Today, Weight: 1},
	KindMistWeak:    {ID: MistWeak, Priority: Note},
	KindMistEndless: {ID: MistEndless, Priority: Today, Value: Minutes, Weight: 1},
	KindDryDown:     {ID: DryDown, Priority: Note, Value: Minutes},
	KindDoorAjar:    {ID: DoorAjar, Priority: Today, Weight: 1, Realarms: true},
	KindLampStuck:   {ID: LampStuck, Priority: Today, Weight: 1},

	KindSilent:    {ID: ProbeSilent, Of: OfProbe, Priority: Today, Value: Seconds, Graded: true, Delays: fixed(0, probeBack)},
	KindLossy:     {ID: ProbeLossy, Of: OfProbe, Priority: Note},
	KindFrozen:    {ID: ProbeFrozen, Of: OfProbe, Priority: Today, Value: Minutes, Delays: fixed(0, probeBack)},
	KindWet:       {ID: ProbeWet, Of: OfProbe, Priority: Today, Value: Humidity, Delays: fixed(0, probeBack)},
	KindJump:      {ID: ProbeJump, Of: OfProbe, Priority: Today, Value: Temperature, Delays: fixed(0, jumpBack)},
	KindDisagrees: {ID: ProbeDisagrees, Of: OfProbe, Priority: Today, Value: Difference, Delays: fixed(disagreeOn, disagreeOn)},
	KindNodeClock: {ID: ProbeClock, Of: OfProbe, Priority: Today, Delays: fixed(nodeClockOn, probeBack)},
	KindOverdue:   {ID: ProbeOverdue, Of: OfProbe, Priority: Note},

	KindContactMains:     {ID: ContactMains, Of: OfContact, Priority: Today, Weight: 1, Delays: fixed(mainsOn, mainsOff)},
	KindContactPump:      {ID: ContactPump, Of: OfContact, Priority: Today, Value: Minutes, Weight: 1},
	KindContactReservoir: {ID: ContactReservoir, Of: OfContact, Priority: Today, Weight: 1, Delays: fixed(floatOn, floatOff)},
	KindContactDoor:      {ID: ContactDoor, Of: OfContact, Priority: Today, Weight: 1, Realarms: true, Delays: fixed(doorOn, 0)},
	KindContactBattery:   {ID: ContactBattery, Of: OfContact, Priority: Note, Delays: fixed(batteryOn, batteryOff)},
	KindContactSilent:    {ID: ContactSilent, Of: OfContact, Priority: Today, Delays: fixed(contactOn, contactOff)},

	KindDelivery:    {ID: DeliveryStalled, Of: OfDewline, Priority: Wake, Value: Seconds},
	KindRecord:      {ID: RecordIncomplete, Of: OfDewline, Priority: Today},
	KindClock:       {ID: ClockUnset, Of: OfDewline, Priority: Today},
	KindBlind:       {ID: BlindPeriod, Of: OfDewline, Priority: Today, Value: Seconds},
	KindDrill:       {ID: DrillOverdue, Of: OfDewline, Priority: Note},
	KindConfig:      {ID: ConfigRefused, Of: OfDewline, Priority: Today},
	KindCertificate: {ID: CertificateDue, Of: OfDewline, Priority: Note, Value: Days},
	KindDuplicate:   {ID: DuplicateRoom, Of: OfDewline, Priority: Today},
	KindSentinel:    {ID: SentinelSilent, Of: OfDewline, Priority: Today},

	KindRoomSilent: {ID: RoomSilent, Of: OfSentinel, Priority: Wake},
}
