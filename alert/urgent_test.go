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
)

var (
	errLater  = After(time.Hour, errors.New("answered 429 Too Many Requests"))
	errAbsent = Permanent(errors.New("answered 404 Not Found"))
)

// onset raises an alarm of a subject: lethal heat, heat ahead, or too warm.
func (r *rig) onset(a alarm.ID, subject string, cause alarm.Cause) {
	r.transitions(r.tr(onsetOf(a, subject, unack, cause)))
}

func onsetOf(a alarm.ID, subject string, to alarm.State, cause alarm.Cause) change {
	c := change{a, subject, to, alarm.Wake, cause, 33.5, 0}
	switch a {
	case alarm.LethalAhead:
		c.minutes = 40
	case alarm.AboveBand:
		c.p = alarm.Today
	}
	return c
}

// names reports whether a message says that a is the matter with a subject.
func names(m *Message, subject string) bool {
	return holds(m.Title, subject) || holds(m.Text, subject)
}

// holds reports whether a subject stands in a text as a word of its own.
func holds(text, subject string) bool {
	const ends = " ,:;.()\n"
	for from := 0; ; {
		i := strings.Index(text[from:], subject)
		if i < 0 {
			return false
		}
		i, from = from+i, from+i+len(subject)
		if (i == 0 || strings.IndexByte(ends, text[i-1]) >= 0) && (from == len(text) || strings.IndexByte(ends, text[from]) >= 0) {
			return true
		}
	}
}

// namedAfter is how long after since a channel ("" for any) took over a message
// that names a subject, -1 for never.
func (r *rig) namedAfter(since time.Duration, subject, channel string) time.Duration {
	for i, d := range r.got {
		if r.when[i] >= since && (channel == "" || d.Channel == channel) && d.Kind != FollowUp && names(&d.Message, subject) {
			return r.when[i] - since
		}
	}
	return -1
}

func (r *rig) wantNamed(since time.Duration, subject, channel string, within time.Duration) {
	r.t.Helper()
	if got := r.namedAfter(since, subject, channel); got < 0 || got > within {
		r.t.Errorf("%s named by %q after %v, want within %v", subject, channel, got, within)
	}
}

func onePerson(channels ...string) Options {
	return Options{Room: "attic", People: []configs.Person{{ID: "una", Channels: channels}}}
}

// What was asked to wait as a today notice does not wait when it turns lethal,
// and no server may ask lethal heat to wait.
func TestUrgent_longRetryAfter(t *testing.T) {
	for _, fault := range []error{errLater, errAbsent, errAway} {
		t.Run(fault.Error(), func(t *testing.T) {
			r := newRig(t, onePerson("gateway"))
			r.broken["gateway"] = fault
			r.onset(alarm.AboveBand, "e1", tank("e1"))
			r.pass(30 * time.Minute)
			delete(r.broken, "gateway")
			since := r.now.Mono
			r.onset(alarm.LethalLimit, "e1", tank("e1"))
			r.pass(2 * time.Hour)
			r.wantNamed(since, "e1", "gateway", 0)
		})
		t.Run("lethal "+fault.Error(), func(t *testing.T) {
			r := newRig(t, onePerson("gateway"))
			r.broken["gateway"] = fault
			r.onset(alarm.LethalLimit, "e1", tank("e1"))
			r.pass(10 * time.Minute)
			delete(r.broken, "gateway")
			since := r.now.Mono
			r.pass(2 * time.Hour)
			r.wantNamed(since, "e1", "gateway", 30*time.Second)
		})
	}
}

// A refusal for a minute costs a today notice nothing but that minute, and
// where there is another channel not even that.
func TestUrgent_passingRefusalOfToday(t *testing.T) {
	r := newRig(t, onePerson("gateway"))
	r.broken["gateway"] = errAbsent
	r.onset(alarm.AboveBand, "e1", tank("e1"))
	r.pass(90 * time.Second)
	delete(r.broken, "gateway")
	since := r.now.Mono
	r.pass(24 * time.Hour)
	r.wantNamed(since, "e1", "gateway", 5*time.Minute)

	r = newRig(t, twoPeople())
	r.broken["mqtt"], r.broken["mail"] = errAbsent, errAbsent
	since = r.now.Mono
	r.onset(alarm.AboveBand, "e1", tank("e1"))
	r.pass(30 * time.Second)
	r.wantNamed(since, "e1", "gateway", 20*time.Second)
}

// Where the channels of the people on duty are known to be dead, refuse or
// only hang, the next person does not wait for the time of an answer.
func TestUrgent_deadChannelIsPassedOver(t *testing.T) {
	o := twoPeople()
	o.People[0].Channels = []string{"mqtt"}
	tests := []struct {
		name   string
		broken error
		down   bool
		within time.Duration
	}{
		{"down", errAway, true, 0},
		{"refused", errAbsent, false, 0},
		{"failing", errAway, false, time.Minute},
		{"asked to wait", errLater, false, time.Minute},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, o)
			r.broken["mqtt"] = tt.broken
			if tt.down {
				r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
			}
			since := r.now.Mono
			r.onset(alarm.LethalLimit, "e1", tank("e1"))
			r.pass(20 * time.Minute)
			r.wantNamed(since, "e1", "gateway", tt.within)
			for _, d := range r.got {
				if strings.Contains(d.Message.Text, "has answered") {
					t.Errorf("nobody was reached, so nobody could have answered: %s", d.Message.Text)
				}
			}
		})
	}
	t.Run("today", func(t *testing.T) {
		r := newRig(t, o)
		r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
		r.broken["mqtt"] = errAway
		since := r.now.Mono
		r.onset(alarm.AboveBand, "e1", tank("e1"))
		r.pass(time.Hour)
		r.wantNamed(since, "e1", "gateway", 20*time.Second)
	})
	t.Run("reached, then dead", func(t *testing.T) {
		r := newRig(t, o)
		r.onset(alarm.LethalLimit, "e1", tank("e1"))
		r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
		r.pass(9 * time.Minute)
		r.want("gateway")
	})
}

// With every channel of everybody dead, the first that comes back is used at
// once.
func TestUrgent_allChannelsDead(t *testing.T) {
	for _, back := range []string{"mqtt", "mail", "gateway"} {
		r := newRig(t, twoPeople())
		r.broken["mqtt"], r.broken["mail"], r.broken["gateway"] = errAway, errAbsent, errLater
		r.onset(alarm.LethalLimit, "e1", tank("e1"))
		r.pass(3 * time.Hour)
		delete(r.broken, back)
		since := r.now.Mono
		r.pass(time.Hour)
		r.wantNamed(since, "e1", back, 30*time.Second)
	}
}

// A version that grew while the one before is with the courier goes out at
// once, and the late result of the older one changes nothing.
func TestUrgent_growsInFlight(t *testing.T) {
	r := newRig(t, onePerson("mail"))
	r.absorb(r.desk.Transitions(r.now, []rules.Transition{r.tr(onsetOf(alarm.AboveBand, "e1", unack, tank("e1")))}))
	r.now = r.now.Add(30 * time.Second)
	r.absorb(r.desk.Tick(r.now))
	if len(r.waiting) != 1 {
		t.Fatalf("%d handed out", len(r.waiting))
	}
	old := r.waiting[0]
	r.waiting = nil
	e := r.desk.Transitions(r.now, []rules.Transition{r.tr(onsetOf(alarm.LethalLimit, "e1", unack, tank("e1")))})
	if len(e.Send) != 1 || !e.Send[0].Lethal || e.Send[0].Attempt == old.Attempt {
		t.Fatalf("handed out when it grew: %+v", e.Send)
	}
	r.absorb(e)
	for _, err := range []error{errAbsent, nil} {
		if e := r.desk.Result(r.now, SendResult{old.ID, old.Version, old.Attempt, err}); len(e.Send) != 0 {
			t.Errorf("the old version's result (%v) sends %+v", err, e.Send)
		}
	}
	r.send()
	r.pass(4 * time.Minute)
	if n := len(r.got); n != 1 {
		t.Errorf("%d sendings, want the new version once", n)
	}
}

// Twelve enclosures of a warming room, one after another: each is named within
// a minute, whether the notice was answered or not.
func TestUrgent_everyEnclosureIsNamed(t *testing.T) {
	for _, gap := range []time.Duration{10 * time.Second, time.Minute, 3 * time.Minute, 7 * time.Minute} {
		for _, answered := range []bool{false, true} {
			for _, kind := range []alarm.ID{alarm.LethalLimit, alarm.LethalAhead} {
				t.Run(fmt.Sprint(kind, gap, answered), func(t *testing.T) {
					r := newRig(t, twoPeople())
					since := map[string]time.Duration{}
					for i := range 12 {
						id := fmt.Sprintf("e%02d", i)
						since[id] = r.now.Mono
						r.onset(kind, id, room)
						if open := r.desk.Open(); answered && i == 1 {
							r.pass(time.Minute)
							r.ack(open[0].Notice.ID, "una")
						}
						r.pass(gap)
					}
					r.pass(time.Hour)
					late, worst := 0, time.Duration(0)
					for id, at := range since {
						got := r.namedAfter(at, id, "mqtt")
						if got < 0 || got > time.Minute {
							late++
						}
						worst = max(worst, got)
					}
					if late > 0 {
						t.Errorf("%d of 12 named later than a minute, the worst after %v", late, worst)
					}
				})
			}
		}
	}
}

// All of a room at once: the first message or one within a minute names each.
func TestUrgent_allInOneSecond(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	since := r.now.Mono
	for i := range 40 {
		r.onset(alarm.LethalLimit, fmt.Sprintf("e%02d", i), room)
	}
	r.pass(time.Hour)
	for i := range 40 {
		r.wantNamed(since, fmt.Sprintf("e%02d", i), "mqtt", 20*time.Second)
	}
	if n := len(r.got); n > 8 {
		t.Errorf("%d messages in an hour: %q", n, r.told("mqtt"))
	}
}

// A second wake in an older notice rings as the first one did: it is repeated,
// and the next person is told after the time for an answer, not before.
func TestUrgent_secondWakeRingsByItself(t *testing.T) {
	for _, answered := range []bool{true, false} {
		t.Run(fmt.Sprint("answered ", answered), func(t *testing.T) {
			r := newRig(t, twoPeople())
			r.onset(alarm.AboveBand, "e9", room) // keeps the notice open
			r.onset(alarm.LethalLimit, "e1", room)
			r.pass(2 * time.Minute)
			if answered {
				r.ack(r.desk.Open()[0].Notice.ID, "una")
			} else {
				r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", rtnun, room)))
			}
			r.pass(3 * time.Hour)
			r.want("gateway")
			since := r.now.Mono
			r.onset(alarm.LethalLimit, "e2", room)
			r.pass(9*time.Minute + 50*time.Second)
			r.want("gateway")
			r.wantNamed(since, "e2", "mqtt", 20*time.Second)
			r.wantNamed(since+time.Minute, "e2", "mqtt", 5*time.Minute)
			r.pass(time.Minute)
			r.wantNamed(since, "e2", "gateway", 11*time.Minute)
			r.pass(24 * time.Hour)
			n := 0
			for i, d := range r.got {
				if r.when[i] >= since && d.Channel == "mqtt" {
					n++
				}
			}
			if n < 48 { // 5, 10, 20, then every 30 min
				t.Errorf("sent %d times in 24 h", n)
			}
		})
	}
}

// The first enclosure's time to the next person is not put off by others that
// follow.
func TestUrgent_growthPutsOffNoEscalation(t *testing.T) {
	r := newRig(t, twoPeople())
	since := r.now.Mono
	for i := range 15 {
		r.onset(alarm.LethalLimit, fmt.Sprintf("e%02d", i), room)
		r.pass(time.Minute)
	}
	r.wantNamed(since, "e00", "gateway", 10*time.Minute+10*time.Second)
}

// An answered wake that rises again and again is told each time.
func TestUrgent_risesAgain(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.onset(alarm.LethalAhead, "e2", room) // answered, keeps the notice open
	r.onset(alarm.LethalAhead, "e1", room)
	r.pass(time.Minute)
	for range 6 {
		r.ack(r.desk.Open()[0].Notice.ID, "una")
		r.pass(5 * time.Minute)
		r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e1", norm, room)))
		r.pass(5 * time.Minute)
		since := r.now.Mono
		r.onset(alarm.LethalAhead, "e1", room)
		r.pass(time.Minute)
		r.wantNamed(since, "e1", "mqtt", time.Minute)
	}
}

// A notice that begins anew begins with the first person.
func TestUrgent_reopenedBeginsWithTheFirst(t *testing.T) {
	r := newRig(t, twoPeople())
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(15 * time.Minute)
	r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", alarm.LatchUnack, tank("e1"))))
	r.pass(time.Hour)
	since := r.now.Mono
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(9 * time.Minute)
	r.wantNamed(since, "e1", "mqtt", 0)
	if got := r.namedAfter(since, "e1", "gateway"); got >= 0 {
		t.Errorf("the second person was told after %v", got)
	}
	r.pass(2 * time.Minute)
	r.wantNamed(since, "e1", "gateway", 11*time.Minute)
	r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", norm, tank("e1"))))
	r.pass(time.Minute)
	if told := r.told("gateway"); told[len(told)-1] != "followup lethal-ceiling/e1/1" {
		t.Errorf("the second person did not hear of the end: %q", told)
	}
}

// A fault that lasts makes one line in the journal for each notice.
func TestUrgent_steadyFaultIsOneLine(t *testing.T) {
	r := newRig(t, onePerson("gateway", "mail"))
	r.onset(alarm.LethalLimit, "e0", tank("e0"))
	n := 0
	for i := range 3 {
		r.onset(alarm.LethalLimit, fmt.Sprintf("e%d", i+1), tank(fmt.Sprintf("e%d", i+1)))
	}
	for range 360 {
		r.broken["gateway"] = fmt.Errorf("notice %d: %w", n, errAway)
		n++
		r.pass(10 * time.Second)
	}
	lines := slices.DeleteFunc(slices.Clone(r.events), func(e Event) bool { return e.What != "failed" })
	if len(lines) > 8 {
		t.Errorf("%d lines about one fault of an hour", len(lines))
	}
}

// An alarm that comes and goes, each time for less than the first person has to answer,
// reaches the next once it rang for as long as that unanswered; one that was answered, or
// was over for longer than the repeats are apart, begins anew.
func TestUrgent_comesAndGoes(t *testing.T) {
	for _, c := range []struct {
		on, off  time.Duration
		answered bool
		want     []time.Duration // until b and c hear of it, about; 0 for not
	}{
		{9 * time.Minute, time.Minute, false, []time.Duration{11 * time.Minute, 22 * time.Minute}},
		{6 * time.Minute, 6 * time.Minute, false, []time.Duration{16 * time.Minute, 38 * time.Minute}},
		{9 * time.Minute, time.Minute, true, []time.Duration{0, 0}},
		{9 * time.Minute, 31 * time.Minute, false, []time.Duration{0, 0}},
	} {
		for _, kind := range []alarm.ID{alarm.LethalLimit, alarm.LethalAhead} {
			for _, cause := range []alarm.Cause{room, tank("e1")} {
				for _, restarts := range []bool{false, true} {
					t.Run(fmt.Sprint(c.on, c.off, c.answered, kind, cause.Kind, restarts), func(t *testing.T) {
						r := newRig(t, household([]string{"mqtt"}, []string{"mail"}, []string{"gateway"}))
						since := r.now.Mono
						for range 8 {
							r.onset(kind, "e1", cause)
							r.pass(c.on)
							if c.answered {
								r.ack(r.desk.Open()[0].Notice.ID, "a")
							}
							r.transitions(r.tr(onsetOf(kind, "e1", alarm.LatchUnack, cause)))
							r.pass(c.off)
							if restarts {
								r.restart()
							}
						}
						for i, channel := range []string{"mail", "gateway"} {
							got := r.namedAfter(since, "e1", channel)
							if c.want[i] == 0 && got >= 0 || c.want[i] > 0 && (got < c.want[i]-2*time.Minute || got > c.want[i]+2*time.Minute) {
								t.Errorf("%s hears of it after %v, want about %v", channel, got, c.want[i])
							}
						}
					})
				}
			}
		}
	}
}
