package cause

import (
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// Dry says what dries an enclosure out.
func (cs Look) Dry(en *room.Enclosure, now sensors.Instant) (alarm.Cause, []alarm.Fact) {
	if cs.V.DoorOpen(en) {
		return alarm.Cause{Kind: alarm.CauseDoor, ID: en.Cfg.ID}, Facts(alarm.FactDoorOpen)
	}
	if away := cs.V.MainsAway(en); away != nil {
		return alarm.Cause{Kind: alarm.CausePower}, []alarm.Fact{*away}
	}
	if s := &en.Alarms[alarm.KindMistMissing]; s.Rec.Life.Active {
		return s.Rec.Cause, []alarm.Fact{{ID: alarm.FactMissed, Count: en.St.Missed}}
	}
	dry, judged := 0, 0
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		if !o.Now.HasHum || o.Limits.Floor <= 0 || now.Mono-o.St.At.Mono > room.LongestInterval {
			continue
		}
		judged++
		if o.Now.Hum <= o.Limits.Floor {
			dry++
		}
	}
	pic := cs.V.Survey(now)
	if why := cs.roomExplains(en, pic, hotter); why != nil {
		return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{*why, {ID: alarm.FactWarmAir}}
	}
	if why := cs.roomDry(now); why != nil {
		return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{*why}
	}
	if judged >= 3 && 10*dry >= 7*judged {
		return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{{ID: alarm.FactAtFloor, Count: dry, Of: judged}}
	}
	return alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}, nil
}

// CoolsWithRoom reports whether the room cools by more than a night does: air
// that cools saturates by itself.
func (cs Look) CoolsWithRoom(en *room.Enclosure) bool {
	own, ok := en.St.Trend.Slope()
	room, known := cs.V.Air.Trend.Slope()
	if ok && known && own.PerHour < -coolsFast/2 && room.PerHour < -coolsFast/2 || ok && own.PerHour < -coolsFast {
		return true
	}
	was, old := en.St.Thermal.RoomBefore(cs.V.EstAt(cs.V.Latest.Mono), roomSpan)
	t, now := cs.V.RoomTemp(cs.V.Latest.Mono)
	if old && now && was-float64(t)/100 >= roomClimb {
		return true
	}
	usual, hasUsual := cs.V.Air.Usual.At(cs.V.Hour(cs.V.Latest))
	under := usual - float64(t)/100
	return now && hasUsual && (under >= roomOff || known && room.PerHour < -coolsSlow && under > roomMore)
}

// coolsSlow in °C/h is the same for a room that is already colder than usual.
const coolsSlow = 0.4

// coolsFast in °C/h is faster than an enclosure under a mist cools for long.
const coolsFast = 1.5

// NoMist says why a mist fails everywhere: the power, where all enclosures are cooler
// than usual beside the room while their lamps should be on, or where the room is colder
// than usual and no lamp is seen to burn: its heating and the pump are two at once; the room,
// where some are; or else the supply.
func (cs Look) NoMist(en *room.Enclosure, now sensors.Instant) alarm.Cause {
	pic := cs.V.Survey(now)
	cold := pic.Room.HasUsual && cs.roomExplains(en, pic, colder) != nil
	switch {
	case cs.powerGone(now), cold && cs.roomOrPower(en, pic, now) != nil:
		return alarm.Cause{Kind: alarm.CausePower}
	case cold:
		return alarm.Cause{Kind: alarm.CauseRoom}
	}
	return alarm.Cause{Kind: alarm.CauseSupply, ID: cs.V.SupplyOf(en.Mist)}
}
