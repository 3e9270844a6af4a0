package rules

import (
	"math"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// told are the priorities of one alarm of e1 as they were told, notes left out.
func (r *rig) told(id alarm.ID) (list []time.Duration) {
	note := true
	for _, x := range r.log {
		if x.Key.Alarm != id || x.To != alarm.Unack {
			continue
		}
		if x.Priority > alarm.Note && (note || x.From != x.To) {
			list = append(list, x.At.Mono)
		}
		note = x.Priority == alarm.Note
	}
	return list
}

// notes is how often an alarm of e1 began for the week.
func (r *rig) notes(id alarm.ID) (n int) {
	for _, x := range r.log {
		if x.Key.Alarm == id && x.From == alarm.Norm && x.To == alarm.Unack && x.Priority == alarm.Note {
			n++
		}
	}
	return n
}

// What is for the week is told once in it at the same hours: a warm night each night, and
// an hour a little above the day's top.
func TestBand_NotesOfTheSameHabit(t *testing.T) {
	skipUnderRace(t)
	r := newRig(t, rigConfig(t, 1, ""))
	for r.now = 4 * time.Hour; r.now < 13*24*time.Hour; r.now += time.Minute {
		hour := math.Mod(r.now.Hours(), 24)
		celsius := 23.4 + 3*math.Exp(-(hour-14)*(hour-14)/2) + 0.01*float64(int(r.now.Minutes())%3)
		r.step(*r.with("p1", func() *sensors.Reading { x := r.good("p1", celsius, 85); return &x })("p1", r.now))
		r.step(*r.calm("room", r.now))
		r.tick()
	}
	if n := r.notes(alarm.AboveBand); n < 2 || n > 5 { // two habits, in two weeks; the first night begins at four
		t.Errorf("%d notes in 13 days, want one a week of each habit", n)
	}
}

// A rise that is held as a habit has gone on all the while: what becomes worse than the
// habit is told at that look, not after another on-delay.
func TestBand_HeldHabitGoesOn(t *testing.T) {
	skipUnderRace(t)
	r := newRig(t, rigConfig(t, 1, ""))
	const day, worse = 24 * time.Hour, 39 * time.Hour
	for r.now = 4 * time.Hour; r.now < 41*time.Hour; r.now += time.Minute {
		celsius := 24.0
		switch {
		case r.now >= worse:
			celsius = 26.9
		case r.now%day >= 14*time.Hour && r.now%day < 17*time.Hour:
			celsius = 26.3
		}
		r.step(*r.with("p1", func() *sensors.Reading { x := r.good("p1", celsius, 85); return &x })("p1", r.now))
		r.step(*r.calm("room", r.now))
		r.tick()
	}
	var last Transition
	for _, x := range r.log {
		if x.Key.Alarm == alarm.AboveBand && x.From == alarm.Norm {
			last = x
		}
	}
	if last.At.Mono < worse || last.At.Mono > worse+2*time.Minute || last.Since.Mono > worse-50*time.Minute {
		t.Errorf("told at %v, since %v; want it at %v, an hour after it began", last.At.Mono, last.Since.Mono, worse)
	}
}

// A night warmer than the night band, a day a little above its top for an hour and a
// cool day at 20 °C are for the week; what comes each evening is told once a week.
// Bands 22-26 and 19-22 °C, lamps from 8 to 20.
func TestBand_HabitsAreForTheWeek(t *testing.T) {
	skipUnderRace(t)
	evening := func(peak float64) func(float64) float64 {
		return func(hour float64) float64 { return 23 + (peak-23)*math.Exp(-(hour-18)*(hour-18)/2) }
	}
	for _, c := range []struct {
		name  string
		alarm alarm.ID
		air   func(hour float64) float64
		days  int
		want  int
	}{
		{"warm nights", alarm.AboveBand, func(hour float64) float64 { return 24 - 0.8*math.Cos(hour*math.Pi/12) }, 6, 0},
		{"an hour a little above the day's top", alarm.AboveBand, evening(26.35), 6, 0},
		{"cool days", alarm.BelowBand, func(float64) float64 { return 20.2 }, 6, 0},
		{"nights a little too cool", alarm.BelowBand, func(hour float64) float64 {
			if hour < 8 || hour > 20 {
				return 18.7
			}
			return 23
		}, 6, 0},
		{"too cool each night", alarm.BelowBand, func(hour float64) float64 {
			if hour < 8 || hour > 20 {
				return 18.2
			}
			return 23
		}, 6, 2}, // the first begins at four
		{"a day that falls", alarm.BelowBand, func(hour float64) float64 { return 24 - 0.6*max(0, hour-12) }, 1, 1},
		{"too cool days", alarm.BelowBand, func(hour float64) float64 { return 19.4 }, 1, 1},
		{"too warm each evening", alarm.AboveBand, evening(27.6), 6, 1},
		{"two weeks of it", alarm.AboveBand, evening(27.6), 14, 2},
		{"above the top all day", alarm.AboveBand, func(float64) float64 { return 26.2 }, 1, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, rigConfig(t, 1, ""))
			for r.now = 4 * time.Hour; r.now < time.Duration(c.days)*24*time.Hour; r.now += time.Minute {
				celsius := c.air(math.Mod(r.now.Hours(), 24)) + 0.01*float64(int(r.now.Minutes())%3)
				r.step(*r.with("p1", func() *sensors.Reading { x := r.good("p1", celsius, 85); return &x })("p1", r.now))
				r.step(*r.calm("room", r.now))
				r.tick()
			}
			if got := r.told(c.alarm); len(got) != c.want {
				t.Errorf("told at %v, want %d times", got, c.want)
			}
		})
	}
}

// A worse evening than the one that was told is told.
func TestBand_WorseThanTheHabit(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.now = 13 * time.Hour
	for _, peak := range []float64{26.8, 26.9, 27.4, 27.5} {
		r.run(2*time.Hour, r.hold("p1", peak, 85))
		r.run(22*time.Hour, r.hold("p1", 22, 85))
	}
	if got := r.told(alarm.AboveBand); len(got) != 2 {
		t.Errorf("told at %v, want the first and the third day", got)
	}
}

// A dose ends with the evening that adds to it, and is told again only when the next
// ones have added another half of the reference (exposure boundary 28 °C, 120 min at
// 32 °C, tenfold per 3 °C: 29.2 °C for five hours are 29 % of it).
func TestExposure_TheNextEveningIsTheSameStory(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		peak float64
		days int
		want int
	}{
		{29.2, 14, 1}, // at 50 %; it ends up at no more than 60
		{29.8, 14, 2}, // at 50 and at 100 %, and ends up at 110
	} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 14 * time.Hour
		for range c.days {
			r.run(5*time.Hour, r.hold("p1", c.peak, 85))
			r.run(19*time.Hour, r.hold("p1", 24, 85))
		}
		if got := r.told(alarm.Exposure); len(got) != c.want {
			t.Errorf("%v °C: told at %v, want %d times", c.peak, got, c.want)
		}
	}
}
