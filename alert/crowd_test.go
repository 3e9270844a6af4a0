package alert

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"dewline/rules/alarm"
)

// crowd is a household of two whose 200 enclosures have names too long for one message.
func crowd() (o Options, ids []string) {
	o = twoPeople()
	o.Names = map[string]string{}
	for i := range 200 {
		id := fmt.Sprintf("e%03d", i)
		o.Names[id], ids = fmt.Sprintf("Moss wall number %d", i), append(ids, id)
	}
	return o, ids
}

// Of two hundred enclosures at once one message names no more than its text has room for; the
// next ones, each at once after the one before was taken over, name the others, all within
// half a minute. An answer covers no more than what it and those before it named.
func TestUrgent_moreThanAMessageNames(t *testing.T) {
	for _, kind := range []alarm.ID{alarm.LethalLimit, alarm.LethalAhead} {
		for _, own := range []bool{true, false} {
			t.Run(fmt.Sprint(kind, own), func(t *testing.T) {
				o, ids := crowd()
				r := newRig(t, o)
				since := r.now.Mono
				for _, id := range ids {
					cause := room
					if own {
						cause = tank(id)
					}
					r.onset(kind, id, cause)
				}
				r.refuses = func(Delivery) error { // the later versions, by every channel
					if len(r.got) < 6 {
						return nil
					}
					return errAway
				}
				r.pass(30 * time.Second)
				last := r.got[len(r.got)-1].Message
				r.ackVersion(last.ID, last.Version, "una")
				yes, no := r.covered()
				for _, id := range yes {
					r.wantNamed(since, id, "", 30*time.Second)
				}
				for _, id := range no {
					if slices.ContainsFunc(r.got, func(d Delivery) bool { return d.ID == last.ID && names(&d.Message, id) }) {
						t.Errorf("%s was named, answered, and is not covered", id)
					}
				}
				if len(yes) == 0 || len(no) == 0 {
					t.Fatalf("%d covered and %d not by six messages", len(yes), len(no))
				}
				r.refuses, since = nil, r.now.Mono
				r.pass(10 * time.Minute)
				for _, id := range no {
					r.wantNamed(since, id, "mqtt", 30*time.Second)
				}
				if n := len(r.told("mqtt")); n > 10 {
					t.Errorf("%d messages in 10 min", n)
				}
			})
		}
	}
}

// They come one by one while no channel works: the first that comes back names all of them
// within a minute, and no version is made that nobody hears.
func TestUrgent_moreThanAMessageNamesAfterAnOutage(t *testing.T) {
	o, ids := crowd()
	r := newRig(t, o)
	for _, c := range modelChannels {
		r.broken[c] = errAway
	}
	for i, id := range ids {
		r.onset(alarm.LethalLimit, id, tank(id))
		if i%4 == 0 { // a step of so many costs time
			r.pass(10 * time.Second)
		}
	}
	r.pass(time.Minute)
	before := r.desk.Open()[0].Notice.Version
	r.pass(4 * time.Minute)
	if v := r.desk.Open()[0].Notice.Version; v != before {
		t.Errorf("versions %d to %d, of which nobody heard", before+1, v)
	}
	delete(r.broken, "mqtt")
	since := r.now.Mono
	r.restart()
	r.pass(10 * time.Minute)
	for _, id := range ids {
		r.wantNamed(since, id, "mqtt", time.Minute)
	}
}
