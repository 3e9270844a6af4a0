package rules

// firstAction is what to do first, in the trade's order of action (common
// practice, no source, but for the dangers of ice and of carbon monoxide).
func firstAction(k kind, c Cause) string {
	switch k {
	case kLethal, kAhead, kAbove, kExposure:
		return heatAction(c)
	case kBelow:
		return "Keep the doors closed and cover the rack front, vents left free; wrapped warm-water bottles beside the enclosures; a generator outdoors only; froglets into one warm room first."
	case kFloor:
		return dryAction(c)
	case kNightDrop:
		return "Check the lamp timer and the cooling; no emergency unless the ceiling is near."
	case kMistMissing, kMistWeak:
		if c.Kind == CauseSupply {
			return "Refill the reservoir, prime the pump, check its timer; hand-mist all, eggs first."
		}
		return "Hand-mist, then clean the nozzle in vinegar away from the enclosure."
	case kMistEndless:
		return "Stop the pump at its plug and close the water; siphon the drain; look for froglets, film cups and tadpole cups overflowing."
	case kDryDown:
		return "Look at vents, seals and fan, and at the glass for all-day fog."
	case kDoorAjar:
		return "Close the door, count the frogs, hand-mist; search the floor with a damp cloth at dusk."
	case kLampStuck:
		return "Switch the lamps by hand and check their timer."
	default:
		return probeAction(k)
	}
}

func heatAction(c Cause) string {
	switch c.Kind {
	case CauseRoom, CauseShelf:
		return "1 all lamps off. 2 No sealed fog: vents open, fan on, light mist. 3 Blinds down, portable cooling or ice in front of a fan. 4 Move Oophaga, Phyllobates, froglets and tadpoles to the coolest room or an insulated box with wrapped ice packs. 5 Call a helper. 6 A vet for limp or cramped frogs; never ice water on a frog."
	case CauseProbe:
		return "Look at the frogs and at a second thermometer, then swap the probe; do not silence the enclosure."
	case CauseLamps:
		return "Switch the lamps off by hand and check their timer; vents open."
	case CauseDoor:
		return "Close the door, count the frogs; if the room is the warmer one treat it as a room fault: lamps off, vents, fan."
	default:
		return "Pull the plugs of heater and lamps of this enclosure, lid open, fan on; take the frogs out if it stays hot."
	}
}

// doFirst is what fits into a short message: the beginning of the full list.
func doFirst(k kind, c Cause, full string) string {
	switch {
	case len([]rune(full)) <= 200:
		return full
	case k == kBelow:
		return "Keep doors closed, cover the rack front but not the vents, warm-water bottles beside the enclosures; froglets into a warm room first."
	case c.Kind == CauseRoom || c.Kind == CauseShelf:
		return "Lamps off everywhere, vents open, fan on, light mist but no closed-in fog; then blinds down and cool the room."
	default:
		return string([]rune(full)[:197]) + "…"
	}
}

func dryAction(c Cause) string {
	switch c.Kind {
	case CauseSupply:
		return "Refill the reservoir, prime the pump; hand-mist all, eggs first."
	case CauseDoor:
		return "Close the door, count the frogs, hand-mist."
	default:
		return "Hand-mist, then look at nozzle, vents and door; froglets and eggs first."
	}
}

func probeAction(k kind) string {
	switch k {
	case kSilent:
		return "Look at the probe's plug, cable and bus; look at the frogs meanwhile."
	case kFrozen, kDisagrees, kJump:
		return "Compare with a second thermometer, then swap the probe; do not silence the enclosure."
	case kWet:
		return "Dry the probe and its cap, hang it out of the spray; swap it into dry air for a day."
	case kNodeClock:
		return "Set the node's clock: its time server, time zone or clock battery; or take time_pointer out of its section. Look at the humidity yourself meanwhile."
	case kOverdue:
		return "Calibrate it: dewline calibrate."
	case kDelivery:
		return "Check broker, mail server and network; notices wait and are sent again."
	case kRecord:
		return "Check the card: free space, age, mount; alarms go on without it."
	case kClock:
		return "Connect the board to a time server; night rules wait for it."
	case kBlind:
		return "Look at the frogs: nobody watched for a while."
	case kDrill:
		return "Send a drill and acknowledge it: dewline drill."
	case kConfig:
		return "Run dewline check, mend the file and reload."
	case kCertificate:
		return "Renew the certificate before it ends."
	default:
		return ""
	}
}
