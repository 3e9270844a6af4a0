package rules

import (
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
	order    order
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
	e.order = newOrder(cfg)
	e.judges, e.out = newJudges(e.v), room.Out{Lives: &e.lives}
	table := e.judges.table()
	e.asked = ask(table)
	e.lives.build(e.v, table)
}

// run asks the judges that look when something is due.
func (e *Engine) run(due room.Due) {
	e.v.Due = due
	for _, j := range e.asked[due] {
		j.Step(e.v, &e.out)
	}
}

// A Gap is a stretch in which nobody looked: dewline was off, or stood still.
type Gap struct {
	From time.Time // by a set clock; zero where none was
	For  time.Duration
	At   time.Duration // running time, which stood still in it; 0 where it went on
}

// An order finds probes. The readings of a poll tend to come in the same order
// every time, which spares looking for the name.
type order struct {
	names  []sensors.ProbeID
	after  []int // which probe's reading came after each one's, last time
	before int   // the probe whose reading came last
}

func newOrder(cfg *configs.Config) order {
	o := order{names: make([]sensors.ProbeID, len(cfg.Probes)), after: make([]int, len(cfg.Probes))}
	for i, c := range cfg.Probes {
		o.names[i] = sensors.ProbeID(c.ID)
	}
	return o
}

// index finds a probe among all of them.
func (o *order) index(id sensors.ProbeID, all map[sensors.ProbeID]int) (int, bool) {
	if len(o.names) == 0 {
		return 0, false
	}
	if i := o.after[o.before]; o.names[i] == id {
		o.before = i
		return i, true
	}
	i, ok := all[id]
	if ok {
		o.after[o.before], o.before = i, i
	}
	return i, ok
}
