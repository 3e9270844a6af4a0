package alert

import (
	"encoding/json"
	"fmt"
	"maps"

	"dewline/rules/alarm"
	"dewline/store"
)

// Drills are tests of the way to a person.
type drills struct {
	*call
	book   *book
	outbox *outbox
	last   *DrillResult
}

// whom returns the person of an id, the first for none.
func (d *drills) whom(id string) (*Person, error) {
	if id == "" {
		return &d.opt.People[0], nil
	}
	if p := d.opt.person(id); p != nil {
		return p, nil
	}
	return nil, fmt.Errorf("drill for %q: %w", id, ErrUnknownPerson)
}

// begin sends a test notice to a person through all channels of theirs.
func (d *drills) begin(p *Person) string {
	now := d.now
	// Running time never repeats, so neither does the id.
	id := fmt.Sprintf("drill/%s/%d", p.ID, now.Mono.Milliseconds())
	if d.book.byID[id] != nil {
		return id
	}
	in := &incident{
		Notice: Notice{
			ID: id, Version: 1, Kind: Test, Room: d.opt.Room, Priority: alarm.Wake, Person: p.ID,
			Cause: alarm.Cause{Kind: alarm.CauseDewline}, Since: now.Wall, Time: now.Wall, ClockSet: now.Synced,
		},
		Opened: now.Mono, NextRepeat: now.Mono + interval(0),
		Drill: &DrillResult{ID: id, Person: p.ID, At: now, Taken: make(map[string]float64)},
	}
	d.book.add(in)
	d.last = in.Drill
	for _, t := range p.targets() {
		d.outbox.parcelFor(in, t)
	}
	d.log(Event{Notice: id, What: "drill", Person: p.ID})
	return id
}

// evaluate repeats a drill until it is answered or its time is up.
func (d *drills) evaluate(in *incident) {
	now := d.now.Mono
	if now-in.Opened >= drillFor {
		d.end(in, "nobody acknowledged it")
		return
	}
	if now >= in.NextRepeat {
		in.Repeated++
		in.NextRepeat = now + interval(in.Repeated)
		for _, p := range in.Out {
			d.outbox.makeDue(p, in, false)
		}
	}
}

// answer measures the acknowledgement.
func (d *drills) answer(in *incident, by string) {
	r := in.Drill
	r.Acked, r.AckedBy, r.AckedIn = true, by, (d.now.Mono - in.Opened).Seconds()
	d.log(Event{Notice: in.Notice.ID, What: "acknowledged", Person: by})
	d.end(in, fmt.Sprintf("answered after %.0f s", r.AckedIn))
}

// end keeps the result and forgets the notice.
func (d *drills) end(in *incident, why string) {
	in.Drill.Done = true
	d.last = in.Drill
	d.log(Event{Notice: in.Notice.ID, What: "drill-over", Person: in.Drill.Person, Why: why})
	d.eff.Docs = append(d.eff.Docs, drillDoc(in.Drill))
	d.book.forget(in)
}

// newest returns the drill begun last.
func (d *drills) newest() (DrillResult, bool) {
	if d.last == nil {
		return DrillResult{}, false
	}
	r := *d.last
	r.Taken = maps.Clone(r.Taken)
	return r, true
}

// drillDoc makes the document of the last drill.
func drillDoc(r *DrillResult) store.Doc {
	data, _ := json.Marshal(r) // plain finite figures cannot fail
	return docOf(drillKey, data)
}
