package core

import (
	"fmt"
	"time"

	"dewline/rules/alarm"
)

// A simEvent is one line of the history of a simulated room: what was true, what
// the core did, and what befell it. Checkers look at nothing else.
type simEvent struct {
	at   time.Duration // since the start of the room, whatever dewline's clocks say
	kind eventKind

	key      alarm.Key // transitions, confirmed acknowledgements
	seq      uint64
	from, to alarm.State
	priority alarm.Priority
	why      string
	cause    alarm.Cause // transitions, sent and taken

	subject string // enclosure, probe or channel
	class   class  // of an enclosure
	on      bool   // channel up, probe heard, truly over the lethal limit

	notice  string // sent and taken
	version int
	told    []onset

	open []onset     // restart: what the core has open
	lost []alarm.Key // crash: whose newest record was not on the disk yet
}

// An onset is one alarm at one moment of its life.
type onset struct {
	key   alarm.Key
	seq   uint64
	state alarm.State
}

type eventKind uint8

const (
	evTransition eventKind = iota
	evSent                 // handed to a channel
	evTaken                // the channel took it over: the phone has it
	evAcked                // a person was answered that this onset is acknowledged
	evChannel              // a channel went down or came back
	evCrash
	evRestart
	evClass // what an enclosure's good readings say
	evHeard // whether a probe's readings can be used
	evTruth // whether an enclosure is truly over its lethal limit, with sound probes
	evEnd
)

// class is what the newest good readings of all probes of an enclosure say.
type class uint8

const (
	unknown class = iota // none in this round
	cool                 // some in this round, and no probe was last seen at the lethal limit
	unsure               // some in this round, but a probe that is silent now was last seen at the lethal limit
	hot                  // some probe is at the lethal limit
)

// A finding is a promise that a history breaks.
type finding struct {
	at   time.Duration
	what string
}

func (f finding) String() string { return fmt.Sprintf("day %.4f: %s", f.at.Hours()/24, f.what) }

func found(at time.Duration, format string, args ...any) finding {
	return finding{at, fmt.Sprintf(format, args...)}
}

// A statesOf follows the alarms through a history.
type statesOf map[alarm.Key]onset

// follow takes an event in.
func (s statesOf) follow(e *simEvent) {
	switch e.kind {
	case evTransition:
		if e.to == alarm.Norm {
			delete(s, e.key)
		} else {
			s[e.key] = onset{e.key, e.seq, e.to}
		}
	case evRestart:
		clear(s)
		for _, o := range e.open {
			s[o.key] = o
		}
	}
}

// ringing reports whether a state asks for a person.
func ringing(s alarm.State) bool { return s == alarm.Unack }

// active reports whether the condition holds, as a state shows it.
func active(s alarm.State) bool { return s == alarm.Unack || s == alarm.Acked }

// over reports whether a state says that the condition has ended.
func over(s alarm.State) bool {
	return s == alarm.Norm || s == alarm.RTNUN || s == alarm.LatchUnack || s == alarm.LatchAck
}
