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
