package alert

import (
	"fmt"
	"slices"
	"time"

	"dewline/alert/words"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

const (
	// silenceJoins is how long the word that somebody put alarms away waits for
	// more of the kind.
	silenceJoins = 3 * time.Minute
	// leastSilence is what is short enough to need no word.
	leastSilence = time.Hour
)

// Acted takes in what a person did to alarms and what came of it. Whoever silences
// more than a note for an hour or longer is named to everybody, with what follows.
func (d *Desk) Acted(now sensors.Instant, a *rules.Action, ts []rules.Transition) Effects {
	s := words.Silenced{How: words.PutAway, Subject: a.Key.Subject, By: a.By, Why: a.Why, Once: a.OneShot}
	lasts := a.For
	switch a.Kind {
	case rules.Shelve:
		if row, ok := alarm.Find(a.Key.Alarm); ok {
			s.Alarms = []alarm.ID{row.ID}
			if row.Priority <= rules.Note {
				return Effects{}
			}
		}
	case rules.TakeOut:
		if s.How = words.TakenOut; a.Empty {
			s.How = words.Emptied
		}
	case rules.Unshelve, rules.ReturnToService:
		return d.unsilence(now, a.Key)
	default:
		return Effects{}
	}
	if !a.Until.IsZero() {
		lasts = a.Until.Sub(now.Wall)
	}
	if lasts < leastSilence {
		return Effects{}
	}
	if s.Hours = lasts.Hours(); now.Synced {
		s.Until = now.Wall.Add(lasts)
	}
	woke := slices.ContainsFunc(ts, func(t rules.Transition) bool { return t.From.Annunciated() && t.Priority >= rules.Wake })
	d.begin(now)
	d.silence(s, woke)
	return d.finish()
}

// Dropped takes in the alarms that ended because the configuration names their
// enclosure no longer.
func (d *Desk) Dropped(now sensors.Instant, ts []rules.Transition) Effects {
	d.begin(now)
	for i := range ts {
		t := &ts[i]
		row, _ := alarm.Find(t.Key.Alarm)
		if t.Why == alarm.WhyConfig && t.From.Annunciated() && t.Priority > rules.Note && row.Of == alarm.OfEnclosure {
			s := words.Silenced{How: words.Dropped, Subject: t.Key.Subject, Alarms: []alarm.ID{t.Key.Alarm}}
			if in := d.byKey[t.Key]; in != nil {
				s.Name = in.member(t.Key).Name
			}
			d.silence(s, t.Priority >= rules.Wake)
		}
	}
	return d.finish()
}

// silence has everybody told of s, together with others of the last minutes.
func (d *Desk) silence(s words.Silenced, urgent bool) {
	if s.Name == "" {
		s.Name = d.opt.Names[s.Subject]
	}
	in := d.gathering()
	if in == nil {
		id := fmt.Sprintf("silence/%d", d.now.Mono.Milliseconds())
		in = &incident{
			Notice: Notice{ID: id, Version: 1, Kind: Silence, Room: d.opt.Room, Priority: rules.Today,
				Cause: rules.Cause{Kind: rules.CauseDewline}, Since: d.now.Wall},
			Opened: d.now.Mono, Ready: d.now.Mono + silenceJoins,
		}
		d.add(in)
	}
	if urgent { // no quiet hours for what was a matter of life
		in.Notice.Priority = rules.Wake
	}
	list := slices.DeleteFunc(slices.Clone(in.Notice.Silenced), func(o words.Silenced) bool {
		switch {
		case o.Subject != s.Subject || o.How != s.How:
			return false
		case s.How == words.Dropped: // one line for an enclosure
			s.Alarms = append(slices.Clone(o.Alarms), s.Alarms...)
			return true
		}
		return slices.Equal(o.Alarms, s.Alarms) // done anew
	})
	in.Notice.Silenced, in.touched = append(list, s), true
}

// gathering is the word that has not left yet, nil for none.
func (d *Desk) gathering() *incident {
	for _, in := range d.incidents() {
		if in.Notice.Kind == Silence && d.now.Mono < in.Ready {
			return in
		}
	}
	return nil
}

// unsilence takes back what nobody was told of yet.
func (d *Desk) unsilence(now sensors.Instant, k rules.Key) Effects {
	d.begin(now)
	if in := d.gathering(); in != nil {
		in.touched = true
		in.Notice.Silenced = slices.DeleteFunc(slices.Clone(in.Notice.Silenced), func(s words.Silenced) bool {
			return s.Subject == k.Subject && s.How != words.Dropped &&
				(k.Alarm == "" || slices.Equal(s.Alarms, []alarm.ID{k.Alarm}) || s.How != words.PutAway)
		})
		if len(in.Notice.Silenced) == 0 {
			d.forget(in)
		}
	}
	return d.finish()
}

// evaluateSilence tells each person once, by the first channel that takes it.
func (d *Desk) evaluateSilence(in *incident) {
	now := d.now.Mono
	if now < in.Ready {
		return
	}
	if in.Notice.Time.IsZero() {
		in.Notice.Time, in.Notice.ClockSet, in.touched = d.now.Wall.In(d.opt.Location), d.now.Synced, true
		d.log(Event{Notice: in.Notice.ID, What: "raised"})
	}
	waiting := false
	for _, person := range d.opt.People {
		waiting = d.tellOne(in, &person) || waiting
	}
	if !waiting || now-in.Ready >= d.opt.Keep {
		d.forget(in)
	}
}

// tellOne sees to it that one channel of a person takes in over, and reports
// whether none has yet.
func (d *Desk) tellOne(in *incident, person *Person) (waiting bool) {
	own := func(p *parcel) bool { return p.Person == person.ID }
	if slices.ContainsFunc(in.Out, func(p *parcel) bool { return own(p) && p.State == taken }) {
		n := len(in.Out)
		in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool { return own(p) && p.State == due })
		in.touched = in.touched || len(in.Out) != n
		return false
	}
	var last *parcel
	tried := 0
	for _, p := range in.Out {
		if own(p) {
			last, tried = p, tried+1
		}
	}
	fits := last != nil && last.State != lost && !d.dead(last.Channel) && last.Fails < 2 && d.now.Mono-last.DueSince < d.opt.Fallback
	if last != nil && (fits || d.held(last)) {
		return true
	}
	for _, c := range person.Channels {
		if slices.ContainsFunc(in.Out, func(p *parcel) bool { return p.Person == person.ID && p.Channel == c }) {
			continue
		}
		if tried++; !d.dead(c) || tried == len(person.Channels) {
			d.parcelFor(in, target{person.ID, c})
			return true
		}
	}
	if last == nil {
		d.parcelFor(in, target{person.ID, person.Channels[0]})
	}
	return true
}
