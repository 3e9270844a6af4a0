package alert

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
)

// off lets the power be gone for d: running time stands still, and the restarted
// Desk learns of it at once.
func (r *rig) off(d time.Duration) {
	r.t.Helper()
	r.now.Wall = r.now.Wall.Add(d)
	r.restart()
	r.absorb(r.desk.TimeOff(r.now, r.now.Mono, d))
	r.send()
}

// Lethal heat that nobody answered before the power went is told again as soon as
// it is back, and to the next person: nobody could answer in between.
func TestTimeOff_unansweredRingsAnew(t *testing.T) {
	for name, before := range map[string]time.Duration{
		"soon after": time.Minute, "while it is repeated": 2 * time.Hour, "when repeats are over": 73 * time.Hour,
	} {
		t.Run(name, func(t *testing.T) {
			o := twoPeople()
			r := newRig(t, o)
			r.onset(alarm.LethalLimit, "e1", tank("e1"))
			r.pass(before)
			told, next := len(r.told("mqtt")), len(r.told("gateway"))
			r.off(6 * time.Hour)
			r.pass(30 * time.Second)
			if got := len(r.told("mqtt")) - told; got != 1 {
				t.Errorf("told %d times within 30 s after six hours off, want once", got)
			}
			if got := len(r.told("gateway")); got != next+1 {
				t.Errorf("the next person was told %d times, before it was %d", got, next)
			}
			told = len(r.told("mqtt"))
			r.pass(10 * time.Minute)
			if len(r.told("mqtt")) == told {
				t.Error("it is not repeated from then on")
			}
		})
	}
}

// A time off shorter than the next person's turn counts, but makes no turn.
func TestTimeOff_shortCounts(t *testing.T) {
	r := newRig(t, twoPeople()) // the next person after 10 min
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(2 * time.Minute)
	r.off(6 * time.Minute)
	r.pass(time.Minute)
	r.want("gateway")
	r.pass(70 * time.Second)
	if len(r.told("gateway")) != 1 {
		t.Errorf("10 min after the onset, 6 of them off, the next person was told %q", r.told("gateway"))
	}
}

// What was answered before stays answered, and what ended meanwhile is not told
// as if it held.
func TestTimeOff_leavesTheAnswered(t *testing.T) {
	r := newRig(t, twoPeople())
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(time.Minute)
	r.ack("lethal-ceiling/e1/1", "una")
	n := len(r.got)
	r.off(6 * time.Hour)
	r.pass(10 * time.Minute)
	if len(r.got) != n {
		t.Errorf("told again although answered: %q", r.told("mqtt"))
	}
	r = newRig(t, twoPeople())
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(time.Minute)
	r.off(6 * time.Hour)
	r.now = r.now.Add(5 * time.Second)
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", alarm.Norm, alarm.Wake, tank("e1"), 25, 0}))
	r.pass(time.Minute)
	r.want("mqtt", "raise lethal-ceiling/e1/1", "followup lethal-ceiling/e1/1")
	if text := r.got[len(r.got)-1].Message.Text; !strings.Contains(text, ", 6 h.") {
		t.Errorf("six hours off do not count in %q", text)
	}
}

// An enclosure that leaves the configuration while it is lethally hot is not over.
func TestGone_isNotOver(t *testing.T) {
	r := newRig(t, twoPeople())
	r.onset(alarm.LethalLimit, "e1", room)
	r.onset(alarm.LethalLimit, "e2", room)
	r.pass(time.Minute)
	drop := func(id string) {
		x := r.tr(change{alarm.LethalLimit, id, alarm.Norm, alarm.Wake, room, 34, 0})
		x.Why = alarm.WhyConfig
		r.transitions(x)
	}
	drop("e1")
	r.transitions(r.tr(change{alarm.LethalLimit, "e2", alarm.Norm, alarm.Wake, room, 25, 0}))
	r.pass(time.Minute)
	m := r.got[len(r.got)-1].Message
	if !strings.HasPrefix(m.Title, "Over or no longer watched: ") || !strings.Contains(m.Text, "e1: no longer in the configuration") {
		t.Errorf("one of two is gone: %q\n%s", m.Title, m.Text)
	}
	r.onset(alarm.LethalLimit, "e3", tank("e3"))
	r.pass(time.Minute)
	drop("e3")
	r.pass(time.Minute)
	if m = r.got[len(r.got)-1].Message; !strings.HasPrefix(m.Title, "No longer watched, not over: ") {
		t.Errorf("the only one is gone: %q\n%s", m.Title, m.Text)
	}
}

// The span of a follow-up is that of what its title names, not of what was milder.
func TestOver_spanOfTheWorst(t *testing.T) {
	r := newRig(t, twoPeople())
	r.onset(alarm.AboveBand, "e1", tank("e1")) // 12:00
	r.pass(2 * time.Hour)
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(time.Hour)
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", alarm.Norm, alarm.Wake, tank("e1"), 30, 0}))
	r.pass(time.Hour)
	r.transitions(r.tr(change{alarm.AboveBand, "e1", alarm.Norm, alarm.Wake, tank("e1"), 25, 0}))
	r.pass(time.Minute)
	m := r.got[len(r.got)-1].Message
	if !strings.Contains(m.Title, "lethal limit reached") || !strings.Contains(m.Text, "From 14:00 to 15:00, 60 min.") {
		t.Errorf("%q\n%s", m.Title, m.Text)
	}
}

// A channel that is built anew is tried at once, however long the old one asked
// to be left alone.
func TestRenewed_isTriedAtOnce(t *testing.T) {
	for name, err := range map[string]error{"refused": Permanent(errAway), "later": After(time.Hour, errAway)} {
		t.Run(name, func(t *testing.T) {
			o := Options{People: []configs.Person{{ID: "una", Channels: []string{"hook"}}}}
			r := newRig(t, o)
			r.broken["hook"] = err
			r.absorb(r.desk.ChannelState(r.now, "hook", nil)) // its server is there
			r.onset(alarm.AboveBand, "e1", tank("e1"))
			r.pass(time.Hour)
			delete(r.broken, "hook")
			r.absorb(r.desk.Renewed(r.now, "hook"))
			r.send()
			r.want("hook", "raise above-band/e1/1")
		})
	}
}

// "New" names enclosures, not further alarms of one that was told.
func TestNews_areNotToldTwice(t *testing.T) {
	r := newRig(t, twoPeople())
	text := func() string { return r.got[len(r.got)-1].Message.Text }
	r.onset(alarm.LethalLimit, "e1", room)
	r.pass(time.Minute)
	r.onset(alarm.Exposure, "e1", room)
	r.pass(6 * time.Minute)
	if s := text(); strings.Contains(s, "New: ") {
		t.Errorf("a second alarm of e1 is called new:\n%s", s)
	}
	r.onset(alarm.LethalAhead, "e2", room)
	r.pass(time.Minute)
	if s := text(); !strings.Contains(s, "New: e2.") {
		t.Errorf("e2 is not called new:\n%s", s)
	}
	r.onset(alarm.LethalLimit, "e2", room)
	r.pass(time.Minute)
	if s := text(); !strings.Contains(s, "New: e2.") {
		t.Errorf("that what was ahead of e2 is there is not called new:\n%s", s)
	}
}

// A room whose configuration names nobody, or nobody's channels, tells whom it can.
func TestOptionsFor_nobodyNamed(t *testing.T) {
	hooks := []configs.Webhook{{ID: "a"}, {ID: "b"}}
	for name, x := range map[string]struct {
		cfg  configs.Config
		want string
	}{
		"nobody, webhooks":           {configs.Config{Webhooks: hooks}, "keeper [a b]"},
		"nobody, broker and webhook": {configs.Config{Webhooks: hooks, MQTT: configs.MQTT{Broker: "tcp://x:1"}}, "keeper [mqtt]"},
		"no channels named":          {configs.Config{Webhooks: hooks, People: []configs.Person{{ID: "una"}}}, "una [a b]"},
		"channels named":             {configs.Config{Webhooks: hooks, People: []configs.Person{{ID: "una", Channels: []string{"b"}}}}, "una [b]"},
	} {
		p := OptionsFor(&x.cfg).People[0]
		if got := fmt.Sprint(p.ID, " ", p.Channels); got != x.want {
			t.Errorf("%s: %s, want %s", name, got, x.want)
		}
	}
}

// A record that opens late moves the running times of what rang meanwhile by all that
// the earlier run had: not how long ago it says that something was.
func TestMerge_SpansStay(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	heat := r.tr(onsetOf(alarm.AboveBand, "fern", unack, room))
	heat.Detail.For = 40 * time.Minute
	heat.Detail.Evidence = []alarm.Fact{{ID: "room-warmer", For: 3 * time.Hour}}
	r.transitions(heat)
	const by = 300 * 24 * time.Hour
	r.now.Mono += by
	if _, err := r.desk.Merge(r.now, by, nil, nil, []rules.AlarmView{{Onset: heat.Onset, State: unack}}); err != nil {
		t.Fatal(err)
	}
	in := r.desk.book.byKey[heat.Key]
	m := in.member(heat.Key)
	if in.Opened != heat.At.Mono+by || m.Since.Mono != heat.Since.Mono+by {
		t.Errorf("opened at %v, began at %v: not moved", in.Opened, m.Since.Mono)
	}
	if d := m.Detail; d.For != 40*time.Minute || d.Evidence[0].For != 3*time.Hour {
		t.Errorf("for %v, beside %v ago", d.For, d.Evidence[0].For)
	}
}
