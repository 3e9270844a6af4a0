package rules

import (
	"math/rand/v2"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// radio delivers a share of what there is, each node for itself.
func radio(what weather, seed uint64, lost func(at time.Duration) float64, nodes ...string) weather {
	rng := rand.New(rand.NewPCG(seed, 1))
	return func(id string, at time.Duration) *sensors.Reading {
		for _, n := range nodes {
			if (n == id || n == "all") && rng.Float64() < lost(at) {
				return nil
			}
		}
		return what(id, at)
	}
}

func share(p float64) func(time.Duration) float64 { return func(time.Duration) float64 { return p } }

// raises counts how often an alarm was raised, as urgently as that or more.
func (r *rig) raises(id alarm.ID, least alarm.Priority) (n int) {
	for _, x := range r.log {
		if x.Key.Alarm == id && x.From != x.To && x.To == alarm.Unack && x.Priority >= least {
			n++
		}
	}
	return n
}

// A radio that loses one reading in five is told once at most in its first day, keeps
// what it learned over a restart, and its last reading is told about within minutes.
func TestSilence_LossyRadio(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, "", 1))
	lossy := radio(r.calm, 5, share(0.2), "all")
	r.run(24*time.Hour, lossy)
	if n := r.raises(alarm.ProbeSilent, alarm.Today); n > 4 { // 5 probes, 43,200 readings
		t.Errorf("told %d times in a day", n)
	}
	r.reborn()
	r.log = nil
	r.run(6*time.Hour, lossy)
	if n := r.raises(alarm.ProbeSilent, alarm.Today); n > 1 {
		t.Errorf("after a restart told %d times", n)
	}
	r.log = nil
	r.run(3*time.Minute, without(lossy, "p2"))
	x := r.last(alarm.ProbeSilent)
	if x.Key.Subject != "p2" || x.Priority != alarm.Today {
		t.Fatalf("dead for three minutes: %+v", x)
	}
	found := false
	for _, f := range x.Detail.Evidence {
		found = found || f.ID == alarm.FactLosesMany && f.Percent > 15 && f.Percent < 25
	}
	if !found {
		t.Errorf("nobody reads that its radio loses many: %+v", x.Detail.Evidence)
	}
}

// A room of which nothing was heard, and which spoke again, is watched as before: the next
// silence is told, of one probe or of all.
func TestSilence_AfterOneOfAll(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.run(time.Hour, r.calm)
	for _, gone := range [][]string{{"p1", "p2", "room"}, {"p1"}, {"room"}, {"p1", "p2", "room"}, {"p1", "p2", "room"}, {"p2"}} {
		r.log = nil
		r.run(30*time.Minute, without(r.calm, gone...))
		if n := r.raises(alarm.ProbeSilent, alarm.Note); n != len(gone) {
			t.Errorf("%v fell silent: told of %d", gone, n)
		}
		r.run(time.Hour, r.calm)
		for _, id := range gone {
			if err := r.act(Action{Kind: Acknowledge, By: "a", Key: alarm.Key{Alarm: alarm.ProbeSilent, Subject: id}}); err != nil {
				t.Error(err)
			}
		}
	}
}

// What wakes is not put off: an enclosure that was on its way to its lethal limit, and
// a room of which nothing is seen.
func TestSilence_LossyRadioStillWakes(t *testing.T) {
	for name, gone := range map[string][]string{"one enclosure": {"p1", "q1"}, "the room": {"p1", "q1", "p2", "p3", "room"}} {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(12*time.Hour, radio(r.calm, 6, share(0.6), "all"))
		r.now = 34 * time.Hour // ten in the morning
		r.run(time.Hour, radio(r.calm, 6, share(0.6), "all"))
		r.log = nil
		r.run(11*time.Minute, without(r.calm, gone...))
		if woke := r.raises(alarm.ProbeSilent, alarm.Wake) + r.woken(); (woke > 0) != (name == "the room") {
			t.Errorf("%s lost in calm: %d wake", name, woke)
		}
		r.run(10*time.Minute, r.calm)
		warm := func() weather {
			p, q := r.rising("p1", 25, 3), r.rising("q1", 25, 3)
			return func(id string, at time.Duration) *sensors.Reading {
				if id == "q1" {
					return q(id, at)
				}
				return p(id, at)
			}
		}()
		r.run(65*time.Minute, warm)
		r.log = nil
		r.run(200*time.Second, without(warm, gone...))
		if r.woken() == 0 {
			t.Errorf("%s lost on its way to the limit: nobody is woken", name)
		}
	}
}

// woken counts what wakes, or began to, by a silent probe.
func (r *rig) woken() (n int) {
	for _, x := range r.log {
		if x.Key.Alarm == alarm.ProbeSilent && x.Priority == alarm.Wake {
			n++
		}
	}
	return n
}

// A probe that dies slowly loses more and more; every silence of more than
// thirteen minutes is told while it lasts.
func TestSilence_DiesSlowly(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	begun, last := r.now, r.now
	dying := func(at time.Duration) float64 { return (at - begun).Hours() / 48 }
	air := radio(r.calm, 7, dying, "p1")
	noted := func(id string, at time.Duration) *sensors.Reading {
		x := air(id, at)
		if id == "p1" && x != nil {
			last = at
		}
		return x
	}
	for end := r.now + 49*time.Hour; r.now < end; {
		r.run(10*time.Second, noted)
		told := r.states[alarm.Key{Alarm: alarm.ProbeSilent, Subject: "p1"}] == alarm.Unack
		if age := r.now - last; age > 13*time.Minute && !told {
			t.Fatalf("%v: silent for %v, not told", r.now-begun, age)
		}
	}
	if n := r.raises(alarm.ProbeSilent, alarm.Today); n == 0 || n > 12 {
		t.Errorf("told %d times on its way", n)
	}
}

// A gateway that starts anew each night is told each night, of each probe once: a silence
// that was told counts for no more than that. Of a node that speaks each five minutes and
// loses one in five nothing is learned but that it is told later, by ten minutes.
func TestSilence_GatewayAndSlowNode(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, ""))
	restarts := func(id string, at time.Duration) *sensors.Reading {
		if at%(24*time.Hour) < 3*time.Minute {
			return nil
		}
		return r.calm(id, at)
	}
	r.run(4*24*time.Hour, restarts)
	r.log = nil
	r.run(2*24*time.Hour, restarts)
	if n := r.raises(alarm.ProbeSilent, alarm.Today); n != 2*4 {
		t.Errorf("two more restarts are told of four probes %d times", n)
	}

	r = newRig(t, rigConfig(t, 3, ""))
	all := radio(r.calm, 8, share(0.2), "p1")
	slow := func(id string, at time.Duration) *sensors.Reading {
		if id == "p1" && at%(5*time.Minute) != 0 {
			return nil
		}
		return all(id, at)
	}
	r.run(24*time.Hour, slow)
	r.log = nil
	r.run(6*24*time.Hour, slow)
	if n := r.raises(alarm.ProbeSilent, alarm.Today); n > 2 { // as now: 1.5 a day
		t.Errorf("a slow node is told silent %d times in six days", n)
	}
	r.run(26*time.Minute, without(slow, "p1"))
	if x := r.last(alarm.ProbeSilent); x.To != alarm.Unack {
		t.Errorf("dead for 26 minutes: %+v", x)
	}
}
