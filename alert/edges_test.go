package alert

import (
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A command is taken up to its limits and not past them, with all that its action needs.
func TestCommand_Check(t *testing.T) {
	end := time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC)
	long := strings.Repeat("x", MaxWord)
	for _, c := range []struct {
		cmd  Command
		want string // part of the refusal, empty for none
	}{
		{Command{Action: "acknowledge", Notice: "n"}, ""},
		{Command{Action: "acknowledge", Notice: "n", Version: 1}, ""},
		{Command{Action: "acknowledge", Notice: "n", Version: -1}, "version"},
		{Command{Action: "acknowledge", Subject: "moss", Version: 1}, "version"},
		{Command{Action: "acknowledge", Subject: "moss"}, ""},
		{Command{Action: "acknowledge"}, "needs a notice"},
		{Command{Action: "reset", Notice: "n"}, "a notice can be acknowledged"},
		{Command{Action: "unshelve"}, "needs a subject"},
		{Command{Action: "mow", Subject: "moss"}, "unknown action"},
		{Command{Action: "shelve", Subject: "moss", Minutes: 1}, ""},
		{Command{Action: "shelve", Subject: "moss"}, "needs minutes:"},
		{Command{Action: "shelve", Subject: "moss", Until: end}, "end date"},
		{Command{Action: "shelve", Subject: "moss", Minutes: maxMinutes}, ""},
		{Command{Action: "shelve", Subject: "moss", Minutes: maxMinutes + 1}, "minutes must lie"},
		{Command{Action: "shelve", Subject: "moss", Minutes: -1}, "minutes must lie"},
		{Command{Action: "shelve", Subject: "moss", Minutes: math.NaN()}, "minutes must lie"},
		{Command{Action: "shelve", Subject: "moss", Minutes: 1, Empty: true}, "takes empty"},
		{Command{Action: "out-of-service", Subject: "moss", Until: end, Empty: true}, ""},
		{Command{Action: "out-of-service", Subject: "moss"}, "or until with a date"},
		{Command{Action: "duty", Subject: "una", Minutes: 1}, ""},
		{Command{Action: "duty-over"}, ""},
		{Command{Action: "unshelve", Subject: long, Why: strings.Repeat("x", maxWhy)}, ""},
		{Command{Action: "unshelve", Subject: long + "x"}, "longer than"},
		{Command{Action: "unshelve", Subject: "moss", Why: strings.Repeat("x", maxWhy+1)}, "why is longer"},
		{Command{Action: "unshelve", Subject: "moss\n"}, "control characters"},
		{Command{Action: "unshelve", Subject: "moss\xff"}, "control characters"},
	} {
		err := c.cmd.Check()
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.cmd, err, c.want)
		}
	}
}

// A channel was seen to work by a message that it took or by its connection.
func TestChannelStats_Worked(t *testing.T) {
	yes, no := true, false
	for _, c := range []struct {
		s    ChannelStats
		want bool
	}{
		{ChannelStats{}, false},
		{ChannelStats{Connected: &no}, false},
		{ChannelStats{Connected: &yes}, true},
		{ChannelStats{LastSuccess: rules.Moment{Instant: sensors.Instant{Mono: 1}}, Connected: &no}, true},
	} {
		if got := c.s.Worked(); got != c.want {
			t.Errorf("%+v worked: %v", c.s, got)
		}
	}
}

// What waits for a person's channel leaves as soon as that works for them again, and
// the journal says after how many tries, once.
func TestOutbox_AllLeavesOnceAChannelWorks(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.broken["mqtt"] = errAway
	for i := range 3 { // each with tries of its own
		id := fmt.Sprint("e", i)
		r.transitions(r.tr(change{alarm.BelowBand, id, unack, alarm.Today, alarm.Cause{Kind: alarm.CauseShelf, ID: id}, 10, 0}))
		r.pass(90 * time.Second)
	}
	r.pass(10 * time.Minute)
	delete(r.broken, "mqtt")
	r.pass(6 * time.Minute)
	if len(r.when) != 3 || r.when[2]-r.when[0] > 10*time.Second {
		t.Errorf("taken over at %v", r.when)
	}
	var after []string
	for _, e := range r.events {
		if e.What == "handed-over" {
			after = append(after, e.Why)
		}
	}
	if len(after) != 3 || !strings.HasSuffix(after[0], " failed tries") || after[1]+after[2] != "" {
		t.Errorf("the journal says %q", after)
	}
}

// A steady fault of a channel is logged when it begins and when it ends.
func TestLane_LogsAFaultOnce(t *testing.T) {
	var out strings.Builder
	log, l := slog.New(slog.NewTextHandler(&out, nil)), newLane("mqtt", nil)
	for _, err := range []error{nil, errAway, errors.New("another"), nil, nil} {
		l.note(log, wakeDelivery("mqtt", 0), err)
	}
	if lines := strings.Split(strings.TrimSpace(out.String()), "\n"); len(lines) != 2 ||
		!strings.Contains(lines[0], errAway.Error()) || !strings.Contains(lines[1], "works again") {
		t.Errorf("%s", out.String())
	}
}

// A notice that is over lasted from the first onset of its worst kind to the last end,
// and by a clock that was set, whichever end that knows.
func TestSpan(t *testing.T) {
	on := func(minute int, synced bool) sensors.Instant {
		d := time.Duration(minute) * time.Minute
		at := sensors.Instant{Mono: time.Hour + d, Synced: synced}
		if at.Wall = t0.Add(d); !synced {
			at.Wall = at.Wall.AddDate(-5, 0, 0)
		}
		return at
	}
	member := func(kind alarm.ID, since, ended sensors.Instant) Member {
		return Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: kind}, Since: since}, Ended: ended}
	}
	off := on(20, true) // two hours off, which running time leaves out
	off.Wall = off.Wall.Add(2 * time.Hour)
	for name, c := range map[string]struct {
		members  []Member
		from, to time.Duration // past t0
		lasted   time.Duration
	}{
		"the other began first and ended last": {[]Member{member(alarm.LethalLimit, on(10, true), on(20, true)), member(alarm.LethalLimit, on(5, true), on(30, true))},
			5 * time.Minute, 30 * time.Minute, 25 * time.Minute},
		"the worst did": {[]Member{member(alarm.LethalLimit, on(5, true), on(30, true)), member(alarm.LethalLimit, on(10, true), on(20, true))},
			5 * time.Minute, 30 * time.Minute, 25 * time.Minute},
		"a milder alarm was longer": {[]Member{member(alarm.LethalLimit, on(10, true), on(20, true)), member(alarm.AboveBand, on(5, true), on(30, true))},
			10 * time.Minute, 20 * time.Minute, 10 * time.Minute},
		"the clock was set meanwhile": {[]Member{member(alarm.LethalLimit, on(10, false), on(20, true))},
			10 * time.Minute, 20 * time.Minute, 10 * time.Minute},
		"the clock was lost meanwhile": {[]Member{member(alarm.LethalLimit, on(10, true), on(20, false))},
			10 * time.Minute, 20 * time.Minute, 10 * time.Minute},
		"dewline was off meanwhile": {[]Member{member(alarm.LethalLimit, on(10, true), off)},
			10 * time.Minute, 140 * time.Minute, 130 * time.Minute},
	} {
		w := factsOf(&Notice{Kind: FollowUp, Time: t0}, c.members)
		if w.From.Sub(t0) != c.from || w.To.Sub(t0) != c.to || w.Lasted != c.lasted {
			t.Errorf("%s: from %v to %v, %v", name, w.From.Sub(t0), w.To.Sub(t0), w.Lasted)
		}
	}
}

// As many boards are told apart as are allowed for, whoever makes up more.
func TestBoards_AtMost(t *testing.T) {
	now := sensors.Instant{Mono: time.Hour}
	w := newWatched(newBoard(now, ""))
	for i := range 200 {
		now = now.Add(crossing)
		h := &Heartbeat{Instance: fmt.Sprint("b", i%(mostBoards+3)), Run: "r"}
		if b := w.speaker(now, h); b == nil || !b.sends(h) {
			t.Fatalf("%v speaks for %+v", b, h)
		} else {
			b.seen, b.moved = now.Mono, now.Mono
		}
		if len(w.boards) > mostBoards {
			t.Fatalf("%d boards in mind", len(w.boards))
		}
	}
}
