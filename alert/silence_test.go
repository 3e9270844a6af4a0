package alert

import (
	"strings"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

func (r *rig) acted(a rules.Action, ts ...rules.Transition) {
	r.absorb(r.desk.Acted(r.now, &a, ts))
	r.send()
}

func (r *rig) silences() (out []Message) {
	for _, d := range r.got {
		if d.Kind == Silence {
			out = append(out, d.Message)
		}
	}
	return out
}

// Whoever puts alarms away for an hour or longer is named to everybody once, with
// the end and how to undo it; several within minutes are one message.
func TestSilence_everybodyHears(t *testing.T) {
	o := twoPeople()
	o.Names = map[string]string{"e1": "Moss"}
	r := newRig(t, o)
	r.acted(rules.Action{Kind: rules.Shelve, Key: alarm.Key{Alarm: alarm.HumidityFloor, Subject: "e1"}, By: "una", For: 2 * time.Hour, Why: "pump on order"})
	r.pass(time.Minute)
	r.acted(rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: "e2"}, By: "odo", Until: t0.Add(48 * time.Hour)})
	r.acted(rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: "e3"}, By: "odo", For: 24 * time.Hour, Empty: true})
	r.pass(10 * time.Minute)
	got := r.silences()
	if len(got) != 2 || got[0].To == got[1].To {
		t.Fatalf("%d messages, want one to each of two people: %+v", len(got), got)
	}
	for _, want := range []string{
		"una put away", "Moss (e1) until 3 February 14:00", "pump on order", "dewline alarm unshelve humidity-floor e1",
		"odo took e2 out of service until 5 February 12:00", "only lethal heat", "dewline alarm in-service e2", "odo declared e3 empty",
	} {
		if !strings.Contains(got[0].Text, want) {
			t.Errorf("no %q in:\n%s", want, got[0].Text)
		}
	}
	r.pass(24 * time.Hour)
	if n := len(r.silences()); n != 2 || len(r.docs) != 0 {
		t.Errorf("%d messages and %d documents a day later", n, len(r.docs))
	}
}

// A note, less than an hour, and what is taken back at once are worth no message.
func TestSilence_whatIsShortIsNotTold(t *testing.T) {
	r := newRig(t, twoPeople())
	r.acted(rules.Action{Kind: rules.Shelve, Key: alarm.Key{Alarm: alarm.DryDown, Subject: "e1"}, By: "una", For: 20 * time.Hour})
	r.acted(rules.Action{Kind: rules.Shelve, Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}, By: "una", For: 59 * time.Minute})
	r.acted(rules.Action{Kind: rules.Acknowledge, Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}, By: "una"})
	r.acted(rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: "p1"}, By: "una", For: 72 * time.Hour, Why: "calibration"})
	r.pass(time.Minute)
	r.acted(rules.Action{Kind: rules.ReturnToService, Key: alarm.Key{Subject: "p1"}, By: "una"})
	r.pass(time.Hour)
	if n := len(r.got); n != 0 || len(r.docs) != 0 {
		t.Errorf("%d messages, %d documents", n, len(r.docs))
	}
}

// It reaches everybody though a channel is dead, a restart comes between, and it is
// night: what was silenced rang as a matter of life.
func TestSilence_reachesEverybody(t *testing.T) {
	o := twoPeople()
	r := newRig(t, o)
	r.broken["mqtt"] = errAway
	r.onset(alarm.LethalAhead, "e1", tank("e1"))
	x := r.tr(onsetOf(alarm.LethalAhead, "e1", alarm.Shelved, tank("e1")))
	x.From = unack
	r.acted(rules.Action{Kind: rules.Shelve, Key: x.Key, By: "una", For: 2 * time.Hour}, x)
	r.pass(time.Minute)
	r.restart()
	r.broken["gateway"] = errAway
	r.pass(20 * time.Minute)
	delete(r.broken, "gateway")
	r.pass(20 * time.Minute)
	to := map[string]int{}
	for _, m := range r.silences() {
		if to[m.To]++; m.Priority != alarm.Wake {
			t.Errorf("it is %v", m.Priority)
		}
	}
	if len(to) != 2 || to["una"] != 1 || to["odo"] != 1 {
		t.Errorf("told %v, want una and odo once each", to)
	}
}

// A reload that has an enclosure no more whose alarms are open is told to all.
func TestSilence_droppedByAReload(t *testing.T) {
	o := twoPeople()
	o.Names = map[string]string{"e1": "Moss"}
	r := newRig(t, o)
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.onset(alarm.AboveBand, "e1", tank("e1"))
	var ts []rules.Transition
	for _, a := range []alarm.ID{alarm.LethalLimit, alarm.AboveBand, alarm.NightDrop} {
		x := r.tr(onsetOf(a, "e1", norm, tank("e1")))
		x.From, x.Why = unack, alarm.WhyConfig
		if a == alarm.NightDrop {
			x.From = rtnun // it was over
		}
		ts = append(ts, x)
	}
	o.Names = nil
	r.absorb(r.desk.Reconfigure(r.now, o))
	r.absorb(r.desk.Dropped(r.now, ts))
	r.transitions(ts...)
	r.pass(10 * time.Minute)
	got := r.silences()
	if len(got) != 2 {
		t.Fatalf("%d messages, want one to each of two people", len(got))
	}
	if s := got[0].Text; strings.Count(s, "\n") != 0 || !strings.Contains(s, "Moss (e1)") || !strings.Contains(s, "lethal limit reached, too warm") || !strings.Contains(s, "reload") {
		t.Errorf("%s\n%s", got[0].Title, s)
	}
}

// A fault that lasts is one line for a person and channel, and how often it was
// tried stands in the line of its end.
func TestFault_oneLineWithACount(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.broken["mqtt"] = errAway
	for _, id := range []string{"e1", "e2", "e3"} {
		r.onset(alarm.LethalLimit, id, tank(id))
	}
	r.pass(time.Hour)
	delete(r.broken, "mqtt")
	r.pass(5 * time.Minute)
	failed, count := 0, ""
	for _, e := range r.events {
		if e.What == "failed" {
			failed++
		}
		if e.What == "handed-over" && count == "" {
			count = e.Why
		}
	}
	if failed != 1 || !strings.Contains(count, "failed tries") {
		t.Errorf("%d lines of a steady fault; its end says %q", failed, count)
	}
}

// A broker that comes back may have lost what it took: an unanswered wake is sent
// again at once, but not at each flicker of the line.
func TestRecall_afterTheBrokersReturn(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	line := func(down error) {
		r.absorb(r.desk.ChannelState(r.now, "mqtt", down))
		r.send()
	}
	line(nil)
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(2 * time.Minute)
	line(errAway)
	r.pass(time.Minute)
	n := len(r.got)
	line(nil)
	if len(r.got) != n+1 {
		t.Errorf("%d messages at the broker's return, want one", len(r.got)-n)
	}
	for range 20 {
		line(errAway)
		r.now = r.now.Add(2 * time.Second)
		line(nil)
	}
	if len(r.got) != n+1 {
		t.Errorf("%d messages while the line flickers", len(r.got)-n-1)
	}
	r.ack("lethal-ceiling/e1/1", "una")
	r.pass(2 * time.Minute)
	line(errAway)
	line(nil)
	if len(r.got) != n+1 {
		t.Error("what was answered was sent again")
	}
}

// What was over before somebody reset it ended then, and the title counts those
// that had what it names.
func TestOver_countsAndSpanAreOfWhatItNames(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.onset(alarm.LethalLimit, "e1", room)
	for _, id := range []string{"e2", "e3"} {
		r.onset(alarm.AboveBand, id, room)
	}
	r.pass(time.Hour)
	r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", alarm.LatchUnack, room))) // 13:00
	r.pass(time.Hour)
	r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", norm, room))) // reset at 14:00
	for _, id := range []string{"e2", "e3"} {
		r.transitions(r.tr(onsetOf(alarm.AboveBand, id, norm, room)))
	}
	r.pass(time.Minute)
	m := r.got[len(r.got)-1].Message
	if !strings.Contains(m.Title, "e1, 3 affected") || !strings.Contains(m.Text, "From 12:00 to 13:00, 60 min.") {
		t.Errorf("%s\n%s", m.Title, m.Text)
	}
}

// An alarm that became milder than a message, and one that a worse one hides, are
// not over.
func TestOver_notWhileAnyIsActive(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.onset(alarm.AboveBand, "e1", tank("e1"))
	r.pass(time.Minute)
	x := r.tr(onsetOf(alarm.AboveBand, "e1", unack, tank("e1")))
	x.Priority = alarm.Note
	r.transitions(x)
	r.pass(time.Minute)
	for _, d := range r.got {
		if strings.HasPrefix(d.Message.Title, "Over") {
			t.Errorf("active as a note: %s", d.Message.Title)
		}
	}
	r = newRig(t, onePerson("mqtt"))
	r.onset(alarm.LethalAhead, "e1", tank("e1"))
	r.pass(time.Minute)
	r.onset(alarm.LethalLimit, "e1", room)
	r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e1", alarm.Suppressed, tank("e1"))))
	r.pass(time.Hour)
	for _, d := range r.got {
		if d.Kind == FollowUp {
			t.Errorf("while it is lethally hot: %s", d.Message.Title)
		}
	}
}

// A lethal limit that is raised while the heat alarms of its enclosure are open is told
// in one line for each enclosure, by night too where one of them rings.
func TestSilence_raisedLimit(t *testing.T) {
	for _, wakes := range []bool{true, false} {
		r := newRig(t, onePerson("mqtt"))
		var views []rules.AlarmView
		for _, k := range []alarm.Key{{Alarm: alarm.LethalLimit, Subject: "e1"}, {Alarm: alarm.LethalAhead, Subject: "e1"}, {Alarm: alarm.LethalLimit, Subject: "e2"}} {
			p := alarm.Today
			if wakes {
				p = alarm.Wake
			}
			views = append(views, rules.AlarmView{Onset: alarm.Onset{Key: k, Priority: p}, State: unack})
		}
		r.absorb(r.desk.Raised(r.now, views))
		r.pass(10 * time.Minute)
		got := r.silences()
		if len(got) != 1 || strings.Count(got[0].Text, "\n") != 1 || (got[0].Priority == alarm.Wake) != wakes {
			t.Errorf("wakes %v: %d messages, want one of two lines: %+v", wakes, len(got), got)
		}
	}
}

// What is told of a silence: from an hour on, or as part of a longer one; as urgent as
// what it silences, and only what was not taken back.
func TestSilence_AtItsLimits(t *testing.T) {
	shelf := func(a alarm.ID, d time.Duration) rules.Action {
		return rules.Action{Kind: rules.Shelve, Key: alarm.Key{Alarm: a, Subject: "e1"}, By: "una", For: d}
	}
	back := func(a alarm.ID, subject string) rules.Action {
		return rules.Action{Kind: rules.Unshelve, Key: alarm.Key{Alarm: a, Subject: subject}, By: "una"}
	}
	for _, c := range []struct {
		name  string
		acts  []rules.Action
		from  alarm.State // of a transition that comes with the first; 0 for none
		p     alarm.Priority
		lines int // told
		wakes bool
	}{
		{"an hour", []rules.Action{shelf(alarm.AboveBand, time.Hour)}, 0, 0, 1, false},
		{"a second less", []rules.Action{shelf(alarm.AboveBand, time.Hour-time.Second)}, 0, 0, 0, false},
		{"a minute more of what is shelved", []rules.Action{shelf(alarm.AboveBand, time.Minute)}, alarm.Shelved, alarm.Today, 1, false},
		{"a minute of what rings", []rules.Action{shelf(alarm.AboveBand, time.Minute)}, unack, alarm.Wake, 0, false},
		{"what rings today", []rules.Action{shelf(alarm.AboveBand, time.Hour)}, unack, alarm.Today, 1, false},
		{"what wakes", []rules.Action{shelf(alarm.AboveBand, time.Hour)}, unack, alarm.Wake, 1, true},
		{"what would wake, and is over", []rules.Action{shelf(alarm.AboveBand, time.Hour)}, norm, alarm.Wake, 1, false},
		{"longer at the second try", []rules.Action{shelf(alarm.AboveBand, time.Hour), shelf(alarm.AboveBand, 2*time.Hour)}, 0, 0, 1, false},
		{"two alarms", []rules.Action{shelf(alarm.AboveBand, time.Hour), shelf(alarm.BelowBand, time.Hour)}, 0, 0, 2, false},
		{"one of two taken back", []rules.Action{shelf(alarm.AboveBand, time.Hour), shelf(alarm.BelowBand, time.Hour), back(alarm.AboveBand, "e1")}, 0, 0, 1, false},
		{"another's taken back", []rules.Action{shelf(alarm.AboveBand, time.Hour), back(alarm.AboveBand, "e2")}, 0, 0, 1, false},
		{"another alarm taken back", []rules.Action{shelf(alarm.AboveBand, time.Hour), back(alarm.BelowBand, "e1")}, 0, 0, 1, false},
		{"all taken back", []rules.Action{shelf(alarm.AboveBand, time.Hour), back(alarm.AboveBand, "e1")}, 0, 0, 0, false},
	} {
		r := newRig(t, onePerson("mqtt"))
		for i, a := range c.acts {
			var ts []rules.Transition
			if c.p != 0 && i == 0 {
				x := r.tr(onsetOf(a.Key.Alarm, "e1", alarm.Shelved, tank("e1")))
				x.From, x.Priority = c.from, c.p
				ts = append(ts, x)
			}
			r.acted(a, ts...)
		}
		if r.pass(silenceJoins - 10*time.Second); len(r.got) != 0 {
			t.Errorf("%s: told before others could join", c.name)
		}
		r.pass(10 * time.Second)
		lines, wakes := 0, false
		for _, m := range r.silences() {
			lines, wakes = lines+1+strings.Count(m.Text, "\n"), m.Priority == alarm.Wake
		}
		if lines != c.lines || wakes != c.wakes {
			t.Errorf("%s: %d lines, wakes %v: %+v", c.name, lines, wakes, r.silences())
		}
	}
}

// Who is put on duty is named to everybody by name, and the newest word holds.
func TestSilence_whoIsOnDuty(t *testing.T) {
	o := twoPeople()
	o.People[1].Name = "Odo Frey"
	r := newRig(t, o)
	put := func(k rules.ActionKind, who string) {
		r.acted(rules.Action{Kind: k, Key: alarm.Key{Subject: who}, By: "una", Until: t0.Add(4 * time.Hour)})
	}
	put(Duty, "una")
	put(Duty, "odo")
	r.pass(10 * time.Minute)
	got := r.silences()
	if len(got) != 2 || strings.Count(got[0].Text, "\n") != 0 || !strings.Contains(got[0].Text, "Odo Frey") || !strings.Contains(got[0].Text, "16:00") || got[0].Priority != alarm.Today {
		t.Errorf("%+v", got)
	}
	put(DutyOver, "odo")
	r.pass(10 * time.Minute)
	if got := r.silences(); len(got) != 4 || got[2].Text == got[0].Text {
		t.Errorf("%+v", got)
	}
}
