package core

import (
	"slices"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors/sim"
)

// Each checker keeps quiet about an honest history and finds what is planted
// into it: a checker that cannot fail would prove nothing.
func TestCheckersFindWhatIsPlanted(t *testing.T) {
	w := newWorld(t, 1)
	a := newActor(w, 1)
	w.calm, a.life = 8*time.Hour, 6*time.Hour // much of everything
	silent := sim.Fault{
		Kind: sim.ProbeSilent, On: sim.Target{Probe: "a-1-1-canopy"},
		From: w.start.Add(30 * time.Hour), To: w.start.Add(33 * time.Hour),
	}
	if err := w.room.Inject(silent); err != nil {
		t.Fatal(err)
	}
	for w.at < 6*24*time.Hour {
		w.round()
		a.round()
	}
	honest := append(a.log, simEvent{at: w.at, kind: evEnd})
	for name, check := range checkers {
		if f := check(honest); len(f) > 0 {
			t.Errorf("%s: an honest history is blamed: %v", name, f[0])
		}
	}
	for _, p := range []struct {
		name, checker string
		spoil         func([]simEvent) []simEvent
	}{
		{"an alarm that is never raised", "no loss", without(func(e *simEvent) bool {
			return e.kind == evTransition && e.key.Alarm == alarm.LethalLimit
		})},
		{"notices that never arrive", "no loss", without(func(e *simEvent) bool { return e.kind == evTaken })},
		{"an acknowledgement that a restart forgets", "nothing acked lost", forgetAcknowledged},
		{"an alarm that a restart forgets", "nothing acked lost", eachRestart(func(open []onset) []onset { return open[:0] })},
		{"an alarm that a restart makes up", "nothing acked lost", eachRestart(func(open []onset) []onset {
			return append(open, onset{alarm.Key{Alarm: alarm.AboveBand, Subject: "nowhere"}, 1, alarm.Unack})
		})},
		{"an onset that a restart counts anew", "nothing acked lost", eachRestart(func(open []onset) []onset {
			for i := range open {
				open[i].seq++
			}
			return open
		})},
		{"a message that is sent every minute", "no storm", stutter},
		{"a ceiling that clears though a probe was last seen hot", "no false clear", eachEvent(func(e *simEvent) {
			if e.kind == evClass && e.class == cool {
				e.class = unsure
			}
		})},
		{"a band that clears without a reading", "no false clear", eachEvent(func(e *simEvent) {
			if e.kind == evClass {
				e.class = unknown
			}
		})},
		{"a silence that ends unheard", "no false clear", without(func(e *simEvent) bool { return e.kind == evHeard && e.on })},
		{"a silence that nobody is told of", "no silent state", without(func(e *simEvent) bool {
			return e.kind == evTransition && e.key.Alarm == alarm.ProbeSilent
		})},
		{"a notice that leaves late", "bounded latency", late(evSent, 10*time.Minute)},
	} {
		t.Run(p.name, func(t *testing.T) {
			spoiled := p.spoil(clone(honest))
			if len(checkers[p.checker](spoiled)) == 0 {
				t.Errorf("%q does not find it", p.checker)
			}
		})
	}
}

// clone copies a history deeply enough for spoiling.
func clone(history []simEvent) []simEvent {
	out := slices.Clone(history)
	for i := range out {
		out[i].open = slices.Clone(out[i].open)
	}
	return out
}

// without drops the events that match.
func without(match func(*simEvent) bool) func([]simEvent) []simEvent {
	return func(h []simEvent) []simEvent {
		return slices.DeleteFunc(h, func(e simEvent) bool { return match(&e) })
	}
}

func eachEvent(f func(*simEvent)) func([]simEvent) []simEvent {
	return func(h []simEvent) []simEvent {
		for i := range h {
			f(&h[i])
		}
		return h
	}
}

func eachRestart(f func([]onset) []onset) func([]simEvent) []simEvent {
	return eachEvent(func(e *simEvent) {
		if e.kind == evRestart {
			e.open = f(e.open)
		}
	})
}

// forgetAcknowledged lets the last restart that finds an acknowledged alarm
// find it ringing. The crash before is made to have lost its record, so that
// only the answer to the person is left to hold against it.
func forgetAcknowledged(h []simEvent) []simEvent {
	acked := map[alarm.Key]uint64{}
	crash := -1
	for i := range h {
		switch e := &h[i]; e.kind {
		case evAcked:
			acked[e.key] = e.seq
		case evTransition:
			if e.from == alarm.Acked {
				delete(acked, e.key)
			}
		case evCrash:
			crash = i
		case evRestart:
			for j := range e.open {
				if o := &e.open[j]; o.state == alarm.Acked && acked[o.key] == o.seq {
					o.state = alarm.Unack
					h[crash].lost = append(slices.Clone(h[crash].lost), o.key)
					return h
				}
			}
		}
	}
	return nil
}

// stutter repeats the first delivery every minute.
func stutter(h []simEvent) []simEvent {
	var out []simEvent
	done := false
	for _, e := range h {
		out = append(out, e)
		if e.kind == evTaken && !done {
			done = true
			for i := range mostAnHour + 1 {
				again := e
				again.at += time.Duration(i+1) * simPoll
				out = append(out, again)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b simEvent) int { return int(a.at - b.at) })
	return out
}

// late moves the events of a kind.
func late(kind eventKind, by time.Duration) func([]simEvent) []simEvent {
	return func(h []simEvent) []simEvent {
		for i := range h {
			if h[i].kind == kind {
				h[i].at += by
			}
		}
		slices.SortStableFunc(h, func(a, b simEvent) int { return int(a.at - b.at) })
		return h
	}
}
