// Package advice says what to do first about an alarm, as things stand. It is the
// only place that says which step; alert/words says how.
package advice

import (
	"slices"

	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
)

// A situation is what an advice depends on beside the alarm and its cause. The
// zero value knows nothing.
type situation struct {
	known              bool             // there is a trustworthy temperature, or heat that is believed without
	hot                unit.Temperature // at the hottest place
	cold               bool             // at or below the limit to act on at the cold side
	act, ceiling       unit.Temperature
	night              bool         // the lamps are off by schedule
	falling, rising    bool         // by more than noise
	back               bool         // on the right side of the alarm's limit again
	doubt              bool         // a probe of the enclosure takes no part, or is doubted
	lampsOn, lampsStep bool         // what a lamp that did not switch should be, where known
	cups               bool         // eggs or tadpoles live there, not frogs
	air, outside       climate.Blow // what the room's and the outside air would do, blown in
}

// steps are what to do first, in the trade's order of action. It is the only
// place that says which; alert/words says how.
func steps(k alarm.Kind, c alarm.Cause, s situation) []alarm.Step {
	switch k {
	case alarm.KindLethal, alarm.KindAhead, alarm.KindExposure, alarm.KindAbove:
		return heatSteps(c, s)
	case alarm.KindBelow:
		return coldSteps(c, s)
	case alarm.KindFloor, alarm.KindMistMissing, alarm.KindMistWeak, alarm.KindContactReservoir:
		return drySteps(k, c, s)
	case alarm.KindLampStuck:
		if c.Kind == alarm.CausePower {
			return []alarm.Step{alarm.CheckPower}
		}
		return []alarm.Step{lampStep(s)}
	case alarm.KindFrozen, alarm.KindJump, alarm.KindDisagrees:
		return []alarm.Step{alarm.Look, alarm.SwapKeepOn}
	}
	if step, ok := always[k]; ok {
		return []alarm.Step{step}
	}
	return []alarm.Step{alarm.LookAtEnclosure}
}

// always are the steps that no situation changes. What a probe does not tell
// nobody knows: it says look first.
var always = map[alarm.Kind]alarm.Step{
	alarm.KindNightDrop: alarm.CoolNights, alarm.KindMistEndless: alarm.StopPump, alarm.KindDryDown: alarm.LookVents,
	alarm.KindDoorAjar: alarm.DoorSearch,
	alarm.KindSilent:   alarm.LookPlug, alarm.KindLossy: alarm.LookPlug, alarm.KindWet: alarm.DryProbe, alarm.KindNodeClock: alarm.SetNodeClock, alarm.KindOverdue: alarm.Calibrate,
	alarm.KindContactMains: alarm.MainsAway, alarm.KindContactPump: alarm.StopPump, alarm.KindContactDoor: alarm.DoorSearch,
	alarm.KindContactBattery: alarm.ChangeBattery, alarm.KindContactSilent: alarm.LookContact,
	alarm.KindDelivery: alarm.CheckDelivery, alarm.KindRecord: alarm.CheckCard, alarm.KindClock: alarm.SetClock,
	alarm.KindBlind: alarm.LookAfterBlind, alarm.KindDrill: alarm.HoldDrill, alarm.KindConfig: alarm.MendConfig,
	alarm.KindCertificate: alarm.RenewCert, alarm.KindDuplicate: alarm.RenameRoom, alarm.KindSentinel: alarm.LookAtSentinel, alarm.KindRoomSilent: alarm.LookAtRoom,
}

// heatSteps goes by how hot it is now, not by which alarm is open: one that is
// held until somebody answers is read at night and when all is cool again.
// Steps that harm where it is not hot (ice, moving animals) and a vet belong to
// the limit to act on, and where it is night or cooling to the lethal limit.
func heatSteps(c alarm.Cause, s situation) []alarm.Step {
	lethal := s.known && s.hot >= s.ceiling
	switch {
	case c.Kind == alarm.CauseProbe && lethal:
		return []alarm.Step{alarm.Look, alarm.IfReallyHot, alarm.KeepOnThenSwap}
	case c.Kind == alarm.CauseProbe:
		return []alarm.Step{alarm.Look, alarm.SwapKeepOn}
	case !s.known:
		return []alarm.Step{alarm.Look, alarm.IfHotKeepOn}
	case lethal:
		return s.lookFirst(s.emergency(c, true)...)
	default:
		return s.warmSteps(c)
	}
}

// warmSteps is for what is known and below the lethal limit.
func (s situation) warmSteps(c alarm.Cause) []alarm.Step {
	switch {
	case s.falling && s.hot >= s.act:
		return s.lookFirst(alarm.Cooling)
	case s.falling || s.back:
		return s.lookFirst(alarm.ComingBack)
	case s.night && shared(c):
		return s.lookFirst(append([]alarm.Step{alarm.NightRoom}, s.blow(alarm.CoolerOutside)...)...)
	case s.night:
		return s.lookFirst(byCause(c, alarm.WarmLamps, alarm.NightDoor, alarm.NightAlone))
	case s.hot >= s.act:
		return s.lookFirst(s.emergency(c, false)...)
	case shared(c):
		return s.lookFirst(append([]alarm.Step{alarm.WarmRoom}, s.blow("")...)...)
	default:
		return s.lookFirst(byCause(c, alarm.WarmLamps, alarm.WarmDoor, alarm.WarmAlone))
	}
}

func shared(c alarm.Cause) bool { return c.Kind == alarm.CauseRoom || c.Kind == alarm.CauseShelf }

// blow says whether to let air in, by what is known of it. What is known of the
// air outside replaces guess.
func (s situation) blow(guess alarm.Step) []alarm.Step {
	list := []alarm.Step{alarm.VentNoFog}
	switch s.air {
	case climate.BlowVent:
		list[0] = alarm.VentWet
	case climate.BlowEither:
		list[0] = alarm.VentOrShut
	case climate.BlowShut:
		list[0] = alarm.KeepShut
	}
	switch {
	case s.outside == climate.BlowVent:
		list = append(list, alarm.OpenWindows)
	case s.outside == climate.BlowShut:
		list = append(list, alarm.ShutWindows)
	case guess != "":
		list = append(list, guess)
	}
	return list
}

// lookFirst puts a look before steps that a doubted probe may have caused.
func (s situation) lookFirst(steps ...alarm.Step) []alarm.Step {
	if !s.doubt {
		return steps
	}
	return append([]alarm.Step{alarm.Look}, steps...)
}

func byCause(c alarm.Cause, lamps, door, alone alarm.Step) alarm.Step {
	switch c.Kind {
	case alarm.CauseLamps:
		return lamps
	case alarm.CauseDoor:
		return door
	default:
		return alone
	}
}

// emergency is for the limit to act on, and for the lethal limit.
func (s situation) emergency(c alarm.Cause, lethal bool) []alarm.Step {
	switch c.Kind {
	case alarm.CauseRoom, alarm.CauseShelf:
		moving := alarm.MoveIfRising
		if lethal || s.air == climate.BlowShut { // nothing else cools them
			moving = alarm.MoveFirst
		}
		return slices.Concat([]alarm.Step{alarm.AllLampsOff}, s.blow(""), []alarm.Step{alarm.BlindsIce, moving, alarm.CallHelper, alarm.CallVet})
	case alarm.CauseLamps:
		return []alarm.Step{alarm.LampsByHand, s.blow("")[0], alarm.CallVet}
	case alarm.CauseDoor:
		return []alarm.Step{alarm.CloseDoor, alarm.IfRoomWarmer, alarm.CallVet}
	}
	moving := map[[2]bool]alarm.Step{
		{false, true}: alarm.BoxFrogs, {true, true}: alarm.BoxCups, {false, false}: alarm.BoxFrogsRising, {true, false}: alarm.BoxCupsRising,
	}[[2]bool{s.cups, lethal}]
	return []alarm.Step{alarm.PullPlugs, moving, alarm.CallVet}
}

// coldSteps keeps warm bottles for the limit to act on. What makes it cold comes first at
// any temperature: a window or a heater is mended sooner than bottles are warm.
func coldSteps(c alarm.Cause, s situation) []alarm.Step {
	switch {
	case c.Kind == alarm.CauseProbe:
		return []alarm.Step{alarm.Look, alarm.SwapKeepOn}
	case !s.known:
		return []alarm.Step{alarm.Look, alarm.CheckHeating}
	case !s.cold && (s.rising || s.back):
		return s.lookFirst(alarm.Warming)
	}
	list := []alarm.Step{alarm.DoorsClosed}
	if c.Kind == alarm.CausePower {
		list[0] = alarm.CheckPower
	}
	if s.cold {
		list = append(list, alarm.CoverRack, alarm.WarmBottles, alarm.FrogletsFirst, alarm.GeneratorOut)
	}
	return s.lookFirst(list...)
}

// drySteps is about water that is missing: a doubted probe first says look.
func drySteps(k alarm.Kind, c alarm.Cause, s situation) []alarm.Step {
	step := alarm.MistFloor
	list := make([]alarm.Step, 0, 3)
	if s.doubt {
		list = append(list, alarm.LookWet)
	}
	switch {
	case c.Kind == alarm.CauseProbe:
		return []alarm.Step{alarm.LookWet, alarm.IfDrySwap}
	case c.Kind == alarm.CausePower:
		list = append(list, alarm.CheckPower)
	case c.Kind == alarm.CauseSupply:
		step = alarm.RefillSupply
	case c.Kind == alarm.CauseDoor:
		step = alarm.CloseDoorMist
	case k != alarm.KindFloor:
		step = alarm.MistNozzle
	}
	return append(list, step)
}

// lampStep switches no lamp on where it is hot.
func lampStep(s situation) alarm.Step {
	switch {
	case s.lampsStep && !s.lampsOn:
		return alarm.LampsByHand
	case s.lampsStep && s.known && s.hot >= s.act:
		return alarm.LampsLeaveOff
	default:
		return alarm.LampsSwitch
	}
}

// Of are the first steps about an alarm of the room, by the air around it; nil
// for nothing known of that.
func Of(v *room.View, a *room.Alarm, air *alarm.Air) []alarm.Step {
	return steps(a.Kind, a.Rec.Cause, situationOf(v, a, air))
}

// First are what to do first about an alarm of which nothing else is known.
func First(id alarm.ID, c alarm.Cause) []alarm.Step {
	k, ok := alarm.KindOf(id)
	if !ok {
		return []alarm.Step{alarm.LookAtEnclosure}
	}
	return steps(k, c, situation{})
}

// situationOf looks at the enclosure that the alarm is about, and at the air
// around it.
func situationOf(v *room.View, a *room.Alarm, air *alarm.Air) (s situation) {
	en := v.EnclosureOf(a)
	if en == nil {
		return s
	}
	p, limits, lamps := &en.Now, &en.Limits, v.LampsOf(en)
	s.known, s.hot, s.doubt = p.HasTemp, room.Degrees(p.Hot), p.Doubt
	s.act, s.ceiling, s.cold = room.Degrees(limits.Act), room.Degrees(limits.Lethal), p.HasTemp && p.Main <= limits.Cold
	s.cups = slices.Contains([]configs.Stage{configs.Egg, configs.Tadpole}, en.Cfg.Stage)
	s.night = lamps != nil && !lamps.On
	if slope, ok := en.St.Trend.Slope(); ok {
		s.falling, s.rising = slope.Falls(room.Climbs), slope.Rises(room.Climbs)
	}
	if f := en.St.Lamps.Fault; f != climate.LampsFollow {
		s.lampsOn, s.lampsStep = f.Dark(), true
	}
	s.tell(a)
	if air != nil && s.known {
		s.air, s.outside = climate.BlownIn(air.Room, float64(s.hot)), climate.BlownIn(air.Outside, float64(s.hot))
	}
	return s
}

// tell adds what the alarm itself says: lethal heat is believed that no trustworthy
// probe shows any more.
func (s *situation) tell(a *room.Alarm) {
	r := &a.Rec
	if said := unit.Temperature(r.Value); a.Kind == alarm.KindLethal && r.Life.Seen == alarm.Beyond && (!s.known || s.hot < said) {
		s.known, s.hot = true, said
	}
	if r.HasValue && r.HasLimit {
		s.back = a.Kind == alarm.KindAbove && r.Value < r.Limit || a.Kind == alarm.KindBelow && r.Value > r.Limit
	}
}
