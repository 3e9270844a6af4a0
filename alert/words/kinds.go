package words

import (
	"cmp"

	"dewline/rules/alarm"
)

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
