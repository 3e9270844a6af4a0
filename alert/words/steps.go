package words

import (
	"fmt"
	"strings"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
)

// steps are what to do first. They are the trade's (common practice, no source,
// but for the dangers of ice and of carbon monoxide).
var steps = map[alarm.Step]string{
	alarm.Look:            "Look at the frogs and at a second thermometer.",
	alarm.LookWet:         "Look at moss and glass.",
	alarm.IfReallyHot:     "If it is really hot: lamps off, vents open, fan on, mesh lid on.",
	alarm.IfHotKeepOn:     "If it is hot: lamps off, vents open, fan on, mesh lid on. Keep the alarm on.",
	alarm.KeepOnThenSwap:  "Keep the alarm on. Then swap the probe.",
	alarm.SwapKeepOn:      "Then swap the probe. Keep the alarm on.",
	alarm.Cooling:         "It is cooling down. Leave lamps, vents and fan as they are until it is back in range; look at the frogs.",
	alarm.ComingBack:      "It is coming back by itself. Look at heater, lamps and vents when you pass.",
	alarm.WarmRoom:        "Lamps off, blinds down. Check what cools the room.",
	alarm.WarmLamps:       "Switch the lamps off by hand and check their timer; vents open, mesh lid on.",
	alarm.WarmDoor:        "Close the door, count the frogs. If the room is warmer than the enclosure: lamps off, and cool the room.",
	alarm.WarmAlone:       "Pull the plugs of heater and lamps of this enclosure until it is back in range; mesh lid on, vents open, fan on.",
	alarm.NightRoom:       "See that the lamps are off. Check what cools and heats the room.",
	alarm.NightDoor:       "Close the door, count the frogs; check what cools and heats the room.",
	alarm.NightAlone:      "Pull the plug of this enclosure's heater and see that its lamps are off; mesh lid on, vents open.",
	alarm.AllLampsOff:     "All lamps off.",
	alarm.VentNoFog:       "Vents open, fan on, mist lightly with {water}. Shut again if it gets warmer: the humidity of the room is not known.",
	alarm.VentWet:         "Vents open, fan on, mesh lid on; wet all every ten minutes with {water}: the room's air cools what is wet to {wet}.",
	alarm.VentOrShut:      "Vents open, fan on, and wet every ten minutes with {water}, or keep shut. The room's air cools what is wet only to {wet}: shut again if it gets warmer inside.",
	alarm.KeepShut:        "Keep vents and doors shut, no fog: the room's air would warm what is wet to {wet}. Cool the room.",
	alarm.OpenWindows:     "Open the windows: the air outside cools what is wet to {outside}.",
	alarm.ShutWindows:     "Keep the windows shut: the air outside would warm what is wet to {outside}.",
	alarm.CoolerOutside:   "Open the windows if it is cooler outside.",
	alarm.BlindsIce:       "Blinds down, portable cooling or ice in front of a fan.",
	alarm.MoveFirst:       "Move Oophaga, Phyllobates, froglets and tadpoles first, to the coolest room or into an insulated box: one labelled moist tub for each enclosure, species apart ({box}; ice packs wrapped and outside of it).",
	alarm.MoveIfRising:    "If it still rises, move Oophaga, Phyllobates, froglets and tadpoles to the coolest room or into an insulated box: one labelled moist tub for each enclosure, species apart ({box}; ice packs wrapped and outside of it).",
	alarm.CallHelper:      "Call a helper.",
	alarm.CallVet:         "Call a vet if a frog is limp or cramping; never ice water on a frog.",
	alarm.LampsByHand:     "Switch the lamps off by hand and check their timer.",
	alarm.CloseDoor:       "Close the door, count the frogs.",
	alarm.IfRoomWarmer:    "If the room is warmer than the enclosure: lamps off, and cool the room.",
	alarm.PullPlugs:       "Pull the plugs of its heater and lamps; mesh lid on, vents open, fan on.",
	alarm.BoxFrogs:        "Take the frogs out into a labelled moist tub ({box}).",
	alarm.BoxCups:         "Take the cups out into a box ({box}).",
	alarm.BoxFrogsRising:  "If it still rises: take the frogs out into a labelled moist tub ({box}).",
	alarm.BoxCupsRising:   "If it still rises: take the cups out into a box ({box}).",
	alarm.CheckHeating:    "Then check the heating. Keep the alarm on.",
	alarm.Warming:         "It is warming up again. Look at heating and lamps when you pass.",
	alarm.DoorsClosed:     "Keep the doors closed; check the room's heating and the lamp timer.",
	alarm.CoverRack:       "Keep the doors closed, cover the rack front, vents left free.",
	alarm.WarmBottles:     "Warm-water bottles, wrapped, beside the enclosures and never inside.",
	alarm.FrogletsFirst:   "Warm the froglets' room first.",
	alarm.GeneratorOut:    "A generator outdoors only.",
	alarm.IfDrySwap:       "If they are dry, hand-mist with {water}. Then swap the probe; keep the alarm on.",
	alarm.RefillSupply:    "Refill the reservoir with {water}, prime the pump, check its timer; hand-mist all with {water}, eggs first.",
	alarm.CloseDoorMist:   "Close the door, count the frogs, hand-mist with {water}.",
	alarm.MistNozzle:      "Hand-mist with {water}. Then clean the nozzle in vinegar away from the enclosure, and rinse it until it does not smell.",
	alarm.MistFloor:       "Hand-mist with {water}, then look at nozzle, vents and door; froglets and eggs first.",
	alarm.CoolNights:      "Check the lamp timer and what cools the room at night. There is no hurry.",
	alarm.StopPump:        "Stop the pump at its plug and close the water; siphon the drain; look for froglets, film cups and tadpole cups overflowing.",
	alarm.LookVents:       "Look at vents, seals and fan, and at the glass for all-day fog.",
	alarm.DoorSearch:      "Look: close the door, count the frogs, hand-mist with {water}; search the floor with a damp cloth at dusk.",
	alarm.LampsLeaveOff:   "Leave the lamps off while it is hot, and check their timer.",
	alarm.LampsSwitch:     "Switch the lamps by hand and check their timer.",
	alarm.CheckPower:      "Check fuse, residual-current switch and plugs: lamps, mist and heating hang on them.",
	alarm.MainsAway:       "Look whether the street is dark too; else check fuse and residual-current switch (RCD, GFCI) with dry hands. If it trips again leave it off and call a licensed electrician. Doors closed; hand-mist with {water}.",
	alarm.ChangeBattery:   "Change the battery of the node.",
	alarm.LookContact:     "Look at the contact's wires and its node, at low voltage only.",
	alarm.LookPlug:        "Look at the frogs and at a second thermometer. Then look at the probe's plug, cable and bus. Keep the alarm on.",
	alarm.DryProbe:        "Look whether it is really that wet. Then dry the probe and its cap, hang it out of the spray; swap it into dry air for a day.",
	alarm.SetNodeClock:    "Look at the humidity yourself meanwhile. Set the node's clock: its time server, time zone or clock battery; or take time_pointer out of its section.",
	alarm.Calibrate:       "Calibrate it: dewline calibrate.",
	alarm.CheckDelivery:   "Check broker, mail server and network; notices wait and are sent again.",
	alarm.CheckSounder:    "Look at the sounder's wires, at its section and at what the unit may open; dewline drill sounds it.",
	alarm.CheckCard:       "Check the card: free space, age, mount; alarms go on without it.",
	alarm.SetClock:        "Look at the board's network and its time server; the rules of day and night wait for it.",
	alarm.LookAfterBlind:  "Look at the frogs; then find out why dewline or its power was off.",
	alarm.HoldDrill:       "Run dewline drill and acknowledge it on the phone.",
	alarm.MendConfig:      "Run dewline check, mend the file and reload.",
	alarm.RenewCert:       "Renew it; then restart dewline unless it is the page's or dewline's own, which are read again by themselves.",
	alarm.GrantTopics:     "Let dewline's user read these topics in the broker's access list; dewline asks again by itself.",
	alarm.PutSecret:       "Put the secret into its file, readable by root only, and restart dewline.",
	alarm.RestartDewline:  "Restart dewline (systemctl restart dewline), or take the change back and reload.",
	alarm.LookAtSentinel:  "Look at the sentinel's machine and its network. If you gave it up, empty the topic dewline/<room>/watched.",
	alarm.RenameRoom:      "Give each board a room id of its own, or switch the other board off.",
	alarm.LookAtRoom:      "Go and look: power, board and network of that room.",
	alarm.LookAtEnclosure: "Look at the enclosure.",
}

// water is what frogs bear: chlorine and cold harm.
const water = "dechlorinated or RO water at room temperature"

// box says how warm a box is to be: colder than that harms too.
func box(s unit.Scale) string {
	return "thermometer inside, " + unit.Temperature(20).Number(s, 0) + "–" + unit.Temperature(22).Text(s, 0) +
		", never under " + unit.Temperature(18).Text(s, 0)
}

func step(id alarm.Step, d *alarm.Detail, s unit.Scale) string {
	text := steps[id]
	if !strings.ContainsRune(text, '{') {
		return text
	}
	air := alarm.Air{}
	if d.Air != nil {
		air = *d.Air
	}
	return strings.NewReplacer("{box}", box(s), "{water}", water, "{wet}", wetBulb(air.Room, s), "{outside}", wetBulb(air.Outside, s)).Replace(text)
}

func wetBulb(celsius *float64, s unit.Scale) string {
	if celsius == nil { // of an older record
		return "not known"
	}
	return unit.Temperature(*celsius).Text(s, 1)
}

// blown says in a few words whether air is to be let in.
var blown = map[climate.Blow]string{
	climate.BlowVent:    "vents open, fan, wet every ten minutes",
	climate.BlowEither:  "vents and wet, or shut: go by the thermometer inside",
	climate.BlowShut:    "keep shut, move the animals, cool the room",
	climate.BlowUnknown: "not known: the humidity of the air is not",
}

// Blown says what to do with air that could be blown in.
func Blown(b climate.Blow) string { return blown[b] }

// FirstAction writes what to do first as one text: several steps are numbered.
func FirstAction(d *alarm.Detail, s unit.Scale) string {
	if d.FirstAction != "" {
		return d.FirstAction
	}
	if len(d.Steps) == 1 {
		return step(d.Steps[0], d, s)
	}
	var b strings.Builder
	for i, id := range d.Steps {
		if i > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%d %s", i+1, step(id, d, s))
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
	text := step(d.Steps[0], d, s)
	for _, id := range d.Steps[1:] {
		longer := text + " " + step(id, d, s)
		if len([]rune(longer)) > shortMessage {
			break
		}
		text = longer
	}
	return text
}
