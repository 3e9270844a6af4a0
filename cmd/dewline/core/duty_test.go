package core

import (
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A wake notice goes first to who is on duty when it comes, and while the clock is
// not set to the first of the file.
func TestCore_OnDuty(t *testing.T) {
	night := configs.ClockSpan{From: 22 * 60, To: 7 * 60}
	cfg := &configs.Config{
		Room:   configs.Room{ID: "den", Location: time.UTC, Poll: configs.Duration(10 * time.Second)},
		People: []configs.Person{{ID: "ann", Channels: []string{"push"}}, {ID: "ben", Channels: []string{"push"}}},
		Duties: []configs.Duty{{Person: "ben", Hours: &night}},
	}
	for _, c := range []struct {
		hour   int
		synced bool
		want   string
	}{{12, true, "ann"}, {23, true, "ben"}, {6, true, "ben"}, {7, true, "ann"}, {23, false, "ann"}} {
		core := New(cfg, nil)
		now := sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 11, 28, c.hour, 0, 0, 0, time.UTC), Synced: c.synced}
		core.Tick(now)
		var sent []alert.Delivery
		fx := core.Set(now, rules.Condition{Key: alarm.Key{Alarm: alarm.DeliveryStalled, Subject: "mail"}, Active: true, Priority: alarm.Wake})
		sent = append(sent, fx.Send...)
		for range 60 {
			now.Mono += time.Second
			now.Wall = now.Wall.Add(time.Second)
			sent = append(sent, core.Tick(now).Send...)
		}
		var to []string
		for _, d := range sent {
			to = append(to, d.Message.To)
		}
		if got := strings.Join(to, " "); !strings.HasPrefix(got+" ", c.want+" ") {
			t.Errorf("%d h, clock set %v: told %q, want %s", c.hour, c.synced, got, c.want)
		}
	}
}

const twoOnDuty = una + "[[person]]\nid = \"odo\"\nname = \"Odo\"\nchannels = [\"mail\"]\nmail_to = \"odo@example.org\"\nescalate_after = \"10 min\"\n"

// wakesTo lists to whom what wakes was sent, and whether as the next.
func wakesTo(sent []alert.Delivery) (to []string) {
	for _, d := range sent {
		if d.Priority != alarm.Wake || d.Kind == alert.FollowUp || d.Kind == alert.Silence {
			continue
		}
		if who := d.Person + map[bool]string{true: " as the next"}[d.Message.Escalated]; !slices.Contains(to, who) {
			to = append(to, who)
		}
	}
	return to
}

// Lethal heat rings unanswered while the turns change: who is on duty then has it
// within a minute, and who was before hears it no more until it is their turn as
// the next. A start in the same minute changes nothing of that, nor one with a clock
// that is not set, which knows nobody's turn.
func TestCore_TurnsWhileAWakeRings(t *testing.T) {
	const nights = "[[duty]]\nperson = \"odo\"\nhours = \"13:00-19:00\"\n"
	for name, at := range map[string]func(r *deskRig){
		"on and on":         func(*deskRig) {},
		"restart before":    func(r *deskRig) { r.restart(nil) },
		"restart across":    func(r *deskRig) { r.now = r.now.Add(time.Minute); r.restart(nil) },
		"restart after":     func(r *deskRig) { r.pass(70 * time.Second); r.restart(nil) },
		"clock unset since": func(r *deskRig) { r.pass(70 * time.Second); r.now.Synced = false; r.restart(nil) },
		"reload in between": func(r *deskRig) { r.take(r.core.Reconfigure(r.now, r.cfg, nil)) },
		"clock steps to it": func(r *deskRig) { r.now.Wall = r.now.Wall.Add(2 * time.Hour) },
		"clock lost, reload": func(r *deskRig) {
			r.pass(70 * time.Second)
			r.now.Synced = false
			r.take(r.core.Reconfigure(r.now, r.cfg, nil))
		},
	} {
		t.Run(name, func(t *testing.T) {
			r := newDeskRig(t, twoOnDuty+nights)
			r.pass(24 * time.Minute)
			r.heat(3050)
			r.pass(time.Minute)
			if got := wakesTo(r.sent); !slices.Equal(got, []string{"una"}) {
				t.Fatalf("before the turn told %q", got)
			}
			for r.now.Wall.Hour() < 13 && r.now.Wall.Minute()+1 < 60 {
				r.pass(10 * time.Second)
			}
			r.sent = nil
			at(r)
			r.pass(2 * time.Minute)
			if got := wakesTo(r.sent); !slices.Equal(got, []string{"odo"}) {
				t.Errorf("in the minute of the turn told %q, want odo", got)
			}
			r.pass(5 * time.Minute)
			if got := wakesTo(r.sent); !slices.Equal(got, []string{"odo"}) {
				t.Errorf("after the turn told %q, want odo", got)
			}
			r.pass(6 * time.Minute)
			if got := wakesTo(r.sent); !slices.Equal(got, []string{"odo", "una as the next"}) {
				t.Errorf("when odo did not answer told %q", got)
			}
		})
	}
}

// Somebody puts odo on duty: everybody hears of it, the heat goes to odo first,
// also after a start, and when it ends by the wall clock una is first again.
func TestCore_PutOnDuty(t *testing.T) {
	r := newDeskRig(t, twoOnDuty)
	put := rules.Action{Kind: alert.Duty, Key: alarm.Key{Subject: "odo"}, For: 8 * time.Hour, By: "una", Why: "away"}
	if err := r.act(put); err != nil {
		t.Fatal(err)
	}
	r.pass(5 * time.Minute)
	heard := map[string]string{}
	for _, d := range r.sent {
		if d.Kind == alert.Silence {
			heard[d.Person] += d.Message.Title + "\n" + d.Message.Text
		}
	}
	for _, who := range []string{"una", "odo"} {
		for _, part := range []string{"Odo is on duty until 1 May 20:30", "una put Odo (odo) on duty", "duty-over", "away"} {
			if !strings.Contains(heard[who], part) {
				t.Errorf("%s heard %q, which lacks %q", who, heard[who], part)
			}
		}
	}
	r.now.Synced = false
	r.restart(nil)
	r.sent = nil
	r.heat(3050)
	r.pass(time.Minute)
	if got := wakesTo(r.sent); !slices.Equal(got, []string{"odo"}) {
		t.Errorf("on duty is odo, told %q", got)
	}
	r.sent = nil
	r.now.Wall, r.now.Synced = r.now.Wall.Add(8*time.Hour), true // a power cut of hours would do the same
	r.pass(time.Minute)
	if got := wakesTo(r.sent); !slices.Equal(got, []string{"una"}) {
		t.Errorf("the turn ended by the wall clock, told %q", got)
	}
}

// A clock that jumps years ahead and back takes nobody's turn away, also over a start
// meanwhile; a turn that was over for a day does not come back with a clock set back.
func TestCore_PutOnDutyWhileTheClockJumps(t *testing.T) {
	for name, c := range map[string]struct {
		length time.Duration // for which the clock is ahead
		start  bool
		want   string
	}{
		"for a minute":              {time.Minute, false, "odo"},
		"for hours, with a start":   {3 * time.Hour, true, "odo"},
		"for more than a whole day": {25 * time.Hour, false, "una"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newDeskRig(t, twoOnDuty)
			if err := r.act(rules.Action{Kind: alert.Duty, Key: alarm.Key{Subject: "odo"}, For: 48 * time.Hour, By: "una"}); err != nil {
				t.Fatal(err)
			}
			const ahead = 4 * 365 * 24 * time.Hour
			r.now.Wall = r.now.Wall.Add(ahead)
			r.take(r.core.Tick(r.now))
			if c.start {
				r.restart(nil)
			}
			r.now.Mono, r.now.Wall = r.now.Mono+c.length, r.now.Wall.Add(c.length)
			r.take(r.core.Tick(r.now))
			if over := r.act(rules.Action{Kind: alert.DutyOver, By: "una"}); over == nil {
				t.Error("a turn that is over by the clock could be ended")
			}
			r.now.Wall = r.now.Wall.Add(-ahead)
			r.pass(time.Minute)
			r.sent = nil
			r.heat(3050)
			r.pass(time.Minute)
			if got := wakesTo(r.sent); !slices.Equal(got, []string{c.want}) {
				t.Errorf("told %q, want %s", got, c.want)
			}
		})
	}
}

func TestCore_PutOnDutyRefused(t *testing.T) {
	r := newDeskRig(t, twoOnDuty)
	duty := func(person string, length time.Duration, until time.Time) rules.Action {
		return rules.Action{Kind: alert.Duty, Key: alarm.Key{Subject: person}, For: length, Until: until, By: "una"}
	}
	for name, x := range map[string]struct {
		a     rules.Action
		unset bool
	}{
		"nobody of the list": {a: duty("ivo", time.Hour, time.Time{})},
		"no end":             {a: duty("odo", 0, time.Time{})},
		"over already":       {a: duty("odo", 0, r.now.Wall.Add(-time.Hour))},
		"no clock":           {a: duty("odo", time.Hour, time.Time{}), unset: true},
		"nobody to end it":   {a: rules.Action{Kind: alert.DutyOver, By: "una"}},
	} {
		r.now.Synced = !x.unset
		if err := r.act(x.a); err == nil {
			t.Errorf("%s: not refused", name)
		}
	}
	r.now.Synced = true
	r.heat(3050)
	if got := wakesTo(r.sent); !slices.Equal(got, []string{"una"}) {
		t.Errorf("after refusals told %q", got)
	}
}

// Whoever was put on duty is no longer on the list after a reload: the others are
// told, and the turns of the configuration hold.
func TestCore_PutOnDutyAndGone(t *testing.T) {
	r := newDeskRig(t, twoOnDuty)
	if err := r.act(rules.Action{Kind: alert.Duty, Key: alarm.Key{Subject: "odo"}, For: time.Hour, By: "una"}); err != nil {
		t.Fatal(err)
	}
	r.heat(3050)
	r.sent = nil
	r.cfg = decode(t, rigRoom+una)
	r.take(r.core.Reconfigure(r.now, r.cfg, nil))
	r.pass(time.Minute)
	if got := wakesTo(r.sent); !slices.Equal(got, []string{"una"}) {
		t.Errorf("odo is gone, told %q", got)
	}
}

// A record that opens late brings back who was put on duty, also while the clock is
// not set; what was asked of this run is newer, and is kept.
func TestMerge_PutOnDuty(t *testing.T) {
	for name, anew := range map[string]bool{"of the record": false, "of this run": true} {
		t.Run(name, func(t *testing.T) {
			r := newDeskRig(t, twoOnDuty)
			put := func(person string) {
				if err := r.act(rules.Action{Kind: alert.Duty, Key: alarm.Key{Subject: person}, For: 8 * time.Hour, By: "una"}); err != nil {
					t.Fatal(err)
				}
			}
			put("odo")
			state, err := r.core.State()
			if err != nil {
				t.Fatal(err)
			}
			saved, past := r.disk.saved(state), r.now.Mono
			r.disk, r.core = disk{}, New(r.cfg, nil)
			r.core.Start(4711)
			r.now.Mono, r.now.Synced = time.Second, anew
			r.pass(time.Minute)
			want := "odo"
			if anew {
				put("una")
				want = "una"
			}
			r.disk = disk{} // nothing of this run is on it
			r.now.Mono += past
			fx, err := r.core.Merge(r.now, past, saved, nil)
			if err != nil {
				t.Fatal(err)
			}
			r.take(fx)
			for range 2 {
				r.sent = nil
				r.heat(3050)
				r.pass(10 * time.Second)
				if got := wakesTo(r.sent); !slices.Equal(got, []string{want}) {
					t.Errorf("told %q, want %s", got, want)
				}
				r.heat(2400)
				r.pass(20 * time.Minute)
				r.restart(nil)
			}
		})
	}
}
