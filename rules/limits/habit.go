package limits

import (
	"slices"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
)

// What was told of an hour of the day is for the week after that, unless it is worse, and
// what is for the week is told once in it.
const (
	habitFor  = 7 * 24 * time.Hour // then it is told again
	habitNear = 2 * time.Hour      // that is the same hour
	habitMore = 50                 // hundredths of °C beyond the former peak are worse
	habitDay  = 24 * time.Hour
)

// Habits are what was last told of an enclosure, the newest first, at that many hours of
// the day.
type Habits [4]Habit

// A Habit is one such excursion.
type Habit struct {
	At   time.Duration `json:"at,omitempty"`   // when it began
	For  time.Duration `json:"for,omitempty"`  // how long it went on
	Peak int32         `json:"peak,omitempty"` // hundredths; the higher, the worse
	Mild bool          `json:"mild,omitempty"` // it was for the week only
}

// has reports whether an excursion to a value was told for today already, or one that is
// hardly less.
func (h *Habits) has(s *room.Alarm, now time.Duration, value int32) bool {
	begun := now
	if s.Rec.Life.Active {
		begun = s.Rec.Life.Since.Mono
	}
	return slices.ContainsFunc(h[:], func(x Habit) bool {
		return !x.Mild && begun-x.At > habitNear && x.isSame(begun, value)
	})
}

// told reports whether an excursion for the week to a value was told already, whatever for:
// then it is no news.
func (h *Habits) told(now time.Duration, value int32) bool {
	return slices.ContainsFunc(h[:], func(x Habit) bool { return x.isSame(now, value) })
}

// isSame reports whether an excursion to a value is of the same hours and hardly worse.
func (x *Habit) isSame(at time.Duration, value int32) bool {
	since := at - x.At
	hour := since % habitDay
	return x.At > 0 && since >= 0 && since < habitFor && value < x.Peak+habitMore && (hour <= x.For+habitNear || hour >= habitDay-habitNear)
}

// follow notes what is told, in place of what was of the same hours. What is put away
// takes their place without a word of its own: nobody hears of it, so the next is news.
func (h *Habits) follow(s *room.Alarm, now time.Duration, value int32) {
	if !s.Rec.Life.Active {
		return
	}
	since := s.Rec.Life.Since.Mono
	i := slices.IndexFunc(h[:], func(x Habit) bool { return x.isSame(since, x.Peak) })
	switch {
	case !s.Rec.Life.State.Annunciated():
		if i >= 0 {
			copy(h[i:], h[i+1:])
			h[len(h)-1] = Habit{}
		}
		return
	case since > h[0].At:
		if i < 0 {
			i = len(h) - 1
		}
		copy(h[1:i+1], h[:i])
		h[0] = Habit{At: since, Peak: value, Mild: true}
	}
	h[0].For, h[0].Peak = now-h[0].At, max(h[0].Peak, value)
	h[0].Mild = h[0].Mild && s.Rec.Priority == alarm.Note
}
