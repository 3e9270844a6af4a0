package alert

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

func TestDesk_outageKeepsTheNotice(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.broken["mqtt"] = errAway
	r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}))
	r.pass(12 * time.Hour)
	if s := r.desk.StalledChannels(r.now); !slices.Equal(s, []string{"mqtt"}) {
		t.Errorf("stalled: %v", s)
	}
	r.restart()
	r.pass(time.Hour)
	delete(r.broken, "mqtt")
	r.absorb(r.desk.ChannelState(r.now, "mqtt", nil))
	r.send()
	r.want("mqtt", "raise lethal-ceiling/e1/1")
	r.pass(6 * time.Minute)
	if s := r.desk.StalledChannels(r.now); len(s) != 0 {
		t.Errorf("stalled after the return: %v", s)
	}
}

// What came and went during an outage is told in one piece.
func TestDesk_overBeforeDelivered(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.broken["mqtt"] = errAway
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 34.2, 0}))
	r.pass(time.Hour)
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", norm, alarm.Wake, tank("e1"), 30, 0}))
	r.pass(time.Hour)
	delete(r.broken, "mqtt")
	r.pass(time.Minute)
	r.want("mqtt", "followup lethal-ceiling/e1/1")
	m := r.got[0].Message
	for _, part := range []string{"12:00", "13:00", "60 min", "34.2 °C", "33.0 °C"} {
		if !strings.Contains(m.Text, part) {
			t.Errorf("the story lacks %q: %s", part, m.Text)
		}
	}
}

func TestDesk_errorClasses(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}))
	attempts := func(d time.Duration) int {
		before := r.desk.Stats(r.now).Channels["mqtt"].Sent
		r.pass(d)
		return int(r.desk.Stats(r.now).Channels["mqtt"].Sent - before)
	}
	r.broken["mqtt"] = errAway
	r.pass(10 * time.Minute)
	if n := attempts(5 * time.Minute); n < 9 || n > 11 {
		t.Errorf("%d retries in 5 minutes at the cap of 30 s", n)
	}
	r.broken["mqtt"] = After(3*time.Minute, errors.New("429"))
	r.pass(time.Minute)
	if n := attempts(9 * time.Minute); n < 17 || n > 19 {
		t.Errorf("%d retries in 9 minutes, want one every 30 s whatever the server asks", n)
	}
	r.broken["mqtt"] = Permanent(errors.New("not authorised"))
	r.pass(5 * time.Minute)
	if n := attempts(time.Hour); n < 118 || n > 122 {
		t.Errorf("%d attempts in an hour, want one every 30 s: a refusal may pass", n)
	}
}

func TestDesk_boundDropsOldestToday(t *testing.T) {
	o := Options{Room: "attic", MaxPending: 10}
	r := newRig(t, o)
	r.broken["mqtt"] = errAway
	for i := range 12 {
		id := fmt.Sprintf("e%02d", i)
		r.transitions(r.tr(change{alarm.AboveBand, id, unack, alarm.Today, tank(id), 29, 0}))
		r.pass(3 * time.Minute) // else it is one notice
	}
	for i := range 12 {
		id := fmt.Sprintf("w%02d", i)
		r.transitions(r.tr(change{alarm.LethalLimit, id, unack, alarm.Wake, tank(id), 33, 0}))
		r.pass(3 * time.Minute)
	}
	s := r.desk.Stats(r.now)
	if s.Depth != 12 || s.Dropped != 12 {
		t.Errorf("depth %d dropped %d, want the 12 wake kept and the 12 today gone", s.Depth, s.Dropped)
	}
	delete(r.broken, "mqtt")
	r.pass(2 * time.Minute)
	seen := make(map[string]bool)
	for _, d := range r.got {
		seen[d.NoticeID] = true
	}
	for i := range 12 {
		if id := fmt.Sprintf("lethal-ceiling/w%02d/1", i); !seen[id] {
			t.Errorf("wake notice %s was lost", id)
		}
	}
}

func TestDesk_putAwayEndsTheNotice(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), 31, 40}))
	r.pass(time.Minute)
	shelved := r.tr(change{alarm.LethalAhead, "e1", alarm.Shelved, alarm.Wake, tank("e1"), 31, 40})
	shelved.By = "una"
	r.transitions(shelved)
	r.pass(time.Minute)
	r.want("mqtt", "raise ceiling-ahead/e1/1", "followup ceiling-ahead/e1/1")
	if text := r.got[1].Message.Text; !strings.Contains(text, "shelved by una, not over") {
		t.Errorf("follow-up: %s", text)
	}
	if title := r.got[1].Message.Title; !strings.HasPrefix(title, "Put away, not over: ") {
		t.Errorf("the title of what is only put away: %s", title)
	}
	// The shelf ends while the cause persists: the same onset rings again.
	r.pass(15 * time.Minute)
	r.transitions(r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), 31, 30}))
	r.pass(time.Minute)
	r.want("mqtt", "raise ceiling-ahead/e1/1", "followup ceiling-ahead/e1/1", "raise ceiling-ahead/e1/1")
	if v := r.got[2].Version; v != 3 {
		t.Errorf("version %d, want 3: a receiver must tell it from the first", v)
	}
}

func TestDesk_selfAlarmsAreApart(t *testing.T) {
	r := newRig(t, twoPeople())
	r.broken["mail"] = errAway
	r.transitions(r.tr(change{alarm.RecordIncomplete, "dewline", unack, alarm.Today, self, 0, 0}))
	r.pass(time.Minute)
	r.transitions(r.tr(change{alarm.DeliveryStalled, "dewline", unack, alarm.Today, self, 0, 0}))
	r.pass(time.Minute)
	r.want("mqtt", "raise record-incomplete/dewline/1", "raise delivery-stalled/dewline/1")
}

func TestDesk_stalledChannelIsPassedOver(t *testing.T) {
	r := newRig(t, twoPeople())
	r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
	r.broken["mqtt"] = errAway
	r.pass(6 * time.Minute)
	if s := r.desk.StalledChannels(r.now); !slices.Equal(s, []string{"mqtt"}) {
		t.Fatalf("a connection down for 6 minutes is not stalled: %v", s)
	}
	r.transitions(r.tr(change{alarm.DeliveryStalled, "dewline", unack, alarm.Today, self, 0, 0}))
	r.pass(time.Minute)
	r.want("mail", "raise delivery-stalled/dewline/1")
}

// A connection that comes for a second in each minute carries no warning: the
// channel is as dead as one that never comes.
func TestDesk_connectionThatNeverHolds(t *testing.T) {
	r := newRig(t, twoPeople())
	r.broken["mqtt"] = errAway
	for range 5 {
		r.absorb(r.desk.ChannelState(r.now, "mqtt", errors.New("reset by peer")))
		r.pass(59 * time.Second)
		r.absorb(r.desk.ChannelState(r.now, "mqtt", nil))
		r.pass(time.Second)
	}
	if s := r.desk.StalledChannels(r.now); !slices.Equal(s, []string{"mqtt"}) {
		t.Fatalf("connected for 5 s of 5 min, and stalled are %v", s)
	}
	r.pass(10 * time.Minute)
	if s := r.desk.StalledChannels(r.now); len(s) != 0 {
		t.Errorf("still stalled after 10 good minutes: %v", s)
	}
}

// A channel that is to be connected is watched also where nobody is told by it.
func TestDesk_connectionForNobody(t *testing.T) {
	o := Options{Room: "attic", People: []configs.Person{{ID: "una", Channels: []string{"mail"}}}, Connect: []string{"mqtt"}}
	r := newRig(t, o)
	r.absorb(r.desk.ChannelState(r.now, "mqtt", errors.New("refused")))
	s := r.desk.Stats(r.now).Channels
	if c := s["mqtt"].Connected; c == nil || *c || s["mqtt"].DownWhy != "refused" || s["mail"].Connected != nil {
		t.Errorf("the channels look %+v; want mqtt known as not connected, and why, and mail unknown", s)
	}
	r.pass(4 * time.Minute)
	if s := r.desk.StalledChannels(r.now); !slices.Equal(s, []string{"mqtt"}) {
		t.Errorf("stalled are %v after 4 min without a broker", s)
	}
}

// A connection that is up for a minute between outages is one trouble, not
// one for each outage.
func TestDesk_flappingChannelStaysStalled(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	changes, was := 0, false
	for range 10 {
		r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
		for range 6 {
			r.pass(time.Minute)
			if is := len(r.desk.StalledChannels(r.now)) > 0; is != was {
				changes, was = changes+1, is
			}
		}
		r.absorb(r.desk.ChannelState(r.now, "mqtt", nil))
		r.pass(time.Minute)
		if is := len(r.desk.StalledChannels(r.now)) > 0; is != was {
			changes, was = changes+1, is
		}
	}
	if changes != 1 {
		t.Errorf("the verdict changed %d times in 10 outages, want once", changes)
	}
	r.pass(6 * time.Minute)
	if len(r.desk.StalledChannels(r.now)) != 0 {
		t.Error("still stalled after 6 good minutes")
	}
}

// The outbox keeps its times to the second.
func TestOutbox_AtItsLimits(t *testing.T) {
	now := sensors.Instant{Mono: 100 * time.Hour, Wall: t0, Synced: true}
	fresh := func() *outbox {
		o := twoPeople()
		o.People[0].Quiet = &configs.ClockSpan{From: 0, To: 24*60 - 1}
		c := &call{opt: o.withDefaults(), now: now}
		b := newBook(c)
		return &outbox{call: c, book: b, links: newLinks(c, b), sends: map[target][]time.Duration{}}
	}
	wake := func() *incident {
		return &incident{Notice: Notice{ID: "n", Version: 2, Priority: alarm.Wake, Members: []Member{{State: alarm.Unack, Onset: alarm.Onset{Priority: alarm.Wake}}}}, Ringing: 1}
	}
	parcelOf := func(p alarm.Priority) *parcel {
		return &parcel{Delivery: Delivery{Person: "una", Channel: "mqtt", Priority: p}, State: out}
	}
	// Back-off doubles from 2 s; a server that asks for longer is heard, within limits.
	for _, c := range []struct {
		p     alarm.Priority
		fails int // before
		after time.Duration
		want  time.Duration
	}{
		{alarm.Wake, 0, 0, 2 * time.Second}, {alarm.Wake, 2, 0, 8 * time.Second}, {alarm.Wake, 9, 0, 30 * time.Second},
		{alarm.Wake, 0, 10 * time.Second, 10 * time.Second}, {alarm.Wake, 0, time.Hour, 30 * time.Second},
		{alarm.Today, 9, 0, 5 * time.Minute}, {alarm.Today, 0, 3 * time.Hour, time.Hour}, {alarm.Today, 200, 0, 5 * time.Minute},
	} {
		p := parcelOf(c.p)
		p.Fails = c.fails
		if fresh().failed(wake(), p, Retryable, c.after, "x"); p.State != due || p.NotBefore != now.Mono+c.want {
			t.Errorf("%+v: next in %v", c, p.NotBefore-now.Mono)
		}
	}
	// An attempt without a result counts as failed after five minutes.
	for since, want := range map[time.Duration]state{5 * time.Minute: due, 5*time.Minute - 1: out} {
		p := parcelOf(alarm.Wake)
		p.OutSince = now.Mono - since
		if fresh().overdue(wake(), p); p.State != want {
			t.Errorf("out for %v: %s", since, p.State)
		}
	}
	// A follow-up is given up at its deadline, what is open never.
	for _, c := range []struct {
		left  time.Duration
		ended bool
		want  state
	}{{0, true, lost}, {1, true, due}, {0, false, due}, {-100 * time.Hour, true, due}} {
		in, p := wake(), parcelOf(alarm.Today)
		in.Ended, p.State, p.Deadline = c.ended, due, now.Mono+c.left
		if fresh().overdue(in, p); p.State != c.want {
			t.Errorf("%+v: %s", c, p.State)
		}
	}
	// Quiet hours hold what does not wake, a day at most.
	for _, c := range []struct {
		p     alarm.Priority
		since time.Duration
		want  bool
	}{{alarm.Today, 0, true}, {alarm.Wake, 0, false}, {alarm.Today, longestHold - 1, true}, {alarm.Today, longestHold, false}} {
		p := parcelOf(c.p)
		if c.since > 0 {
			p.HeldSince = now.Mono - c.since
		}
		if got := fresh().held(p); got != c.want {
			t.Errorf("%+v: held %v", c, got)
		}
	}
	// What left less than a minute before a connection came back is not sent again.
	for ago, want := range map[time.Duration]state{time.Minute: due, time.Minute - 1: taken} {
		o, in, p := fresh(), wake(), parcelOf(alarm.Wake)
		in.First, p.State, p.OutSince = "una", taken, now.Mono-ago
		in.Out = []*parcel{p}
		o.book.add(in)
		if o.recall("mqtt"); p.State != want {
			t.Errorf("sent %v ago: %s", ago, p.State)
		}
	}
	// Eight a minute to one person by one channel; then what wakes nobody waits.
	o := fresh()
	for i := range 8 {
		if o.capped(wake(), parcelOf(alarm.Today)) {
			t.Errorf("number %d waits", i+1)
		}
	}
	if !o.capped(wake(), parcelOf(alarm.Today)) {
		t.Error("number nine does not wait")
	}
	if o.capped(wake(), parcelOf(alarm.Wake)) {
		t.Error("what wakes and nobody heard waits")
	}
	repeat := parcelOf(alarm.Wake)
	if repeat.Confirmed = 2; !o.capped(wake(), repeat) {
		t.Error("a repeat does not wait")
	}
	o.now.Mono += time.Minute - 1
	if !o.capped(wake(), parcelOf(alarm.Today)) {
		t.Error("a minute is shorter than a minute")
	}
	if o.now.Mono++; o.capped(wake(), parcelOf(alarm.Today)) {
		t.Error("a minute later it still waits")
	}
	// The most urgent leaves first, then what waits for longest.
	o = fresh()
	var list []*incident
	for i, p := range []alarm.Priority{alarm.Today, alarm.Wake, alarm.Wake} {
		x := parcelOf(p)
		x.State, x.DueSince, x.Person, x.Channel = due, now.Mono-time.Duration(i)*time.Second, "odo", "gateway"
		in := &incident{Notice: Notice{ID: string(rune('a' + i)), Priority: p, Members: []Member{{State: alarm.Unack, Onset: alarm.Onset{Priority: p}}}}, Out: []*parcel{x}}
		list = append(list, in)
	}
	order := ""
	for _, a := range o.ready(list) {
		order += a.in.Notice.ID
	}
	if order != "cba" {
		t.Errorf("order %q", order)
	}
	// Not before its time.
	list[2].Out[0].NotBefore, list[1].Out[0].NotBefore = now.Mono+1, now.Mono
	if ready := o.ready(list); len(ready) != 2 || ready[0].in != list[1] {
		t.Errorf("%d are ready", len(ready))
	}
	// Who is told last stays somebody.
	for level, want := range map[int]int{0: 0, 1: 1, 2: 1, -1: 0} {
		in := wake()
		in.Level = level
		if fresh().readdress(in); in.Level != want {
			t.Errorf("level %d of two people becomes %d", level, in.Level)
		}
	}
	// After a crash what was out is due, at once and from when it was.
	in, p := wake(), parcelOf(alarm.Wake)
	p.Attempt, p.Fails, p.NotBefore, p.DueSince = 7, 3, now.Mono+time.Hour, now.Mono+time.Minute
	in.Out = []*parcel{nil, p}
	o = fresh()
	if o.resume(in); len(in.Out) != 1 || p.State != due || p.NotBefore != now.Mono || p.Fails != 0 || p.DueSince != now.Mono || o.attempt != 7 {
		t.Errorf("%+v, attempt %d", *p, o.attempt)
	}
}

// How a channel does, from when on it is dead, stalled and steady, to the second.
func TestLinks_AtTheirLimits(t *testing.T) {
	now := sensors.Instant{Mono: 100 * time.Hour, Wall: t0, Synced: true}
	fresh := func() *links {
		c := &call{opt: twoPeople().withDefaults(), now: now}
		return newLinks(c, newBook(c))
	}
	for _, c := range []struct {
		name string
		l    link
		s    ChannelStats
		want bool
	}{
		{"down for long", link{downSince: now.Mono - stallAfter}, ChannelStats{}, true}, {"down for less", link{downSince: now.Mono - stallAfter + 1}, ChannelStats{}, false},
		{"fails for long, with more to send", link{failingSince: now.Mono - stallAfter}, ChannelStats{Pending: 1}, true},
		{"fails for less", link{failingSince: now.Mono - stallAfter + 1}, ChannelStats{Pending: 1}, false},
		{"failed, and nothing waits", link{failingSince: now.Mono - stallAfter}, ChannelStats{}, false},
		{"refused, and nothing waits", link{failingSince: now.Mono - stallAfter, refused: true}, ChannelStats{}, true},
		{"something waits for long", link{}, ChannelStats{OldestAge: rules.Seconds(stallAfter)}, true}, {"for less", link{}, ChannelStats{OldestAge: rules.Seconds(stallAfter - 1)}, false},
		{"it worked since", link{ChannelStats: ChannelStats{LastSuccess: rules.Moment{Instant: sensors.Instant{Mono: now.Mono - stallAfter + 1}}}}, ChannelStats{OldestAge: rules.Seconds(stallAfter)}, false},
	} {
		if c.l.stalls(now, c.s); c.l.stalled != c.want {
			t.Errorf("%s: stalled %v", c.name, c.l.stalled)
		}
	}
	for up, want := range map[time.Duration]time.Duration{steadyAfter: 0, steadyAfter - 1: time.Hour} {
		l := link{known: true, upSince: now.Mono - up, downSince: now.Mono - time.Hour}
		if s := l.stats(now); s.Failing.D() != want || !*s.Connected {
			t.Errorf("connected for %v: failing for %v", up, s.Failing)
		}
	}
	l := link{failingSince: now.Mono - time.Minute, downSince: now.Mono - time.Hour, known: true, ChannelStats: ChannelStats{DownWhy: "away"}}
	if s := l.stats(now); s.Failing.D() != time.Hour || *s.Connected || s.DownWhy != "away" {
		t.Errorf("%+v", s)
	}
	t1 := target{"una", "mqtt"}
	for ago, want := range map[time.Duration]bool{refusalHolds - 1: true, refusalHolds: false} {
		ls := fresh()
		ls.fails(t1, true, "no")
		*ls.of("mqtt") = link{} // it works for others
		ls.now.Mono += ago
		if ls.dead(t1) != want {
			t.Errorf("it refused %v ago: dead %v", ago, !want)
		}
	}
	for _, c := range []struct {
		l    link
		want bool
	}{{link{}, true}, {link{failingSince: 1}, false}, {link{downSince: 1}, false}, {link{downSince: 1, upSince: 2}, true}} {
		ls := fresh()
		*ls.of("mqtt") = c.l
		if ls.working("mqtt") != c.want {
			t.Errorf("%+v: works %v", c.l, !c.want)
		}
	}
}

// After a time off what waited for it is over by as much, and who was told before had that
// time to answer.
func TestSchedule_TimeOff(t *testing.T) {
	const at, off = 10 * time.Hour, 2 * time.Hour
	now := sensors.Instant{Mono: at + time.Minute, Wall: t0, Synced: true}
	fresh := func() *schedule {
		c := &call{opt: twoPeople().withDefaults(), now: now}
		return &schedule{call: c, book: newBook(c)}
	}
	for _, c := range []struct{ deadline, want time.Duration }{{at + keepFor, at + keepFor - off}, {at + keepFor + 1, at + keepFor + 1}, {0, 0}, {time.Hour, 1}} {
		in := &incident{Out: []*parcel{{Delivery: Delivery{Deadline: c.deadline}}}}
		if fresh().timeOff(in, at, off); in.Out[0].Deadline != c.want {
			t.Errorf("a deadline of %v becomes %v", c.deadline, in.Out[0].Deadline)
		}
	}
	for _, c := range []struct {
		told, level time.Duration
		want, then  time.Duration // told, and the turn of whoever is told now
	}{
		{at, at, at - off, now.Mono + 20*time.Second - 10*time.Minute}, {at + 1, at, at + 1, at}, {at - 1, at + 1, at - 1 - off, at + 1},
	} {
		m := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "a"}, Priority: alarm.Wake}, State: alarm.Unack}
		m.Told, m.Heard, m.ToldAt = true, true, c.told
		in := &incident{Notice: Notice{Members: []Member{m}}, LevelAt: c.level}
		fresh().ringAfter(in, at, off)
		if got := in.Notice.Members[0].ToldAt; got != c.want || in.LevelAt != c.then || in.NextRepeat != now.Mono+20*time.Second {
			t.Errorf("%+v: told at %v, turn since %v", c, got, in.LevelAt)
		}
	}
	for opened, want := range map[time.Duration]time.Duration{at: at - off, at + 1: at + 1} {
		in := &incident{Notice: Notice{Kind: Test}, Opened: opened}
		if fresh().timeOff(in, at, off); in.Opened != want {
			t.Errorf("a drill of %v becomes one of %v", opened, in.Opened)
		}
	}
}

// A repeat that waits for its channel when somebody answers does not leave: neither
// where its try failed before the answer, nor where it fails after.
func TestOutbox_answeredRepeatStays(t *testing.T) {
	for _, late := range []bool{false, true} {
		r := newRig(t, twoPeople())
		r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 34, 33}))
		id := r.desk.Open()[0].Notice.ID
		r.pass(interval(0) - time.Second)
		r.got = nil
		e := r.desk.Tick(r.now.Add(2 * time.Second))
		if len(e.Send) == 0 {
			t.Fatal("no repeat")
		}
		answer := func() {
			if _, _, err := r.desk.Acknowledge(r.now.Add(3*time.Second), id, 0, "una"); err != nil {
				t.Fatal(err)
			}
		}
		if late {
			answer()
		}
		for _, d := range e.Send {
			r.desk.Result(r.now.Add(3*time.Second), SendResult{d.ID, d.Version, d.Attempt, errors.New("away")})
		}
		if !late {
			answer()
		}
		for s := range 120 {
			if e := r.desk.Tick(r.now.Add(time.Duration(4+s) * time.Second)); len(e.Send) > 0 {
				t.Errorf("late %t: sent again after %d s", late, s)
			}
		}
	}
}
