package room

import (
	"testing"
	"time"

	"dewline/rules/climate"
	"dewline/sensors"
)

// A range gets wider to the early side after a mist and to the late side before
// one, by what 0.4 and 0.8 °C take at the rate ahead.
func TestForecast_AllowsForMist(t *testing.T) {
	now := sensors.Instant{Mono: 10 * time.Hour, Wall: time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC), Synced: true}
	min := time.Minute
	for _, c := range []struct {
		name     string
		pulse    time.Duration // ago; 0 for none
		next     time.Duration // from now
		from, to time.Duration
	}{
		{"no mist", 0, 5 * time.Hour, 40 * min, 80 * min},
		{"one has just been", 30 * min, 5 * time.Hour, 28 * min, 80 * min},
		{"one was long ago", 2 * time.Hour, 5 * time.Hour, 40 * min, 80 * min},
		{"one is due", 0, 50 * min, 40 * min, 104 * min},
		{"one is due later", 0, 81 * min, 40 * min, 80 * min},
		{"both", 30 * min, 50 * min, 28 * min, 104 * min},
	} {
		v := &View{Mists: make([]Mist, 1)}
		en := &Enclosure{}
		if c.pulse > 0 {
			en.St.HasPulse, en.St.PulseAt = true, now.Mono-c.pulse
		}
		v.Mists[0].St.Next = now.Wall.Add(c.next)
		eta := climate.Eta{Known: true, From: 40 * min, Mid: 60 * min, To: 80 * min}
		v.allowForMist(en, &eta, 2, now) // 2 °C in an hour
		if eta.From.Round(time.Second) != c.from || eta.To.Round(time.Second) != c.to || eta.Mid != 60*min {
			t.Errorf("%s: %v to %v", c.name, eta.From, eta.To)
		}
	}
}
