package alert

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"
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
	for i, err := range []error{nil, errAway, errors.New("another"), nil, nil} {
		out.Reset()
		l.note(log, wakeDelivery("mqtt", 0), err)
		if want := []string{"", errAway.Error(), "", "works again", ""}[i]; (out.Len() > 0) != (want != "") || !strings.Contains(out.String(), want) {
			t.Errorf("after %v it says %q, want %q", err, out.String(), want)
		}
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
	most := 0
	for newest := range mostBoards + 3 {
		for i := newest; i >= 0; i-- { // whose place it took speaks on
			now = now.Add(crossing)
			h := &Heartbeat{Instance: fmt.Sprint("b", i), Run: "r"}
			b := w.speaker(now, h)
			if b == nil || !b.sends(h) {
				t.Fatalf("%v speaks for %+v", b, h)
			}
			b.seen, b.moved, b.gap = now.Mono, now.Mono, crossing
			most = max(most, len(w.boards))
		}
	}
	if most != mostBoards {
		t.Errorf("%d boards in mind, want %d", most, mostBoards)
	}
}

// Whoever was called goes on being called as often when the next person is told too.
func TestSchedule_EscalationKeepsTheRepeats(t *testing.T) {
	r := newRig(t, twoPeople())
	began := r.now.Mono
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(36 * time.Minute)
	var at []time.Duration
	for i, d := range r.got {
		if d.Channel == "mqtt" {
			at = append(at, r.when[i]-began)
		}
	}
	if fmt.Sprint(at) != "[0s 5m0s 15m0s 35m0s]" {
		t.Errorf("the first person was called at %v", at)
	}
}

// Where no channel answers, each next person has the same half minute.
func TestSchedule_EachUnheardPersonHasTheirTime(t *testing.T) {
	r := newRig(t, Options{Room: "attic", People: []configs.Person{
		{ID: "una", Channels: []string{"mqtt"}}, {ID: "odo", Channels: []string{"gateway"}}, {ID: "ida", Channels: []string{"mail"}},
	}})
	r.hangs["mqtt"], r.hangs["gateway"] = time.Hour, time.Hour
	began := r.now.Mono
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(2 * time.Minute)
	first := map[string]time.Duration{}
	for i, d := range r.sent {
		if _, ok := first[d.Person]; !ok {
			first[d.Person] = r.sentAt[i] - began
		}
	}
	if first["odo"] != unheardFor || first["ida"] != 2*unheardFor {
		t.Errorf("sent at first after %v, want every %v", first, unheardFor)
	}
}

// Through a connection that comes and goes a version is sent again after a minute, and
// then as seldom as it is repeated.
func TestOutbox_RecallsAsSeldomAsItRepeats(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	flap := func() {
		r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
		r.absorb(r.desk.ChannelState(r.now, "mqtt", nil))
		r.send()
	}
	r.absorb(r.desk.ChannelState(r.now, "mqtt", nil))
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	began := r.now.Mono
	for _, at := range []time.Duration{50 * time.Second, time.Minute, 9*time.Minute + 50*time.Second, 10 * time.Minute} {
		r.pass(at - (r.now.Mono - began))
		flap()
	}
	var got []time.Duration
	for _, at := range r.when {
		got = append(got, at-began)
	}
	if fmt.Sprint(got) != "[0s 1m0s 5m0s 10m0s]" { // the third is a repeat
		t.Errorf("sent at %v", got)
	}
}

// What is over, came back and is over again is told to all who heard of it, as urgent
// as it was.
func TestReopened_EndsForAllWhoHeard(t *testing.T) {
	r := newRig(t, twoPeople())
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(15 * time.Minute) // the second person was told
	for range 2 {
		r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", alarm.LatchUnack, tank("e1"))))
		r.pass(time.Hour)
		r.onset(alarm.LethalLimit, "e1", tank("e1"))
		r.pass(time.Minute)
	}
	ends := map[string]int{}
	for _, d := range r.got {
		if d.Kind == FollowUp {
			ends[d.Channel]++
			if d.Priority != alarm.Wake {
				t.Errorf("the end is told as %s", d.Priority)
			}
		}
	}
	if ends["gateway"] != 2 || ends["mqtt"] != 2 {
		t.Errorf("told over: %v", ends)
	}
}

// Onsets of a run whose record opened late have other numbers on it, and so have those
// of the run before.
func TestMerge_NumbersOnsetsAnew(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	open := r.desk.Open()[0].Notice.Members[0]
	k, v := open.Key, rules.AlarmView{Onset: open.Onset, State: open.State}
	v.Seq = 7
	for _, c := range []struct {
		desk *Desk
		docs []store.Doc
		n    rules.Renumbering
	}{
		{NewDesk(r.opt), r.desk.Docs(), rules.Renumbering{Old: open.Seq, Now: 7}},
		{r.desk, nil, rules.Renumbering{Mine: open.Seq, Now: 7}},
	} {
		if _, err := c.desk.Merge(r.now.Add(time.Hour), time.Hour, c.docs, map[alarm.Key]rules.Renumbering{k: c.n}, []rules.AlarmView{v}); err != nil {
			t.Fatal(err)
		}
		if m := c.desk.Open()[0].Notice.Members; len(m) != 1 || m[0].Seq != 7 || !m[0].Told {
			t.Errorf("%+v: %+v", c.n, m)
		}
	}
}

// Other channels take the place of those that are not kept, with what waits for them.
func TestCourier_Swap(t *testing.T) {
	none := sender(func(context.Context, Delivery) error { return nil })
	c := NewCourier(map[string]Channel{"mqtt": none, "mail": none, "gateway": none}, 0, nil, nil)
	c.Submit(wakeDelivery("mqtt", 0), wakeDelivery("mail", 1), wakeDelivery("gateway", 2))
	kept, swapped := c.lanes["mail"], c.lanes["mqtt"]
	c.Swap(map[string]Channel{"mqtt": none, "mail": none, "new": none}, "mail")
	if c.lanes["mail"] != kept || c.lanes["mqtt"] == swapped || c.lanes["gateway"] != nil || c.lanes["new"] == nil {
		t.Errorf("%v", c.lanes)
	}
	c.Submit(wakeDelivery("gateway", 3)) // is refused
	for name, want := range map[string]int{"mqtt": 1, "mail": 1, "new": 0, nowhere: 1} {
		if got := c.waiting(name); got != want {
			t.Errorf("%d wait for %q, want %d", got, name, want)
		}
	}
}

// A board of several that was silent for long is let go, the last one never.
func TestBoards_LetGo(t *testing.T) {
	now := sensors.Instant{Mono: time.Hour}
	for silent := range 2 {
		w := newWatched(newBoard(now, "0"), newBoard(now, "1"))
		speaks := w.boards[1-silent]
		later := now.Add(secondKept - 1)
		speaks.seen, speaks.moved = later.Mono, later.Mono
		if w.forget(later); len(w.boards) != 2 {
			t.Errorf("board %d is let go too early", silent)
		}
		if w.forget(now.Add(secondKept)); len(w.boards) != 1 || w.boards[0] != speaks {
			t.Errorf("board %d is not let go", silent)
		}
		if w.forget(later.Add(2 * secondKept)); len(w.boards) != 1 {
			t.Error("the last is let go")
		}
	}
}

// What ends is told when the grouping time has passed, and a week long; a today notice
// that came and went within it is not told at all, a wake one is.
func TestSchedule_Ends(t *testing.T) {
	for _, c := range []struct {
		kind       alarm.ID
		p          alarm.Priority
		told, want int
	}{
		{alarm.AboveBand, alarm.Today, 0, 0}, {alarm.LethalAhead, alarm.Wake, 0, 1},
		{alarm.AboveBand, alarm.Today, 1, 2}, {alarm.LethalAhead, alarm.Wake, 1, 2},
	} {
		r := newRig(t, onePerson("mqtt"))
		say := func(to alarm.State) { r.transitions(r.tr(change{c.kind, "e1", to, c.p, tank("e1"), 29, 0})) }
		say(unack)
		r.pass(time.Duration(c.told)*time.Minute + 10*time.Second)
		say(norm)
		r.pass(20*time.Second - 1)
		if len(r.got) != c.told {
			t.Errorf("%s, told %d: %d messages too early", c.kind, c.told, len(r.got))
		}
		if r.pass(1); len(r.got) != c.want {
			t.Errorf("%s, told %d: %d messages, want %d", c.kind, c.told, len(r.got), c.want)
		}
	}
	r := newRig(t, onePerson("mqtt"))
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.broken["mqtt"] = errAway
	r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", norm, tank("e1"))))
	r.pass(30 * time.Second)
	ended := r.desk.book.list()[0].Out[0].Deadline - keepFor
	for _, late := range []bool{false, true} {
		if r.now.Mono = ended + keepFor - 1; late {
			r.now.Mono++
		}
		r.absorb(r.desk.Tick(r.now))
		r.send()
		if dropped := slices.ContainsFunc(r.events, func(e Event) bool { return e.What == "dropped" }); dropped != late {
			t.Errorf("given up after a week: %v, want %v", dropped, late)
		}
	}
}

// The word that something was put away goes to a person by one channel after the other.
func TestOutbox_SilencesByOneChannel(t *testing.T) {
	r := newRig(t, onePerson("mqtt", "mail"))
	for _, c := range []struct {
		person string
		state  state
		want   bool
	}{{"una", out, true}, {"una", taken, true}, {"una", due, false}, {"una", lost, false}, {"odo", out, false}} {
		p := &parcel{Delivery: Delivery{Person: "una", Channel: "mqtt"}, State: due}
		other := &parcel{Delivery: Delivery{Person: c.person, Channel: "mail"}, State: c.state}
		in := &incident{Notice: Notice{Kind: Silence}, Out: []*parcel{p, other}}
		if got := r.desk.outbox.capped(in, p); got != c.want {
			t.Errorf("beside one that is %s for %s it waits: %v", c.state, c.person, got)
		}
	}
}

// What woke and is dropped, or has its limit raised, is told in quiet hours too.
func TestSilence_AsUrgentAsWhatItSilences(t *testing.T) {
	for _, p := range []alarm.Priority{alarm.Today, alarm.Wake} {
		for name, do := range map[string]func(*rig, rules.Transition){
			"dropped": func(r *rig, x rules.Transition) { r.absorb(r.desk.Dropped(r.now, []rules.Transition{x})) },
			"raised": func(r *rig, x rules.Transition) {
				r.absorb(r.desk.Raised(r.now, []rules.AlarmView{{Onset: x.Onset, State: unack}}))
			},
		} {
			r := newRig(t, onePerson("mqtt"))
			x := r.tr(change{alarm.AboveBand, "e1", norm, p, tank("e1"), 29, 0})
			x.From, x.Why = unack, alarm.WhyConfig
			do(r, x)
			if list := r.desk.book.list(); len(list) != 1 || list[0].Notice.Priority != p {
				t.Errorf("%s, %s: %+v", name, p, list)
			}
		}
	}
}

// Milder news wait to be told; who answers the newest version takes them in, who answers
// an older one is told that there is a newer.
func TestAnswer_MilderNews(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	onset := func(id string) {
		r.transitions(r.tr(change{alarm.BelowBand, id, unack, alarm.Today, room, 10, 0}))
	}
	onset("e1")
	r.pass(time.Minute)
	id := r.desk.Open()[0].Notice.ID
	r.ackVersion(id, 1, "una")
	onset("e2")
	if keys, _, err := r.desk.Acknowledge(r.now, id, 1, "una"); err != nil || len(keys) != 1 || keys[0].Subject != "e2" {
		t.Errorf("the newest version: %v, %v", keys, err)
	}
	onset("e3")
	if keys, _, err := r.desk.Acknowledge(r.now, id, 1, "una"); !errors.Is(err, ErrOldVersion) {
		t.Errorf("an older one: %v, %v", keys, err)
	}
}

// Two failed tries are enough to tell of a silence by the next channel.
func TestOutbox_SilencesPassOverWhatFailsTwice(t *testing.T) {
	r := newRig(t, onePerson("mqtt", "mail"))
	r.broken["mqtt"] = errAway
	x := r.tr(change{alarm.AboveBand, "e1", unack, alarm.Today, tank("e1"), 29, 0})
	r.absorb(r.desk.Raised(r.now, []rules.AlarmView{{Onset: x.Onset, State: unack}}))
	r.pass(5 * time.Minute)
	var ways []string
	for _, d := range r.sent {
		ways = append(ways, d.Channel)
	}
	if fmt.Sprint(ways) != "[mqtt mqtt mail]" {
		t.Errorf("tried by %v", ways)
	}
}

// What channels took over does not count as waiting.
func TestOutbox_BoundCountsWhatWaits(t *testing.T) {
	o := onePerson("mqtt")
	o.MaxPending = 3
	r := newRig(t, o)
	for i := range 6 {
		if i == 4 {
			r.broken["mqtt"] = errAway
		}
		id := fmt.Sprint("e", i)
		r.transitions(r.tr(change{alarm.BelowBand, id, unack, alarm.Today, alarm.Cause{Kind: alarm.CauseShelf, ID: id}, 10, 0}))
		r.pass(30 * time.Second)
	}
	if len(r.got) != 4 || r.desk.Stats(r.now).Dropped != 0 {
		t.Errorf("%d taken over, %d dropped", len(r.got), r.desk.Stats(r.now).Dropped)
	}
}

// Two tries of one sending may be under way, and nothing is remembered of those that ended.
func TestLane_TwoAtOnce(t *testing.T) {
	l, d := newLane("mqtt", nil), wakeDelivery("mqtt", 0)
	for _, want := range []bool{true, true, false} {
		if got := l.begin(&d); got != want {
			t.Errorf("may begin: %v, want %v", got, want)
		}
	}
	l.end(&d)
	if !l.begin(&d) || l.begin(&d) {
		t.Error("one that ended does not make room for one")
	}
	l.end(&d)
	if l.end(&d); len(l.under) != 0 {
		t.Errorf("%v", l.under)
	}
}

// What takes a message over is connected, since then.
func TestLinks_WorksWithoutAWordOfIt(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	since := r.now.Mono
	for range 2 {
		if s := r.desk.Stats(r.now).Channels["mqtt"]; s.Connected == nil || !*s.Connected || r.desk.links.of("mqtt").upSince != since {
			t.Errorf("connected %v since %v, want %v", s.Connected, r.desk.links.of("mqtt").upSince, since)
		}
		r.pass(6 * time.Minute) // until it is repeated
	}
	l := link{downSince: time.Hour}
	if l.shift(time.Hour); l.downSince != 2*time.Hour || l.failingSince != 0 || l.upSince != 0 {
		t.Errorf("moved to %+v", l)
	}
}

// A transition is news by its state, its urgency, its cause or who acted; what has no name
// is no act.
func TestMember_ChangedBy(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	x := r.tr(change{alarm.AboveBand, "e1", alarm.Acked, alarm.Today, tank("e1"), 29, 0})
	m := Member{Onset: x.Onset, State: alarm.Acked, By: "una"}
	for by, want := range map[string]bool{"": false, "una": false, "odo": true} {
		if x.By = by; m.changedBy(&x) != want {
			t.Errorf("by %q: news %v", by, !want)
		}
	}
}

// A connection that is said to be there again and again hides no room that is silent.
func TestSentinel_ConnectedTwice(t *testing.T) {
	w := newWatchRig(t, "attic")
	w.beat(time.Hour, well("attic"))
	for range 7 { // three minutes, and those in which a notice waits for company
		w.beat(30 * time.Second)
		w.s.Connection(w.now, true)
	}
	w.wantKinds("raise room-silent attic")
}
