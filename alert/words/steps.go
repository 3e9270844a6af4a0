package words

import (
	"fmt"
	"strings"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// steps are what to do first. They are the trade's (common practice, no source,
// but for the dangers of ice and of carbon monoxide).
var steps = map[alarm.Step]string{
	alarm.Look:            "Look at the frogs and at a second thermometer.",
	alarm.LookWet:         "Look at moss and glass.",
	alarm.IfReallyHot:     "If it is really hot: lamps off, vents open, fan on.",
	alarm.IfHotKeepOn:     "If it is hot: lamps off, vents open, fan on. Keep the alarm on.",
	alarm.KeepOnThenSwap:  "Keep the alarm on. Then swap the probe.",
	alarm.SwapKeepOn:      "Then swap the probe. Keep the alarm on.",
	alarm.Cooling:         "It is cooling down. Leave the lamps off, the vents open and the fan on until it is back in range; look at the frogs.",
	alarm.ComingBack:      "It is coming back by itself. Look at heater, lamps and vents when you pass.",
	alarm.WarmRoom:        "Lamps off, vents open, fan on, blinds down; mist lightly with dechlorinated water. Check what cools the room.",
	alarm.WarmLamps:       "Switch the lamps off by hand and check their timer; vents open.",
	alarm.WarmDoor:        "Close the door, count the frogs; if the room is warmer than the enclosure: lamps off, vents open, fan on.",
	alarm.WarmAlone:       "Pull the plugs of heater and lamps of this enclosure until it is back in range; mesh lid on, vents open, fan on.",
	alarm.NightRoom:       "See that the lamps are off; vents open, fan on. Open the windows if it is cooler outside, and check what cools and heats the room.",
	alarm.NightDoor:       "Close the door, count the frogs; check what cools and heats the room.",
	alarm.NightAlone:      "Pull the plug of this enclosure's heater and see that its lamps are off; mesh lid on, vents open.",
	alarm.AllLampsOff:     "All lamps off.",
	alarm.VentNoFog:       "Vents open and kept open, fan on, mist lightly with dechlorinated water.",
	alarm.BlindsIce:       "Blinds down, portable cooling or ice in front of a fan.",
	alarm.MoveFirst:       "Move Oophaga, Phyllobates, froglets and tadpoles first, to the coolest room or into an insulated box ({box}; ice packs wrapped and outside of it).",
	alarm.MoveIfRising:    "If it still rises, move Oophaga, Phyllobates, froglets and tadpoles to the coolest room or into an insulated box ({box}; ice packs wrapped and outside of it).",
	alarm.CallHelper:      "Call a helper.",
	alarm.CallVet:         "Call a vet if a frog is limp or cramping; never ice water on a frog.",
	alarm.LampsByHand:     "Switch the lamps off by hand and check their timer.",
	alarm.VentMist:        "Vents open, fan on, mist lightly with dechlorinated water.",
	alarm.CloseDoor:       "Close the door, count the frogs.",
	alarm.IfRoomWarmer:    "If the room is warmer than the enclosure: lamps off, vents open, fan on.",
	alarm.PullPlugs:       "Pull the plugs of heater and lamps of this enclosure, mesh lid on, vents open, fan on.",
	alarm.BoxFrogs:        "Take the frogs out into a box ({box}).",
	alarm.BoxCups:         "Take the cups out into a box ({box}).",
	alarm.BoxFrogsRising:  "If it still rises: take the frogs out into a box ({box}).",
	alarm.BoxCupsRising:   "If it still rises: take the cups out into a box ({box}).",
	alarm.CheckHeating:    "Then check the heating. Keep the alarm on.",
	alarm.Warming:         "It is warming up again. Look at heating and lamps when you pass.",
	alarm.DoorsClosed:     "Keep the doors closed; check the room's heating and the lamp timer.",
	alarm.CoverRack:       "Keep the doors closed, cover the rack front, vents left free.",
	alarm.WarmBottles:     "Warm-water bottles, wrapped, beside the enclosures and never inside.",
	alarm.FrogletsFirst:   "Warm the froglets' room first.",
	alarm.GeneratorOut:    "A generator outdoors only.",
	alarm.IfDrySwap:       "If they are dry, hand-mist with dechlorinated or RO water. Then swap the probe; keep the alarm on.",
	alarm.RefillSupply:    "Refill the reservoir with dechlorinated or RO water, prime the pump, check its timer; hand-mist with dechlorinated or RO water all, eggs first.",
	alarm.CloseDoorMist:   "Close the door, count the frogs, hand-mist with dechlorinated or RO water.",
	alarm.MistNozzle:      "Hand-mist with dechlorinated or RO water, then clean the nozzle in vinegar away from the enclosure.",
	alarm.MistFloor:       "Hand-mist with dechlorinated or RO water, then look at nozzle, vents and door; froglets and eggs first.",
	alarm.CoolNights:      "Check the lamp timer and what cools the room at night. There is no hurry.",
	alarm.StopPump:        "Stop the pump at its plug and close the water; siphon the drain; look for froglets, film cups and tadpole cups overflowing.",
	alarm.LookVents:       "Look at vents, seals and fan, and at the glass for all-day fog.",
	alarm.DoorSearch:      "Look: close the door, count the frogs, hand-mist with dechlorinated or RO water; search the floor with a damp cloth at dusk.",
	alarm.LampsLeaveOff:   "Leave the lamps off while it is hot, and check their timer.",
	alarm.LampsSwitch:     "Switch the lamps by hand and check their timer.",
	alarm.LookPlug:        "Look at the frogs and at a second thermometer. Then look at the probe's plug, cable and bus. Keep the alarm on.",
	alarm.DryProbe:        "Look whether it is really that wet. Then dry the probe and its cap, hang it out of the spray; swap it into dry air for a day.",
	alarm.SetNodeClock:    "Look at the humidity yourself meanwhile. Set the node's clock: its time server, time zone or clock battery; or take time_pointer out of its section.",
	alarm.Calibrate:       "Calibrate it: dewline calibrate.",
	alarm.CheckDelivery:   "Check broker, mail server and network; notices wait and are sent again.",
	alarm.CheckCard:       "Check the card: free space, age, mount; alarms go on without it.",
	alarm.SetClock:        "Look at the board's network and its time server; the rules of day and night wait for it.",
	alarm.LookAfterBlind:  "Look at the frogs; then find out why dewline or its power was off.",
	alarm.HoldDrill:       "Run dewline drill and acknowledge it on the phone.",
	alarm.MendConfig:      "Run dewline check, mend the file and reload.",
	alarm.RenewCert:       "Renew it; then restart dewline unless it is the page's or dewline's own, which are read again by themselves.",
	alarm.PutSecret:       "Put the secret into its file, readable by root only, and restart dewline.",
	alarm.RestartDewline:  "Restart dewline (systemctl restart dewline), or take the change back and reload.",
	alarm.LookAtSentinel:  "Look at the sentinel's machine and its network. If you gave it up, empty the topic dewline/<room>/watched.",
	alarm.RenameRoom:      "Give each board a room id of its own, or switch the other board off.",
	alarm.LookAtRoom:      "Go and look: power, board and network of that room.",
	alarm.LookAtEnclosure: "Look at the enclosure.",
}

// box says how a box is to be: colder than that harms too.
func box(s unit.Scale) string {
	return "thermometer inside, " + unit.Temperature(20).Number(s, 0) + "–" + unit.Temperature(22).Text(s, 0) +
		", never under " + unit.Temperature(18).Text(s, 0)
}

func step(id alarm.Step, s unit.Scale) string { return strings.ReplaceAll(steps[id], "{box}", box(s)) }

// FirstAction writes what to do first as one text: several steps are numbered.
func FirstAction(d *alarm.Detail, s unit.Scale) string {
	if d.FirstAction != "" {
		return d.FirstAction
	}
	if len(d.Steps) == 1 {
		return step(d.Steps[0], s)
	}
	var b strings.Builder
	for i, id := range d.Steps {
		if i > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%d %s", i+1, step(id, s))
	}
	return b.String()
}

// shortMessage is how many characters of the first action fit into a message on
// a phone.
const shortMessage = 200

// DoFirst is as many whole steps of the first action as fit into a short message,
// at least one.
func DoFirst(d *alarm.Detail, s unit.Scale) string {
	if d.FirstAction != "" || len(d.Steps) == 0 {
		return d.FirstAction
	}
	text := step(d.Steps[0], s)
	for _, id := range d.Steps[1:] {
		longer := text + " " + step(id, s)
		if len([]rune(longer)) > shortMessage {
			break
		}
		text = longer
	}
	return text
}
