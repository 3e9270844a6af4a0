package main

import (
	"time"

	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/sensors/trace"
)

type traced struct {
	rd      *trace.Reader
	family  func(sensors.ProbeID) string // names the kind of a probe for its judge
	judges  map[sensors.ProbeID]*judged
	before  *judged // whose row came last
	began   bool
	missing error         // of a row without a value
	start   time.Time     // when running time began: the trace is the clock
	resume  time.Duration // running time of the first row
	now     sensors.Instant
}

// A judged is a probe of the trace. Rows of a poll tend to come in the same
// order every time, so each remembers who came after it.
type judged struct {
	id    sensors.ProbeID
	judge *sensors.Judge
	next  *judged
}

// A result is a row made into a reading; with an error that of before stays in it.
type result struct {
	reading sensors.Reading
	line    int
	first   bool // of its probe
	err     error
}

func newTraced(rd *trace.Reader, family func(sensors.ProbeID) string, resume time.Duration) *traced {
	return &traced{
		rd: rd, family: family, resume: resume, judges: map[sensors.ProbeID]*judged{}, before: &judged{},
		missing: sensors.Faultf(sensors.BusError, "no value in the trace"),
	}
}

// atOnce is how many rows are read before the rules look at them: what reads them and what
// judges them take turns in the processor's instruction cache, which does not hold both.
const atOnce = 128

// next adds a few rows to a list that has room for them; false once there are no more.
func (t *traced) next(to []result) ([]result, bool) {
	for range atOnce {
		to = to[:len(to)+1]
		x := &to[len(to)-1]
		t.row(x)
		if _, isLine := x.err.(*trace.LineError); x.err != nil && !isLine {
			return to, false
		}
	}
	return to, true
}

// row takes a row without any value for one of a probe that failed.
func (t *traced) row(to *result) {
	row, err := t.rd.Next()
	if to.line, to.err, to.first = row.Line, err, false; err != nil {
		return
	}
	if !t.began || row.Time != t.now.Wall {
		if !t.began {
			t.began, t.start = true, row.Time.Add(-t.resume)
		}
		t.now = sensors.Instant{Mono: row.Time.Sub(t.start), Wall: row.Time, Synced: true}
	}
	p := t.before.next
	if p == nil || p.id != row.Probe {
		if p = t.judges[row.Probe]; p == nil {
			p = &judged{id: row.Probe, judge: t.newJudge(row.Probe)}
			t.judges[row.Probe], to.first = p, true
		}
		t.before.next = p
	}
	t.before = p
	var missing error
	if row.Has == 0 {
		missing = t.missing
	}
	p.judge.ReadTo(&to.reading, t.now, row.Sample(), missing)
}

// newJudge returns a judge for one probe of the trace. A trace says nothing of
// the steps in which its probe counts, so an unchanged value alone proves
// nothing; the rules still compare it with its peers.
func (t *traced) newJudge(id sensors.ProbeID) *sensors.Judge {
	j := table.NewJudge(id, t.family(id))
	j.FreezeAfter(0)
	return j
}
