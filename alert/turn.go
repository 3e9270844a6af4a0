package alert

import (
	"slices"

	"dewline/alert/words"
	"dewline/rules/alarm"
)

// onDuty reports whether a person is to hear of a wake notice: by the level of
// escalation, or of news for having answered it.
func (o *Options) onDuty(in *incident, person string) bool {
	if i := o.rankOf(person); i >= 0 && i <= in.Level {
		return true
	}
	return in.Answerer != "" && person == o.idOf(in.Answerer) && in.calling()
}

// concerns reports whether news of in are for whom p reaches.
func (o *Options) concerns(in *incident, p *parcel) bool {
	return in.rank() < wakeRank || o.onDuty(in, p.Person)
}

// escalated reports whether a person hears of in because others before did not
// answer.
func (o *Options) escalated(in *incident, person string) bool {
	i := o.rankOf(person)
	return !in.aside() && in.Notice.Priority >= alarm.Wake && i > 0 && i <= in.Level
}

// preface says to a person why it is their turn, while nobody answered.
func (o *Options) preface(in *incident, p *parcel) string {
	if _, calling := in.unanswered(); !calling || p.Kind == FollowUp {
		return ""
	}
	turn := o.rankOf(p.Person)
	return words.YourTurn(slices.ContainsFunc(in.Out, func(x *parcel) bool { return x.Confirmed > 0 && o.rankOf(x.Person) < turn }))
}
