package probes

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

const (
	wetBelow = 9600             // hundredths of a percent: clearly not saturated
	wetAt    = 9900             // as good as saturated
	wetClimb = 90 * time.Second // a climb that takes longer is the air's
	wetRises = 5                // or that comes in so many steps
	wetLeap  = 200              // hundredths of a percent in one reading
	wetSteps = 3                // even ones, to be the air's
	wetRise  = 30               // hundredths of a percent
	wetPolls = 4                // and more readings than these
	wetBack  = 20 * time.Minute // air that a door let out for so long is damp again at once
	wetMist  = 15 * time.Minute // since the mist that brought it began
)

// climb follows a row of readings that each were wetter than the one before.
func climb(w *room.Wet, from, rise sensors.CentiPercent) {
	switch {
	case rise >= wetRise:
		if w.Rises == 0 {
			w.From, w.Most = from, 0
		}
		w.Rises, w.Most = min(w.Rises+1, wetRises), max(w.Most, rise)
	case rise < 0:
		w.Rises = 0
	}
}

// even reports whether the climb came in several steps of which none made half
// of it. An element that a drop falls on makes two thirds of its way within its
// response time of 8 s (SHT3x-DIS data sheet, version 7 of December 2022), so
// that one step leads; fog and mist add about as much in each.
func even(w *room.Wet, top sensors.CentiPercent) bool {
	return w.Rises >= wetSteps && 2*w.Most < top-w.From
}

// led reports whether the last step alone made most of the climb, as it does
// where a drop falls on a probe in air that has been damp for long.
func led(w *room.Wet, top, step sensors.CentiPercent) bool {
	return w.Rises > 0 && top-step >= wetBelow && step >= wetLeap && 2*step > top-w.From
}

// pinnedAt in % is where the judge of package sensors begins to look for a
// probe that is pinned, told as the limit whatever raised the alarm.
const pinnedAt = 99.5

// followWet takes the humidity that the probe measures. What a scheduled mist brings
// comes as fast as a drop, and is the air's.
func (l look) followWet(p probe, r *sensors.Reading) {
	was := p.St.Wet.Since
	p.followWet(r)
	if w := &p.St.Wet; was == 0 && w.Since > 0 && p.Encl >= 0 && r.At.Synced {
		if m := l.v.Enclosures[p.Encl].Mist; m >= 0 {
			began := l.v.Mists[m].Cfg.Next(r.At.Wall.Add(-wetMist), l.v.Loc)
			w.Slow = w.Slow || !began.IsZero() && !began.After(r.At.Wall)
		}
	}
}

func (p probe) followWet(r *sensors.Reading) {
	w := &p.St.Wet
	if r.Has&sensors.HasHumidity == 0 || r.Quality == sensors.Bad {
		return
	}
	if w.Since == 0 && p.St.HasHum && p.St.HumAt >= p.Since {
		climb(w, p.St.Hum, r.Humidity-p.St.Hum)
	}
	switch {
	case r.Humidity < wetBelow:
		if p.St.HasHum && p.St.Hum >= wetBelow {
			w.Left = r.At.Mono
		}
		w.Dry, w.Since, w.Slow = r.At.Mono, 0, false
	case r.Humidity < wetAt:
		w.Since = 0
	case w.Since == 0:
		climb := r.At.Mono - w.Dry
		w.Since = max(r.At.Mono, 1)
		slow := w.Dry == 0 || w.Rises >= wetRises || even(w, r.Humidity) || climb > max(wetClimb, wetPolls*p.St.Interval)
		back := w.Left > 0 && r.At.Mono-w.Left <= wetBack
		w.Slow = back || slow && !led(w, r.Humidity, r.Humidity-p.St.Hum)
	}
}

// judgeWet raises what the probe's judge, or its dew point, says of its
// humidity. It is over when the probe is dry again.
func (l look) judgeWet(p probe, now sensors.Instant) {
	st := &p.St
	s := p.Alarm(alarm.KindWet)
	hum := st.Hum
	if st.HumLost && st.WildHumAt > st.HumAt {
		hum = st.WildHum
	}
	told := st.Reason == sensors.PinnedWet || st.Reason == sensors.DewTooHigh
	wet := st.Dewy || told && l.wetFault(p) || s.Rec.Life.Active && st.Wet.Drop && hum >= wetBelow
	st.Wet.Drop = wet && !st.Dewy
	if wet || s.Open() {
		s.Against(float64(hum)/100, pinnedAt)
		l.out.Hold(s, wet)
	}
}

// wetFault reports whether saturation is the probe's own trouble: it came at once,
// as with a drop, and not to most probes alike, as when a warm room cools. What comes
// step by step is the air, for however long it stays.
func (l look) wetFault(p probe) bool { return !p.St.Wet.Slow && !l.wetTogether(p) }

// airIsWet reports whether a reading that its judge takes for one of a wet probe is
// of wet air.
func (l look) airIsWet(p probe, r *sensors.Reading) bool {
	return r.Reason == sensors.PinnedWet && r.Quality != sensors.Bad && !l.wetFault(p) && !p.St.Dewy && !p.St.Wet.Drop
}

// wetTogether reports whether at least half of the other enclosures' probes, or
// of those on the same mist supply, are saturated too.
func (l look) wetTogether(p probe) bool {
	if p.Encl < 0 {
		return false
	}
	own := l.v.Enclosures[p.Encl].Mist
	var all, wet, mates, wetMates int
	for i := range l.v.Probes {
		q := l.at(i)
		if q.Encl < 0 || q.Encl == p.Encl || !q.St.HasHum {
			continue
		}
		is := q.St.Wet.Since > 0
		all++
		if is {
			wet++
		}
		if m := l.v.Enclosures[q.Encl].Mist; own >= 0 && m >= 0 && l.v.SupplyOf(m) == l.v.SupplyOf(own) {
			mates++
			if is {
				wetMates++
			}
		}
	}
	return wet >= 2 && 2*wet >= all || wetMates >= 2 && 2*wetMates >= mates
}
