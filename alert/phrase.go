package alert

import (
	"strings"

	"dewline/rules"
	"dewline/rules/alarm"
)

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
