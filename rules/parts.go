package rules

import (
	"math/bits"
	"time"

	"dewline/configs"
	"dewline/rules/cause"
	"dewline/rules/room"
	"dewline/sensors"
)

// An Engine is the decision core of one room. It is single-threaded: one
// goroutine owns it. It does no I/O and reads no clock.
type Engine struct {
	v        *room.View
	cause    cause.Look
	lives    lives
	names    []sensors.ProbeID
	after    []int // which probe's reading came after each one's, last time
	before   int   // the probe whose reading came last
	began    bool
	gap      Gap           // that nobody was told of
	minuteAt time.Duration // running time of the last minutely round
	hourAt   time.Duration
	judges   judges
	asked    [room.NumDue][]judge
	out      room.Out
}

// build lays out the engine for a configuration, without any state.
func (e *Engine) build(cfg *configs.Config) {
	var clock room.Clock
	if e.v != nil {
		clock = e.v.Clock
	}
	e.v = room.NewView(cfg, clock)
	e.cause.V = e.v
	e.names, e.after, e.before = make([]sensors.ProbeID, len(cfg.Probes)), make([]int, len(cfg.Probes)), 0
	for i, c := range cfg.Probes {
		e.names[i] = sensors.ProbeID(c.ID)
	}
	e.judges, e.out = newJudges(e.v), room.Out{Lives: &e.lives}
	table := e.judges.table()
	e.asked = ask(table)
	e.lives.build(e.v, table)
}

// run asks the judges that look when something is due.
func (e *Engine) run(due room.Due) {
	e.v.Due = due
	for _, j := range e.asked[bits.TrailingZeros16(uint16(due))] {
		j.Step(e.v, &e.out)
	}
}

// A Gap is a stretch in which nobody looked: dewline was off, or stood still.
type Gap struct {
	From time.Time // by a set clock; zero where none was
	For  time.Duration
	At   time.Duration // running time, which stood still in it; 0 where it went on
}
