package probes

import (
	"math"
	"time"

	"dewline/sensors"
)

// Two probes that hang in each other's places stand away from their own usual
// ones to opposite sides, and in the other's: no single fault of the air does
// that. Exchanged while both showed about the same, they part hours later.
const (
	placesAway = 0.7 // °C from the own usual place
	placesNear = 0.4 // °C from the other's
	placesFor  = 30 * time.Minute
	placesMost = 4   // more probes away than that have something in common
	placesRoom = 1.0 // °C of the room from its usual: places are those of a usual room
)

// inPlaceOf reports whether each of two probes is where the other usually is.
func inPlaceOf(p, q probe, ref int32, hour float64) bool {
	devP, usualP, _ := p.deviation(ref, hour)
	devQ, usualQ, _ := q.deviation(ref, hour)
	apart := usualQ - usualP
	return devP*devQ < 0 && math.Abs(devP-apart) < placesNear && math.Abs(devQ+apart) < placesNear
}

// deviation is how far a probe is from its own usual place against the room,
// °C; false where that is not known.
func (p probe) deviation(ref int32, hour float64) (dev, usual float64, ok bool) {
	usual, ok = p.Own.At(hour)
	return float64(int32(p.St.Temp)-ref)/100 - usual, usual, ok
}

// watchPlaces looks for two probes that changed places unnoticed, once a
// minute.
func (l swaps) watchPlaces(now sensors.Instant) {
	for i := range l.v.Probes {
		l.settleMaybe(l.at(i), now)
	}
	hour := l.v.Hour(now)
	ref, ok := l.v.RoomTemp(now.Mono)
	if hour < 0 || !ok {
		return
	}
	room := l.v.RoomCase(now)
	unusual := room.HasUsual && math.Abs(room.Temp-room.Usual) >= placesRoom
	var away [placesMost]probe
	n := 0
	for i := range l.v.Probes {
		p := l.at(i)
		if unusual || !l.away(p, ref, hour, now.Mono) {
			p.AwaySince = 0
			continue
		}
		if p.AwaySince == 0 {
			p.AwaySince = now.Mono
		}
		if n == placesMost {
			return
		}
		away[n] = p
		n++
	}
	for i := range n {
		for j := range i {
			p, q := away[i], away[j]
			if long := now.Mono-max(p.AwaySince, q.AwaySince) >= placesFor; long && inPlaceOf(p, q, ref, hour) {
				l.swapped(p, q, now.Mono)
				p.St.Swap.Late, q.St.Swap.Late = true, true
				l.judgeSwap(p)
				l.judgeSwap(q)
				return
			}
		}
	}
}

// away reports whether a probe that no exchange was told of stands away from
// its usual place.
func (l swaps) away(p probe, ref int32, hour float64, now time.Duration) bool {
	dev, _, known := p.deviation(ref, hour)
	return p.Encl >= 0 && known && math.Abs(dev) >= placesAway && p.St.Swap.With == "" && p.Usable(&l.v.Cfg.Rules, now)
}
