package alert

import (
	"slices"
	"time"

	"dewline/alert/words"
	"dewline/rules"
)

const (
	// refusalHolds is how long a channel that refused counts as one that will
	// refuse again, if nothing was tried since.
	refusalHolds = 10 * time.Minute
	// unheardFor is how long a wake notice waits for any channel to take it over
	// before the next person is told too.
	unheardFor = 30 * time.Second
)

// dead reports whether a channel is known not to work: it is disconnected,
// refuses, or is stalled.
func (d *Desk) dead(channel string) bool {
	l := d.link(channel)
	if d.stalled == nil {
		d.stalled = append([]string{}, d.StalledChannels(d.now)...)
	}
	return l.downSince > 0 && l.upSince == 0 || l.refused && d.now.Mono-l.failedAt < refusalHolds || slices.Contains(d.stalled, channel)
}

// unheard reports whether nobody has taken over what calls in a wake notice,
// and waiting longer has no sense: every channel of the people told so far is
// dead, or had its time.
func (d *Desk) unheard(in *incident) bool {
	confirmed := 0
	for _, p := range in.Out {
		confirmed = max(confirmed, p.Confirmed)
	}
	unheard, since := false, d.now.Mono
	for i := range in.Notice.Members {
		m := &in.Notice.Members[i]
		if calls(m) && m.Told && !m.Heard && !m.namedBy(in.Notice.ID, confirmed) {
			unheard, since = true, min(since, m.ToldAt)
		}
	}
	if !unheard {
		return false
	}
	if d.now.Mono-max(since, in.LevelAt) >= unheardFor {
		return true
	}
	for _, t := range d.targets(in.Level + 1) {
		if !d.dead(t.channel) {
			return false
		}
	}
	return true
}

// rankOf is a person's place in the order of escalation, -1 for nobody of it.
func (d *Desk) rankOf(person string) int {
	return slices.IndexFunc(d.opt.People, func(p Person) bool { return p.ID == person })
}

// onDuty reports whether a person is to hear of a wake notice: by the level of
// escalation, or of news for having answered it.
func (d *Desk) onDuty(in *incident, person string) bool {
	if i := d.rankOf(person); i >= 0 && i <= in.Level {
		return true
	}
	return in.Answerer != "" && person == d.idOf(in.Answerer) && in.calling()
}

// concerns reports whether news of in are for whom p reaches.
func (d *Desk) concerns(in *incident, p *parcel) bool {
	return in.rank() < wakeRank || d.onDuty(in, p.Person)
}

// escalated reports whether a person hears of in because others before did not
// answer.
func (d *Desk) escalated(in *incident, person string) bool {
	i := d.rankOf(person)
	return !in.aside() && in.Notice.Priority >= rules.Wake && i > 0 && i <= in.Level
}

// preface says to a person why it is their turn, while nobody answered.
func (d *Desk) preface(in *incident, p *parcel) string {
	if _, _, calling := in.unanswered(); !calling || p.Kind == FollowUp {
		return ""
	}
	turn := d.rankOf(p.Person)
	return words.YourTurn(slices.ContainsFunc(in.Out, func(o *parcel) bool { return o.Confirmed > 0 && d.rankOf(o.Person) < turn }))
}
