package alert

import (
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"dewline/configs"
	"dewline/configs/draws"
	"dewline/rules"
	"dewline/rules/alarm"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// The delivery model: random alarms, acknowledgements, outages, restarts,
// reloads and steps of the wall clock, against what the Desk promises. It follows the
// checkers "no loss", "no storm" and "order" of the kind used to test
// databases by their histories.
//
//	go test ./alert -run DeskModel -rapid.checks=20000
type model struct {
	*rig
	state  map[alarm.Key]alarm.State
	onsets map[string]alarm.Key // notice ids that may exist, by onset
	*promises
}

var modelChannels = []string{"mqtt", "mail", "gateway"}

// A hundred histories; in the long run ten thousand. For more of them, and for others:
//
//	go test ./alert -run TestDeskModel -rapid.checks 10000 -rapid.seed 7
func TestDeskModel(t *testing.T) {
	n := 1
	if os.Getenv("DEWLINE_LONG") != "" {
		n = 100
	}
	draws.Checks(t, n, func(rt *rapid.T) {
		m := &model{rig: newRig(rt, (&model{}).full()), state: make(map[alarm.Key]alarm.State),
			onsets: make(map[string]alarm.Key), promises: newPromises()}
		rt.Repeat(map[string]func(*rapid.T){
			"raise":    m.raise,
			"clear":    m.clear,
			"recause":  m.recause,
			"ack":      m.acknowledge,
			"break":    m.breakChannel,
			"mend":     m.mend,
			"pass":     m.passTime,
			"crash":    func(*rapid.T) { m.crash() },
			"clock":    m.stepClock,
			"reload":   m.reload,
			"in-doubt": m.inDoubt,
			"":         func(rt *rapid.T) { m.check(rt) },
		})
		m.settle(rt)
	})
}

func (m *model) key(rt *rapid.T) alarm.Key {
	a := rapid.SampledFrom([]alarm.ID{alarm.LethalLimit, alarm.LethalAhead, alarm.AboveBand}).Draw(rt, "alarm")
	return alarm.Key{Alarm: a, Subject: rapid.SampledFrom([]string{"e1", "e2", "e3", "e4"}).Draw(rt, "subject")}
}

func (m *model) transition(k alarm.Key, to alarm.State, cause alarm.Cause) rules.Transition {
	p := alarm.Wake
	if k.Alarm == alarm.AboveBand {
		p = alarm.Today
	}
	c := change{k.Alarm, k.Subject, to, p, cause, 34, 0}
	if k.Alarm == alarm.LethalAhead {
		c.minutes = 40
	}
	m.state[k] = to
	return m.tr(c)
}

func (m *model) raise(rt *rapid.T) {
	k := m.key(rt)
	if m.state[k] == unack || m.state[k] == acked {
		rt.Skip("active already")
	}
	cause := room
	if rapid.Bool().Draw(rt, "own cause") {
		cause = tank(k.Subject)
	}
	t := m.transition(k, unack, cause)
	m.onsets[alarm.OnsetID(k, t.Seq)] = k
	sent, got := len(m.sent), len(m.got)
	m.transitions(t)
	m.rises(m.rig, k, sent, got)
}

func (m *model) clear(rt *rapid.T) {
	k := m.key(rt)
	if m.state[k] != unack && m.state[k] != acked {
		rt.Skip("not active")
	}
	to := rapid.SampledFrom([]alarm.State{norm, rtnun, alarm.LatchUnack, alarm.Shelved}).Draw(rt, "to")
	m.judge(rt, m.rig)
	m.falls(k, to)
	m.transitions(m.transition(k, to, m.causeOf(k)))
}

func (m *model) causeOf(k alarm.Key) alarm.Cause {
	if in := m.desk.book.byKey[k]; in != nil {
		return in.Notice.Cause
	}
	return tank(k.Subject)
}

func (m *model) recause(rt *rapid.T) {
	k := m.key(rt)
	if m.state[k] != unack && m.state[k] != acked {
		rt.Skip("not active")
	}
	cause := rapid.SampledFrom([]alarm.Cause{room, tank(k.Subject), {Kind: alarm.CauseShelf, ID: "a/1"}}).Draw(rt, "cause")
	m.transitions(m.transition(k, m.state[k], cause))
}

func (m *model) acknowledge(rt *rapid.T) {
	open := m.desk.Open()
	if len(open) == 0 {
		rt.Skip("nothing open")
	}
	v := rapid.SampledFrom(open).Draw(rt, "notice")
	versions := []int{0}
	for _, d := range m.sent {
		if d.NoticeID == v.Notice.ID {
			versions = append(versions, d.Version)
		}
	}
	m.judge(rt, m.rig)
	m.answer(rt, m.rig, v.Notice, rapid.SampledFrom(versions).Draw(rt, "version"), "una")
	for k, in := range m.desk.book.byKey {
		m.state[k] = in.member(k).State
	}
}

func (m *model) breakChannel(rt *rapid.T) {
	c := rapid.SampledFrom(modelChannels).Draw(rt, "channel")
	delete(m.live, c)
	m.broken[c] = rapid.SampledFrom([]error{errAway, After(time.Minute, errAway), Permanent(errAway)}).Draw(rt, "fault")
}

func (m *model) mend(rt *rapid.T) {
	c := rapid.SampledFrom(modelChannels).Draw(rt, "channel")
	if m.broken[c] != nil {
		m.live[c] = m.now.Mono
	}
	delete(m.broken, c)
}

func (m *model) passTime(rt *rapid.T) {
	m.pass(time.Duration(rapid.IntRange(1, 180).Draw(rt, "tens of seconds")) * 10 * time.Second)
}

func (m *model) crash() {
	before := m.openIDs()
	m.restart()
	if after := m.openIDs(); !slices.Equal(before, after) {
		m.t.Fatalf("open before the crash %v, after %v", before, after)
	}
}

func (m *model) openIDs() []string {
	var ids []string
	for _, in := range m.desk.book.list() {
		if !in.Ended {
			ids = append(ids, in.Notice.ID)
		}
	}
	return ids
}

func (m *model) stepClock(rt *rapid.T) {
	d := time.Duration(rapid.IntRange(-14*24, 14*24).Draw(rt, "hours")) * time.Hour
	m.now.Wall = m.now.Wall.Add(d)
}

// reload puts another configuration in force: quiet hours, times, and who is
// told by what.
func (m *model) reload(rt *rapid.T) {
	o := m.full()
	switch rapid.IntRange(0, 3).Draw(rt, "configuration") {
	case 1:
		o.People[0].Quiet, o.People[0].EscalateAfter = nil, configs.Duration(3*time.Minute)
	case 2:
		o.People[0].Channels = []string{"mail"}
	case 3:
		o.People = o.People[:1]
	}
	m.configure(o)
}

// full is what a model begins and ends with.
func (m *model) full() Options {
	o := twoPeople()
	o.People[0].Quiet = &configs.ClockSpan{From: 22 * 60, To: 7 * 60}
	return o
}

func (m *model) configure(o Options) {
	had := m.desk.opt.channels()
	m.opt = o
	for _, p := range o.People {
		for _, c := range p.Channels {
			if m.broken[c] == nil && !slices.Contains(had, c) {
				m.live[c] = m.now.Mono
			}
		}
	}
	m.absorb(m.desk.Reconfigure(m.now, o))
	m.send()
}

// inDoubt loses the result of a sending that did arrive: the process dies
// between the two.
func (m *model) inDoubt(*rapid.T) {
	m.now = m.now.Add(10 * time.Second)
	m.absorb(m.desk.Tick(m.now))
	for _, d := range m.waiting {
		if m.broken[d.Channel] == nil {
			m.took(d)
		}
	}
	m.crash()
}

// drifting is what need not be on disk: figures, and the order they give.
var drifting = cmp.Options{
	cmpopts.IgnoreFields(Member{}, "Value", "Peak", "Limit", "HasLimit", "Unit", "Text", "Detail"),
	cmpopts.SortSlices(func(a, b Member) bool {
		return a.Key.Alarm+"/"+alarm.ID(a.Key.Subject) < b.Key.Alarm+"/"+alarm.ID(b.Key.Subject)
	}),
}

// check holds after every step.
func (m *model) check(rt *rapid.T) {
	m.judge(rt, m.rig)
	for k, s := range m.state {
		if s != unack && s != acked {
			continue
		}
		in := m.desk.book.byKey[k]
		if in == nil || in.Ended || !in.active() {
			rt.Fatalf("%v is active and in no open notice", k)
		}
		if o := m.desk.book.open(groupIn(in)); o != in {
			rt.Fatalf("two open notices for one cause: %s and %v", in.Notice.ID, o)
		}
	}
	for _, in := range m.desk.book.list() {
		if _, ok := m.onsets[in.Notice.ID]; !ok && !slices.ContainsFunc([]byte(in.Notice.ID), func(b byte) bool { return b == '+' }) {
			rt.Fatalf("notice %s is named after no onset", in.Notice.ID)
		}
		var kept incident
		if err := json.Unmarshal(m.docs[docKey(in.Notice.ID)], &kept); err != nil {
			rt.Fatalf("notice %s is not on disk: %v", in.Notice.ID, err)
		}
		if diff := cmp.Diff(kept.Notice, in.Notice, cmpopts.EquateEmpty(), drifting); diff != "" {
			rt.Fatalf("notice %s differs from the disk's (-disk +memory):\n%s", in.Notice.ID, diff)
		}
	}
	if len(m.docs) != len(m.desk.book.byID) {
		rt.Fatalf("%d documents for %d notices", len(m.docs), len(m.desk.book.byID))
	}
}

// settle lets every channel work and time pass, then judges the history.
func (m *model) settle(rt *rapid.T) {
	m.judge(rt, m.rig)
	m.broken = make(map[string]error)
	for _, c := range modelChannels {
		if _, ok := m.live[c]; !ok {
			m.live[c] = m.now.Mono
		}
	}
	m.configure(m.full())
	m.pass(45 * time.Minute) // longest back-off, escalation and repeat
	m.judge(rt, m.rig)
	last := make(map[string]Delivery)
	for _, d := range m.got {
		last[d.NoticeID+"|"+d.Channel] = d
	}
	for _, in := range m.desk.book.list() {
		if in.Ended || in.rank() < wakeRank || in.Said == nil {
			continue
		}
		channels := []string{"mqtt", "mail"}
		if _, calling := in.unanswered(); calling {
			channels = modelChannels
		}
		for _, c := range channels {
			d, ok := last[in.Notice.ID+"|"+c]
			if !ok {
				rt.Fatalf("wake notice %s never reached %s", in.Notice.ID, c)
			}
			if d.Kind == FollowUp {
				rt.Fatalf("%s is open, but the last word on %s was that it is over", in.Notice.ID, c)
			}
		}
	}
	m.order(rt)
	m.noStorm(rt)
	// Everything over: one follow-up each, then nothing is left.
	for k, s := range m.state {
		if s != norm {
			m.transitions(m.transition(k, norm, m.causeOf(k)))
		}
	}
	m.pass(26 * time.Hour)
	if len(m.desk.book.byID) != 0 || len(m.docs) != 0 {
		rt.Fatalf("left behind: %v %d documents", m.openIDs(), len(m.docs))
	}
}

// order: what a channel carries of one notice never goes back in version.
func (m *model) order(rt *rapid.T) {
	seen := make(map[string]int)
	for _, d := range m.got {
		k := d.ID
		if d.Version < seen[k] {
			rt.Fatalf("%s went back from version %d to %d", k, seen[k], d.Version)
		}
		seen[k] = d.Version
	}
}

// noStorm: one version of one notice is sent at most 1 + the repeats that its
// schedule allows in the time that passed, + once for each crash, which cannot
// know what had arrived.
func (m *model) noStorm(rt *rapid.T) {
	hours := (m.now.Mono - time.Hour).Hours()
	allowed := 1 + 4 + int(2*hours)
	sent := make(map[string]int)
	for _, d := range m.got {
		k := fmt.Sprint(d.ID, " ", d.Version)
		if sent[k]++; sent[k] > allowed+m.crashes() {
			rt.Fatalf("%s sent %d times in %.1f h", k, sent[k], hours)
		}
	}
}

func (m *model) crashes() int { return m.restarts }
