package words

import (
	"cmp"
	"math"
	"strconv"
	"strings"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// facts are the phrases beside those of the kinds. In braces stand the quantities,
// see write.
var facts = map[alarm.FactID]string{
	alarm.FactSaid: "{note}",

	// what is the matter
	alarm.FactReturning:      "{v}, on its way back from the limit of {l}",
	alarm.FactReached:        "{t}, the lethal limit of {lethal} is reached",
	alarm.FactAct:            "{v}, at or above the limit to act on of {l}",
	alarm.FactCold:           "{v}, at or below the cold limit of {l}",
	alarm.FactFarDry:         "humidity {v}, far below the floor of {l}",
	alarm.FactMissedAgain:    "no mist pulse at the scheduled time, {n} times in a row",
	alarm.FactSlower:         "it dries slower than usual: half-life {v}, usually {l}",
	alarm.FactMistFades:      "its mist has grown weaker over weeks: a pulse fills {percent} of what the air lacks, over two months it was {was}",
	alarm.FactLampsNotOn:     "lamps still off past {about}",
	alarm.FactLampsOffEarly:  "lamps off before {about}",
	alarm.FactLampsOnEarly:   "lamps on before {about}",
	alarm.FactHumiditySilent: "no usable humidity for {v} (limit {l}), though it tells the temperature",
	alarm.FactBlind:          "no usable reading for {v} (limit {l}); the enclosure has no other probe and is blind",
	alarm.FactBlindRising:    "no usable reading for {v}; when its enclosure was last seen, it was on its way to the lethal limit, and nobody sees it now",
	alarm.FactBlindRoom:      "no usable reading for {v}, and nobody sees whether it grows too hot there",
	alarm.FactJumpStays:      "its temperature moved by {d+} from one reading to the next and the humidity stayed, as no heat or cold does: compare with another thermometer at once",
	alarm.FactJumpAlone:      "reads {v} while everything around it is calm; taken for a probe fault, please look",
	alarm.FactSwappedLate:    "changed places with probe {about}: each stands where the other usually does",
	alarm.FactSwapped:        "changed places with probe {about}: their values were exchanged from one moment to the next",
	alarm.FactStood:          "stood in another probe's place",
	alarm.FactDueHumidity:    "its humidity calibration is overdue",
	alarm.FactDueTemperature: "its temperature calibration is overdue",
	alarm.FactRecordNote:     "the record is incomplete: {note}; watching and warning go on",
	alarm.FactRecordSlow:     "the record is incomplete: the card takes very long to write; watching and warning go on",
	alarm.FactRecordLost:     "the record is incomplete: since {clock} readings or lines of the journal find no room and are lost; watching and warning go on",
	alarm.FactRecordAside:    "the record was damaged; it is kept as {about} and a new one is begun",
	alarm.FactBlindFrom:      "nobody watched from {moment} for {ago}: dewline was not running",
	alarm.FactLeftOut:        "{n} parts do not work, as their secrets cannot be read; the watch goes on",
	alarm.FactNotGranted:     "the broker does not let dewline hear all that it listens for; the watch goes on",
	alarm.FactNoPageToken:    "nothing can be answered on the page: {note}",
	alarm.FactNoCommands:     "every command over MQTT is refused: {note}",
	alarm.FactNoCommandsOf:   "every command of {about} over MQTT is refused: {note}",
	alarm.FactMore:           "and {n} more",
	alarm.FactCertEnds:       "{certificate} ends on {day}",
	alarm.FactCertEnded:      "{certificate} ended on {day}: connections are refused",
	alarm.FactNoRounds:       "it sends heartbeats but has finished no round of readings for {ago}",
	alarm.FactWentOffline:    "it went offline and has not come back for {ago}",
	alarm.FactBoardSilent:    "{about}, one of {n} boards with this room's id, gives no sign of life for {ago}; if it was renamed or put away, this ends within a day",
	alarm.FactClockSlow:      "its clock is slow by {ago}",
	alarm.FactClockFast:      "its clock is fast by {ago}",
	alarm.FactRoomStalled:    "it cannot deliver over {about}",
	alarm.FactSentinelBlind:  "the sentinel has not reached the broker for {ago} and watches no room",

	// what speaks for a cause
	alarm.FactLampsDark:     "its lamps did not switch on time",
	alarm.FactLampsSome:     "other lamps on this timer did switch: look at the lamp itself",
	alarm.FactShelfApart:    "this shelf is {warmer} by {d} than the others, against what is usual",
	alarm.FactDoorOpen:      "its door is open or ajar",
	alarm.FactDryCools:      "dry air cools what is wet",
	alarm.FactRoomAndAll:    "the room is {warmer} by {d} than usual at this hour, and all enclosures by another {others}",
	alarm.FactPastBands:     "{n} of {of} enclosures are past their bands",
	alarm.FactRoomMore:      "the room itself is {t}, {warmer} by {d} than usual at this hour, and this enclosure no more than it",
	alarm.FactAllApart:      "all enclosures are {warmer} by about {d} than usual at this hour, the room is not",
	alarm.FactAllPower:      "all enclosures are {warmer} by about {d} than usual at this hour, the room is not, whatever their lamps: look at the power",
	alarm.FactAllAlike:      "all enclosures are {warmer} by about {d} than usual at this hour, and no probe tells of the room",
	alarm.FactOwnDays:       "it is {warmer} by {d} than usual at this hour, the others by {others}",
	alarm.FactOwn:           "it is {warmer} by {d} than usual at this hour beside the room, the others by {others}",
	alarm.FactAlone:         "the other enclosures do not follow it",
	alarm.FactRoomUnusual:   "the room itself is {t}, {warmer} by {d} than usual at this hour",
	alarm.FactMovedAlike:    "{n} of {of} enclosures moved the same way",
	alarm.FactRoomClimbed:   "the room itself is {t}, {warmer} by {d} than {ago} ago",
	alarm.FactRoomOutside:   "the room itself is {t}, {above} every enclosure's band",
	alarm.FactRoomMoved:     "the room itself is {t}, {warmer} by {d} than half an hour ago",
	alarm.FactTogether:      "{n} of {of} enclosures moved with it by more than {d0} in half an hour",
	alarm.FactSwappedWith:   "it changed places with probe {about}",
	alarm.FactLeapt:         "{ago} ago it leapt by {change}, faster than air can change",
	alarm.FactStands:        "it has said exactly the same for {ago} while the others moved",
	alarm.FactDisagrees:     "it disagrees with the other probe",
	alarm.FactDoubted:       "its last reading is doubted",
	alarm.FactMissed:        "the last {n} scheduled mists brought no pulse",
	alarm.FactWarmAir:       "warm air of the same vapour is drier air",
	alarm.FactAtFloor:       "{n} of {of} enclosures are at their floor",
	alarm.FactRoomDry:       "the room's air is at {p}, {usual} is usual at this hour: look at what conditions it",
	alarm.FactOrPower:       "or the power is off: look whether the lamps burn",
	alarm.FactOrPowerDark:   "or the power is off: look whether the pump and the heating run",
	alarm.FactLampsGone:     "all enclosures are cooler by about {d} than usual at this hour beside the room, as without their lamps: look at the power",
	alarm.FactSupplySoaked:  "{n} enclosures on this supply are soaked",
	alarm.FactAllSilent:     "all {n} probes are silent",
	alarm.FactBusSilent:     "all {n} probes on {about} are silent",
	alarm.FactLosesRows:     "{percent} of its readings did not come of late, {n} times for longer than they may: look at its radio, its battery or its cable",
	alarm.FactLosesMany:     "{percent} of its readings did not come before that either: look at its radio, its battery or its cable",
	alarm.FactDriftHumidity: "by night it has moved by {p+} against the rest of the rack since it was calibrated",
	alarm.FactDrift:         "by night it has moved by {d+} against the rest of the rack since it was calibrated",
	alarm.FactDewPoint:      "its dew point of {t} is above everything else in the enclosure",
	alarm.FactDewPointOnly:  "its dew point is above everything else in the enclosure",
	alarm.FactMoistApart:    "the temperature moved by {d+} within an hour and the humidity stayed, as with a faulty probe: compare with another thermometer at once",
	alarm.FactEachElsewhere: "each stands where the other usually does at this hour, and has left its own place",
	alarm.FactExchanged:     "both changed to the other's values at the same moment",
	alarm.FactMainsAway:     "the contact says that the mains have been away for {ago}",
	alarm.FactReservoirLow:  "the float has said for {ago} that the reservoir is low",
	alarm.FactPumpRuns:      "the contact says that the pump has run for {ago}",
	alarm.FactPumpStood:     "the contact says that the pump did not run then: look at its timer, its fuse and the pump",
	alarm.FactPumpRan:       "the contact says that the pump did run then: look at the nozzles and the line",
	alarm.FactPumpStill:     "the contact says that the pump stands still: look for a valve or a nozzle that drips",
	alarm.FactWetAtOnce:     "it went to saturation from one reading to the next, as with a drop on it",

	// what would have kept an alarm from being raised again and again
	alarm.FactDeadband:         "a deadband of {d} in place of {others} would have avoided {n} of {of}",
	alarm.FactDeadbandHumidity: "a deadband of {percent} in place of {was} would have avoided {n} of {of}",
	alarm.FactOffDelay:         "an off-delay of {ago} would have avoided {n} of {of}",

	// what is not known, and what was excused
	alarm.FactNoReading:  "no trustworthy reading at present",
	alarm.FactNoDayNight: "day or night: the clock is not set",
	alarm.FactStandIn:    "the humidity at the floor's own probe; judged by {about}",
	alarm.FactStandInSet: "the humidity at the floor's own probe; judged by {about}, set off by {p+} as learned",
	alarm.FactDoseGaps:   "gaps of {ago} are not counted",
	alarm.FactNoRate:     "how fast: less than 15 minutes of readings",
	alarm.FactNoRoom:     "the room's temperature",
	alarm.FactDoorOpened: "a door opened {ago} ago",
}

// single replaces a phrase whose count is one.
var single = map[alarm.FactID]string{
	alarm.FactMissed:  "the last scheduled mist brought no pulse",
	alarm.FactLeftOut: "one part does not work, as its secret cannot be read; the watch goes on",
}

// write fills a phrase in. v and l are the alarm's value and limit.
func write(f *alarm.Fact, v, l string, s unit.Scale) string {
	text := phraseOf(f.ID)
	if one, ok := single[f.ID]; ok && f.Count == 1 {
		text = one
	}
	if !strings.ContainsRune(text, '{') {
		return text
	}
	warmer, above := "warmer", "above"
	if f.Cooler {
		warmer, above = "cooler", "below"
	}
	ahead := "in " + v
	if f.Ahead != nil {
		ahead = In(*f.Ahead)
	}
	warmth := Figure{Value: float64(f.Temperature), Unit: "°C", Lethal: float64(f.Lethal)}.Text(s)
	size := unit.TemperatureDelta(math.Abs(float64(f.Delta)))
	return strings.NewReplacer(
		"{note}", f.Note, "{v}", v, "{l}", l, "{about}", f.About, "{warmer}", warmer, "{above}", above, "{ahead}", ahead,
		"{t}", warmth.Value, "{lethal}", warmth.Lethal,
		"{d}", size.Text(s, 1), "{d0}", size.Text(s, 0), "{d+}", plus(float64(f.Delta))+f.Delta.Text(s, 1), "{change}", f.Delta.Text(s, 1),
		"{others}", unit.TemperatureDelta(math.Abs(float64(f.Others))).Text(s, 1),
		"{p}", Humidity(f.Percent), "{p+}", plus(f.Percent)+unit.Number(f.Percent, 1)+" %", "{usual}", Humidity(f.Usual),
		"{percent}", Percent(f.Percent), "{was}", Percent(f.Usual),
		"{n}", strconv.Itoa(f.Count), "{of}", strconv.Itoa(f.Of), "{ago}", Span(f.For),
		"{clock}", clock(f.At, "15:04"), "{moment}", clock(f.At, "2 Jan 15:04"), "{day}", clock(f.At, "2 Jan 2006"), "{certificate}", Certificate(f.About),
	).Replace(text)
}

// plus is the sign of what is not negative.
func plus(v float64) string {
	if v >= 0 {
		return "+"
	}
	return ""
}

// certificates names those that dewline depends on, by the subject of their alarm.
var certificates = map[string]string{
	"page": "the page's certificate", "broker": "the broker's certificate",
	"broker-client": "dewline's own certificate for the broker", "broker-authority": "the authority of the broker's certificate",
	"mail": "the mail server's certificate", "mail-authority": "the authority of the mail server's certificate",
}

// Certificate names the one that certificate-due is about.
func Certificate(subject string) string {
	return cmp.Or(certificates[subject], "the certificate "+subject)
}

// Fact writes one as a clause.
func Fact(f alarm.Fact, s unit.Scale) string { return write(&f, "", "", s) }

// Facts writes each fact as a clause.
func Facts(list []alarm.Fact, s unit.Scale) []string {
	out := make([]string, 0, len(list))
	for i := range list {
		if text := write(&list[i], "", "", s); text != "" {
			out = append(out, text)
		}
	}
	return out
}

// clock writes a room's time; one that is none stays as it is.
func clock(t alarm.LocalTime, layout string) string {
	at, err := time.Parse(alarm.LocalLayout, string(t))
	if err != nil {
		return string(t)
	}
	return at.Format(layout)
}

// A kind is what is said of one kind of alarm: a new alarm is a row here too.
type kind struct {
	headline string // in a few words what it means to a keeper
	is       string // what is the matter where there is one thing to say, a phrase as in facts
	ended    string // that it is over
}

var kinds = map[alarm.ID]kind{
	alarm.LethalLimit: {
		"lethal limit reached",
		"{v}, at or above the lethal limit of {l}",
		"below the lethal limit again",
	},
	alarm.LethalAhead: {
		"lethal limit ahead",
		"{t}, the lethal limit of {lethal} is expected {ahead}",
		"the lethal limit is no longer near",
	},
	alarm.Exposure: {
		"hot for too long",
		"hot for too long: {v}, a relative figure",
		"cool enough that the heat dose no longer grows",
	},
	alarm.AboveBand: {
		"too warm",
		"{v}, above the {about} band's high end of {l}",
		"inside the band again",
	},
	alarm.BelowBand: {
		"too cool",
		"{v}, below the {about} band's low end of {l}",
		"inside the band again",
	},
	alarm.HumidityFloor: {
		"too dry",
		"humidity {v}, at or below the floor of {l}",
		"above the humidity floor again",
	},
	alarm.NightDrop: {
		"no night drop",
		"{n} nights without the wanted drop; the last was {v}, wanted {l}",
		"the night brought its drop",
	},
	alarm.MistMissing: {
		"mist pulse missing",
		"no mist pulse at the scheduled time",
		"a scheduled mist was seen",
	},
	alarm.MistWeak: {
		"mist pulse weak",
		"{n} mist pulses in a row much weaker than usual",
		"a mist of usual strength was seen",
	},
	alarm.MistEndless: {
		"misting does not stop",
		"soaked for {v}, a mist lasts at most {l}",
		"the mist has ended",
	},
	alarm.DryDown: {
		"dries differently",
		"it dries faster than usual: half-life {v}, usually {l}",
		"it dries as usual again",
	},
	alarm.DoorAjar: {
		"door ajar",
		"the climate stepped toward the room's and did not recover, as with a door left ajar",
		"the climate has recovered",
	},
	alarm.LampStuck: {
		"lamps off schedule",
		"lamps still on past {about}",
		"the lamps follow their schedule again",
	},
	alarm.ProbeSilent: {
		"probe silent",
		"no usable reading for {v} (limit {l})",
		"working again",
	},
	alarm.ProbeLossy: {
		"poor connection",
		"its connection is poor: it still watches, and many of its readings do not come",
		"its readings come again",
	},
	alarm.ProbeFrozen: {
		"probe frozen",
		"exactly the same value for {v} while the others move",
		"its value moves again",
	},
	alarm.ProbeWet: {
		"probe wet",
		"wet, or stuck at 100 %; its humidity is not used",
		"it is dry again",
	},
	alarm.ProbeJump: {
		"probe jumps",
		"jumps faster than air can change (last to {v})",
		"its readings are steady again",
	},
	alarm.ProbeDisagrees: {
		"probes disagree",
		"{v} apart from the other probe of its enclosure, more than {l}",
		"it agrees with its twin again",
	},
	alarm.ProbeClock: {
		"node's clock is wrong",
		"its clock is wrong, so nobody knows how old its values are; the lethal limit is judged on them as they arrive, the bands and the humidity are not",
		"its clock is right again",
	},
	alarm.ProbeOverdue: {
		"calibration due",
		"its calibration is overdue",
		"it was calibrated",
	},
	alarm.ContactMains: {
		"mains away",
		"the mains are away: heating, mist and lamps that hang on them are off",
		"the mains are back",
	},
	alarm.ContactPump: {
		"mist pump does not stop",
		"the mist pump has run for {v}, a mist lasts at most {l}",
		"the mist pump stands still",
	},
	alarm.ContactReservoir: {
		"reservoir low",
		"the float says that the reservoir is low",
		"the reservoir is full enough again",
	},
	alarm.ContactDoor: {
		"door open",
		"its contact says that the door is open",
		"the door is shut",
	},
	alarm.ContactBattery: {
		"battery low",
		"the battery of a node is low: {about}",
		"the battery is good again",
	},
	alarm.ContactSilent: {
		"contact not known",
		"nobody knows what it says; nothing is taken from it, and all is judged as without it",
		"it is known again",
	},
	alarm.DeliveryStalled: {
		"notices do not get through",
		"notices cannot be delivered by {about}",
		"notices are delivered again",
	},
	alarm.RecordIncomplete: {
		"readings are not being recorded",
		"the record on the card is incomplete; watching and warning go on",
		"the record is complete again",
	},
	alarm.ClockUnset: {
		"clock wrong",
		"the clock is not set: day and night are not known, and times on record may be wrong",
		"the clock is set",
	},
	alarm.BlindPeriod: {
		"was not watching",
		"nobody watched for {ago}: dewline was not running",
		"readings arrive",
	},
	alarm.DrillOverdue: {
		"drill overdue",
		"no drill was acknowledged for more than {ago}: nobody knows whether a notice gets through",
		"a drill was held",
	},
	alarm.ConfigRefused: {
		"configuration refused",
		"the configuration is refused; the one that was in force stays so, mistakes included",
		"the configuration is in force",
	},
	alarm.CertificateDue: {
		"certificate runs out",
		"a certificate runs out",
		"the certificate is good",
	},
	alarm.DuplicateRoom: {
		"two boards with one room id",
		"another board answers for this room on the broker ({about}): what both tell is mixed up",
		"no other board answers for this room",
	},
	alarm.SentinelSilent: {
		"its sentinel is silent",
		"it gives no sign of life: nobody would tell if this room fell silent",
		"the sentinel watches again",
	},
	alarm.RoomSilent: {
		"no sign of life",
		"no sign of life for {ago}",
		"the room gives signs of life again",
	},
}

// Headline says in a few words what an alarm means to a keeper: "too warm".
func Headline(a alarm.ID) string { return cmp.Or(kinds[a].headline, string(a)) }

// phraseOf is the phrase of a fact: one of its own, or its alarm's.
func phraseOf(id alarm.FactID) string { return cmp.Or(facts[id], kinds[alarm.ID(id)].is) }
