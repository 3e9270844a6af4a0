package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"dewline/sensors"
	"dewline/store"
)

// The probes are the source that is running, if any, and what its probes went
// through. A source runs on goroutines of its own.
type probes struct {
	*base
	record *record
	mu     sync.Mutex // guards source
	source Source
}

func (p *probes) use(s Source) {
	p.mu.Lock()
	p.source = s
	p.mu.Unlock()
	p.correct()
}

// correct puts the newest calibrations in force. The lock is held for
// all of it, so that of two at once the later one has the newest.
func (p *probes) correct() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.source != nil {
		p.source.Correct(p.book.set())
	}
}

func (p *probes) current() Source {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.source
}

// loadBook puts the calibrations on record in force beside those made since the
// start, once, before the record is used. The sources count from by less than the
// record does.
func (p *probes) loadBook(st *store.Store, by time.Duration) {
	records, err := loadCorrections(st)
	if err != nil {
		p.log.Error("some calibrations cannot be read; raw values are used for them", "err", err)
	}
	p.book.load(records, p.log)
	p.correct()
	if src := p.current(); src != nil { // else it will ask for it
		src.Resume(shifted(p.past(st), -by))
	}
}

func (p *probes) ageing() map[sensors.ProbeID]sensors.Ageing {
	if s := p.current(); s != nil {
		return s.Ageing()
	}
	st := p.record.Store()
	if st == nil {
		return nil
	}
	return p.past(st)
}

// past is what a record says that each probe went through.
func (p *probes) past(st *store.Store) map[sensors.ProbeID]sensors.Ageing {
	m, err := loadAgeing(st)
	if err != nil {
		p.log.Warn("what the probes went through cannot be read; their stated uncertainty starts afresh", "err", err)
	}
	return m
}

// What probes went through is kept under this key, once an hour: it moves
// slowly and would only wear the card.
const (
	ageingKey   = "ageing"
	ageingEvery = time.Hour
)

// shifted is what probes went through, counted in another running time.
func shifted(m map[sensors.ProbeID]sensors.Ageing, by time.Duration) map[sensors.ProbeID]sensors.Ageing {
	out := make(map[sensors.ProbeID]sensors.Ageing, len(m))
	for id, a := range m {
		a.Last += by
		out[id] = a
	}
	return out
}

func loadAgeing(st *store.Store) (map[sensors.ProbeID]sensors.Ageing, error) {
	b, err := st.Get(store.BucketMeta, ageingKey)
	if err != nil || len(b) == 0 {
		return nil, err
	}
	var m map[sensors.ProbeID]sensors.Ageing
	if err := json.Unmarshal(b, &m); err != nil {
		return nil, fmt.Errorf("decode what the probes went through: %w", err)
	}
	return m, nil
}

// ProbePast returns what the stated uncertainty of a probe depends on beside
// its family: the corrections on record, and what each probe went through.
func ProbePast(st *store.Store) (*sensors.Corrections, map[sensors.ProbeID]sensors.Ageing, error) {
	records, err := loadCorrections(st)
	set, faults := sensors.NewCorrections(records)
	ageing, aerr := loadAgeing(st)
	return set, ageing, errors.Join(err, faults, aerr)
}

func loadCorrections(st *store.Store) (out []sensors.Correction, err error) {
	out = slices.Collect(store.Good(store.Decode[sensors.Correction](st.Docs(store.BucketCalibration)), store.JoinTo(&err)))
	return out, err
}

// inPlaceOf is what was in force until now, or what is undone; for the journal.
func inPlaceOf(set *sensors.Corrections, c sensors.Correction) string {
	var old *sensors.Correction
	if c.Undoes != "" {
		for _, r := range set.Records() {
			if r.ID == c.Undoes {
				old = &r
			}
		}
	} else if in := set.At(c.Probe, c.From); c.Quantity == sensors.Humidity {
		old = in.Humidity
	} else {
		old = in.Temperature
	}
	if old == nil {
		return "none"
	}
	b, err := json.Marshal(old)
	if err != nil {
		return old.ID
	}
	return string(b)
}
