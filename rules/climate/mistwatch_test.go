package climate

import (
	"math"
	"testing"
	"time"
)

// watched follows an enclosure for a week of readings a minute: 85 % at rest, mists at
// 08:00 and 20:00 that dry with a half-life of half an hour, lamps from 08:00 to 20:00.
// From the last noon on, odd says what is different.
func watched(odd func(hour, rh float64) float64) (most float64, at time.Duration) {
	var d MistDetector
	var w MistWatch
	const noon = 6*24*60 + 12*60
	for m := range 8 * 24 * 60 {
		now := time.Duration(m+1) * time.Minute
		hour := math.Mod(float64(m)/60, 24)
		since := min(math.Mod(hour-8+24, 24), math.Mod(hour-20+24, 24))
		rh := 85 + 12*math.Exp2(-since/0.5) + 0.2*float64(m%3)
		when := MistDark
		switch {
		case hour >= 17 && hour < 20:
			when = MistDusk
		case hour >= 8 && hour < 17:
			when = MistLit
		}
		if m >= noon {
			rh = odd(float64(m-noon)/60+12, rh)
		}
		if hour == 8 || hour == 20 {
			w.Expect(now, when)
		}
		d.Observe(now, 24, rh)
		w.Verdict(now, &d)
		w.Dry(now, 24, rh, 22, hour, &d, when)
		if m >= noon && w.Sticks > most {
			most = w.Sticks
			if most >= MistEndlessTold {
				return most, now - noon*time.Minute + 12*time.Hour
			}
		}
	}
	return most, 0
}

// What dries as every day is no mist without an end, and neither is air that is only
// back where it was before a door was opened, however long it stays there.
func TestMistWatch_DoorThatWasShut(t *testing.T) {
	if most, at := watched(func(_, rh float64) float64 { return rh }); at != 0 {
		t.Errorf("as every day: evidence of %.1f at %v", most, at)
	}
	most, at := watched(func(hour, rh float64) float64 {
		switch since := hour - 18; {
		case since < 0:
			return rh
		case since < 5./60:
			return 60
		default: // it takes a while
			return rh - 25*math.Exp(-(since-5./60)/0.2)
		}
	})
	if at != 0 {
		t.Errorf("a door that was open for five minutes: evidence of %.1f at %v", most, at)
	}
}

// A mister that sticks where none is due is told within four hours, by day and by
// night (common practice, no source: a tub that is misted for so long is under water).
func TestMistWatch_StickingOffSchedule(t *testing.T) {
	for _, from := range []float64{14, 23, 26} {
		_, at := watched(func(hour, rh float64) float64 {
			if hour < from {
				return rh
			}
			return max(rh, 98-8*math.Exp(-(hour-from)/0.1))
		})
		late := at - time.Duration(from*float64(time.Hour))
		if at == 0 || late > 4*time.Hour {
			t.Errorf("from %v o'clock: told after %v", from, late)
		}
	}
}

// An hour's level is known after two days and forgets in about eight.
func TestHourLevel(t *testing.T) {
	var l hourLevel
	day := func(v float64) {
		for h := range 24 {
			l.observe(float64(h), v)
			l.observe(float64(h)+0.5, v+1)
		}
	}
	day(80)
	if _, known := l.at(12.3); known {
		t.Error("known after a day")
	}
	day(80)
	if v, known := l.at(12.3); !known || math.Abs(v-80.5) > 0.01 {
		t.Errorf("after two days: %v, %v", v, known)
	}
	for range 30 {
		day(90)
	}
	if v, _ := l.at(12.3); math.Abs(v-90.5) > 0.2 {
		t.Errorf("a month later: %v", v)
	}
	l.observe(-1, 0)
	l.observe(math.NaN(), 0)
	if _, known := l.at(-1); known {
		t.Error("known without a clock")
	}
}
