package probes

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// What tells a drop on the element from air that grew wet. Where no source stands beside
// a figure it is this project's own, tuned on rooms that are in no half of rules/corpus.
const (
	wetBelow  = 9600             // hundredths of a percent: clearly not saturated
	wetAt     = 9900             // as good as saturated
	wetClimb  = 90 * time.Second // a climb that takes longer is the air's
	wetRises  = 5                // or that comes in so many steps
	wetSteps  = 3                // so many where they take longer than wetClimb
	wetLeap   = 200              // hundredths of a percent in one reading, at least
	wetGrains = 3.5              // and so many grains of the probe: noise makes no drop
	wetSlow   = 800              // of one that speaks more rarely than wetClimb
	wetRise   = 30               // hundredths of a percent
	wetPolls  = 4                // without a reading: nobody saw how it came
	wetBack   = 20 * time.Minute // air that a door let out for so long is damp again at once
	wetMist   = 15 * time.Minute // since the mist that brought it began
	wetHabit  = 3                // times that it came so at once and dried: it is sprayed there
	wetForget = 48 * time.Hour   // for one of them
	wetDries  = 20 * time.Hour   // a night and a morning: then it is wet
)

// climb follows a row of readings that each were wetter than the one before. What the
// probe said of late counts too: a single low reading is none to rise from.
func (p probe) climb(to sensors.CentiPercent) {
	w, from := &p.St.Wet, p.St.Hum
	if p.Level.HasHum {
		from = max(from, sensors.CentiPercent(p.Level.Hum))
	}
	switch rise := to - p.St.Hum; {
	case rise >= wetRise:
		if w.Rises == 0 {
			w.From, w.Most, w.Least = from, 0, p.leastLeap()
		}
		w.Rises, w.Most = min(w.Rises+1, wetRises), max(w.Most, to-from)
	case rise < 0:
		w.Rises = 0
	}
}

// leastLeap is the least that a drop makes in one reading.
func (p probe) leastLeap() sensors.CentiPercent {
	least := sensors.CentiPercent(wetLeap)
	if p.St.Interval > wetClimb {
		least = wetSlow
	}
	return max(least, sensors.CentiPercent(wetGrains*p.Grain.Hum))
}

// atOnce reports whether the climb came as with a drop: one step made most of it. An
// element that a drop falls on makes two thirds of its way within its response time of
// 8 s (SHT3x-DIS data sheet, version 7 of December 2022); fog and mist add about as much
// in each reading, and noise leads nowhere.
func (p probe) atOnce(top sensors.CentiPercent, now time.Duration) bool {
	w := &p.St.Wet
	long := w.Rises >= wetSteps && time.Duration(w.Rises)*p.St.Interval > wetClimb
	return w.Rises > 0 && w.Rises < wetRises && !long && w.Most >= w.Least && 2*w.Most > top-w.From &&
		now-p.St.HumAt <= max(wetClimb, wetPolls*p.St.Interval)
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
			if !began.IsZero() && !began.After(r.At.Wall) {
				w.Slow, w.Fast = true, false
			}
		}
	}
}

func (p probe) followWet(r *sensors.Reading) {
	w := &p.St.Wet
	if r.Has&sensors.HasHumidity == 0 || r.Quality == sensors.Bad {
		return
	}
	if p.St.HasHum && p.St.HumAt >= p.Since {
		p.climb(r.Humidity)
	}
	switch {
	case r.Humidity < wetBelow:
		if p.St.HasHum && p.St.Hum >= wetBelow {
			w.Left = r.At.Mono
			dried(w, r.At.Mono)
		}
		w.Since, w.Slow, w.Fast = 0, false, false
	case r.Humidity < wetAt:
		w.Since = 0
	case w.Since == 0:
		w.Since = max(r.At.Mono, 1)
		back := w.Left > 0 && r.At.Mono-w.Left <= wetBack
		w.Slow = back || !p.atOnce(r.Humidity, r.At.Mono)
		w.Fast = w.Fast || !w.Slow
	}
}

// dried notes that saturation is over; what came at once and dried is a habit after some
// times, as where somebody sprays by hand.
func dried(w *room.Wet, now time.Duration) {
	if !w.Fast {
		return
	}
	gone := (now - w.OftenAt) / wetForget
	w.Often = uint8(min(max(0, time.Duration(w.Often)-gone), countMost)) + 1
	w.OftenAt = now
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
// step by step is the air, for however long it stays, and what often comes at once and
// dries is a mist by hand, for as long as it may take to dry.
func (l look) wetFault(p probe) bool {
	w := &p.St.Wet
	habit := w.Often >= wetHabit && l.v.At.Mono-w.Since < wetDries
	return !w.Slow && !habit && !l.wetTogether(p)
}

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
