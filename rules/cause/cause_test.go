package cause

import (
	"testing"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// Which enclosure is the odd one, by signs and sizes alone.
func TestOdd(t *testing.T) {
	known := climate.Case{HasTemp: true, HasOffset: true, HasChange: true}
	fresh := climate.Case{HasTemp: true, HasChange: true}
	for _, c := range []struct {
		name string
		c    climate.Case
		f    climate.Finding
		side float64
		room bool
		want bool
	}{
		{"a heater", known, climate.Finding{Residual: 3, Median: 0.1, Judged: 12}, 1, false, true},
		{"a heater in a hot room", known, climate.Finding{Residual: 4, Median: 0.5, Judged: 12}, 1, true, true},
		{"cooler than usual, less than the rest", known, climate.Finding{Residual: -1.1, Median: -2.9, Judged: 12}, 1, true, false},
		{"cooler than usual in a cool room", known, climate.Finding{Residual: -1.3, Median: -2.8, Judged: 12}, 1, false, false},
		{"the coolest when it is cold", known, climate.Finding{Residual: -3, Median: -0.2, Judged: 12}, -1, false, true},
		{"a little beyond what all are", known, climate.Finding{Residual: -2.2, Median: -1.3, Judged: 12}, -1, false, false},
		{"a cool shelf on the first day", fresh, climate.Finding{Residual: -1.1, Median: 1.2, Judged: 12}, 1, true, false},
		{"a warm shelf on the first day", fresh, climate.Finding{Residual: 2, Median: 0.2, Judged: 12}, 1, true, false},
		{"a heater on the first day", fresh, climate.Finding{Residual: 6, Median: 0.2, Judged: 12}, 1, false, true},
		{"the only one, with its room", known, climate.Finding{Residual: 1, Judged: 1, RoomOff: 4}, 1, true, false},
		{"the only one, by itself", known, climate.Finding{Residual: 3, Judged: 1}, 1, false, true},
	} {
		if got := (Look{V: &room.View{}}).odd(&c.c, &c.f, c.side, c.room); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// All too warm in a room that is as usual is not the lamp timer while the lamps should
// be on, nor where they were seen to go off: that is the evening after a hot day.
func TestCommonCause_LampsOnlyWhereTheyMay(t *testing.T) {
	for _, c := range []struct {
		name     string
		on       bool
		side     float64
		switched bool
		want     alarm.CauseKind
	}{
		{"too warm by day", true, hotter, false, alarm.CauseRoom},
		{"too warm in the evening, lamps went off", false, hotter, true, alarm.CauseRoom},
		{"too warm in the evening", false, hotter, false, alarm.CauseLamps},
		{"too cold by day", true, colder, false, alarm.CauseLamps},
		{"too cold by night", false, colder, false, alarm.CauseRoom},
	} {
		v := roomtest.View(t, 4, "")
		v.Lamps[0].On = c.on
		for i := range v.Enclosures {
			sign := climate.LampSign{Looks: 9}
			if c.switched {
				sign.Missing = -6
			}
			v.Enclosures[i].St.Lamps.Sign = sign
		}
		got, _ := Look{V: v}.commonCause(&v.Enclosures[0], &climate.Finding{Median: c.side}, c.side)
		if got.Kind != c.want {
			t.Errorf("%s: %v, want %v", c.name, got.Kind, c.want)
		}
	}
}
