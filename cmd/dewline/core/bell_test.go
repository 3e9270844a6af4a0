package core

import (
	"errors"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A bellRig is a core in a hot room whose channels may be dead.
type bellRig struct{ *deskRig }

func newBellRig(t *testing.T, more string) *bellRig {
	t.Helper()
	r := &bellRig{newDeskRig(t, una+"[[person]]\nid = \"ole\"\nchannels = [\"mail\"]\nmail_to = \"ole@example.org\"\n[sounder]\nchip = \"/dev/gpiochip0\"\nline = 17\n"+more)}
	r.dead = map[string]bool{}
	return r
}

// until lets time pass until the sounder is on or off, and says how long that took.
func (r *bellRig) until(on bool, most time.Duration) (time.Duration, bool) {
	for began := r.now.Mono; r.now.Mono-began <= most; {
		if r.core.Sounds(r.now) == on {
			return r.now.Mono - began, true
		}
		r.now = r.now.Add(time.Second)
		r.take(r.core.Reading(sensors.Reading{
			Probe: "p", At: r.now, Has: sensors.HasTemperature, Temperature: sensors.CentiCelsius(r.celsius), Quality: sensors.Good,
		}))
		r.take(r.core.Tick(r.now))
	}
	return 0, false
}

// hot raises lethal heat, which nobody is told of by the rig.
func (r *bellRig) hot() {
	r.until(true, 0)
	for r.celsius < 3400 {
		r.celsius += 20
		r.until(true, 10*time.Second)
	}
}

// Lethal heat that no channel takes over sounds within a minute: by channels that
// refuse, that were never reached, that lost their connection after they told.
func TestSounds(t *testing.T) {
	for name, kill := range map[string]func(*bellRig){
		"all refuse": func(r *bellRig) { r.dead["mqtt"], r.dead["mail"] = true, true },
		"the broker was never reached and mail refuses": func(r *bellRig) {
			r.take(r.core.ChannelState(r.now, "mqtt", errors.New("connection refused")))
			r.dead["mqtt"], r.dead["mail"] = true, true
		},
	} {
		t.Run(name, func(t *testing.T) {
			r := newBellRig(t, "")
			kill(r)
			r.hot()
			if took, ok := r.until(true, time.Minute); !ok {
				t.Error("it does not sound within a minute")
			} else {
				t.Logf("it sounds after %s", took)
			}
			// Restarted with the wake unanswered it sounds again.
			r.restart(nil)
			kill(r)
			if _, ok := r.until(true, time.Minute); !ok {
				t.Error("it does not sound after a restart")
			}
			// A channel that works carries it: the next repeat or retry is enough.
			r.dead = map[string]bool{}
			r.take(r.core.ChannelState(r.now, "mqtt", nil))
			if _, ok := r.until(false, 15*time.Second); !ok {
				t.Error("it goes on when a channel carries the notice")
			}
			r.dead["mqtt"], r.dead["mail"] = true, true
			r.take(r.core.ChannelState(r.now, "mqtt", errors.New("connection lost")))
			r.take(r.core.ChannelState(r.now, "mail", errors.New("no such host")))
			if _, ok := r.until(true, time.Minute); !ok {
				t.Error("it does not sound when the channels die under an unanswered notice")
			}
			id := r.core.desk.Open()[0].Notice.ID
			fx, err := r.core.AcknowledgeNotice(r.now, id, 0, "una", "")
			if err != nil {
				t.Fatal(err)
			}
			r.take(fx)
			if r.core.Sounds(r.now) {
				t.Error("it sounds although it is answered")
			}
		})
	}
}

// One channel that works keeps it silent, be it that of the second person.
func TestSounds_NotWhileAChannelWorks(t *testing.T) {
	r := newBellRig(t, "")
	r.dead["mqtt"] = true
	r.hot()
	if took, ok := r.until(true, time.Hour); ok {
		t.Errorf("it sounds after %s", took)
	}
	if calling, _ := r.core.desk.Calling(r.now); !calling {
		t.Error("the handing over of nothing counts as an answer")
	}
}

// A sounder that does not work is told as a channel that is stalled, with what to do.
func TestSounder_Stalled(t *testing.T) {
	r := newBellRig(t, "")
	r.take(r.core.ChannelState(r.now, configs.ChannelSounder, errors.New("no such chip")))
	r.until(true, 5*time.Minute)
	for _, v := range r.core.Open() {
		if v.Key == (alarm.Key{Alarm: alarm.DeliveryStalled, Subject: configs.ChannelSounder}) {
			if v.Priority != alarm.Today || len(v.Detail.Steps) != 1 || v.Detail.Steps[0] != alarm.CheckSounder || v.Detail.Evidence[0].Note != "no such chip" {
				t.Errorf("it says %+v", v)
			}
			return
		}
	}
	t.Error("it is not told within five minutes")
}

// A record that opens late moves running time on: the channels have their time all the
// same.
func TestSounds_RecordOpensLate(t *testing.T) {
	r := newBellRig(t, "")
	r.dead["mqtt"], r.dead["mail"] = true, true
	for calling := false; !calling; calling, _ = r.core.desk.Calling(r.now) {
		r.celsius += 20
		r.until(true, 10*time.Second)
	}
	if r.core.Sounds(r.now) {
		t.Fatal("it sounds at once")
	}
	const by = 300 * 24 * time.Hour
	r.now.Mono += by
	fx, err := r.core.Merge(r.now, by, Saved{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.take(fx)
	for _, after := range []time.Duration{1, bellAfter - 1, bellAfter} {
		now := r.now
		now.Mono = r.core.bell.since + after
		if on := r.core.Sounds(now); on != (after == bellAfter) {
			t.Errorf("sounds %v after the channels had %s, want from %s on", on, after, bellAfter)
		}
	}
}

// With when = "always" it sounds for each unanswered wake, and not for what wakes
// nobody.
func TestSounds_Always(t *testing.T) {
	r := newBellRig(t, "when = \"always\"\n")
	if _, ok := r.until(true, 10*time.Minute); ok {
		t.Error("it sounds though nothing is wrong")
	}
	r.hot()
	if _, ok := r.until(true, time.Minute); !ok {
		t.Fatal("it does not sound")
	}
	id := r.core.desk.Open()[0].Notice.ID
	fx, err := r.core.AcknowledgeNotice(r.now, id, 0, "una", "")
	if err != nil {
		t.Fatal(err)
	}
	if r.take(fx); r.core.Sounds(r.now) {
		t.Error("it sounds although it is answered")
	}
}

// Without a section nothing sounds, whatever is dead.
func TestSounds_NotWithout(t *testing.T) {
	r := &bellRig{newDeskRig(t, una)}
	r.dead = map[string]bool{"mqtt": true, "mail": true}
	r.hot()
	if _, ok := r.until(true, 5*time.Minute); ok {
		t.Error("a sounder is told to call that is not there")
	}
}
