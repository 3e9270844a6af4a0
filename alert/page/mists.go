package page

import (
	"context"
	"errors"
	"time"

	"dewline/configs"
	"dewline/rules/climate"
	"dewline/sensors"
)

// A mist is one pulse that was seen, or one that was due and was not.
type mist struct {
	at     time.Time
	pulse  climate.Pulse
	missed bool
	open   bool // still drying
}

// How far from its due time a pulse may begin and still be the due one.
const (
	mistEarly = 3 * time.Minute
	mistLate  = 15 * time.Minute
	// mistLead is what the detector has to have seen before a pulse.
	mistLead = 20 * time.Minute
	// mistHoles is the longest hole in the readings after which a due pulse is
	// still looked for.
	mistHoles = 10 * time.Minute
)

// A watch follows one probe's readings and the pulses in them.
type watch struct {
	zero        time.Time // where the detector's time begins
	detector    climate.MistDetector
	found       []mist
	seen        []time.Time // where readings begin and end, in pairs
	start, last time.Time   // of the stretch under way
}

// mists finds the pulses of [from, to) in the readings of a probe, and those
// that were due without one.
func mists(ctx context.Context, rec History, probe sensors.ProbeID, sched configs.Mist, loc *time.Location, from, to time.Time) ([]mist, error) {
	w := watch{zero: from.Add(-mistLead)}
	var errs error
	for r, err := range rec.Readings(ctx, probe, w.zero, to) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		if r.Has&sensors.HasHumidity != 0 && r.Has&sensors.HasTemperature != 0 {
			w.observe(r)
		}
	}
	if !w.start.IsZero() {
		w.seen = append(w.seen, w.start, w.last)
	}
	return missing(w.found, w.seen, sched, loc, from, to), errs
}

// observe takes one reading. Durations come from the wall clock, as pulses are
// shown at wall times.
func (w *watch) observe(r sensors.Reading) {
	at := r.At.Wall
	switch {
	case w.start.IsZero():
		w.start = at
	case at.Sub(w.last) > mistHoles:
		w.seen = append(w.seen, w.start, w.last)
		w.start = at
	}
	w.last = at
	event := w.detector.Observe(at.Sub(w.zero), r.Temperature.Celsius(), r.Humidity.Percent())
	if n := len(w.found); n > 0 && w.found[n-1].open {
		m := &w.found[n-1]
		switch event {
		case climate.MistEnded:
			m.pulse, m.open = w.detector.Done, false
		case climate.MistPeaked, climate.NoMist:
			m.pulse = w.detector.Now
		}
	}
	if event == climate.MistStarted {
		p := w.detector.Now
		w.found = append(w.found, mist{at: w.zero.Add(p.Start), pulse: p, open: true})
	}
}

// missing adds the due pulses that did not come while the probe was watching.
func missing(found []mist, seen []time.Time, sched configs.Mist, loc *time.Location, from, to time.Time) []mist {
	var out []mist
	i := 0
	for due := sched.Next(from.Add(-time.Second), loc); !due.IsZero() && due.Before(to); due = sched.Next(due, loc) {
		for i < len(found) && found[i].at.Before(due.Add(-mistEarly)) {
			out = append(out, found[i])
			i++
		}
		came := i < len(found) && !found[i].at.After(due.Add(mistLate))
		if !came && watched(seen, due.Add(-mistEarly), due.Add(mistLate)) {
			out = append(out, mist{at: due, missed: true})
		}
	}
	return append(out, found[i:]...)
}

// watched reports whether one stretch of readings covers [from, to].
func watched(seen []time.Time, from, to time.Time) bool {
	for i := 0; i+1 < len(seen); i += 2 {
		if !seen[i].After(from) && !seen[i+1].Before(to) {
			return true
		}
	}
	return false
}
