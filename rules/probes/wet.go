package probes

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

const (
	wetBelow    = 9600             // hundredths of a percent: clearly not saturated
	wetAt       = 9900             // as good as saturated
	wetClimb    = 90 * time.Second // a climb that takes longer is the air's
	wetRises    = 5                // or that comes in so many steps
	wetLeap     = 200              // hundredths of a percent in one reading
	wetSteps    = 3                // even ones, to be the air's
	wetRise     = 30               // hundredths of a percent
	wetPolls    = 4                // and more readings than these
	wetPatience = 6 * time.Hour    // before saturation that came slowly is worth a word
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

// followWet takes the last humidity that the probe measured.
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
		w.Dry, w.Since, w.Slow = r.At.Mono, 0, false
	case r.Humidity < wetAt:
		w.Since = 0
	case w.Since == 0:
		climb := r.At.Mono - w.Dry
		w.Since = max(r.At.Mono, 1)
		slow := w.Dry == 0 || w.Rises >= wetRises || even(w, r.Humidity) || climb > max(wetClimb, wetPolls*p.St.Interval)
		w.Slow = slow && !led(w, r.Humidity, r.Humidity-p.St.Hum)
	}
}

// judgeWet raises what the probe's judge, or its dew point, says of its
// humidity.
func (l look) judgeWet(p probe, now sensors.Instant) {
	st := &p.St
	told := st.Reason == sensors.PinnedWet || st.Reason == sensors.DewTooHigh
	wet := told && l.wetFault(p, now.Mono) || st.Dewy
	if s := p.Alarm(alarm.KindWet); wet || s.Open() {
		hum := st.Hum
		if st.HumLost && st.WildHumAt > st.HumAt {
			hum = st.WildHum
		}
		s.Against(float64(hum)/100, pinnedAt)
		l.out.Hold(s, wet)
	}
}

// wetFault reports whether saturation is the probe's own trouble, or that of
// its enclosure alone. What most probes show alike, as they do when a warm room
// cools, is the air.
func (l look) wetFault(p probe, now time.Duration) bool {
	w := &p.St.Wet
	if l.wetTogether(p) {
		return false
	}
	return !w.Slow || p.Encl < 0 || w.Since > 0 && now-w.Since >= wetPatience
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
