package alert

import (
	"encoding/json"
	"fmt"
	"maps"

	"dewline/rules"
	"dewline/sensors"
)

// A DrillResult is what a drill measured.
type DrillResult struct {
	ID      string             `json:"id"`
	Person  string             `json:"person"`
	At      sensors.Instant    `json:"at"`
	Taken   map[string]float64 `json:"taken"` // seconds until each channel took it over
	Acked   bool               `json:"acked"`
	AckedIn float64            `json:"acked_in"` // seconds
	AckedBy string             `json:"acked_by,omitempty"`
	Done    bool               `json:"done"`
}

// NewDrill sends a test notice to a person ("" for the first) through every
// channel of theirs, and measures. It returns the notice's id.
func (d *Desk) NewDrill(now sensors.Instant, person string) (string, Effects, error) {
	p := &d.opt.People[0]
	if person != "" {
		if p = d.person(person); p == nil {
			return "", Effects{}, fmt.Errorf("drill for %q: %w", person, ErrUnknownPerson)
		}
	}
	// Running time never repeats, so neither does the id.
	id := fmt.Sprintf("drill/%s/%d", p.ID, now.Mono.Milliseconds())
	if d.byID[id] != nil {
		return id, Effects{}, nil
	}
	d.begin(now)
	in := &incident{
		Notice: Notice{
			ID: id, Version: 1, Kind: Test, Room: d.opt.Room, Priority: rules.Wake, Person: p.ID,
			Cause: rules.Cause{Kind: rules.CauseDewline}, Since: now.Wall, Time: now.Wall, ClockSet: now.Synced,
		},
		Opened: now.Mono, NextRepeat: now.Mono + d.opt.Repeats[0],
		Drill: &DrillResult{ID: id, Person: p.ID, At: now, Taken: make(map[string]float64)},
	}
	d.add(in)
	d.last = in.Drill
	for _, c := range p.Channels {
		d.parcelFor(in, target{p.ID, c})
	}
	d.log(Event{Notice: id, What: "drill", Person: p.ID})
	return id, d.finish(), nil
}

// evaluateDrill repeats a drill until it is answered or its time is up.
func (d *Desk) evaluateDrill(in *incident) {
	now := d.now.Mono
	if now-in.Opened >= d.opt.DrillFor {
		d.finishDrill(in, "nobody acknowledged it")
		return
	}
	if now >= in.NextRepeat {
		in.Repeated++
		in.NextRepeat = now + d.interval(in)
		for _, p := range in.Out {
			d.makeDue(p, in, false)
		}
	}
}

// answerDrill measures the acknowledgement.
func (d *Desk) answerDrill(in *incident, by string) {
	r := in.Drill
	r.Acked, r.AckedBy, r.AckedIn = true, by, (d.now.Mono - in.Opened).Seconds()
	d.log(Event{Notice: in.Notice.ID, What: "acknowledged", Person: by})
	d.finishDrill(in, fmt.Sprintf("answered after %.0f s", r.AckedIn))
}

// finishDrill keeps the result and forgets the notice.
func (d *Desk) finishDrill(in *incident, why string) {
	in.Drill.Done = true
	d.last = in.Drill
	d.log(Event{Notice: in.Notice.ID, What: "drill-over", Person: in.Drill.Person, Why: why})
	d.eff.Put = append(d.eff.Put, drillDoc(in.Drill))
	d.forget(in)
}

// drillDoc makes the document of the last drill.
func drillDoc(r *DrillResult) Doc {
	data, _ := json.Marshal(r) // plain finite figures cannot fail
	return Doc{Key: drillKey, Data: data}
}

// LastDrill returns the drill begun last, finished or not.
func (d *Desk) LastDrill() (DrillResult, bool) {
	if d.last == nil {
		return DrillResult{}, false
	}
	r := *d.last
	r.Taken = maps.Clone(r.Taken)
	return r, true
}
