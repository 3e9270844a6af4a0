package rules

import (
	"math"
	"slices"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// judgeSilent raises when a probe has delivered nothing usable for too long.
// A failed reading is as silent as none, and so is one that lacks the humidity
// which the probe is there to tell.
func (l probesLook) judgeSilent(p probe, now sensors.Instant) {
	limit := p.SilentAfter(&l.v.Cfg.Rules)
	s := p.Alarm(alarm.KindSilent)
	age := max(now.Mono-p.HeardAt()-p.St.Unseen, p.humidityGone(s.Open()))
	if age <= limit && !s.Open() {
		return
	}
	s.Against(age.Seconds(), limit.Seconds())
	l.out.Hold(s, age > limit)
}

// humidityGone is for how long a probe that speaks has told no humidity, and no
// other alarm says why. told is whether that is known: then what the probe
// keeps to itself for a while, such as in a heater pulse, changes nothing.
func (p probe) humidityGone(told bool) time.Duration {
	st := &p.St
	known := st.Quality != sensors.Bad && (st.Reason == sensors.NoReason || st.Reason == sensors.OutOfRange)
	switch {
	case !p.Cfg.MeasuresHumidity(), !known && !told:
		return 0
	case st.HasHum && p.Alarm(alarm.KindSilent).Rec.Life.Active:
		return st.Heard.Mono - st.HumAt
	case st.HasHum:
		return st.Heard.Mono - max(st.HumAt, p.Since)
	case known && st.Reason == sensors.OutOfRange: // broken from the start
		return st.Heard.Mono - st.Began.Mono
	}
	return 0
}

// judgeReason raises what the probe's own judge found.
func (l probesLook) judgeReason(p probe, now sensors.Instant) {
	st := &p.St
	if st.Quality == sensors.Bad {
		return
	}
	l.judgeNodeClock(p, now)
	if st.Reason == sensors.NoReason && !st.Frozen && !st.Alone && !st.Dewy && st.Jumps == 0 && p.Open == 0 {
		return
	}
	l.judgeWet(p, now)
	if s, frozen := p.Alarm(alarm.KindFrozen), st.Frozen || st.Reason == sensors.FrozenValue; frozen || s.Open() {
		s.Against((now.Mono - st.StillAt).Minutes(), l.v.Cfg.Rules.FrozenAfter.D().Minutes())
		l.out.Hold(s, frozen)
	}
	l.judgeJump(p, now)
}

// judgeNodeClock raises when a wireless node goes on stamping its values with
// times that cannot be right.
func (l probesLook) judgeNodeClock(p probe, now sensors.Instant) {
	s, in := p.Alarm(alarm.KindNodeClock), alarm.Back
	if p.St.Reason == sensors.WrongClock {
		in = alarm.Beyond
	}
	if in == alarm.Beyond || s.Open() || s.Rec.Life.Seen == alarm.Beyond {
		l.out.Apply(s, in, p.Gap())
	}
}

// manyJumps is how many jumps, of which one is forgotten every ten minutes,
// make a probe a jumping one. A single jump may be a hand.
const manyJumps = 3

func (l probesLook) judgeJump(p probe, now sensors.Instant) {
	st := &p.St
	if st.Jumps > 0 && now.Mono-st.JumpAt >= 10*time.Minute {
		st.Jumps--
		st.JumpAt = now.Mono
	}
	alone := st.Alone && st.HotRun >= 2
	s := p.Alarm(alarm.KindJump)
	jumping := alone || st.Jumps >= manyJumps
	if !jumping && !s.Open() {
		return
	}
	if st.Alone {
		s.Against(p.LastHot.Celsius(), float64(Implausible)/100)
	} else if jumping {
		s.Rec.HasLimit = false
		s.Rec.Value, s.Rec.HasValue = st.Doubt.Celsius(), true
	}
	in := alarm.Back
	switch {
	case jumping:
		in = alarm.Beyond
	case st.Jumps > 0:
		in = alarm.Between
	}
	l.out.Apply(s, in, p.Gap())
}

// still follows for how long a probe has said exactly the same.
func (l probesLook) still(p probe, r *sensors.Reading) {
	if r.Quality == sensors.Bad {
		return
	}
	st := &p.St
	unseen := r.At.Mono-st.Heard.Mono > p.SilentAfter(&l.v.Cfg.Rules)
	same := sensors.Sample{Has: r.Has, Temperature: r.Temperature, Humidity: r.Humidity}
	if same == st.Still && st.Readings > 0 && (st.Frozen || !unseen) {
		return // after a silence of its own nobody knows that it stood still
	}
	st.Still, st.StillAt = same, r.At.Mono
	st.HasPeers, st.Frozen = false, false
}

// judgeFrozen compares probes that do not move with what the others do. A
// steady value is no fault while everything else is steady too.
func (l probesLook) judgeFrozen(now sensors.Instant) {
	after := l.v.Cfg.Rules.FrozenAfter.D()
	middle, ok := l.v.Middle(now.Mono)
	if !ok || after <= 0 {
		return
	}
	for i := range l.v.Probes {
		p := l.at(i)
		st := &p.St
		if st.Readings == 0 || !p.Fresh(&l.v.Cfg.Rules, now.Mono, st.Heard.Mono) {
			continue
		}
		if !st.HasPeers {
			st.HasPeers, st.PeerLow, st.PeerHigh = true, middle, middle
		}
		st.PeerLow, st.PeerHigh = min(st.PeerLow, middle), max(st.PeerHigh, middle)
		moved := st.PeerHigh - st.PeerLow
		if st.Frozen || st.Still.Has&sensors.HasTemperature == 0 || moved < room.PeersMoved || now.Mono-st.StillAt < after {
			continue
		}
		st.Frozen = true
		if p.Encl >= 0 {
			l.v.Combine(&l.v.Enclosures[p.Encl], now.Mono)
		}
		l.judgeReason(p, now)
	}
}

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

// judgePair looks for two probes of one enclosure that do not agree.
// ref is what their usual places are told against, and known whether there are
// such places now.
func (l probesLook) judgePair(en *room.Enclosure, ref int32, hour float64, known bool, now sensors.Instant) {
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
func (l probesLook) compare(p, q probe, ref int32, hour float64, known bool, now sensors.Instant) {
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
	s := oddOf(p, q, offP, offQ).Alarm(alarm.KindDisagrees)
	if in == alarm.Back && s.Rec.Life.Seen == alarm.Missing {
		return
	}
	s.Against(float64(apart)/100, float64(limit)/100)
	l.out.Apply(s, in, 3*room.SlowEvery)
}

// oddOf is the one further from its own usual place, or from the room; one that
// was blamed stays so.
func oddOf(p, q probe, offP, offQ float64) probe {
	if q.Apart() || !p.Apart() && math.Abs(offQ) >= math.Abs(offP) {
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

// sharedShift is by how much the probes in the same two places of the other
// enclosures have parted from what is usual, in hundredths of °C: without its
// lamps the air under every lid is no warmer than the litter. Those on the same
// lamps count before all.
func (l probesLook) sharedShift(p, q probe, ref int32, hour float64, now time.Duration) float64 {
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

// How many others show that a shift is not the one's own, and how many are
// asked at most: in a large room all pairs may part at once.
const (
	sharedLeast = 2
	sharedMates = 9
	sharedMost  = 99
)

// parted is by how much the probes in two places of an enclosure have parted.
func (l probesLook) parted(en *room.Enclosure, a, b configs.Place, ref int32, hour float64, now time.Duration) (float64, bool) {
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

// judgeOverdue notes calibrations that are due. The time counts from the last
// one, or from when the probe was first seen; without a clock nothing is due.
func (l probesLook) judgeOverdue(p probe, now sensors.Instant) {
	if !now.Synced || p.St.Seen.IsZero() {
		return
	}
	t, ok := l.v.HumidityDue(p.Probe)
	p.dueHum = ok && !now.Wall.Before(t)
	t, ok = l.v.TemperatureDue(p.Probe)
	p.dueTemp = ok && !now.Wall.Before(t)
	due := p.dueHum || p.dueTemp || p.drifted()
	if s := p.Alarm(alarm.KindOverdue); due || s.Open() {
		l.out.Hold(s, due)
	}
}
