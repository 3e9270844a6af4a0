package alert

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/store"
)

// Drills are tests of the way to a person.
type drills struct {
	*call
	book   *book
	outbox *outbox
	last   *DrillResult
}

// begin sends a test notice to a person through all channels of theirs.
func (d *drills) begin(p *configs.Person) string {
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
	for _, t := range targetsOf(p) {
		d.outbox.parcelFor(in, t)
	}
	d.log(Event{Notice: id, What: event.NoticeDrill, Person: p.ID})
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
	d.log(Event{Notice: in.Notice.ID, What: event.NoticeAcknowledged, Person: by})
	d.end(in, fmt.Sprintf("answered after %.0f s", r.AckedIn))
}

func (d *drills) end(in *incident, why string) {
	in.Drill.Done = true
	d.last = in.Drill
	d.log(Event{Notice: in.Notice.ID, What: event.NoticeDrillOver, Person: in.Drill.Person, Why: why})
	d.eff.Docs = append(d.eff.Docs, drillDoc(in.Drill))
	d.book.forget(in)
}

func drillDoc(r *DrillResult) store.Doc {
	data, _ := json.Marshal(r) // plain finite figures cannot fail
	return docOf(drillKey, data)
}

const (
	// silenceJoins is how long the word that somebody put alarms away waits for
	// more of the kind.
	silenceJoins = 3 * time.Minute
	// leastSilence is what is too long to go without a word.
	leastSilence = time.Hour
)

// Silences tell everybody who put alarms away.
type silences struct {
	*call
	book   *book
	outbox *outbox
}

func (s *silences) acted(a *rules.Action, ts []rules.Transition) {
	w := words.Silenced{How: words.PutAway, Subject: a.Key.Subject, By: a.By, Why: a.Why, Once: a.OneShot}
	switch a.Kind {
	case rules.Shelve:
		if row, ok := alarm.Find(a.Key.Alarm); ok {
			w.Alarms = []alarm.ID{row.ID}
			if row.Priority <= alarm.Note {
				return
			}
		}
	case rules.TakeOut:
		if w.How = words.TakenOut; a.Empty {
			w.How = words.Emptied
		}
	case rules.Unshelve, rules.ReturnToService:
		s.undo(a.Key)
		return
	case Duty, DutyOver:
		s.turned(a, &w)
		return
	default:
		return
	}
	lasts := s.lasts(&w, a)
	longer := func(t rules.Transition) bool { return t.From == alarm.Shelved || t.From == alarm.OutOfService }
	if lasts < leastSilence && !slices.ContainsFunc(ts, longer) {
		return
	}
	s.tell(w, slices.ContainsFunc(ts, func(t rules.Transition) bool { return t.From.Annunciated() && t.Priority >= alarm.Wake }))
}

// lasts notes how long w goes on.
func (s *silences) lasts(w *words.Silenced, a *rules.Action) time.Duration {
	lasts := a.For
	if !a.Until.IsZero() {
		lasts = a.Until.Sub(s.now.Wall)
	}
	if w.Hours = lasts.Hours(); s.now.Synced {
		w.Until = s.now.Wall.Add(lasts)
	}
	return lasts
}

// turned has everybody told who is put on duty, however short, or that it is over.
func (s *silences) turned(a *rules.Action, w *words.Silenced) {
	if w.How = words.OnDuty; a.Kind == DutyOver {
		w.How = words.DutyOver
	}
	w.Until = a.Until
	if p := s.opt.person(w.Subject); p != nil {
		w.Name = p.Name
	}
	s.tell(*w, false)
}

// tell has everybody told of w, together with others of the last minutes.
func (s *silences) tell(w words.Silenced, urgent bool) {
	if w.Name == "" {
		w.Name = s.opt.Names[w.Subject]
	}
	in := s.gathering()
	if in == nil {
		id := fmt.Sprintf("silence/%d", s.now.Mono.Milliseconds())
		in = &incident{
			Notice: Notice{ID: id, Version: 1, Kind: Silence, Room: s.opt.Room, Priority: alarm.Today,
				Cause: alarm.Cause{Kind: alarm.CauseDewline}, Since: s.now.Wall},
			Opened: s.now.Mono, Ready: s.now.Mono + silenceJoins,
		}
		s.book.add(in)
	}
	if urgent { // no quiet hours for what was a matter of life
		in.Notice.Priority = alarm.Wake
	}
	list := slices.DeleteFunc(slices.Clone(in.Notice.Silenced), func(o words.Silenced) bool {
		switch {
		case w.How == words.OnDuty || w.How == words.DutyOver: // the newest holds
			return o.How == words.OnDuty || o.How == words.DutyOver
		case o.Subject != w.Subject || o.How != w.How:
			return false
		case w.How == words.Dropped || w.How == words.Raised: // one line for an enclosure
			w.Alarms = append(slices.Clone(o.Alarms), w.Alarms...)
			return true
		}
		return slices.Equal(o.Alarms, w.Alarms) // done anew
	})
	in.Notice.Silenced, in.touched = append(list, w), true
}

// gathering is the word that has not left yet, nil for none.
func (s *silences) gathering() *incident {
	for _, in := range s.book.list() {
		if in.Notice.Kind == Silence && s.now.Mono < in.Ready {
			return in
		}
	}
	return nil
}

// undo takes back what nobody was told of yet.
func (s *silences) undo(k alarm.Key) {
	in := s.gathering()
	if in == nil {
		return
	}
	in.touched = true
	in.Notice.Silenced = slices.DeleteFunc(slices.Clone(in.Notice.Silenced), func(w words.Silenced) bool {
		return w.Subject == k.Subject && !slices.Contains([]string{words.Dropped, words.Raised, words.OnDuty, words.DutyOver}, w.How) &&
			(k.Alarm == "" || slices.Equal(w.Alarms, []alarm.ID{k.Alarm}) || w.How != words.PutAway)
	})
	if len(in.Notice.Silenced) == 0 {
		s.book.forget(in)
	}
}

// evaluate tells each person once, by the first channel that takes it.
func (s *silences) evaluate(in *incident) {
	now := s.now.Mono
	if now < in.Ready {
		return
	}
	if in.Notice.Time.IsZero() {
		in.Notice.Time, in.Notice.ClockSet, in.touched = s.now.Wall.In(s.opt.Location), s.now.Synced, true
		s.log(Event{Notice: in.Notice.ID, What: event.NoticeRaised})
	}
	all := true
	for i := range s.opt.People {
		all = s.outbox.one(in, targetsOf(&s.opt.People[i])) && all
	}
	if all || now-in.Ready >= keepFor {
		s.book.forget(in)
	}
}
