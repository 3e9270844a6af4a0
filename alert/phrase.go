package alert

import (
	"strings"

	"dewline/rules"
)

// headline says in a few words what an alarm means to a keeper.
func headline(a rules.AlarmID) string {
	switch a {
	case rules.LethalCeiling:
		return "lethal heat"
	case rules.CeilingAhead:
		return "heading for lethal heat"
	case rules.Exposure:
		return "hot for too long"
	case rules.AboveBand:
		return "too warm"
	case rules.BelowBand:
		return "too cool"
	case rules.HumidityFloor:
		return "too dry"
	case rules.NightDrop:
		return "no night drop"
	case rules.MistMissing:
		return "mist pulse missing"
	case rules.MistWeak:
		return "mist pulse weak"
	case rules.MistEndless:
		return "misting does not stop"
	case rules.DryDown:
		return "dries differently"
	case rules.DoorAjar:
		return "door ajar"
	case rules.LampStuck:
		return "lamps off schedule"
	default:
		return selfHeadline(a)
	}
}

// selfHeadline is headline for alarms about probes and dewline itself.
func selfHeadline(a rules.AlarmID) string {
	switch a {
	case rules.ProbeSilent:
		return "probe silent"
	case rules.ProbeFrozen:
		return "probe frozen"
	case rules.ProbeWet:
		return "probe pinned wet"
	case rules.ProbeJump:
		return "probe jumps"
	case rules.ProbeDisagrees:
		return "probes disagree"
	case rules.ProbeClock:
		return "node's clock is wrong"
	case rules.ProbeOverdue:
		return "calibration due"
	case rules.DeliveryStalled:
		return "notices do not get through"
	case rules.RecordIncomplete:
		return "readings are not being recorded"
	case rules.ClockUnset:
		return "clock wrong"
	case rules.BlindPeriod:
		return "was not watching"
	case rules.DrillOverdue:
		return "drill overdue"
	case rules.ConfigRefused:
		return "configuration refused"
	case rules.CertificateDue:
		return "certificate runs out"
	case RoomSilent:
		return "no sign of life"
	default:
		return string(a)
	}
}

// firstAction is what to do first where the rules name nothing.
func firstAction(a rules.AlarmID) string {
	switch a {
	case rules.LethalCeiling, rules.CeilingAhead:
		return "Lamps off, move air, open the room to anything cooler; then carry the worst first to the coolest room."
	case rules.Exposure, rules.AboveBand:
		return "Switch the lamps off and check the room's cooling."
	case rules.BelowBand:
		return "Check the room's heating and the lamp schedule."
	case rules.HumidityFloor:
		return "Mist by hand now, then check nozzle, reservoir and door."
	case rules.MistMissing, rules.MistWeak:
		return "Check reservoir, pump and nozzle."
	case rules.MistEndless:
		return "Switch the misting pump off."
	case rules.DoorAjar:
		return "Close the door."
	case rules.LampStuck, rules.NightDrop:
		return "Check the lamp timer."
	case rules.ProbeSilent, rules.ProbeFrozen, rules.ProbeWet, rules.ProbeJump, rules.ProbeDisagrees:
		return "Look at the enclosure yourself, then at the probe and its cable."
	case rules.ProbeClock:
		return "Set the node's clock."
	case rules.ProbeOverdue:
		return "Calibrate the probe."
	case rules.DeliveryStalled:
		return "Check the network and the channel's server."
	case rules.RecordIncomplete:
		return "Check the card: free space, and whether it can still be written."
	case rules.ClockUnset:
		return "Check the board's network and time service."
	case RoomSilent:
		return "Go and look: power, board and network of that room."
	default:
		return "Look at the enclosure."
	}
}

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
	switch a {
	case rules.ProbeSilent, rules.ProbeFrozen, rules.ProbeWet, rules.ProbeJump, rules.ProbeDisagrees, rules.ProbeClock, rules.ProbeOverdue:
		return probes
	case rules.DeliveryStalled:
		return "channels"
	case rules.CertificateDue:
		return "certificates"
	case rules.RecordIncomplete, rules.ClockUnset, rules.BlindPeriod, rules.DrillOverdue, rules.ConfigRefused, RoomSilent:
		return "rooms"
	default:
		return enclosures
	}
}

// called is a subject's name with its id.
func called(m *Member) string {
	if m.Name == "" {
		return m.Key.Subject
	}
	return m.Name + " (" + m.Key.Subject + ")"
}
