package probes

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// For how long nothing may be seen before silence is as urgent as heat.
const (
	blindAhead = 3 * time.Minute  // of a warm enclosure whose lethal limit was expected within blindWithin
	blindRise  = 10 * time.Minute // of one that was rising so, and not warm yet
	blindRoom  = 10 * time.Minute // of all enclosures
	// blindWithin is how near the lethal limit was when it was last seen.
	blindWithin = 2 * time.Hour
)

// judgeBlind makes the silence of an enclosure's probes a reason to wake somebody:
// where the last that was seen pointed at the lethal limit, and where nothing of
// the whole room is seen.
func (l look) judgeBlind(now sensors.Instant) {
	dark, lit := now.Mono, false // all enclosures are since
	for i := range l.v.Enclosures {
		en := &l.v.Enclosures[i]
		since, lost, seen := l.lostSince(en, now.Mono)
		if lit = lit || seen; !lost {
			continue
		}
		dark = min(dark, now.Mono-since)
		if limit := blindLimit(en, since); limit > 0 && now.Mono-since >= limit {
			l.wakeBlind(en, now.Mono)
		}
	}
	if lit || dark < blindRoom {
		return
	}
	for i := range l.v.Enclosures {
		if _, lost, _ := l.lostSince(&l.v.Enclosures[i], now.Mono); lost {
			l.wakeBlind(&l.v.Enclosures[i], now.Mono)
		}
	}
}

// lostSince returns when the last of an enclosure's probes was heard, where all are
// lost, and whether one is still heard. Where it has none in service, and where nobody
// lives, nothing is lost nor seen.
func (l look) lostSince(en *room.Enclosure, now time.Duration) (since time.Duration, lost, seen bool) {
	if en.Empty() {
		return 0, false, false
	}
	for _, i := range en.Probes {
		p := &l.v.Probes[i]
		switch {
		case p.Out || !p.Cfg.Measures.Temperature:
			continue
		case !l.late(p, now):
			return 0, false, true
		}
		since, lost = max(since, p.HeardAt()+p.St.Unseen), true
	}
	return since, lost, false
}

// blindLimit is how long an enclosure may be lost that was last heard at since;
// 0 where it was going nowhere.
func blindLimit(en *room.Enclosure, since time.Duration) time.Duration {
	if en.Alarms[alarm.KindLethal].Rec.Life.Active {
		return 0 // that rings
	}
	if a := &en.St.Ahead; a.ToLethal.Known && a.At+3*room.SlowEvery >= since && a.ToLethal.Mid < blindWithin {
		return blindAhead
	}
	slope, ok := en.St.Trend.Slope()
	if !ok || !slope.Rises(room.Climbs) || float64(en.Limits.Lethal-en.Now.Hot)/100 >= slope.PerHour*blindWithin.Hours() {
		return 0
	}
	if en.Now.Hot < en.Limits.Warn { // a lamp that goes on in the morning looks so
		return blindRise
	}
	return blindAhead
}

// wakeBlind wakes for probes that are lost, those included whose silence is not told yet.
func (l look) wakeBlind(en *room.Enclosure, now time.Duration) {
	for _, i := range en.Probes {
		p := l.at(i)
		if p.Out || !l.late(p.Probe, now) {
			continue
		}
		if s := p.Alarm(alarm.KindSilent); !s.Rec.Life.Active || s.Rec.Life.Seen != alarm.Beyond {
			l.silent(p, now-p.HeardAt()-p.St.Unseen, p.SilentAfter(&l.v.Cfg.Rules), now)
		}
		l.out.Raise(p.Alarm(alarm.KindSilent), alarm.Wake)
	}
}
