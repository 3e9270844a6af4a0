package alert

import (
	"cmp"
	"strings"

	"dewline/rules"
	"dewline/rules/alarm"
)

// headlines say in a few words what an alarm means to a keeper.
var headlines = map[rules.AlarmID]string{
	rules.LethalCeiling:    "lethal heat",
	rules.CeilingAhead:     "heading for lethal heat",
	rules.Exposure:         "hot for too long",
	rules.AboveBand:        "too warm",
	rules.BelowBand:        "too cool",
	rules.HumidityFloor:    "too dry",
	rules.NightDrop:        "no night drop",
	rules.MistMissing:      "mist pulse missing",
	rules.MistWeak:         "mist pulse weak",
	rules.MistEndless:      "misting does not stop",
	rules.DryDown:          "dries differently",
	rules.DoorAjar:         "door ajar",
	rules.LampStuck:        "lamps off schedule",
	rules.ProbeSilent:      "probe silent",
	rules.ProbeFrozen:      "probe frozen",
	rules.ProbeWet:         "probe pinned wet",
	rules.ProbeJump:        "probe jumps",
	rules.ProbeDisagrees:   "probes disagree",
	rules.ProbeClock:       "node's clock is wrong",
	rules.ProbeOverdue:     "calibration due",
	rules.DeliveryStalled:  "notices do not get through",
	rules.RecordIncomplete: "readings are not being recorded",
	rules.ClockUnset:       "clock wrong",
	rules.BlindPeriod:      "was not watching",
	rules.DrillOverdue:     "drill overdue",
	rules.ConfigRefused:    "configuration refused",
	rules.CertificateDue:   "certificate runs out",
	RoomSilent:             "no sign of life",
}

// Headline says in a few words what an alarm means to a keeper: "too warm".
func Headline(a rules.AlarmID) string { return cmp.Or(headlines[a], string(a)) }

// scope names what a notice is about.
func scope(n *Notice) string {
	switch n.Cause.Kind {
	case rules.CauseRoom:
		return "Room"
	case rules.CauseShelf:
		if rack, shelf, ok := strings.Cut(n.Cause.ID, "/"); ok && rack != "" {
			return "Shelf " + shelf + " of rack " + rack
		}
		return "Shelf " + n.Cause.ID
	case rules.CauseProbe:
		return "Probe " + n.Cause.ID
	case rules.CauseSupply:
		return "Mist supply " + n.Cause.ID
	case rules.CauseLamps:
		return "Lamp timer " + n.Cause.ID
	case rules.CauseDewline:
		if n.Cause.ID != "" {
			return "dewline " + n.Cause.ID
		}
		return "dewline"
	}
	if len(n.Members) > 0 {
		return called(&n.Members[0])
	}
	return n.Cause.ID
}

// What several subjects of an alarm are.
const (
	enclosures = "enclosures"
	probes     = "probes"
)

// plural is what several subjects of an alarm are.
func plural(a rules.AlarmID) string {
	row, ok := alarm.Find(a)
	switch {
	case !ok || row.Of == alarm.OfEnclosure:
		return enclosures
	case row.Of == alarm.OfProbe:
		return probes
	case a == alarm.DeliveryStalled:
		return "channels"
	case a == alarm.CertificateDue:
		return "certificates"
	default:
		return "rooms"
	}
}

// called is a subject's name with its id.
func called(m *Member) string {
	if m.Name == "" {
		return m.Key.Subject
	}
	return m.Name + " (" + m.Key.Subject + ")"
}
