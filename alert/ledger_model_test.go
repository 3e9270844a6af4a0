package alert

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

// The reference model: it sees only what goes into a Desk and what leaves it, and
// says slowly what a keeper may rely on: every wake alarm is named soon, again,
// and to the next person; an answer covers what it was told and nobody is rung for
// that again; "over" is true and has the true span; who silences is told of to
// everybody once. Its stories are random, and the same for the same seed.
type story struct {
	*rig
	*promises
	rng      *rand.Rand
	alarms   map[alarm.Key]*told1
	silenced []*silenced1
	dropped  map[string]bool // subjects that a reload dropped
	judged   int             // of sent
	turns    []*turn1
	reborn   time.Duration
	shifted  bool // the wall clock was stepped: spans by it say nothing
	wide     *rand.Rand
	away     map[string]bool    // channels without their connection
	milder   map[alarm.Key]bool // alarms that wake, when they are worse
	refusing string             // the channel that refuses what is long
}

// A told1 is one alarm as the model knows it.
type told1 struct {
	state      alarm.State
	cause      alarm.Cause
	seq        uint64
	rose, fell time.Time // by the wall clock
	back       bool      // it came back under one onset
}

// A silenced1 is a silence that everybody is to hear of.
type silenced1 struct {
	subject string
	at      time.Duration
	away    bool // una was not on the list since
}

// A turn1 is a change of who is told first.
type turn1 struct {
	at           time.Duration
	sent, got    int
	person       string // now
	former       string
	levels       map[string]int // of the notices
	keys         []alarm.Key    // that rang
	broke, ended bool           // a channel failed, or the next turn came
}

// found is a broken promise.
type found string

func (s *story) Helper()                   {}
func (s *story) Fatal(a ...any)            { panic(found(fmt.Sprint(a...))) }
func (s *story) Fatalf(f string, a ...any) { panic(found(fmt.Sprintf(f, a...))) }
func (s *story) Errorf(f string, a ...any) { panic(found(fmt.Sprintf(f, a...))) }

// Stories that once broke: an "over" waits for its channel until the alarm is back under
// another notice; the second person's turn comes when two notices have just joined; a
// repeat waits for its channel while what it names is answered and something else joins.
const (
	overWaits  = 2153
	secondHear = 2967
	joinsLate  = 6165
)

// tell runs the story of a seed with a planted fault, nil for none, and returns a
// digest of all that left the Desk and the promise that was broken, if any.
func tell(seed uint64, plant func(*rig, *Effects)) (digest uint64, broken string) {
	s := &story{promises: newPromises(), rng: rand.New(rand.NewPCG(seed, 14)), alarms: map[alarm.Key]*told1{}, dropped: map[string]bool{}, wide: widely(seed), milder: map[alarm.Key]bool{}, away: map[string]bool{}}
	s.rig = newRig(s, (&model{}).full())
	if s.rig.plant = plant; s.rng.IntN(4) == 0 { // a board whose clock is not set at the start
		s.now.Synced, s.shifted = false, true
	}
	defer func() {
		switch x := recover().(type) {
		case nil:
		case found:
			broken = string(x)
		default:
			panic(x)
		}
		h := fnv.New64a()
		for _, d := range s.sent {
			fmt.Fprintln(h, d.ID, d.Version, d.Attempt, d.Kind, d.Message.Title, d.Message.Text)
		}
		for _, e := range s.events {
			fmt.Fprintln(h, e)
		}
		digest = h.Sum64()
	}()
	for range 30 {
		s.act()
		s.check()
		s.widen()
		s.check()
	}
	s.settle()
	return digest, broken
}

func (s *story) act() {
	switch s.rng.IntN(15) {
	case 0, 1, 2:
		s.raise()
	case 3:
		s.clear()
	case 4, 5:
		s.answerOne()
	case 6:
		c := modelChannels[s.rng.IntN(3)]
		delete(s.live, c)
		if s.away[c] {
			return
		}
		if s.rng.IntN(4) == 0 { // takes every connection and says nothing
			s.hangs[c] = 20 * time.Second
		} else {
			s.broken[c] = []error{errAway, After(20*time.Minute, errAway), Permanent(errAway)}[s.rng.IntN(3)]
		}
	case 7:
		s.mend(modelChannels[s.rng.IntN(3)])
	case 8:
		s.put()
	case 9:
		s.upset()
	case 10:
		s.drop()
	case 11:
		s.recause()
	case 12:
		s.read()
	default:
		s.live1(time.Duration(1+s.rng.IntN(90)) * 10 * time.Second)
	}
}

// live1 lets time pass and looks at all that leaves.
func (s *story) live1(d time.Duration) {
	for end := s.now.Mono + d; s.now.Mono < end; {
		s.pass(min(10*time.Second, end-s.now.Mono))
		s.look()
	}
}

// upset restarts, reloads, or steps or loses the clock.
func (s *story) upset() {
	switch s.rng.IntN(5) {
	case 0, 1:
		s.restart()
		s.reborn = s.now.Mono
	case 2:
		step := time.Duration(s.rng.IntN(200)-100) * time.Hour
		if s.rng.IntN(3) == 0 {
			step *= 500 // years
		}
		s.now.Wall, s.shifted = s.now.Wall.Add(step), true
	case 3:
		s.now.Synced = !s.now.Synced
		s.shifted = true
	case 4: // other quiet hours, times, turns, people or channels
		s.reload()
	}
}

// reload puts another configuration in force, with a delivery on its way.
func (s *story) reload() {
	o := (&model{}).full()
	if s.rng.IntN(2) == 0 {
		o.People[0].Quiet = nil
	}
	switch s.rng.IntN(6) {
	case 0, 1: // the second is on duty
		o = o.InTurn("odo")
	case 2: // who was first is gone
		o.People = o.People[1:]
	case 3: // so is a channel
		o.People[0].Channels = []string{"mail"}
	}
	s.absorb(s.desk.Tick(s.now))
	former, had := s.desk.opt.People[0].ID, s.desk.opt.channels()
	levels := map[string]int{}
	for _, in := range s.desk.book.list() {
		levels[in.Notice.ID] = in.Level
	}
	s.opt = o
	s.absorb(s.desk.Reconfigure(s.now, o))
	for _, c := range s.desk.opt.channels() {
		if _, live := s.live[c]; live && !slices.Contains(had, c) {
			s.live[c] = s.now.Mono
		}
	}
	for _, x := range s.silenced {
		x.away = x.away || o.rankOf("una") < 0
	}
	if person := o.People[0].ID; person != former {
		s.turnTo(&turn1{at: s.now.Mono, sent: len(s.sent), got: len(s.got), person: person, former: former, levels: levels})
	}
	s.send()
	s.look()
}

func (s *story) turnTo(t *turn1) {
	for _, old := range s.turns {
		old.ended = true
	}
	for k := range s.rings {
		t.keys = append(t.keys, k)
	}
	s.dutySince = s.now.Mono
	s.turns = []*turn1{t}
}

// handsOver: whoever is first now is told within a minute of all that rings, and
// who was first before hears no repeat until it is their turn again.
func (s *story) handsOver() {
	for _, t := range s.turns {
		for _, p := range s.opt.People {
			for _, c := range p.Channels {
				if since, ok := s.live[c]; p.ID == t.person && (!ok || since > t.at) {
					t.broke = true
				}
			}
		}
		if s.reborn > t.at {
			t.broke = true
		}
		if t.broke || s.now.Mono-t.at <= 70*time.Second {
			continue
		}
		for _, k := range t.keys {
			if s.rings[k] == nil || s.rings[k].since > t.at {
				continue
			}
			if !slices.ContainsFunc(s.got[t.got:], func(d Delivery) bool { return d.Person == t.person && says(&d, k) }) {
				s.Fatalf("%s is first since %v, and has not heard of %v by %v", t.person, t.at, k, s.now.Mono)
			}
		}
	}
}

func (s *story) mend(c string) {
	if s.away[c] {
		return
	}
	delete(s.broken, c)
	delete(s.hangs, c)
	s.works(c)
}

func (s *story) raise() {
	k := alarm.Key{Alarm: []alarm.ID{alarm.LethalLimit, alarm.LethalAhead, alarm.AboveBand}[s.rng.IntN(3)],
		Subject: fmt.Sprintf("e%d", 1+s.rng.IntN(6))}
	if old := s.alarms[k]; old == nil || old.state != unack && old.state != acked {
		s.rise(k)
	}
}

func (s *story) rise(k alarm.Key) {
	delete(s.milder, k)
	old, cause := s.alarms[k], s.cause(k)
	s.look() // what left before it came
	s.alarms[k] = &told1{state: unack, cause: cause, rose: s.now.Wall, back: old != nil && old.state != norm}
	sent, got := len(s.sent), len(s.got)
	s.onset(k.Alarm, k.Subject, cause)
	s.alarms[k].seq = s.seq[k]
	s.rises(s.rig, k, sent, got)
	s.look()
}

func (s *story) cause(k alarm.Key) alarm.Cause {
	return []alarm.Cause{room, tank(k.Subject), {Kind: alarm.CauseShelf, ID: "a/1"}}[s.rng.IntN(3)]
}

// recause finds another cause for what is active.
func (s *story) recause() {
	if keys := s.active(); len(keys) > 0 {
		k := keys[s.rng.IntN(len(keys))]
		a := s.alarms[k]
		a.cause = s.cause(k)
		c := onsetOf(k.Alarm, k.Subject, a.state, a.cause)
		if s.milder[k] {
			c.p = alarm.Today
		}
		s.transitions(s.tr(c))
		s.look()
	}
}

// read answers the word of a silence, which keeps it from nobody else.
func (s *story) read() {
	for _, d := range slices.Backward(s.got) {
		if d.Kind == Silence {
			_, e, _ := s.desk.Acknowledge(s.now, d.NoticeID, 0, d.Person) // everybody may have heard of it
			s.absorb(e)
			s.send()
			return
		}
	}
}

// active lists the alarms in a state, in a fixed order.
func (s *story) active() (keys []alarm.Key) {
	for k, a := range s.alarms {
		if a.state == unack || a.state == acked {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, func(a, b alarm.Key) int { return strings.Compare(alarm.OnsetID(a, 0), alarm.OnsetID(b, 0)) })
	return keys
}

func (s *story) clear() {
	keys := s.active()
	if len(keys) == 0 {
		return
	}
	k := keys[s.rng.IntN(len(keys))]
	to := []alarm.State{norm, rtnun, alarm.LatchUnack}[s.rng.IntN(3)]
	s.fall(k, to)
	if to != norm && s.rng.IntN(2) == 0 { // somebody resets it later
		s.live1(time.Duration(1+s.rng.IntN(20)) * time.Minute)
		s.fall(k, norm)
	}
}

func (s *story) fall(k alarm.Key, to alarm.State) {
	s.judge(s, s.rig)
	a := s.alarms[k]
	if a.state == unack || a.state == acked {
		a.fell = s.now.Wall
	}
	a.state = to
	s.falls(k, to)
	s.transitions(s.tr(onsetOf(k.Alarm, k.Subject, to, a.cause)))
	s.look()
}

func (s *story) answerOne() {
	open := s.desk.Open()
	if len(open) == 0 {
		return
	}
	v := open[s.rng.IntN(len(open))]
	versions := []int{0, v.Notice.Version}
	for _, d := range s.sent {
		if d.NoticeID == v.Notice.ID {
			versions = append(versions, d.Version)
		}
	}
	s.answerTo(v.Notice, versions[s.rng.IntN(len(versions))], []string{"una", "odo", "robin"}[s.rng.IntN(3)])
}

func (s *story) answerTo(n Notice, version int, by string) {
	s.look() // as it stands before the answer
	s.judge(s, s.rig)
	s.answer(s, s.rig, n, version, by)
	for k, a := range s.alarms {
		if in := s.desk.book.byKey[k]; in != nil && in.member(k).State == acked && a.state == unack {
			a.state = acked
		} else if in != nil && in.member(k).State == norm {
			a.state = norm
		}
	}
	s.look()
}

// drop reloads a configuration that has an enclosure no more whose alarms are open.
func (s *story) drop() {
	keys := s.active()
	if len(keys) == 0 {
		return
	}
	subject := keys[s.rng.IntN(len(keys))].Subject
	s.judge(s, s.rig)
	var ts []rules.Transition
	for _, k := range keys {
		if k.Subject == subject {
			a := s.alarms[k]
			x := s.tr(onsetOf(k.Alarm, subject, norm, a.cause))
			x.From, x.Why = a.state, alarm.WhyConfig
			a.state, a.fell = norm, s.now.Wall
			s.falls(k, norm)
			ts = append(ts, x)
		}
	}
	if !slices.ContainsFunc(s.silenced, func(x *silenced1) bool { return x.subject == subject }) {
		s.silenced = append(s.silenced, &silenced1{subject, s.now.Mono, s.desk.opt.rankOf("una") < 0})
		s.dropped[subject] = true
	}
	s.transitions(ts...)
	s.absorb(s.desk.Dropped(s.now, ts))
	s.send()
	s.look()
}

// put has somebody silence what rings not.
func (s *story) put() {
	a := rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: fmt.Sprintf("q%d", len(s.silenced))}, By: "una", For: 2 * time.Hour}
	s.silenced = append(s.silenced, &silenced1{a.Key.Subject, s.now.Mono, s.desk.opt.rankOf("una") < 0})
	s.absorb(s.desk.Acted(s.now, &a, nil))
	s.send()
	s.look()
}

// look holds every message that left since the last look against the promises.
func (s *story) look() {
	for ; s.judged < len(s.sent); s.judged++ {
		d := &s.sent[s.judged]
		if strings.HasPrefix(d.Message.Title, "Over: ") {
			s.isOver(d)
		}
		if d.Again && d.Kind != FollowUp && d.Priority >= alarm.Wake && s.now.Mono-s.reborn > time.Minute {
			s.ringsFor(d)
			s.inTurn(d)
		}
	}
}

// isOver: nothing that is called over is active, and the span is that of what the
// title names.
func (s *story) isOver(d *Delivery) {
	refs, back := d.Message.Alarms, false
	var from, to time.Time
	for _, ref := range refs {
		k := alarm.Key{Alarm: ref.Alarm, Subject: ref.Subject}
		a := s.alarms[k]
		if a == nil || ref.Seq != a.seq {
			return // of an earlier onset
		}
		back = back || a.back
		if a.state == unack || a.state == acked {
			s.Fatalf("%q is said while %v is active", d.Message.Title, k)
		}
		if ref.Alarm != refs[0].Alarm {
			continue
		}
		if from.IsZero() || a.rose.Before(from) {
			from = a.rose
		}
		if a.fell.After(to) {
			to = a.fell
		}
	}
	if want := fmt.Sprintf("From %s to %s", from.Format("15:04"), to.Format("15:04")); !s.shifted && !back && !strings.HasPrefix(d.Message.Text, want) {
		s.Fatalf("over, and the alarm lasted %q, but it says %q", want, d.Message.Text)
	}
}

// ringsFor: what is sent again names an alarm that nobody answered.
func (s *story) ringsFor(d *Delivery) {
	for k := range s.rings {
		if says(d, k) {
			return
		}
	}
	for _, ref := range d.Message.Alarms { // the model lets a flutter go, the desk does not
		if m := s.desk.book.byKey[alarm.Key{Alarm: ref.Alarm, Subject: ref.Subject}]; m != nil {
			if x := m.member(alarm.Key{Alarm: ref.Alarm, Subject: ref.Subject}); s.rings[x.Key] == nil && calls(x) && s.alarms[x.Key].state == unack {
				return
			}
		}
	}
	s.Fatalf("%s version %d is sent again to %s though all in it is answered: %s", d.NoticeID, d.Version, d.Person, d.Message.Title)
}

// inTurn: who was first before is rung again only as the next.
func (s *story) inTurn(d *Delivery) {
	for _, t := range s.turns {
		level, known := t.levels[d.NoticeID]
		if known && level == 0 && d.Person == t.former && s.judged >= t.sent && s.now.Mono-t.at < 9*time.Minute && !t.broke && !d.Message.Escalated &&
			s.answerer(d.NoticeID) != t.former { // who answered since hears of news
			s.Fatalf("%s is first since %v, and %s is sent again to %s", t.person, t.at, d.NoticeID, d.Person)
		}
	}
}

// answerer is who answered a notice last since the turn changed.
func (s *story) answerer(id string) string {
	if in := s.desk.book.byID[id]; in != nil {
		return s.desk.opt.idOf(in.Answerer)
	}
	return ""
}

// capped: no channel brings a person more than the cap within a minute of what
// they know or what wakes nobody.
func (s *story) capped() {
	sent := map[target][]time.Duration{}
	for i := range s.sent {
		if d := &s.sent[i]; d.Kind != Silence && (d.Again || d.Priority < alarm.Wake) {
			sent[target{d.Person, d.Channel}] = append(sent[target{d.Person, d.Channel}], s.sentAt[i])
		}
	}
	for t, at := range sent {
		for i := range at {
			if n := s.desk.opt.PerMinute; i >= n && at[i]-at[i-n] < time.Minute && at[i]-s.reborn > time.Minute {
				s.Fatalf("%s has %d messages by %s within a minute at %v", t.person, n+1, t.channel, at[i])
			}
		}
	}
}

// check holds after every act.
func (s *story) check() {
	s.judge(s, s.rig)
	s.escalates()
	s.handsOver()
	s.capped()
	s.heardOfSilence()
	if n := s.rig; len(n.docs) < len(n.desk.book.byID) {
		s.Fatalf("%d documents for %d notices", len(n.docs), len(n.desk.book.byID))
	}
}

// escalates: the second person is named what the first did not answer in time.
func (s *story) escalates() {
	since, ok := s.live["gateway"]
	if !ok {
		return
	}
	for k, ring := range s.rings {
		first, second := time.Duration(-1), false
		for i := ring.got; i < len(s.got); i++ {
			if says(&s.got[i], k) {
				if first < 0 {
					first = s.when[i]
				}
				second = second || s.got[i].Channel == "gateway"
			}
		}
		if first >= 0 && !second && s.now.Mono-max(first, since) > 12*time.Minute {
			s.Fatalf("%v was told at %v, nobody answered, and the second person has not heard of it by %v", k, first, s.now.Mono)
		}
	}
}

// heardOfSilence: everybody who can be reached hears of a silence, once.
func (s *story) heardOfSilence() {
	for _, x := range s.silenced {
		heard := map[string]int{}
		for _, d := range s.got {
			if d.Kind == Silence && names(&d.Message, x.subject) {
				heard[d.Person]++
			}
		}
		for i, person := range []string{"una", "odo"} {
			since, ok := s.live[modelChannels[2*i]] // of the first channel
			quiet := i == 0                         // may be night for her
			if ok && !quiet && heard[person] == 0 && s.now.Mono-max(since, x.at) > 30*time.Minute {
				s.Fatalf("%s was silenced at %v, and %s has not heard of it by %v", x.subject, x.at, person, s.now.Mono)
			}
			if !s.dropped[x.subject] && s.slow == nil && heard[person] > 1+s.restarts {
				s.Fatalf("%s heard %d times that %s was silenced", person, heard[person], x.subject)
			}
		}
	}
}

// settle mends everything and lets time pass until all is told and over.
func (s *story) settle() {
	s.takeAll()
	for _, c := range modelChannels {
		s.regain(c)
		s.mend(c)
	}
	s.live1(45 * time.Minute)
	s.check()
	for _, k := range s.active() {
		s.fall(k, norm)
	}
	keys := []alarm.Key{}
	for k, a := range s.alarms {
		if a.state != norm {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, func(a, b alarm.Key) int { return strings.Compare(alarm.OnsetID(a, 0), alarm.OnsetID(b, 0)) })
	for _, k := range keys {
		s.fall(k, norm)
	}
	for end := s.now.Mono + 26*time.Hour; s.now.Mono < end && len(s.desk.book.byID) > 0; {
		s.live1(time.Hour)
	}
	s.heardOfSilence()
	for _, x := range s.silenced {
		if !x.away && !slices.ContainsFunc(s.got, func(d Delivery) bool { return d.Kind == Silence && d.Person == "una" && names(&d.Message, x.subject) }) {
			s.Fatalf("una never heard that %s was silenced", x.subject)
		}
	}
	if len(s.desk.book.byID) != 0 || len(s.docs) != 0 {
		s.Fatalf("left behind: %d notices, %d documents", len(s.desk.book.byID), len(s.docs))
	}
}

// What three stories found that the short run does not reach.
func TestLedgerModel_onceBroken(t *testing.T) {
	for _, seed := range []uint64{overWaits, secondHear, joinsLate} {
		if _, broken := tell(seed, nil); broken != "" {
			t.Errorf("seed %d: %s", seed, broken)
		}
	}
}

// Some stories in seconds; in the long run as many as the aim, or as DEWLINE_STORIES
// says, each told twice with the same words.
func TestLedgerModel(t *testing.T) {
	n, times := uint64(120), 1
	if os.Getenv("DEWLINE_LONG") != "" {
		n, times = 20_000, 2
		if more, err := strconv.ParseUint(os.Getenv("DEWLINE_STORIES"), 10, 32); err == nil {
			n = more
		}
	}
	parts := uint64(runtime.GOMAXPROCS(0))
	for part := range parts {
		t.Run(fmt.Sprintf("part %d of %d", part+1, parts), func(t *testing.T) {
			t.Parallel()
			for i := part; i < n; i += parts {
				seed := i
				if i%3 == 2 {
					seed += wideFrom
				}
				digest, broken := tell(seed, nil)
				if broken != "" {
					t.Fatalf("seed %d: %s", seed, broken)
				}
				if times == 1 && i >= 10 {
					continue
				}
				if again, _ := tell(seed, nil); again != digest {
					t.Fatalf("seed %d told twice differs", seed)
				}
			}
		})
	}
}
