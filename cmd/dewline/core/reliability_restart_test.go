package core

import (
	"cmp"
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

// A diskKey names a document; documents are kept in the order of their keys.
type diskKey struct {
	bucket store.Bucket
	key    string
}

// A disk keeps what a core asked to be kept.
type disk map[diskKey][]byte

func (k disk) keep(fx Effects) {
	for _, d := range fx.Docs {
		if d.Value == nil {
			delete(k, diskKey{d.Bucket, d.Key})
		} else {
			k[diskKey{d.Bucket, d.Key}] = d.Value
		}
	}
}

// saved is what a later run finds, in the order of the store.
func (k disk) saved(state []byte) Saved {
	s := Saved{State: state}
	for _, key := range slices.SortedFunc(maps.Keys(k), func(a, b diskKey) int {
		return cmp.Or(cmp.Compare(a.bucket, b.bucket), cmp.Compare(a.key, b.key))
	}) {
		d := store.Doc{Bucket: key.bucket, Key: key.key, Value: k[key]}
		switch key.bucket {
		case store.BucketAlarms:
			s.Alarms = append(s.Alarms, d)
		case store.BucketOutbox:
			s.Outbox = append(s.Outbox, d)
		}
	}
	return s
}

func demoConfig(t testing.TB) *configs.Config {
	t.Helper()
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// A selfRig is a core about whose own troubles a test is.
type selfRig struct {
	t    *testing.T
	core *Core
	disk disk
	now  sensors.Instant
	up   bool // the channels take everything over
}

func newSelfRig(t *testing.T) *selfRig {
	t.Helper()
	start := sensors.Instant{Mono: time.Second, Wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Synced: true}
	return &selfRig{t: t, core: New(demoConfig(t), nil), disk: disk{}, now: start}
}

// pass lets time pass in steps of a tick.
func (r *selfRig) pass(d time.Duration) {
	for end := r.now.Mono + d; r.now.Mono < end; {
		r.now = r.now.Add(10 * time.Second)
		fx := r.core.Tick(r.now)
		r.disk.keep(fx)
		if r.up {
			r.answer(fx)
		}
	}
}

// answer reports everything as taken over.
func (r *selfRig) answer(fx Effects) {
	for _, d := range fx.Send {
		r.disk.keep(r.core.Result(r.now, alert.SendResult{Delivery: d.ID, Version: d.Version, Attempt: d.Attempt}))
	}
}

func (r *selfRig) restart() { r.off(0, true) }

// off restarts after a time off, with a set clock or without.
func (r *selfRig) off(d time.Duration, set bool) {
	r.t.Helper()
	state, err := r.core.State()
	if err != nil {
		r.t.Fatal(err)
	}
	r.now.Wall = r.now.Wall.Add(d)
	r.now.Synced = set && r.now.Synced
	r.core = New(demoConfig(r.t), nil)
	fx, err := r.core.Restore(r.now, r.disk.saved(state))
	if err != nil {
		r.t.Fatal(err)
	}
	r.disk.keep(fx)
}

// active reports whether the condition of an alarm about dewline holds.
func (r *selfRig) active(id alarm.ID) bool {
	for _, v := range r.core.Open() {
		if v.Key.Alarm == id && v.Active {
			return true
		}
	}
	return false
}

// What dewline found out about itself before a restart neither ends by the
// restart nor outlives its reason.
func TestCore_OwnAlarmsAcrossARestart(t *testing.T) {
	t.Run("an unset clock", func(t *testing.T) {
		r := newSelfRig(t)
		r.now.Synced = false
		r.pass(11 * time.Minute)
		r.restart()
		r.pass(time.Minute)
		if !r.active(alarm.ClockUnset) {
			t.Error("the restart ended the alarm of a clock that is still unset")
		}
		r.now.Synced = true
		r.pass(time.Minute)
		if r.active(alarm.ClockUnset) {
			t.Error("the clock is set and its alarm goes on after a restart")
		}
	})
	t.Run("a stalled channel", func(t *testing.T) {
		r := newSelfRig(t)
		r.disk.keep(r.core.ChannelState(r.now, "mqtt", errors.New("gone")))
		r.pass(6 * time.Minute)
		if !r.active(alarm.DeliveryStalled) {
			t.Fatal("a channel that is down for 6 min is no alarm")
		}
		r.restart()
		r.pass(2 * time.Minute)
		if !r.active(alarm.DeliveryStalled) {
			t.Error("the restart ended the alarm of a channel that was not seen to work")
		}
		r.up = true
		fx := r.core.ChannelState(r.now, "mqtt", nil)
		r.disk.keep(fx)
		r.answer(fx)
		r.pass(12 * time.Minute)
		if r.active(alarm.DeliveryStalled) {
			t.Error("the channel works and its alarm goes on after a restart")
		}
	})
	t.Run("a blind period", func(t *testing.T) {
		r := newSelfRig(t)
		r.pass(time.Minute)
		r.off(time.Hour, true)
		r.pass(time.Minute)
		if !r.active(alarm.BlindPeriod) {
			t.Fatal("an hour off is not told")
		}
		r.restart()
		r.pass(time.Minute)
		if !r.active(alarm.BlindPeriod) {
			t.Error("a restart ended the alarm of the blind period before")
		}
		r.pass(6 * time.Minute)
		if r.active(alarm.BlindPeriod) {
			t.Error("the blind period is long over and its alarm goes on after a restart")
		}
	})
	t.Run("an overdue drill", func(t *testing.T) {
		r := newSelfRig(t)
		r.now.Mono += 40 * 24 * time.Hour
		r.pass(time.Minute)
		if !r.active(alarm.DrillOverdue) {
			t.Fatal("40 days without a drill are no alarm")
		}
		r.restart()
		id, fx, err := r.core.Drill(r.now, "", "robin")
		if err != nil {
			t.Fatal(err)
		}
		r.disk.keep(fx)
		r.answer(fx)
		if fx, err = r.core.AcknowledgeNotice(r.now, id, 0, "robin", ""); err != nil {
			t.Fatal(err)
		}
		r.disk.keep(fx)
		r.pass(time.Minute)
		if r.active(alarm.DrillOverdue) {
			t.Error("a drill was held and the alarm goes on after a restart")
		}
	})
}

// Two channels that recover at the same moment do so in the same order every
// time: one seed, one log.
func TestCore_ChannelsRecoverInOrder(t *testing.T) {
	cfg := demoConfig(t)
	cfg.People[0].Channels = []string{"mqtt", "mail", "push", "siren", "lamp"}
	var first []string
	for range 20 {
		c := New(cfg, nil)
		now := sensors.Instant{Mono: time.Second, Wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Synced: true}
		for _, name := range cfg.People[0].Channels {
			c.ChannelState(now, name, errors.New("gone"))
		}
		var order []string
		step := func(d time.Duration) {
			for end := now.Mono + d; now.Mono < end; {
				now = now.Add(10 * time.Second)
				fx := c.Tick(now)
				for _, tr := range fx.Transitions {
					order = append(order, tr.Key.Subject+" "+tr.To.String())
				}
				for _, d := range fx.Send {
					c.Result(now, alert.SendResult{Delivery: d.ID, Version: d.Version, Attempt: d.Attempt, Err: errors.New("down")})
				}
			}
		}
		step(6 * time.Minute)
		for _, name := range cfg.People[0].Channels {
			c.ChannelState(now, name, nil)
		}
		step(20 * time.Minute)
		if first == nil {
			first = order
		}
		if len(order) < 10 {
			t.Fatalf("only %v moved", order)
		}
		for i := range order {
			if order[i] != first[i] {
				t.Fatalf("this time %v, before %v", order, first)
			}
		}
	}
}

// text is what an active alarm about dewline says; empty where there is none.
func (r *selfRig) text(id alarm.ID) string {
	for _, v := range r.core.Open() {
		if v.Key.Alarm == id && v.Active {
			return words.Sentence(&v.Onset, unit.Celsius)
		}
	}
	return ""
}

// A time off is told with its true length, as soon as a set clock tells it, and
// never where none can.
func TestCore_BlindPeriod(t *testing.T) {
	t.Run("the clock is set later", func(t *testing.T) {
		r := newSelfRig(t)
		r.pass(10 * time.Minute)
		r.off(6*time.Hour, false)
		r.now.Wall = r.now.Wall.Add(-6 * time.Hour) // a board without a clock chip goes on from its last time
		r.pass(3 * time.Minute)
		if r.active(alarm.BlindPeriod) {
			t.Error("told before the clock is set")
		}
		r.now.Wall, r.now.Synced = r.now.Wall.Add(6*time.Hour), true
		r.pass(time.Minute)
		if got := r.text(alarm.BlindPeriod); !strings.Contains(got, "from 1 May 12:10 for 6 h:") {
			t.Errorf("told: %q", got)
		}
	})
	t.Run("the clock is set two starts later", func(t *testing.T) {
		r := newSelfRig(t)
		r.pass(10 * time.Minute)
		r.off(6*time.Hour, false)
		r.pass(3 * time.Minute)
		r.off(0, false)
		r.pass(3 * time.Minute)
		r.now.Synced = true
		r.pass(time.Minute)
		if got := r.text(alarm.BlindPeriod); !strings.Contains(got, "from 1 May 12:10 for 6 h:") {
			t.Errorf("told: %q", got)
		}
	})
	t.Run("a clock that was never set says nothing of a time off", func(t *testing.T) {
		r := newSelfRig(t)
		r.now.Synced, r.now.Wall = false, r.now.Wall.Add(-192*time.Hour)
		r.pass(10 * time.Minute)
		r.now.Wall = r.now.Wall.Add(192 * time.Hour)
		r.off(0, false)
		r.now.Synced = true
		r.pass(10 * time.Minute)
		if got := r.text(alarm.BlindPeriod); got != "" {
			t.Errorf("told: %q", got)
		}
	})
	t.Run("a step of the clock of a running board", func(t *testing.T) {
		r := newSelfRig(t)
		r.now.Synced = false
		r.pass(10 * time.Minute)
		r.now.Wall, r.now.Synced = r.now.Wall.Add(192*time.Hour), true
		r.pass(10 * time.Minute)
		r.now.Wall = r.now.Wall.Add(time.Hour)
		r.pass(10 * time.Minute)
		r.off(0, true)
		r.pass(time.Minute)
		if got := r.text(alarm.BlindPeriod); got != "" {
			t.Errorf("told: %q", got)
		}
	})
	t.Run("what the readings on record say counts without a state", func(t *testing.T) {
		r := newSelfRig(t)
		r.pass(10 * time.Minute)
		saved := r.disk.saved(nil)
		saved.LastSet = r.now
		r.now.Wall = r.now.Wall.Add(2 * time.Hour)
		r.core = New(demoConfig(t), nil)
		if _, err := r.core.Restore(r.now, saved); err != nil {
			t.Fatal(err)
		}
		if got := r.text(alarm.BlindPeriod); !strings.Contains(got, "from 1 May 12:10 for 2 h:") {
			t.Errorf("told: %q", got)
		}
	})
	t.Run("a process that stood still", func(t *testing.T) {
		r := newSelfRig(t)
		r.pass(10 * time.Minute)
		r.now = r.now.Add(time.Hour)
		r.pass(time.Minute)
		if got := r.text(alarm.BlindPeriod); !strings.Contains(got, "from 1 May 12:10 for 60 min:") {
			t.Errorf("told: %q", got)
		}
	})
}
