package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// Start makes the onset numbers of this run unlike those of any other, also of
// one whose last words never reached the record: the first onset of an alarm
// leaves out n numbers. Every run takes another n, drawn by chance.
func (e *Engine) Start(n uint64) { e.lives.leap = n }

// A Renumbering says under which number the onset of an alarm goes on, which had
// the number Old in the run before and Mine in this one; 0 where it had none.
type Renumbering struct{ Old, Mine, Now uint64 }

// Merge joins what an earlier run left, read only when this run had gone on for
// a while without it. Times of this run move by so much running time as the
// earlier run had; now is past that. What the estimators learned is the earlier
// run's; of what happened since, the alarms and what people did with them.
func (e *Engine) Merge(now sensors.Instant, by time.Duration, s *State, records []room.Record) ([]Transition, map[alarm.Key]Renumbering) {
	m := merger{leap: e.lives.leap, slack: 2 * e.v.Cfg.Room.Poll.D()}
	if e.began {
		m.began = e.v.Watched + by
	}
	mine := map[alarm.Key]room.Record{}
	for _, r := range e.Records() {
		shift(&r, by)
		mine[r.Key] = r
	}
	renumbered := map[alarm.Key]Renumbering{}
	var all []room.Record
	for _, old := range records {
		if r, ok := mine[old.Key]; ok {
			delete(mine, old.Key)
			var n Renumbering
			old, n = m.join(old, r)
			renumbered[old.Key] = n
		}
		all = append(all, old)
	}
	for _, r := range mine {
		all = append(all, r)
	}
	sortRecords(all)
	if s != nil && !s.Off.Set.IsZero() && !s.Off.Open { // nobody looked until this run began
		s.Off.Open, s.Off.At = true, by
	}
	cfg, leap, facts := e.v.Cfg, e.lives.leap, e.lives.facts
	*e = Engine{} // in its place: what judges find is told to these lifecycles
	e.build(cfg)
	e.lives.leap, e.lives.facts = leap, facts
	return e.Restore(s, all, now), renumbered
}

type merger struct {
	leap  uint64
	began time.Duration // when this run first looked
	slack time.Duration
}

// join makes one record of the one that an earlier run left and the one of this
// run.
func (m *merger) join(old, mine room.Record) (room.Record, Renumbering) {
	a, b := &old.Life, &mine.Life
	switch {
	case b.Seq == 0 && a.State != alarm.Norm:
		return old, Renumbering{} // nothing rose since: it is as it was left
	case b.Seq == 0:
		b.Seq, b.EndedAt = a.Seq, max(a.EndedAt, b.EndedAt) // a delay that is running goes on
		mine.Stats = joinStats(&old, &mine)
		return mine, Renumbering{}
	case a.State == alarm.Norm:
		n := Renumbering{Mine: b.Seq, Now: b.Seq}
		if b.Seq <= a.Seq {
			n.Now = a.Seq + 1 + m.leap
		}
		b.Seq = n.Now
		mine.Stats = joinStats(&old, &mine)
		return mine, n
	case b.State == alarm.Norm: // it rose and ended since, and what was open before is still to end
		n := Renumbering{Old: a.Seq, Now: max(a.Seq, b.Seq+1)}
		a.Seq = n.Now
		old.Stats = joinStats(&old, &mine)
		return old, n
	}
	n := Renumbering{Old: a.Seq, Mine: b.Seq, Now: max(a.Seq, b.Seq)}
	mine.Stats = joinStats(&old, &mine)
	b.Seq = n.Now
	if m.same(a, b) {
		m.goOn(&old, &mine)
	}
	if b.Out == nil && b.Shelf == nil && (a.Out != nil || a.Shelf != nil) {
		b.Out, b.Shelf, b.State = a.Out, a.Shelf, a.State
	}
	return mine, n
}

// same reports whether an alarm of this run is the one that was left active: it
// was there at this run's first look. One that rose after the process was seen
// to be back is another, which no earlier answer covers.
func (m *merger) same(a, b *alarm.Record) bool {
	return a.Active && b.Active && b.EndedAt == 0 && b.Since.Mono <= m.began+m.slack
}

// goOn gives an alarm the beginning that it had before, and the answer, unless it
// is more urgent now than what was answered.
func (m *merger) goOn(old, mine *room.Record) {
	a, b := &old.Life, &mine.Life
	if !a.Since.IsZero() {
		b.Since = a.Since
	}
	if a.State == alarm.Acked && b.State == alarm.Unack && mine.Priority <= old.Priority {
		b.State, b.Answered, b.AckedAt, mine.AckedBy = alarm.Acked, true, a.AckedAt, old.AckedBy
	}
	row, _ := alarm.Find(mine.Key.Alarm)
	mine.Priority, mine.Peak = max(mine.Priority, old.Priority), old.Peak.Further(mine.Peak, row.Low)
}

// joinStats adds what was counted in two runs, the later one second.
func joinStats(old, mine *room.Record) *room.Stats {
	a, b := old.Measured(), mine.Measured()
	raises, sum := a.Raises, b
	sum.Raised, sum.Acked, sum.AckTotal = a.Raised+b.Raised, a.Acked+b.Acked, a.AckTotal+b.AckTotal
	sum.AckMax = max(a.AckMax, b.AckMax)
	sum.Chattered, sum.Quick = a.Chattered+b.Chattered, a.Quick+b.Quick
	if n := int(min(b.Raised, uint64(len(raises)))); n < len(raises) {
		copy(sum.Raises[n:], raises[:])
	}
	sum.Returns = a.Returns
	sum.Returned(b.Latest()...)
	if b.Raised == 0 {
		sum.UnackAt, sum.Far = a.UnackAt, a.Far
	}
	return &sum
}

// shift moves the running times of a record that are set.
func shift(r *room.Record, by time.Duration) {
	shiftLife(&r.Life, by)
	if r.Severe != nil {
		c := *r.Severe
		shiftLife(&c, by)
		r.Severe = &c
	}
	if r.Peak != nil {
		p := *r.Peak
		p.At.Mono += by
		r.Peak = &p
	}
	if r.Stats == nil {
		return
	}
	c := *r.Stats
	for i := range c.Raises {
		move(&c.Raises[i], by)
	}
	move(&c.UnackAt, by)
	r.Stats = &c
}

func shiftLife(l *alarm.Record, by time.Duration) {
	if !l.Since.IsZero() {
		l.Since.Mono += by
	}
	move(&l.SeenAt, by)
	move(&l.AckedAt, by)
	move(&l.EndedAt, by)
	if l.Shelf != nil {
		c := *l.Shelf
		c.Until += by
		l.Shelf = &c
	}
	if l.Out != nil {
		c := *l.Out
		c.Mono += by
		l.Out = &c
	}
}

func move(t *time.Duration, by time.Duration) {
	if *t != 0 {
		*t += by
	}
}
