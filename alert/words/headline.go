package words

import (
	"cmp"
	"unicode"
	"unicode/utf8"

	"dewline/rules/alarm"
)

// headlines say in a few words what an alarm means to a keeper.
var headlines = map[alarm.ID]string{
	alarm.LethalCeiling:    "lethal limit reached",
	alarm.CeilingAhead:     "lethal limit ahead",
	alarm.Exposure:         "hot for too long",
	alarm.AboveBand:        "too warm",
	alarm.BelowBand:        "too cool",
	alarm.HumidityFloor:    "too dry",
	alarm.NightDrop:        "no night drop",
	alarm.MistMissing:      "mist pulse missing",
	alarm.MistWeak:         "mist pulse weak",
	alarm.MistEndless:      "misting does not stop",
	alarm.DryDown:          "dries differently",
	alarm.DoorAjar:         "door ajar",
	alarm.LampStuck:        "lamps off schedule",
	alarm.ProbeSilent:      "probe silent",
	alarm.ProbeFrozen:      "probe frozen",
	alarm.ProbeWet:         "probe wet",
	alarm.ProbeJump:        "probe jumps",
	alarm.ProbeDisagrees:   "probes disagree",
	alarm.ProbeClock:       "node's clock is wrong",
	alarm.ProbeOverdue:     "calibration due",
	alarm.DeliveryStalled:  "notices do not get through",
	alarm.RecordIncomplete: "readings are not being recorded",
	alarm.ClockUnset:       "clock wrong",
	alarm.BlindPeriod:      "was not watching",
	alarm.DrillOverdue:     "drill overdue",
	alarm.ConfigRefused:    "configuration refused",
	alarm.CertificateDue:   "certificate runs out",
	alarm.SentinelSilent:   "its sentinel is silent",
	alarm.DuplicateRoom:    "two boards with one room id",
	alarm.RoomSilent:       "no sign of life",
}

// Headline says in a few words what an alarm means to a keeper: "too warm".
func Headline(a alarm.ID) string { return cmp.Or(headlines[a], string(a)) }

// states name what the standards have codes for.
var states = map[alarm.State]string{
	alarm.Norm: "normal", alarm.Unack: "open", alarm.Acked: "answered", alarm.RTNUN: "over, open", alarm.LatchUnack: "over, kept, open",
	alarm.LatchAck: "over, kept", alarm.Shelved: "shelved", alarm.Suppressed: "muted", alarm.OutOfService: "out of service",
}

// State names where an alarm stands in one or two words.
func State(s alarm.State) string { return cmp.Or(states[s], "not known") }

// HeadlineOf is Headline for one alarm.
func HeadlineOf(k alarm.Key) string {
	if k.Alarm == alarm.ConfigRefused && k.Subject == alarm.Secrets {
		return "a part is off, its secret cannot be read"
	}
	return Headline(k.Alarm)
}

// Capital makes the first letter one.
func Capital(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[size:]
}
