package limits

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
)

// What was told of an hour of the day is for the week after that, unless it is worse.
const (
	habitFor  = 7 * 24 * time.Hour // then it is told again
	habitNear = 2 * time.Hour      // that is the same hour
	habitMore = 50                 // hundredths of °C beyond the former peak are worse
)

// Habits are what was last told of an enclosure, at two hours of the day.
type Habits [2]Habit

// A Habit is one such excursion.
type Habit struct {
	At   time.Duration `json:"at,omitempty"`   // when it began
	Peak int32         `json:"peak,omitempty"` // hundredths; the higher, the worse
}

// has reports whether an excursion to a value was told already, or one that is hardly
// less.
func (h *Habits) has(s *room.Alarm, now time.Duration, value int32) bool {
	begun := now
	if s.Rec.Life.Active {
		begun = s.Rec.Life.Since.Mono
	}
	for _, x := range h {
		since := begun - x.At
		hour := since % (24 * time.Hour)
		if x.At > 0 && since > habitNear && since < habitFor && min(hour, 24*time.Hour-hour) <= habitNear && value < x.Peak+habitMore {
			return true
		}
	}
	return false
}

// follow notes what is told.
func (h *Habits) follow(s *room.Alarm, value int32) {
	if !s.Rec.Life.Active || s.Rec.Priority == alarm.Note {
		return
	}
	if since := s.Rec.Life.Since.Mono; since > h[0].At {
		h[1], h[0] = h[0], Habit{since, value}
	}
	h[0].Peak = max(h[0].Peak, value)
}
