package core

import (
	"time"

	"dewline/rules/alarm"
)

// The poll of the simulated rooms.
const simPoll = time.Minute

// What the checkers allow.
const (
	tellWithin    = 6 * time.Minute // a wake alarm waits for nobody; a failed sending is repeated, and so is one that comes and goes
	lethalWithin  = 5 * time.Minute // the lethal limit too
	silentWithin  = 4 * simPoll     // three polls, and the one that ends them
	silentRestart = 5*time.Minute + 2*simPoll
	truthWithin   = 2 * simPoll // one poll, and the probe's own lag
	mostAnHour    = 22          // messages about one notice to one channel: one, its updates, its repeats, and one for each of twelve enclosures whose heat dose worsens
)

// checkers are the six promises of an alarm's history, each a pure function.
var checkers = map[string]func([]simEvent) []finding{
	"no loss":            noLoss,
	"nothing acked lost": nothingAckedLost,
	"no storm":           noStorm,
	"no false clear":     noFalseClear,
	"no silent state":    noSilentState,
	"bounded latency":    boundedLatency,
}

// noLoss: an enclosure whose good readings are at the lethal limit has its alarm
// open, and every wake alarm that asks for a person is delivered soon after it
// was raised and a channel worked again.
func noLoss(history []simEvent) []finding {
	l := lossCheck{
		states: statesOf{}, classes: map[string]class{}, debts: map[alarm.Key]debt{},
		channels: map[string]bool{"mqtt": true, "push": true},
	}
	for i := range history {
		l.step(&history[i])
	}
	return l.out
}

// A debt is a wake alarm that nobody has heard of.
type debt struct {
	since time.Duration
	limit time.Duration
	seq   uint64
}

type lossCheck struct {
	states   statesOf
	classes  map[string]class
	debts    map[alarm.Key]debt
	channels map[string]bool
	down     bool
	last     time.Duration
	out      []finding
}

func (l *lossCheck) step(e *simEvent) {
	l.judge(e.at)
	l.last = e.at
	l.states.follow(e)
	switch e.kind {
	case evTransition:
		l.owe(e)
	case evTaken:
		for _, o := range e.told {
			if d, owed := l.debts[o.key]; owed && d.seq == o.seq {
				delete(l.debts, o.key)
			}
		}
	case evChannel:
		l.channels[e.subject] = e.on
		l.renew(e.at)
	case evCrash:
		l.down = true
		clear(l.classes)
	case evRestart:
		l.down = false
		l.renew(e.at)
		for k := range l.debts { // what was lost in flight is raised anew, and owed anew
			if _, open := l.states[k]; !open {
				delete(l.debts, k)
			}
		}
	case evClass:
		l.classes[e.subject] = e.class
	}
}

// judge looks at what holds between the last event and one at a later time.
func (l *lossCheck) judge(now time.Duration) {
	if now > l.last && !l.down {
		for encl, c := range l.classes {
			if _, open := l.states[alarm.Key{Alarm: alarm.LethalLimit, Subject: encl}]; c == hot && !open {
				l.out = append(l.out, found(l.last, "%s is at its ceiling and there is no alarm", encl))
				l.classes[encl] = unknown // once is enough
			}
		}
	}
	if l.down || !l.channels["mqtt"] && !l.channels["push"] {
		return
	}
	for k, d := range l.debts {
		if now-d.since > d.limit {
			l.out = append(l.out, found(d.since, "%s of %s (onset %d) was not delivered within %s", k.Alarm, k.Subject, d.seq, d.limit))
			delete(l.debts, k)
		}
	}
}

// owe notes what is to be delivered, or no longer.
func (l *lossCheck) owe(e *simEvent) {
	if !ringing(e.to) || e.priority != alarm.Wake {
		delete(l.debts, e.key)
		return
	}
	if _, owed := l.debts[e.key]; owed && ringing(e.from) {
		return
	}
	d := debt{e.at, tellWithin, e.seq}
	if e.key.Alarm == alarm.LethalLimit {
		d.limit = lethalWithin
	}
	l.debts[e.key] = d
}

// renew starts every debt over, as nothing could be delivered before.
func (l *lossCheck) renew(at time.Duration) {
	for k, d := range l.debts {
		d.since = max(d.since, at)
		l.debts[k] = d
	}
}

// toldCauses remembers under which cause which lethal alarms were told.
type toldCauses map[alarm.Cause]map[onset]bool

func (t toldCauses) hear(e *simEvent) {
	for _, o := range e.told {
		if o.key.Alarm == alarm.LethalLimit {
			if t[e.cause] == nil {
				t[e.cause] = map[onset]bool{}
			}
			t[e.cause][o] = true
		}
	}
}

// lethal reports whether somebody was woken about a lethal limit that still
// goes on, of this cause or under a notice that told of this alarm before:
// another one joins that notice.
func (t toldCauses) lethal(k alarm.Key, c alarm.Cause, states statesOf) bool {
	for cause, told := range t {
		mine, goesOn := cause == c, false
		for o := range told {
			now := states[o.key]
			goesOn = goesOn || o.key != k && now.seq == o.seq && active(now.state)
			mine = mine || o.key == k
		}
		if mine && goesOn {
			return true
		}
	}
	return false
}

// nothingAckedLost: after a restart the open alarms are those from before, but
// for the commit that was under way, and no onset that a person was told to be
// acknowledged asks again.
func nothingAckedLost(history []simEvent) (out []finding) {
	states, acked := statesOf{}, map[alarm.Key]uint64{}
	var before statesOf
	inFlight := map[alarm.Key]bool{}
	for i := range history {
		e := &history[i]
		switch e.kind {
		case evCrash:
			before, inFlight = statesOf{}, map[alarm.Key]bool{}
			for k, o := range states {
				before[k] = o
			}
			for _, k := range e.lost {
				inFlight[k] = true
			}
		case evTransition:
			if before != nil { // while it starts
				before.follow(e)
			}
			// A shelf, a worsening or a new ring of a lasting alarm ends what an
			// acknowledgement covers.
			if e.from == alarm.Shelved || e.from == alarm.OutOfService || e.from == alarm.Suppressed ||
				e.from == alarm.Acked && e.to == alarm.Unack || over(e.to) && e.to != alarm.LatchAck || e.from == alarm.LatchAck {
				delete(acked, e.key)
			}
		case evAcked:
			acked[e.key] = e.seq
		case evRestart:
			after := statesOf{}
			for _, o := range e.open {
				after[o.key] = o
				if ringing(o.state) && acked[o.key] == o.seq {
					out = append(out, found(e.at, "%s of %s (onset %d) was acknowledged and rings after a restart", o.key.Alarm, o.key.Subject, o.seq))
				}
			}
			for k, o := range before {
				if after[k] != o && !inFlight[k] {
					out = append(out, found(e.at, "%s of %s was %s (onset %d) and is %s (onset %d) after a restart", k.Alarm, k.Subject, o.state, o.seq, after[k].state, after[k].seq))
				}
			}
			for k, o := range after {
				if _, had := before[k]; !had && !inFlight[k] {
					out = append(out, found(e.at, "%s of %s is %s after a restart and was not open before", k.Alarm, k.Subject, o.state))
				}
			}
			before = nil
		}
		states.follow(e)
	}
	return out
}

// noStorm: what one channel hears about one notice within an hour is the
// notice, its updates and its repeats, once more for each restart, and once
// more for each alarm that wakes.
func noStorm(history []simEvent) (out []finding) {
	type line struct{ notice, channel string }
	taken := map[line][]time.Duration{}
	var excused []time.Duration
	for i := range history {
		e := &history[i]
		switch e.kind {
		case evRestart:
			excused = append(excused, e.at)
		case evTransition:
			if e.priority == alarm.Wake && ringing(e.to) {
				excused = append(excused, e.at)
			}
		case evTaken:
			l := line{e.notice, e.subject}
			recent := append(since(taken[l], e.at-time.Hour), e.at)
			taken[l] = recent
			if allowed := mostAnHour + len(since(excused, e.at-time.Hour-simPoll)); len(recent) > allowed {
				out = append(out, found(e.at, "%d messages within an hour about %s by %s", len(recent), e.notice, e.subject))
				taken[l] = nil
			}
		}
	}
	return out
}

// since returns the times after t of a sorted list.
func since(list []time.Duration, t time.Duration) []time.Duration {
	for i, at := range list {
		if at > t {
			return list[i:]
		}
	}
	return nil
}

// noFalseClear: an alarm about the climate ends only on good readings, the
// lethal limit only when every probe was last seen below it, a probe's
// silence only when it is heard, and nothing ends by starting.
func noFalseClear(history []simEvent) (out []finding) {
	classes, heard := map[string]class{}, map[string]bool{}
	starting := false
	for i := range history {
		e := &history[i]
		switch e.kind {
		case evCrash:
			starting = true
			clear(classes)
			clear(heard)
		case evRestart:
			starting = false
		case evClass:
			classes[e.subject] = e.class
		case evHeard:
			heard[e.subject] = e.on
		case evTransition:
			if !active(e.from) || !over(e.to) || e.why != "" {
				continue
			}
			what := ""
			switch c := classes[e.key.Subject]; e.key.Alarm {
			case alarm.LethalLimit:
				if c != cool {
					what = "although not every probe was seen below the ceiling"
				}
			case alarm.AboveBand, alarm.BelowBand, alarm.HumidityFloor:
				if c == unknown {
					what = "without a good reading"
				}
			case alarm.ProbeSilent:
				if !heard[e.key.Subject] {
					what = "although it is not heard"
				}
			}
			if starting {
				what = "by a restart"
			}
			if what != "" {
				out = append(out, found(e.at, "%s of %s (onset %d) ended %s", e.key.Alarm, e.key.Subject, e.seq, what))
			}
		}
	}
	return out
}

// noSilentState: at each moment each probe is heard, or its silence is an open
// alarm, or it is put away with an end.
func noSilentState(history []simEvent) (out []finding) {
	states := statesOf{}
	limits := map[string]time.Duration{} // when the silence of a probe must be known
	down := false
	for i := range history {
		e := &history[i]
		if !down {
			for probe, limit := range limits {
				if _, open := states[alarm.Key{Alarm: alarm.ProbeSilent, Subject: probe}]; e.at > limit && !open {
					out = append(out, found(limit, "probe %s is silent and nobody is told", probe))
					delete(limits, probe)
				}
			}
		}
		states.follow(e)
		switch e.kind {
		case evCrash:
			down = true
		case evRestart:
			down = false
			for probe := range limits {
				limits[probe] = e.at + silentRestart
			}
		case evHeard:
			if e.on {
				delete(limits, e.subject)
			} else if _, known := limits[e.subject]; !known {
				limits[e.subject] = e.at + silentWithin
			}
		}
	}
	return out
}

// boundedLatency: an enclosure that truly crosses its lethal limit, with sound
// probes and no alarm open, is in a wake notice on its way within one poll and
// the probe's lag.
func boundedLatency(history []simEvent) (out []finding) {
	states, told, limits := statesOf{}, toldCauses{}, map[string]time.Duration{}
	down := false
	for i := range history {
		e := &history[i]
		for encl, limit := range limits {
			if e.at > limit {
				out = append(out, found(limit-truthWithin, "%s truly crossed its ceiling and no notice left within %s", encl, truthWithin))
				delete(limits, encl)
			}
		}
		states.follow(e)
		switch e.kind {
		case evTruth:
			_, open := states[alarm.Key{Alarm: alarm.LethalLimit, Subject: e.subject}]
			if e.on && !open && !down {
				limits[e.subject] = e.at + truthWithin
			} else if !e.on {
				delete(limits, e.subject)
			}
		case evTransition:
			if e.key.Alarm == alarm.LethalLimit && ringing(e.to) && told.lethal(e.key, e.cause, states) {
				if limit, ok := limits[e.key.Subject]; ok { // it waits for company until the next poll
					limits[e.key.Subject] = limit + simPoll
				}
			}
		case evSent:
			told.hear(e)
			for _, o := range e.told {
				if o.key.Alarm == alarm.LethalLimit {
					delete(limits, o.key.Subject)
				}
			}
		case evCrash:
			down = true
			clear(limits)
		case evRestart:
			down = false
		}
	}
	return out
}
