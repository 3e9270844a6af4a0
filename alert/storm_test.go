package alert

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
)

func probeCause(id string) alarm.Cause { return alarm.Cause{Kind: alarm.CauseProbe, ID: id} }

// shares is a board with a bus of forty probes, and nodes on a broker.
func shares(o Options, probes, nodes int) Options {
	o.Shares = map[string][]Share{}
	for i := range probes {
		o.Shares[fmt.Sprintf("p%02d", i)] = []Share{{shareBus, "/dev/i2c-1"}, {shareBoard, "attic"}}
	}
	for i := range nodes {
		o.Shares[fmt.Sprintf("n%02d", i)] = []Share{{shareBroker, "tcp://broker:1883"}}
	}
	return o
}

// Forty probes that jump together, within seconds or within minutes, are one
// notice with the count, and few messages.
func TestStorm_probesThatJumpTogether(t *testing.T) {
	for gap, most := range map[time.Duration]int{0: 1, time.Second: 2, 4 * time.Second: 4} {
		t.Run(gap.String(), func(t *testing.T) {
			r := newRig(t, shares(onePerson("mqtt"), 40, 0))
			for i := range 40 {
				id := fmt.Sprintf("p%02d", i)
				r.transitions(r.tr(change{alarm.ProbeJump, id, unack, alarm.Today, probeCause(id), 29, 0}))
				for range gap / time.Second {
					r.now = r.now.Add(time.Second)
					r.absorb(r.desk.Tick(r.now))
					r.send()
				}
			}
			r.pass(10 * time.Minute)
			if open := r.desk.Open(); len(open) != 1 || len(r.got) > most {
				t.Fatalf("%d notices, %d messages, want 1 and at most %d: %q", len(open), len(r.got), most, r.told("mqtt"))
			}
			m := r.got[len(r.got)-1].Message
			if !strings.Contains(m.Title, "40 probes") || !strings.Contains(m.Text, "/dev/i2c-1") {
				t.Errorf("%s\n%s", m.Title, m.Text)
			}
			for i := range 40 {
				id := fmt.Sprintf("p%02d", i)
				r.transitions(r.tr(change{alarm.ProbeJump, id, norm, alarm.Today, probeCause(id), 24, 0}))
			}
			r.pass(time.Minute)
			if last := r.got[len(r.got)-1]; last.Kind != FollowUp || !strings.HasPrefix(last.Message.Title, "Over: ") {
				t.Errorf("the last word is %s", last.Message.Title)
			}
		})
	}
}

// Six nodes that stop together, each when its own time is up, are one notice that
// names what they share.
func TestStorm_nodesThatStopTogether(t *testing.T) {
	for others, says := range map[int]string{0: "all 6 probes read by the broker tcp://broker:1883", 4: "6 of the 10 probes read by the broker"} {
		r := newRig(t, shares(onePerson("mqtt"), 40, 6+others))
		for i := range 6 {
			id := fmt.Sprintf("n%02d", i)
			r.transitions(r.tr(change{alarm.ProbeSilent, id, unack, alarm.Today, probeCause(id), 900, 0}))
			r.pass(50 * time.Second)
		}
		r.pass(10 * time.Minute)
		if open := r.desk.Open(); len(open) != 1 || len(r.got) > 4 {
			t.Fatalf("%d notices, %d messages: %q", len(open), len(r.got), r.told("mqtt"))
		}
		if m := r.got[len(r.got)-1].Message; !strings.Contains(m.Title, "6 probes") || !strings.Contains(m.Text, says) {
			t.Errorf("%s\n%s", m.Title, m.Text)
		}
	}
}

// Two hundred rooms that fall silent at one sentinel are one notice that wakes.
func TestStorm_roomsOfOneSentinel(t *testing.T) {
	o := twoPeople()
	o.Group = 2 * time.Second
	r := newRig(t, o)
	for i := range 200 {
		id := fmt.Sprintf("room-%03d", i)
		r.transitions(r.tr(change{RoomSilent, id, unack, alarm.Wake, alarm.Cause{Kind: alarm.CauseDewline, ID: id}, 0, 0}))
		if i%7 == 0 { // within half a minute, as heartbeats come
			r.now = r.now.Add(time.Second)
			r.absorb(r.desk.Tick(r.now))
			r.send()
		}
	}
	r.pass(2 * time.Minute)
	if open := r.desk.Open(); len(open) != 1 || len(r.told("mqtt")) > 4 {
		t.Fatalf("%d notices, %d messages: %q", len(open), len(r.told("mqtt")), r.told("mqtt"))
	}
	m := r.got[len(r.got)-1].Message
	if !strings.Contains(m.Title, "200 rooms") || m.Priority != alarm.Wake {
		t.Errorf("%s\n%s", m.Title, m.Text)
	}
}

// Lethal heat of a dozen enclosures with a cause each: the first ones are told at
// once, and the others together within seconds, every one by its name.
func TestStorm_lethalHeatNamesEach(t *testing.T) {
	for _, answered := range []bool{false, true} {
		r := newRig(t, twoPeople())
		since := map[string]time.Duration{}
		for i := range 12 {
			id := fmt.Sprintf("e%02d", i)
			since[id] = r.now.Mono
			r.onset(alarm.LethalLimit, id, tank(id))
			if answered {
				for _, v := range r.desk.Open() {
					r.ack(v.Notice.ID, "una")
				}
			}
			r.pass(10 * time.Second)
		}
		r.pass(time.Minute)
		for id, at := range since {
			r.wantNamed(at, id, "mqtt", 30*time.Second)
		}
		if open := r.desk.Open(); len(open) != 1 {
			t.Errorf("answered %v: %d notices", answered, len(open))
		}
	}
}

// What is not lethal waits when a person was sent a lot within a minute, and is
// told when that is over; lethal heat never waits.
func TestStorm_messagesAMinute(t *testing.T) {
	o := onePerson("mqtt")
	r := newRig(t, o)
	for i := range 30 { // of causes that explain more than one thing
		r.transitions(r.tr(change{alarm.AboveBand, fmt.Sprintf("e%02d", i), unack, alarm.Today, alarm.Cause{Kind: alarm.CauseShelf, ID: fmt.Sprint("a/", i)}, 29, 0}))
	}
	r.pass(40 * time.Second)
	if n := len(r.got); n != 8 {
		t.Errorf("%d messages within a minute, want 8", n)
	}
	since := r.now.Mono
	r.onset(alarm.LethalLimit, "hot", tank("hot"))
	r.wantNamed(since, "hot", "mqtt", 0)
	r.pass(10 * time.Minute)
	for i := range 30 {
		if id := fmt.Sprintf("e%02d", i); r.namedAfter(0, id, "mqtt") < 0 {
			t.Errorf("%s was never told", id)
		}
	}
}

// A storm that is on goes on after a restart, and what comes long after it is told
// by itself.
func TestStorm_endsAndSurvivesARestart(t *testing.T) {
	r := newRig(t, shares(onePerson("mqtt"), 40, 0))
	jump := func(i int) {
		id := fmt.Sprintf("p%02d", i)
		r.transitions(r.tr(change{alarm.ProbeJump, id, unack, alarm.Today, probeCause(id), 29, 0}))
	}
	for i := range 10 {
		jump(i)
	}
	r.pass(time.Minute)
	r.restart()
	for i := range 10 {
		jump(10 + i)
	}
	r.pass(5 * time.Minute)
	if open := r.desk.Open(); len(open) != 1 || !strings.Contains(open[0].Message.Title, "20 probes") {
		t.Fatalf("%d notices, the first %q", len(open), open[0].Message.Title)
	}
	r.pass(time.Hour)
	jump(30)
	r.pass(time.Minute)
	if open := r.desk.Open(); len(open) != 2 {
		t.Errorf("%d notices an hour later, want the storm's and a new one", len(open))
	}
}

// Four causes of their own make a storm, two of probes that break alike; what began five
// minutes before is another story, and what wakes is not told with what does not.
func TestStorm_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name   string
		probes bool
		others int
		ago    time.Duration
		p      alarm.Priority
		want   int // notices
	}{
		{"three tanks", false, 2, time.Minute, alarm.Today, 3},
		{"four tanks", false, 3, time.Minute, alarm.Today, 1},
		{"four, over five minutes", false, 3, stormWithin, alarm.Today, 4},
		{"four, within them", false, 3, stormWithin - 10*time.Second, alarm.Today, 1},
		{"the fourth wakes", false, 3, time.Minute, alarm.Wake, 4},
		{"two probes", true, 1, time.Minute, alarm.Today, 1},
		{"two probes, one wakes", true, 1, time.Minute, alarm.Wake, 2},
	} {
		r := newRig(t, twoPeople())
		kind, cause := alarm.ID(alarm.BelowBand), tank
		if c.probes {
			kind, cause = alarm.ProbeSilent, probeCause
		}
		for i := range c.others {
			id := string(rune('a' + i))
			r.transitions(r.tr(change{kind, id, alarm.Unack, alarm.Today, cause(id), 10, 0}))
		}
		r.pass(c.ago)
		r.transitions(r.tr(change{kind, "z", alarm.Unack, c.p, cause("z"), 10, 0}))
		open, told := 0, 0
		for _, in := range r.desk.book.list() {
			if told += in.numActive(); in.active() {
				open++
			}
		}
		if open != c.want || told != c.others+1 {
			t.Errorf("%s: %d notices of %d alarms, want %d of %d", c.name, open, told, c.want, c.others+1)
		}
	}
}

// A storm of four draws in whatever else begins then, one of two probes only what is like it.
func TestStorm_WhatElseBegins(t *testing.T) {
	for name, c := range map[string]struct {
		kind  alarm.ID
		cause func(string) alarm.Cause
		of    int
		want  int // notices
	}{
		"a storm of four": {alarm.BelowBand, tank, 4, 1},
		"of two":          {alarm.ProbeSilent, probeCause, 2, 2},
	} {
		r := newRig(t, twoPeople())
		for i := range c.of {
			id := string(rune('a' + i))
			r.transitions(r.tr(change{c.kind, id, unack, alarm.Today, c.cause(id), 10, 0}))
		}
		r.transitions(r.tr(change{alarm.HumidityFloor, "z", unack, alarm.Today, tank("z"), 10, 0}))
		if open := r.desk.Open(); len(open) != c.want {
			t.Errorf("%s: %d notices with what else began, want %d", name, len(open), c.want)
		}
	}
}

// What two probes have in common is named, with how many hang on it in all.
func TestStorm_WhatIsShared(t *testing.T) {
	node, bus := Share{Kind: "node", Name: "n"}, Share{Kind: "bus", Name: "b"}
	o := Options{Shares: map[string][]Share{"p1": {node, bus}, "p2": {bus}, "p3": {bus}, "p4": {node}}}
	in := func(probes ...string) *incident {
		x := &incident{Notice: Notice{Cause: alarm.Cause{Kind: CauseSeveral}}}
		for _, p := range probes {
			x.Notice.Members = append(x.Notice.Members, Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.ProbeSilent, Subject: p}, Priority: alarm.Today}, State: alarm.Unack})
		}
		return x
	}
	if s := o.shared(in("p1", "p2")); s == nil || s.Name != "b" || s.Count != 2 || s.Of != 3 {
		t.Errorf("%+v", s)
	}
	for _, probes := range [][]string{{"p1"}, {"p1", "p1"}, {"p2", "p4"}, {"p1", "elsewhere"}} {
		if s := o.shared(in(probes...)); s != nil {
			t.Errorf("%v share %+v", probes, s)
		}
	}
}
