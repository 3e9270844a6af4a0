package sim

import (
	"time"

	"dewline/configs"
)

// A Beat is one event of a told story.
type Beat struct {
	Title string // for people
	Fault Fault
}

// StoryHour is the local hour at which a story begins.
const StoryHour = 6

// Story tells a day in the room that begins at 06:00 local time on start's
// date and lasts 24 h: a clogged nozzle at the first mist, a probe that goes
// silent, a door opened, and an air-conditioner failure on a hot day that is
// repaired in the evening. Beats that need what the room lacks are left out.
func Story(o Options, start time.Time) []Beat {
	o = o.withDefaults()
	y, m, d := start.In(o.Location).Date()
	at := func(hour, minute int) time.Time { return time.Date(y, m, d, hour, minute, 0, 0, o.Location) }
	// 36 °C in the afternoon whatever the season.
	beats := []Beat{{
		Title: "A hot day: 36 °C outdoors by mid-afternoon",
		Fault: Fault{Kind: HotSpell, From: at(StoryHour, 0), To: at(22, 0), Amount: hotSpellFor(o, at(15, 0), 36)},
	}}
	if e, ok := nth(o.Enclosures, 1, func(e Enclosure) bool { return e.Mist != "" }); ok {
		beats = append(beats, Beat{
			Title: "The nozzle of enclosure " + e.ID + " clogs",
			Fault: Fault{Kind: NozzleClogged, On: Target{Enclosure: e.ID}, From: at(StoryHour, 0), To: at(18, 0)},
		})
	}
	if p, ok := nth(o.Probes, 4, func(p Probe) bool { return p.Place == configs.Litter }); ok {
		beats = append(beats, Beat{
			Title: "Probe " + string(p.ID) + " goes silent",
			Fault: Fault{Kind: ProbeSilent, On: Target{Probe: p.ID}, From: at(10, 10), To: at(11, 0)},
		})
	}
	if len(o.Enclosures) > 2 {
		e := o.Enclosures[2]
		beats = append(beats, Beat{
			Title: "The keeper opens enclosure " + e.ID + " to feed",
			Fault: Fault{Kind: DoorOpened, On: Target{Enclosure: e.ID}, From: at(11, 30)},
		})
	}
	return append(beats, Beat{
		Title: "The air conditioner fails",
		Fault: Fault{Kind: ACFailure, From: at(13, 0), To: at(19, 0)},
	})
}

// hotSpellFor returns how much warmer than its weather a day must be to reach
// peakC at the given time.
func hotSpellFor(o Options, at time.Time, peakC float64) float64 {
	w := newWeather(o.Climate, o.Seed, o.Location, o.Start)
	out, _ := w.at(float64(at.Unix()))
	return max(0.1, peakC-out)
}

// nth returns the nth of a list that fits, or the last such one.
func nth[T any](list []T, n int, fits func(T) bool) (found T, ok bool) {
	for _, x := range list {
		if fits(x) && n >= 0 {
			found, ok = x, true
			n--
		}
	}
	return found, ok
}
