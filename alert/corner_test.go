package alert

import (
	"errors"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
)

// household is people who are told one after another, each by these channels.
func household(channels ...[]string) Options {
	o := Options{Room: "attic"}
	for i, c := range channels {
		o.People = append(o.People, configs.Person{ID: string(rune('a' + i)), Channels: c, MailTo: "x@example.test", EscalateAfter: configs.Duration(10 * time.Minute)})
	}
	return o
}

// A server that takes every connection and never says a word holds up nobody who is
// reached by something else, however many before are reached by it alone. Each
// attempt costs its whole time, as the courier gives it.
func TestUrgent_aSharedServerThatHangs(t *testing.T) {
	r := newRig(t, household([]string{"mail"}, []string{"mail"}, []string{"mail"}, []string{"gateway"}))
	r.hangs["mail"] = 20 * time.Second
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(2 * time.Minute)
	if after := r.namedAfter(time.Hour, "e1", "gateway"); after < 0 || after > time.Minute {
		t.Errorf("who can be reached heard of it after %v, want within a minute", after)
	}
}

// A server that does not know one person's address still takes mail for the next:
// nobody after them is woken.
func TestUrgent_anAddressThatIsRefused(t *testing.T) {
	o := household([]string{"mail"}, []string{"mail"}, []string{"gateway"})
	r := newRig(t, o)
	r.refuses = func(d Delivery) error {
		if d.Person == "a" {
			return Permanent(errors.New("550 no such user"))
		}
		return nil
	}
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(5 * time.Minute)
	if len(r.told("mail")) == 0 || r.got[0].Person != "b" {
		t.Fatalf("carried %q", r.told("mail"))
	}
	r.want("gateway")
}

// A shelf for less than an hour that is made longer again and again is told like a
// long one.
func TestSilence_renewedAgainAndAgain(t *testing.T) {
	r := newRig(t, twoPeople())
	shelve := rules.Action{Kind: rules.Shelve, Key: alarm.Key{Alarm: alarm.LethalAhead, Subject: "e1"}, By: "una", For: 50 * time.Minute}
	x := r.tr(onsetOf(alarm.LethalAhead, "e1", alarm.Shelved, tank("e1")))
	x.From = unack
	r.acted(shelve, x)
	r.pass(40 * time.Minute)
	if n := len(r.silences()); n != 0 {
		t.Fatalf("%d messages of a short shelf", n)
	}
	x.From = alarm.Shelved
	r.acted(shelve, x)
	r.pass(10 * time.Minute)
	got := r.silences()
	if len(got) != 2 {
		t.Fatalf("%d messages of a shelf made longer, want one to each of two people", len(got))
	}
	if !strings.Contains(got[0].Text, "una put away") {
		t.Error(got[0].Text)
	}
}

// What was put away and is dropped by a reload would have rung again: it is told.
func TestSilence_droppedFromTheShelf(t *testing.T) {
	r := newRig(t, twoPeople())
	x := r.tr(onsetOf(alarm.LethalAhead, "e1", norm, tank("e1")))
	x.From, x.Why, x.Detail.Active = alarm.Shelved, alarm.WhyConfig, true
	r.absorb(r.desk.Dropped(r.now, []rules.Transition{x}))
	r.transitions(x)
	r.pass(10 * time.Minute)
	if n := len(r.silences()); n != 2 {
		t.Errorf("%d messages, want one to each of two people", n)
	}
}

// A repeat that is on its way to a server that hangs is not sent again once somebody
// answered.
func TestUrgent_answeredWhileItHangs(t *testing.T) {
	r := newRig(t, household([]string{"mqtt", "mail"}))
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(4 * time.Minute)
	r.hangs["mail"] = 20 * time.Second
	r.pass(time.Minute + 10*time.Second)
	r.ack("lethal-ceiling/e1/1", "a")
	n := len(r.sent)
	r.pass(time.Hour)
	if len(r.sent) != n {
		t.Errorf("%d sendings after the answer", len(r.sent)-n)
	}
}

// A connection that comes for seconds and goes, for hours, brings a wake notice again as
// seldom as its repeats come, and at once after the first loss, which may have taken it.
func TestUrgent_aConnectionThatComesAndGoes(t *testing.T) {
	r := newRig(t, household([]string{"mqtt"}))
	r.absorb(r.desk.ChannelState(r.now, "mqtt", nil))
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(time.Minute)
	for i := range 3 * 60 {
		r.broken["mqtt"] = errAway
		r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
		r.pass(50 * time.Second)
		delete(r.broken, "mqtt")
		r.absorb(r.desk.ChannelState(r.now, "mqtt", nil))
		r.pass(10 * time.Second)
		if n := len(r.got); i == 0 && n != 2 {
			t.Fatalf("%d messages after the first loss, want it again", n)
		}
	}
	if n := len(r.got); n > 25 {
		t.Errorf("%d messages of one alarm in 3 h", n)
	}
}

// A server that asks to come again in an hour refuses for now: the next channel, or the next
// person, is asked at once.
func TestUrgent_comeAgainInAnHour(t *testing.T) {
	busy := func(d Delivery) error {
		if d.Channel == "mqtt" {
			return After(time.Hour, errors.New("429 Too Many Requests"))
		}
		return nil
	}
	r := newRig(t, household([]string{"mqtt", "mail"}))
	r.refuses = busy
	r.onset(alarm.AboveBand, "e1", tank("e1"))
	r.pass(time.Minute)
	r.want("mail", "raise above-band/e1/1")
	r = newRig(t, household([]string{"mqtt"}, []string{"mail"}))
	r.refuses = busy
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(10 * time.Second)
	r.want("mail", "raise lethal-ceiling/e1/1")
}
