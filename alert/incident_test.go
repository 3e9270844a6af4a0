package alert

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"
)

// member is an alarm under a notice.
func member(a alarm.ID, subject string, s alarm.State, p alarm.Priority) Member {
	return Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: a, Subject: subject}, Seq: 1, Priority: p}, State: s}
}

// under is a notice of some alarms.
func under(c alarm.Cause, ms ...Member) *incident {
	in := &incident{Notice: Notice{ID: "n", Version: 1, Cause: c, Members: ms}}
	in.refresh()
	in.touched = false
	return in
}

// A cause that explains more takes what a narrower one told, never the other way round.
func TestIncident_causesByBreadth(t *testing.T) {
	for i, kinds := range [][]alarm.CauseKind{
		{alarm.CauseProbe, alarm.CauseDewline}, {alarm.CauseEnclosure}, {CauseSeveral},
		{alarm.CauseShelf, alarm.CauseSupply, alarm.CauseLamps}, {alarm.CauseRoom, alarm.CausePower},
	} {
		for _, k := range kinds {
			c := alarm.Cause{Kind: k, ID: "x"}
			if breadth(c) != i || ofItsOwn(c) != (i < 2) {
				t.Errorf("%s: breadth %d, of its own %v", k, breadth(c), ofItsOwn(c))
			}
		}
	}
	if ofItsOwn(self) {
		t.Error("dewline itself is no thing of a storm, only a room of a sentinel is")
	}
}

// Who comes back under a cause of its own does not join a narrow notice that by now tells
// of others only.
func TestIncident_stranger(t *testing.T) {
	wake := alarm.Wake
	own, other := member(alarm.LethalLimit, "e1", rtnun, wake), member(alarm.LethalLimit, "e2", unack, wake)
	active := own
	active.State = unack
	for _, c := range []struct {
		name    string
		in      *incident
		by      alarm.Cause
		strange bool
	}{
		{"another is told", under(tank("e2"), own, other), tank("e1"), true},
		{"it is told itself", under(tank("e2"), active, other), tank("e1"), false},
		{"nobody else is", under(tank("e2"), own), tank("e1"), false},
		{"under the room", under(room, own, other), tank("e1"), false},
		{"by the room", under(tank("e2"), own, other), room, false},
		{"under several", under(alarm.Cause{Kind: CauseSeveral}, own, other), tank("e1"), false},
	} {
		if got := c.in.stranger(group{cause: c.by}, own.Key); got != c.strange {
			t.Errorf("%s: stranger %v", c.name, got)
		}
	}
}

// An alarm that comes and goes is told once in five minutes, unless it is lethal, was
// answered, or nobody heard of it.
func TestIncident_flutters(t *testing.T) {
	at := func(ago time.Duration, heard, covered bool) Member {
		m := member(alarm.LethalAhead, "e1", rtnun, alarm.Wake)
		m.Ledger = Ledger{Heard: heard, Covered: covered, ToldAt: time.Hour - ago}
		return m
	}
	lethal := at(time.Minute, true, false)
	lethal.Key.Alarm = alarm.LethalLimit
	for _, c := range []struct {
		m    Member
		want bool
	}{
		{at(time.Minute, true, false), true}, {at(fluttersFor-1, true, false), true}, {at(fluttersFor, true, false), false},
		{at(time.Minute, false, false), false}, {at(time.Minute, true, true), false}, {lethal, false},
	} {
		if got := under(room).flutters(&c.m, time.Hour); got != c.want {
			t.Errorf("%+v: %v", c.m.Ledger, got)
		}
	}
}

// What may not wait for the quarter of an hour between two updates, and what may.
func TestSchedule_whatIsNews(t *testing.T) {
	const now = 100 * time.Hour
	wake, today := alarm.Wake, alarm.Today
	told := func(m Member) Member {
		m.Told = true
		m.Named = []Naming{{"n", 1}}
		return m
	}
	ahead := func(minutes float64) Member {
		m := told(member(alarm.LethalAhead, "e1", unack, wake))
		m.Detail.TimeToLethal = &alarm.Range{FromMinutes: minutes}
		return m
	}
	several := alarm.Cause{Kind: CauseSeveral}
	for _, c := range []struct {
		name         string
		cause        alarm.Cause
		said         said // At: how long ago; Cause as the notice's where empty
		grown        int
		freshFor     time.Duration
		members      []Member
		urgent, news bool
	}{
		{"as it was", room, said{At: time.Hour, Rank: int(wake)}, 0, 0, []Member{ahead(40)}, false, false},
		{"worse than said", room, said{At: 1, Rank: int(today)}, 0, 0, []Member{ahead(40)}, true, false},
		{"half of the time is left", room, said{At: 1, Rank: int(wake), Minutes: 40}, 0, 0, []Member{ahead(20)}, false, false},
		{"less than half", room, said{At: 1, Rank: int(wake), Minutes: 40}, 0, 0, []Member{ahead(19.9)}, true, false},
		{"of a quarter of an hour", room, said{At: 1, Rank: int(wake), Minutes: 15}, 0, 0, []Member{ahead(7)}, true, false},
		{"of less", room, said{At: 1, Rank: int(wake), Minutes: 14.9}, 0, 0, []Member{ahead(7)}, false, false},
		{"a wake alarm nobody heard of", room, said{At: time.Hour, Rank: int(wake)}, 0, 19 * time.Second, []Member{ahead(40), member(alarm.LethalAhead, "e2", unack, wake)}, false, true},
		{"after its time for company", room, said{At: time.Hour, Rank: int(wake)}, 0, 20 * time.Second, []Member{ahead(40), member(alarm.LethalAhead, "e2", unack, wake)}, true, true},
		{"a lethal one, moments after", room, said{At: 19 * time.Second, Rank: int(wake) + 1}, 0, 0, []Member{ahead(40), member(alarm.LethalLimit, "e2", unack, wake)}, false, false},
		{"a lethal one", room, said{At: 20 * time.Second, Rank: int(wake) + 1}, 0, 0, []Member{ahead(40), member(alarm.LethalLimit, "e2", unack, wake)}, true, false},
		{"growth, within the quarter of an hour", room, said{At: updateEvery - 1, Rank: int(wake)}, 0, 1, []Member{ahead(40), member(alarm.LethalAhead, "e2", unack, wake)}, false, false},
		{"growth, after it", room, said{At: updateEvery, Rank: int(wake)}, 0, 1, []Member{ahead(40), member(alarm.LethalAhead, "e2", unack, wake)}, false, true},
		{"more growth, half an hour", room, said{At: 2*updateEvery - 1, Rank: int(wake)}, 1, 1, []Member{ahead(40), member(alarm.LethalAhead, "e2", unack, wake)}, false, false},
		{"and after it", room, said{At: 2 * updateEvery, Rank: int(wake)}, 1, 1, []Member{ahead(40), member(alarm.LethalAhead, "e2", unack, wake)}, false, true},
		{"an hour at most", room, said{At: 4 * updateEvery, Rank: int(wake)}, 9, 1, []Member{ahead(40), member(alarm.LethalAhead, "e2", unack, wake)}, false, true},
		{"another cause", room, said{At: updateEvery, Rank: int(wake), Cause: tank("e1")}, 0, 0, []Member{ahead(40)}, false, true},
		{"another cause of what does not wake", room, said{At: updateEvery, Rank: int(today), Cause: tank("e1"), Kinds: []alarm.ID{alarm.AboveBand}}, 0, 0, []Member{told(member(alarm.AboveBand, "e1", unack, today))}, false, false},
		{"more of the same that does not wake", room, said{At: todayUpdates*updateEvery - 1, Rank: int(today), Kinds: []alarm.ID{alarm.AboveBand}}, 0, 0, []Member{member(alarm.AboveBand, "e2", unack, today)}, false, false},
		{"after two hours", room, said{At: todayUpdates * updateEvery, Rank: int(today), Kinds: []alarm.ID{alarm.AboveBand}}, 0, 0, []Member{member(alarm.AboveBand, "e2", unack, today)}, false, true},
		{"another kind", room, said{At: updateEvery, Rank: int(today), Kinds: []alarm.ID{alarm.AboveBand}}, 0, 0, []Member{member(alarm.BelowBand, "e2", unack, today)}, false, true},
		{"a kind that is over", room, said{At: updateEvery, Rank: int(today), Kinds: []alarm.ID{alarm.AboveBand}}, 0, 0, []Member{member(alarm.BelowBand, "e2", rtnun, today)}, false, false},
		{"a storm's growth, under a minute", several, said{At: stormGrows - 1, Rank: int(today), Kinds: []alarm.ID{alarm.AboveBand}}, 0, 0, []Member{member(alarm.AboveBand, "e2", unack, today)}, false, false},
		{"a storm's growth", several, said{At: stormGrows, Rank: int(today), Kinds: []alarm.ID{alarm.AboveBand}}, 0, 0, []Member{member(alarm.AboveBand, "e2", unack, today)}, false, true},
		{"a storm's fourth growth", several, said{At: 8*stormGrows - 1, Rank: int(today), Kinds: []alarm.ID{alarm.AboveBand}}, 3, 0, []Member{member(alarm.AboveBand, "e2", unack, today)}, false, false},
	} {
		r := newRig(t, twoPeople())
		s := r.desk.schedule
		s.now = sensors.Instant{Mono: now}
		in := under(c.cause, c.members...)
		is := c.said
		if is.At = now - is.At; is.Cause.Kind == "" {
			is.Cause = c.cause
		}
		if is.Kinds == nil {
			is.Kinds = []alarm.ID{alarm.LethalAhead, alarm.LethalLimit}
		}
		in.Said, in.Grown, in.FreshAt = &is, c.grown, now-c.freshFor
		if in.Said.Rank == int(alarm.Wake)+1 && in.rank() != int(alarm.Wake)+1 {
			t.Fatalf("%s: said too much", c.name)
		}
		if got := s.urgent(in); got != c.urgent {
			t.Errorf("%s: urgent %v", c.name, got)
		}
		if got := s.news(in); got != c.news {
			t.Errorf("%s: news %v", c.name, got)
		}
	}
}

// A document of an earlier version tells what was sent, not to whom what was named.
func TestIncident_fillIn(t *testing.T) {
	in := under(room, member(alarm.LethalLimit, "e1", unack, alarm.Wake), member(alarm.LethalLimit, "e2", unack, alarm.Wake))
	in.Notice.Version, in.Said = 3, &said{At: time.Minute}
	in.Notice.Members[0].Told = true
	p := func(version, sent, confirmed int, s state) *parcel {
		return &parcel{Delivery: Delivery{Version: version}, Sent: sent, Confirmed: confirmed, State: s}
	}
	in.Out = []*parcel{p(3, 1, 0, taken), p(3, 1, 0, due), p(3, 0, 0, due), p(3, 1, 1, taken), p(3, 0, 0, taken)}
	in.fillIn()
	var got []int
	for _, p := range in.Out {
		got = append(got, p.Confirmed)
	}
	a, b := in.Notice.Members[0], in.Notice.Members[1]
	if !slices.Equal(got, []int{3, 2, 0, 1, 0}) || !a.Heard || a.ToldAt != time.Minute || !slices.Equal(a.Named, []Naming{{"n", 3}}) || b.Heard || b.Named != nil {
		t.Errorf("%v, %+v, %+v", got, a.Ledger, b.Ledger)
	}
	in = under(room, member(alarm.LethalLimit, "e1", unack, alarm.Wake))
	in.Said, in.Notice.Members[0].Told = &said{}, true
	in.Out = []*parcel{p(1, 0, 0, due)}
	if in.fillIn(); in.Notice.Members[0].Heard || len(in.Notice.Members[0].Named) != 1 {
		t.Errorf("nobody was handed %+v", in.Notice.Members[0].Ledger)
	}
}

// What a configuration says of people, names and ways is what the desk works by.
func TestOptionsFor(t *testing.T) {
	cfg := &configs.Config{
		Enclosures: []configs.Enclosure{{ID: "e1", Name: "Moss"}, {ID: "e2"}, {ID: "e3", Name: "e3"}},
		Probes:     []configs.Probe{{ID: "p1", Topic: "a/b"}, {ID: "p2", Bus: "1"}, {ID: "p3"}},
		People:     []configs.Person{{ID: "una", Name: "Una", Channels: []string{"mail"}, MailTo: "una@example.test", EscalateAfter: configs.Duration(time.Minute)}, {ID: "odo"}},
	}
	cfg.Room.ID, cfg.MQTT.Broker = "attic", "tcp://broker.test"
	cfg.Webhooks = []configs.Webhook{{ID: "w1"}, {ID: "w2"}}
	o := OptionsFor(cfg)
	if len(o.Names) != 1 || o.Names["e1"] != "Moss" {
		t.Errorf("names are %v", o.Names)
	}
	if p := o.People; len(p) != 2 || p[0].ID != "una" || p[0].Name != "Una" || p[0].MailTo != "una@example.test" || p[0].EscalateAfter.D() != time.Minute ||
		!slices.Equal(p[0].Channels, []string{"mail"}) || !slices.Equal(p[1].Channels, []string{"mqtt"}) {
		t.Errorf("people are %+v", p)
	}
	for probe, want := range map[string][]Share{
		"p1": {{shareBroker, "tcp://broker.test"}}, "p2": {{shareBus, "1"}, {shareBoard, "attic"}}, "p3": {{shareBoard, "attic"}},
	} {
		if !slices.Equal(o.Shares[probe], want) {
			t.Errorf("%s shares %v, want %v", probe, o.Shares[probe], want)
		}
	}
	if got := o.channels(); !slices.Equal(got, []string{"mail", "mqtt"}) {
		t.Errorf("channels are %v", got)
	}
	cfg.MQTT.Broker, cfg.People = "", nil
	if p := OptionsFor(cfg).People; len(p) != 1 || p[0].ID != "keeper" || !slices.Equal(p[0].Channels, []string{"w1", "w2"}) {
		t.Errorf("where nobody is named: %+v", p)
	}
	o.People = append(o.People, configs.Person{ID: "ira"})
	for first, want := range map[string][]string{
		"una": {"una", "odo", "ira"}, "odo": {"odo", "una", "ira"}, "ira": {"ira", "una", "odo"},
		"nobody": {"una", "odo", "ira"}, "": {"una", "odo", "ira"},
	} {
		var got []string
		for _, p := range o.InTurn(first).People {
			got = append(got, p.ID)
		}
		if !slices.Equal(got, want) || o.People[0].ID != "una" {
			t.Errorf("%q first: %v, want %v", first, got, want)
		}
	}
	for by, want := range map[string]string{"una": "una", "Una": "una", "": "", "odo": "odo", "x": ""} {
		if got := o.idOf(by); got != want {
			t.Errorf("%q answers as %q", by, got)
		}
	}
}

// Tries wait 2 s, then twice as long each time, up to 30 s for what wakes and 5 min for the rest;
// a server may ask for an hour where nothing wakes.
func TestOutbox_backoff(t *testing.T) {
	const now = time.Hour
	for _, c := range []struct {
		fails int // before
		p     alarm.Priority
		after time.Duration
		want  time.Duration
	}{
		{0, alarm.Wake, 0, 2 * time.Second}, {1, alarm.Wake, 0, 4 * time.Second}, {3, alarm.Wake, 0, 16 * time.Second}, {4, alarm.Wake, 0, 30 * time.Second},
		{0, alarm.Wake, 10 * time.Second, 10 * time.Second}, {0, alarm.Wake, time.Hour, 30 * time.Second},
		{4, alarm.Today, 0, 32 * time.Second}, {20, alarm.Today, 0, 5 * time.Minute}, {0, alarm.Today, 59 * time.Minute, 59 * time.Minute}, {0, alarm.Today, 2 * time.Hour, time.Hour},
	} {
		r := newRig(t, twoPeople())
		o := r.desk.outbox
		o.now = sensors.Instant{Mono: now}
		p := &parcel{Delivery: Delivery{Person: "una", Channel: "mqtt", Priority: c.p, Fails: c.fails}, State: out}
		in := under(room)
		in.Ringing, in.Out = 1, []*parcel{p}
		if o.failed(in, p, Retryable, c.after, "away"); p.State != due || p.NotBefore-now != c.want || p.Fails != c.fails+1 {
			t.Errorf("%d fails, %v, asked %v: %s in %v, want %v", c.fails, c.p, c.after, p.State, p.NotBefore-now, c.want)
		}
	}
}

// A channel is stalled by four minutes without a connection, of failing with something
// to send or refused, or of something that waits while nothing is taken over.
func TestLinks_stallsAtItsLimits(t *testing.T) {
	const now = 10 * time.Hour
	ago := func(d time.Duration) time.Duration { return now - d }
	ok := sensors.Instant{Mono: ago(time.Hour), Wall: t0}
	for _, c := range []struct {
		name string
		l    link
		s    ChannelStats
		want bool
	}{
		{"well", link{ChannelStats: ChannelStats{LastSuccess: rules.Moment{Instant: ok}}}, ChannelStats{}, false},
		{"not connected", link{downSince: ago(stallAfter)}, ChannelStats{}, true},
		{"for less", link{downSince: ago(stallAfter) + 1}, ChannelStats{}, false},
		{"failing", link{failingSince: ago(stallAfter)}, ChannelStats{Pending: 1}, true},
		{"failing for less", link{failingSince: ago(stallAfter) + 1}, ChannelStats{Pending: 1}, false},
		{"failing, nothing to send", link{failingSince: ago(stallAfter)}, ChannelStats{}, false},
		{"refused, nothing to send", link{failingSince: ago(stallAfter), refused: true}, ChannelStats{}, true},
		{"slow", link{ChannelStats: ChannelStats{LastSuccess: rules.Moment{Instant: ok}}}, ChannelStats{OldestAge: rules.Seconds(stallAfter)}, true},
		{"less slow", link{ChannelStats: ChannelStats{LastSuccess: rules.Moment{Instant: ok}}}, ChannelStats{OldestAge: rules.Seconds(stallAfter - 1)}, false},
		{"slow, but others pass", link{ChannelStats: ChannelStats{LastSuccess: rules.Moment{Instant: sensors.Instant{Mono: ago(time.Minute)}}}}, ChannelStats{OldestAge: rules.Seconds(stallAfter)}, false},
		{"stalled a while ago", link{stalled: true, unwell: ago(stallAfter)}, ChannelStats{}, false},
		{"stalled just before", link{stalled: true, unwell: ago(stallAfter) + 1}, ChannelStats{}, true},
		{"stalled, and something waits", link{stalled: true, unwell: ago(time.Hour)}, ChannelStats{OldestAge: rules.Seconds(time.Minute + 1)}, true},
		{"stalled, and it waits for less", link{stalled: true, unwell: ago(time.Hour)}, ChannelStats{OldestAge: rules.Seconds(time.Minute)}, false},
	} {
		if got := c.l.stalls(sensors.Instant{Mono: now}, c.s); got != c.want {
			t.Errorf("%s: stalled %v", c.name, got)
		}
	}
}

// A refusal counts against its person for ten minutes, a lost connection against all, and
// a channel that works again is dead for nobody.
func TestLinks_deadForWhom(t *testing.T) {
	r := newRig(t, twoPeople())
	l := r.desk.links
	una, odo := target{"una", "mail"}, target{"odo", "mail"}
	check := func(when string, a, b bool) {
		t.Helper()
		r.desk.begin(r.now)
		if l.dead(una) != a || l.dead(odo) != b {
			t.Errorf("%s: dead for una %v, for odo %v", when, l.dead(una), l.dead(odo))
		}
	}
	r.desk.begin(r.now)
	if !l.fails(una, false, "away") || l.fails(una, false, "away") || !l.fails(una, true, "no such box") || l.fails(una, true, "no such box") {
		t.Error("a fault is news once, and when it becomes a refusal")
	}
	check("refused", true, false)
	r.now = r.now.Add(refusalHolds - 1)
	l.of("mail").failingSince = r.now.Mono // stalled is another matter
	check("just before it is over", true, false)
	r.now = r.now.Add(1)
	l.of("mail").failingSince = r.now.Mono
	check("over", false, false)
	if tries := l.mended(una); tries != 4 || l.mended(una) != 0 {
		t.Errorf("mended after %d tries, want 4, and once", tries)
	}
	l.works("mail")
	if l.failing("mail") || !l.working("mail") {
		t.Error("it fails though it works")
	}
	if again, before := l.state("mail", nil); !again || before {
		t.Error("the first connection is no return")
	}
	l.state("mail", errAway)
	check("not connected", true, true)
	if again, before := l.state("mail", nil); !again || !before {
		t.Error("the second connection is a return")
	}
	check("connected", false, false)
}

// The class of an error says whether another way is taken, and when to try again.
func TestClassOf(t *testing.T) {
	err := errors.New("x")
	for _, c := range []struct {
		err   error
		class Class
		after time.Duration
	}{{err, Retryable, 0}, {fmt.Errorf("a: %w", Permanent(err)), Refused, 0}, {fmt.Errorf("a: %w", After(time.Minute, err)), Retryable, time.Minute}} {
		if class, after := ClassOf(c.err); class != c.class || after != c.after {
			t.Errorf("%v: %v, %v", c.err, class, after)
		}
	}
}

// Of one alarm that two notices of an earlier run hold, the one goes on that has the later
// word; what rings keeps what both tell, and the other is absorbed.
func TestRestore_oneAlarmInTwoNotices(t *testing.T) {
	doc := func(id string, c alarm.Cause, seq uint64, s alarm.State, told bool) store.Doc {
		m := member(alarm.LethalLimit, "e1", s, alarm.Wake)
		m.Seq = seq
		in := under(c, m)
		in.Notice.ID = id
		if told {
			in.Said, in.Ringing = &said{At: 1, Rank: in.rank()}, 1
		}
		return encode(in)
	}
	for _, c := range []struct {
		name  string
		docs  []store.Doc
		holds string
		gone  []string // absorbed by it
	}{
		{"a later onset", []store.Doc{doc("a", tank("e1"), 1, norm, true), doc("b", room, 2, unack, true)}, "b", nil},
		{"an earlier one", []store.Doc{doc("a", tank("e1"), 2, unack, true), doc("b", room, 1, norm, true)}, "a", nil},
		{"the same, over in one", []store.Doc{doc("a", tank("e1"), 1, norm, true), doc("b", room, 1, unack, true)}, "b", nil},
		{"the same, over in the other", []store.Doc{doc("a", tank("e1"), 1, unack, true), doc("b", room, 1, norm, true)}, "a", nil},
		{"both active", []store.Doc{doc("a", tank("e1"), 1, unack, true), doc("b", room, 1, unack, true)}, "b", []string{"a"}},
		{"both active, one answered", []store.Doc{doc("a", tank("e1"), 1, acked, true), doc("b", tank("e2"), 1, unack, true)}, "a", []string{"b"}},
	} {
		r := newRig(t, onePerson("mqtt"))
		if _, err := r.desk.Restore(r.now, c.docs); err != nil {
			t.Fatal(err)
		}
		in := r.desk.book.byKey[alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}]
		if in == nil || in.Notice.ID != c.holds || !slices.Equal(in.Notice.Supersedes, c.gone) {
			t.Errorf("%s: %+v", c.name, in)
		}
		active := 0
		for _, in := range r.desk.book.list() {
			active += in.numActive()
		}
		if active != 1 {
			t.Errorf("%s: it is active in %d notices", c.name, active)
		}
	}
}

// After a restart the notices agree with the alarms: what differs in onset, state or
// urgency is taken over, what is over ends, and what is as it was is left alone.
func TestReconcile_whatDiffers(t *testing.T) {
	for _, c := range []struct {
		name  string
		state alarm.State
		seq   uint64
		p     alarm.Priority
		open  bool // among the alarms at all
		write bool
	}{
		{"as it was", unack, 1, alarm.Wake, true, false}, {"answered", acked, 1, alarm.Wake, true, true}, {"another onset", unack, 2, alarm.Wake, true, true},
		{"milder", unack, 1, alarm.Today, true, true}, {"over", unack, 1, alarm.Wake, false, true},
	} {
		r := newRig(t, onePerson("mqtt"))
		r.onset(alarm.LethalAhead, "e1", tank("e1"))
		r.pass(time.Minute)
		k := alarm.Key{Alarm: alarm.LethalAhead, Subject: "e1"}
		var alarms []rules.AlarmView
		if c.open {
			alarms = append(alarms, rules.AlarmView{Onset: alarm.Onset{Key: k, Seq: c.seq, Priority: c.p, Cause: tank("e1"), Since: r.now}, State: c.state})
		}
		e := r.desk.Reconcile(r.now, alarms)
		m := r.desk.book.byKey[k].member(k)
		if (len(e.Docs) > 0) != c.write || c.open && (m.State != c.state || m.Seq != c.seq || m.Priority != c.p) || !c.open && m.State != norm {
			t.Errorf("%s: %d documents, %+v", c.name, len(e.Docs), m)
		}
	}
}
