package alarm

import (
	"encoding/json"
	"strconv"
	"time"

	"dewline/configs/unit"
	"dewline/sensors"
)

// A FactID names one thing that a judge found. Alarms of which there is only one
// thing to say use their own id.
type FactID string

// What is the matter, where an alarm has more than one thing to say.
const (
	FactSaid           FactID = "said" // Note holds it: from outside, or from an older record
	FactReturning      FactID = "returning"
	FactReached        FactID = "lethal-reached"
	FactAct            FactID = "at-act"
	FactCold           FactID = "at-cold"
	FactFarDry         FactID = "far-below-floor"
	FactMissedAgain    FactID = "mist-missing-again"
	FactSlower         FactID = "dries-slower"
	FactLampsNotOn     FactID = "lamps-not-on"
	FactLampsOffEarly  FactID = "lamps-off-early"
	FactLampsOnEarly   FactID = "lamps-on-early"
	FactHumiditySilent FactID = "humidity-silent"
	FactBlind          FactID = "silent-and-blind"
	FactBlindRising    FactID = "silent-and-rising"
	FactBlindRoom      FactID = "silent-and-unseen"
	FactJumpAlone      FactID = "jump-alone"
	FactJumpStays      FactID = "jump-stays"
	FactSwappedLate    FactID = "changed-places"
	FactSwapped        FactID = "exchanged-values"
	FactStood          FactID = "stood-elsewhere"
	FactDueHumidity    FactID = "humidity-due"
	FactDueTemperature FactID = "temperature-due"
)

// What dewline, or a sentinel, finds about itself and others.
const (
	FactBlindFrom     FactID = "blind-from" // At is when, For how long
	FactRecordNote    FactID = "record-note"
	FactRecordSlow    FactID = "record-slow"
	FactRecordLost    FactID = "record-lost"      // since At
	FactRecordAside   FactID = "record-set-aside" // About is where it is
	FactLeftOut       FactID = "left-out"         // Count parts
	FactNotGranted    FactID = "not-granted"      // Count things that the broker does not let dewline hear
	FactNoPageToken   FactID = "page-token"       // Note is why
	FactNoCommands    FactID = "command-token"
	FactNoCommandsOf  FactID = "command-key"      // About is whose
	FactCertEnds      FactID = "certificate-ends" // About which, At when
	FactCertEnded     FactID = "certificate-ended"
	FactMore          FactID = "more" // Count
	FactNoRounds      FactID = "no-rounds"
	FactWentOffline   FactID = "went-offline"
	FactBoardSilent   FactID = "board-silent" // About which of Count
	FactClockSlow     FactID = "clock-slow"
	FactClockFast     FactID = "clock-fast"
	FactRoomStalled   FactID = "room-stalled"   // About the channels
	FactSentinelBlind FactID = "sentinel-blind" // For how long
)

// What stands for the instance of a board in About.
const (
	OlderBoard  = "one of an older version"
	CopiedBoard = "one with a copy of this card"
)

// What speaks for a cause.
const (
	FactLampsDark     FactID = "lamps-not-switched"
	FactLampsSome     FactID = "lamps-some-switched"
	FactShelfApart    FactID = "shelf-apart"
	FactDoorOpen      FactID = "door-open"
	FactDryCools      FactID = "dry-air-cools"
	FactRoomAndAll    FactID = "room-and-all"
	FactPastBands     FactID = "past-bands"
	FactRoomMore      FactID = "room-more"
	FactAllApart      FactID = "all-apart"
	FactAllPower      FactID = "all-apart-power"
	FactAllAlike      FactID = "all-alike" // where nobody knows of the room
	FactOwn           FactID = "own"
	FactOwnDays       FactID = "own-days" // the same where nobody knows of the room
	FactAlone         FactID = "alone"
	FactRoomUnusual   FactID = "room-unusual"
	FactMovedAlike    FactID = "moved-alike"
	FactRoomClimbed   FactID = "room-climbed"
	FactRoomOutside   FactID = "room-outside-bands"
	FactRoomMoved     FactID = "room-moved"
	FactTogether      FactID = "together"
	FactSwappedWith   FactID = "swapped-with"
	FactLeapt         FactID = "leapt"
	FactStands        FactID = "stands-still"
	FactDisagrees     FactID = "disagrees"
	FactDoubted       FactID = "doubted"
	FactMissed        FactID = "mists-missed"
	FactMistFades     FactID = "mist-fades" // Percent filled, Usual over two months
	FactWarmAir       FactID = "warm-air-is-dry"
	FactAtFloor       FactID = "at-floor"
	FactRoomDry       FactID = "room-dry"
	FactOrPower       FactID = "or-power"
	FactOrPowerDark   FactID = "or-power-dark" // the same where no lamp can tell
	FactLampsGone     FactID = "lamps-gone"
	FactSupplySoaked  FactID = "supply-soaked"
	FactAllSilent     FactID = "all-silent"
	FactBusSilent     FactID = "bus-silent"
	FactLosesMany     FactID = "loses-many" // Percent of readings
	FactLosesRows     FactID = "loses-rows" // Percent of readings, Count rows that were long
	FactDriftHumidity FactID = "humidity-drift"
	FactDrift         FactID = "temperature-drift"
	FactDewPoint      FactID = "dew-point"
	FactDewPointOnly  FactID = "dew-point-unknown"
	FactMoistApart    FactID = "humidity-stayed"
	FactEachElsewhere FactID = "each-elsewhere"
	FactExchanged     FactID = "exchanged"
	FactWetAtOnce     FactID = "wet-at-once"
	FactMainsAway     FactID = "mains-away"    // For
	FactReservoirLow  FactID = "reservoir-low" // For
	FactPumpRuns      FactID = "pump-runs"     // For
	FactPumpStood     FactID = "pump-stood"    // at the scheduled time
	FactPumpRan       FactID = "pump-ran"
	FactPumpStill     FactID = "pump-still" // now
)

// What would have kept an alarm from being raised again and again, Count of Of times.
const (
	FactDeadband         FactID = "wider-deadband" // Delta in place of Others
	FactDeadbandHumidity FactID = "wider-humidity-deadband"
	FactOffDelay         FactID = "longer-off-delay"
)

// What is not known, and what was excused.
const (
	FactNoReading  FactID = "no-reading"
	FactNoDayNight FactID = "no-day-or-night"
	FactStandIn    FactID = "stand-in"
	FactStandInSet FactID = "stand-in-set-off"
	FactDoseGaps   FactID = "dose-gaps"
	FactNoRate     FactID = "no-rate"
	FactNoRoom     FactID = "no-room-temperature"
	FactDoorOpened FactID = "door-opened"
)

// A Fact is one thing that a judge found, with its quantities. What a fact has no
// use for is zero. Words of it are made for one reader by alert/words.
type Fact struct {
	ID          FactID                `json:"id"`
	Temperature unit.Temperature      `json:"temperature,omitempty"`
	Lethal      unit.Temperature      `json:"lethal,omitempty"` // the lethal limit
	Delta       unit.TemperatureDelta `json:"delta,omitempty"`
	Others      unit.TemperatureDelta `json:"others,omitempty"` // the same of all others
	Percent     float64               `json:"percent,omitempty"`
	Usual       float64               `json:"usual,omitempty"` // %
	For         time.Duration         `json:"for,omitempty"`
	Ahead       *Range                `json:"ahead,omitempty"`
	Count       int                   `json:"count,omitempty"`
	Of          int                   `json:"of,omitempty"`
	Cooler      bool                  `json:"cooler,omitempty"` // to the cold side
	About       string                `json:"about,omitempty"`  // a probe, a bus, or the band "day", "night", "day or night"
	At          LocalTime             `json:"at,omitempty"`
	Note        string                `json:"note,omitempty"` // words from outside
}

// UnmarshalJSON reads a fact, or the sentence that an older record has instead.
func (f *Fact) UnmarshalJSON(data []byte) error {
	if len(data) > 0 && data[0] == '"' {
		*f = Fact{ID: FactSaid}
		return json.Unmarshal(data, &f.Note)
	}
	type plain Fact
	return json.Unmarshal(data, (*plain)(f))
}

// Air holds the wet bulbs in °C of what could be blown into an enclosure; nil for
// not known.
type Air struct {
	Room    *float64 `json:"room,omitempty"`
	Outside *float64 `json:"outside,omitempty"`
}

// A Range is a span of time that an event is expected in.
type Range struct {
	FromMinutes float64 `json:"from_minutes"`
	ToMinutes   float64 `json:"to_minutes"`
}

// A LocalTime is a minute by the room's clock: "2006-01-02T15:04".
type LocalTime string

// LocalLayout is the layout of a LocalTime for package time.
const LocalLayout = "2006-01-02T15:04"

// A Place says where the subject of an alarm is, as its keeper named it.
type Place struct {
	Room      string `json:"room,omitempty"`  // where a sentinel speaks of another one
	Probe     string `json:"probe,omitempty"` // id, with its place in the enclosure
	At        string `json:"at,omitempty"`    // litter, canopy…
	Enclosure string `json:"enclosure,omitempty"`
	Rack      string `json:"rack,omitempty"`
	Shelf     int    `json:"shelf,omitempty"`
	Slot      int    `json:"slot,omitempty"`
}

// A Turn is what became of an alarm.
type Turn string

// The turns.
const (
	TurnActive     Turn = "active"
	TurnOver       Turn = "over"
	TurnHeld       Turn = "held"       // over, until it is reset
	TurnUnanswered Turn = "unanswered" // over, and nobody acknowledged it
	TurnShelved    Turn = "shelved"
	TurnOut        Turn = "out-of-service"
	TurnSuppressed Turn = "suppressed"
	TurnRemoved    Turn = "removed" // from the configuration
)

// Detail carries what a person needs beside the value, as facts. Every field is
// optional; empty means unknown or none.
type Detail struct {
	DetailHeat

	// Air is what could be blown in, for alarms by heat; nil for nothing known.
	Air *Air `json:"air,omitempty"`

	Place Place `json:"place,omitzero"`
	Is    Fact  `json:"is,omitzero"` // what is the matter
	Turn  Turn  `json:"turn,omitempty"`
	// Active says that it goes on, whatever the turn.
	Active bool `json:"active,omitempty"`
	// Began is when, empty where the clock was not set; For is how long ago.
	Began  LocalTime     `json:"began,omitempty"`
	For    time.Duration `json:"for,omitempty"`
	Lasted time.Duration `json:"lasted,omitempty"`
	// Until and Left are the end and the rest of being put away.
	Until LocalTime     `json:"until,omitempty"`
	Left  time.Duration `json:"left,omitempty"`
	// Value and Limit are those of the telling, in the alarm's unit.
	Value float64 `json:"value,omitempty"`
	Limit float64 `json:"limit,omitempty"`

	Evidence []Fact `json:"evidence,omitempty"`
	Excused  []Fact `json:"excused,omitempty"`
	Unknown  []Fact `json:"unknown,omitempty"`
	// Steps are what to do first. FirstAction replaces them where it comes from
	// outside or from an older record.
	Steps       []Step `json:"steps,omitempty"`
	FirstAction string `json:"first_action,omitempty"`
}

// A DetailHeat is what is said with a temperature.
type DetailHeat struct {
	Temperature  float64 `json:"temperature,omitempty"`   // °C at the hottest place, for alarms by heat; 0 for unknown
	Lethal       float64 `json:"ceiling,omitempty"`       // °C, with Temperature
	RatePerHour  float64 `json:"rate_per_hour,omitempty"` // °C/h of the temperature that the alarm is about, whatever the unit of its value
	HasRate      bool    `json:"has_rate,omitempty"`
	TimeToLethal *Range  `json:"time_to_ceiling,omitempty"`
	LampsOffGain *Range  `json:"lamps_off_gain,omitempty"` // minutes won by lamps off
}

// An Onset is one rise of one alarm with what is last known of it: what a step, what is
// shown of it and what a notice tells of it have in common. Words are made of it.
type Onset struct {
	Key      Key             `json:"key"`
	Seq      uint64          `json:"seq"` // of the onset: the same until the alarm is NORM again
	Priority Priority        `json:"priority"`
	Cause    Cause           `json:"cause,omitzero"`
	Value    float64         `json:"value"`
	HasValue bool            `json:"has_value"`
	Limit    float64         `json:"limit"`
	HasLimit bool            `json:"has_limit"`
	Unit     string          `json:"unit"` // "°C", "%", "min", "s", "d", "" — of Value and Limit
	Peak     *Peak           `json:"furthest,omitempty"`
	Since    sensors.Instant `json:"since"`
	Text     string          `json:"text"` // words from outside; the rules give facts in Detail
	Detail   Detail          `json:"detail"`
}

// A Peak is the value that lay furthest past the limit of its time, since the condition
// began that the alarm rose for: the limit of day and night differ. It is found by
// reading, by the rules alone, and replaced, never changed.
type Peak struct {
	Value  float64         `json:"value"`
	Limit  float64         `json:"limit"`
	Urgent bool            `json:"urgent,omitempty"` // the limit is the one that makes the alarm urgent, before which no other counts
	At     sensors.Instant `json:"at"`
}

// Further returns the one of two that is further past its limit, p where they are
// alike; nil stands for none.
func (p *Peak) Further(o *Peak, low bool) *Peak {
	if p == nil || o != nil && o.Beyond(*p, low) {
		return o
	}
	return p
}

// Beyond reports whether p is further past its limit than o, which lies below it where
// the alarm is one of too little.
func (p Peak) Beyond(o Peak, low bool) bool {
	a, b := p.Value-p.Limit, o.Value-o.Limit
	switch {
	case p.Urgent != o.Urgent:
		return p.Urgent
	case low:
		return a < b
	}
	return a > b
}

// Furthest is the peak, or the value of now where there is none.
func (o *Onset) Furthest() Peak {
	if o.Peak != nil {
		return *o.Peak
	}
	return Peak{Value: o.Value, Limit: o.Limit}
}

// ID is the name of the onset; see OnsetID.
func (o *Onset) ID() string { return OnsetID(o.Key, o.Seq) }

// OnsetID is the stable name of one onset of one alarm: it is the same from
// the departure from NORM until NORM again, across restarts and re-sends.
func OnsetID(k Key, seq uint64) string {
	return string(k.Alarm) + "/" + k.Subject + "/" + strconv.FormatUint(seq, 10)
}

// A Step is one thing to do first. Its words are in alert/words.
type Step string

// The steps.
const (
	Look            Step = "look"
	LookWet         Step = "look-wet"
	IfReallyHot     Step = "if-really-hot"
	IfHotKeepOn     Step = "if-hot"
	KeepOnThenSwap  Step = "keep-on-then-swap"
	SwapKeepOn      Step = "swap"
	Cooling         Step = "cooling"
	ComingBack      Step = "coming-back"
	WarmRoom        Step = "warm-room"
	WarmLamps       Step = "warm-lamps"
	WarmDoor        Step = "warm-door"
	WarmAlone       Step = "warm-alone"
	NightRoom       Step = "night-room"
	CoolerOutside   Step = "cooler-outside"
	NightDoor       Step = "night-door"
	NightAlone      Step = "night-alone"
	AllLampsOff     Step = "all-lamps-off"
	VentNoFog       Step = "vent-no-fog"
	VentWet         Step = "vent-wet"
	VentOrShut      Step = "vent-or-shut"
	KeepShut        Step = "keep-shut"
	OpenWindows     Step = "open-windows"
	ShutWindows     Step = "shut-windows"
	BlindsIce       Step = "blinds-ice"
	MoveFirst       Step = "move-first"
	MoveIfRising    Step = "move-if-rising"
	CallHelper      Step = "call-helper"
	CallVet         Step = "call-vet"
	LampsByHand     Step = "lamps-off-by-hand"
	CloseDoor       Step = "close-door"
	IfRoomWarmer    Step = "if-room-warmer"
	PullPlugs       Step = "pull-plugs"
	BoxFrogs        Step = "box-frogs"
	BoxCups         Step = "box-cups"
	BoxFrogsRising  Step = "box-frogs-if-rising"
	BoxCupsRising   Step = "box-cups-if-rising"
	CheckHeating    Step = "check-heating"
	Warming         Step = "warming"
	DoorsClosed     Step = "doors-closed"
	CoverRack       Step = "cover-rack"
	WarmBottles     Step = "warm-bottles"
	FrogletsFirst   Step = "froglets-first"
	GeneratorOut    Step = "generator-outdoors"
	IfDrySwap       Step = "if-dry-swap"
	RefillSupply    Step = "refill-supply"
	CloseDoorMist   Step = "close-door-mist"
	MistNozzle      Step = "mist-nozzle"
	MistFloor       Step = "mist-floor"
	CoolNights      Step = "cool-nights"
	StopPump        Step = "stop-pump"
	LookVents       Step = "look-vents"
	DoorSearch      Step = "door-search"
	LampsLeaveOff   Step = "lamps-leave-off"
	LampsSwitch     Step = "lamps-switch"
	CheckPower      Step = "check-power"
	MainsAway       Step = "mains-away"
	ChangeBattery   Step = "change-battery"
	LookContact     Step = "look-contact"
	LookPlug        Step = "look-plug"
	DryProbe        Step = "dry-probe"
	SetNodeClock    Step = "set-node-clock"
	Calibrate       Step = "calibrate"
	CheckDelivery   Step = "check-delivery"
	CheckSounder    Step = "check-sounder"
	CheckCard       Step = "check-card"
	SetClock        Step = "set-clock"
	LookAfterBlind  Step = "look-after-blind"
	HoldDrill       Step = "hold-drill"
	MendConfig      Step = "mend-configuration"
	RenewCert       Step = "renew-certificate"
	RenameRoom      Step = "rename-room"
	LookAtSentinel  Step = "look-at-sentinel"
	LookAtRoom      Step = "look-at-room"
	PutSecret       Step = "put-secret"
	GrantTopics     Step = "grant-topics"
	RestartDewline  Step = "restart-dewline"
	LookAtEnclosure Step = "look-at-enclosure"
)
