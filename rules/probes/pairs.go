package probes

import (
	"math"
	"slices"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// How far two probes of one enclosure may differ. Common practice, no source,
// is that ±0.2 °C makes a good pair; ten times that cannot be the place, unless
// one hangs under the lid, where it is 2 to 4 °C warmer by day. Once it is known
// how both usually stand to the room at this hour, less will do.
const (
	apartSame  = 200 // hundredths of °C, in one kind of place
	apartOther = 600 // in two
	apartUsual = 150 // beside what is usual for both
	apartBoth  = 40  // that both are away on one side, to be heat or cold
	apartBack  = 50  // deadband
)

// oddOf is the one further from its own usual place, or from the room; one that
// was blamed stays so. Whoever stands still is not asked where the other went.
func oddOf(p, q probe, offP, offQ float64, now time.Duration) probe {
	odd := math.Abs(offQ) >= math.Abs(offP)
	if still := q.standing(now); still != p.standing(now) {
		odd = still
	}
	if q.Apart() || !p.Apart() && odd {
		return q
	}
	return p
}

// placesOf returns how far two probes are from the room, or from their usual
// places where those are known, in hundredths of °C, and how far they may part.
func placesOf(p, q probe, ref int32, hour float64, known bool) (offP, offQ float64, limit int32) {
	offP, offQ = float64(int32(p.St.Temp)-ref), float64(int32(q.St.Temp)-ref)
	limit = apartOther
	if p.Cfg.Place == q.Cfg.Place {
		limit = apartSame
	}
	if known {
		usualP, okP := p.Own.At(hour)
		usualQ, okQ := q.Own.At(hour)
		if okP && okQ {
			return offP - usualP*100, offQ - usualQ*100, apartUsual
		}
	}
	return offP, offQ, limit
}

// beyondShared is what is left of a difference after what others show as well.
func beyondShared(diff, shared float64) int32 {
	if diff*shared <= 0 {
		return int32(math.Abs(diff))
	}
	return int32(max(0, math.Abs(diff)-math.Abs(shared)))
}

// How many others show that a shift is not the one's own, and how many are
// asked at most: in a large room all pairs may part at once.
const (
	sharedLeast = 2
	sharedMates = 9
	sharedMost  = 99
)

// pairs is one look for probes of one enclosure that disagree.
type pairs struct{ look }

// judgePair looks for two probes of one enclosure that do not agree.
// ref is what their usual places are told against, and known whether there are
// such places now.
func (l pairs) judgePair(en *room.Enclosure, ref int32, hour float64, known bool, now sensors.Instant) {
	for a := range en.Probes {
		p := l.at(en.Probes[a])
		if !p.Usable(&l.v.Cfg.Rules, now.Mono) {
			continue
		}
		for b := a + 1; b < len(en.Probes); b++ {
			if q := l.at(en.Probes[b]); q.Usable(&l.v.Cfg.Rules, now.Mono) {
				l.compare(p, q, ref, hour, known, now)
			}
		}
		if known && !p.Apart() && p.St.Swap.With == "" {
			p.Own.Observe(hour, float64(int32(p.St.Temp)-ref)/100)
		}
	}
}

// compare judges one pair.
func (l pairs) compare(p, q probe, ref int32, hour float64, known bool, now sensors.Instant) {
	if p.St.Swap.With != "" || q.St.Swap.With != "" {
		return // told as such
	}
	offP, offQ, limit := placesOf(p, q, ref, hour, known)
	apart := int32(math.Abs(offP - offQ))
	in := alarm.High(apart, limit, apartBack)
	if in != alarm.Back && limit == apartUsual && p.Cfg.Place != q.Cfg.Place {
		apart = beyondShared(offP-offQ, l.sharedShift(p, q, ref, hour, now.Mono))
		in = alarm.High(apart, limit, apartBack)
	}
	if in == alarm.Beyond && offP*offQ > 0 && min(math.Abs(offP), math.Abs(offQ)) >= apartBoth && limit == apartUsual {
		in = alarm.Between // both are away on the same side: that is heat or cold
	}
	s := oddOf(p, q, offP, offQ, now.Mono).Alarm(alarm.KindDisagrees)
	if in == alarm.Back && s.Rec.Life.Seen == alarm.Missing {
		return
	}
	s.Against(float64(apart)/100, float64(limit)/100)
	l.out.Apply(s, in, 3*room.SlowEvery)
}

// sharedShift is by how much the probes in the same two places of the other
// enclosures have parted from what is usual, in hundredths of °C: without its
// lamps the air under every lid is no warmer than the litter. Those on the same
// lamps count before all.
func (l pairs) sharedShift(p, q probe, ref int32, hour float64, now time.Duration) float64 {
	lamps := l.v.Enclosures[p.Encl].Lamps
	mates, all := l.v.Floats[:0], l.v.Floats[2*len(l.v.Enclosures):2*len(l.v.Enclosures)]
	for k := 1; k < len(l.v.Enclosures) && len(mates) < sharedMates && len(all) < sharedMost; k++ {
		en := &l.v.Enclosures[(p.Encl+k)%len(l.v.Enclosures)] // neighbours tend to share lamps
		d, ok := l.parted(en, p.Cfg.Place, q.Cfg.Place, ref, hour, now)
		if !ok {
			continue
		}
		all = append(all, d)
		if lamps >= 0 && en.Lamps == lamps {
			mates = append(mates, d)
		}
	}
	for _, list := range [...][]float64{mates, all} {
		if len(list) >= sharedLeast {
			slices.Sort(list)
			return list[len(list)/2]
		}
	}
	return 0
}

// parted is by how much the probes in two places of an enclosure have parted.
func (l pairs) parted(en *room.Enclosure, a, b configs.Place, ref int32, hour float64, now time.Duration) (float64, bool) {
	var at [2]probe
	for _, i := range en.Probes {
		p := l.at(i)
		if !p.Usable(&l.v.Cfg.Rules, now) {
			continue
		}
		switch p.Cfg.Place {
		case a:
			at[0] = p
		case b:
			at[1] = p
		}
	}
	if at[0].Probe == nil || at[1].Probe == nil {
		return 0, false
	}
	offA, offB, limit := placesOf(at[0], at[1], ref, hour, true)
	return offA - offB, limit == apartUsual
}
