package core

import (
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
)

// silences are the messages that tell that somebody put alarms away.
func (r *deskRig) silences() (out []alert.Message) {
	for _, d := range r.sent {
		if d.Kind == alert.Silence && !slices.ContainsFunc(out, func(m alert.Message) bool { return m.ID == d.Message.ID && m.To == d.Person }) {
			out = append(out, d.Message)
		}
	}
	return out
}

// Whoever takes an enclosure out of service, or has a reload drop one that is
// lethally hot, is told of to everybody, and the heat wakes unless it is empty.
func TestCore_SilencingIsTold(t *testing.T) {
	people := "[[person]]\nid = \"una\"\nchannels = [\"mqtt\"]\n[[person]]\nid = \"odo\"\nchannels = [\"mail\"]\nmail_to = \"odo@example.org\"\n"
	begin := func(t *testing.T) *deskRig {
		r := newDeskRig(t, people)
		r.pass(time.Minute)
		return r
	}
	t.Run("out of service", func(t *testing.T) {
		r := begin(t)
		r.must(rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: "moss"}, For: 5 * time.Hour, Why: "quarantine"})
		r.pass(5 * time.Minute)
		got := r.silences()
		if len(got) != 2 || !strings.Contains(got[0].Text, "moss out of service until") {
			t.Fatalf("%d messages: %+v", len(got), got)
		}
		before := r.wakes()
		r.heat(3050)
		r.pass(time.Minute)
		if r.wakes() == before {
			t.Error("lethal heat of an enclosure that is not empty does not wake")
		}
	})
	t.Run("the only probe of an enclosure", func(t *testing.T) {
		r := begin(t)
		probe := "p"
		out := rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: probe}, For: 30 * time.Minute}
		r.must(out)
		r.must(rules.Action{Kind: rules.ReturnToService, Key: out.Key})
		r.pass(5 * time.Minute)
		if got := r.silences(); len(got) != 0 {
			t.Fatalf("put back at once, and told: %+v", got)
		}
		r.must(out)
		r.pass(5 * time.Minute)
		got := r.silences()
		if len(got) != 2 || !strings.Contains(got[0].Text, "nobody sees whether it grows too hot there") || !strings.HasPrefix(got[0].Title, "moss is not watched until") {
			t.Fatalf("%d messages: %+v", len(got), got)
		}
		r.must(rules.Action{Kind: rules.ReturnToService, Key: out.Key})
		r.must(rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: "moss"}, For: 30 * time.Minute, Empty: true})
		r.must(out)
		r.pass(5 * time.Minute)
		if more := r.silences(); len(more) != 2 {
			t.Errorf("of an empty enclosure: %+v", more[2:])
		}
	})
	t.Run("dropped by a reload", func(t *testing.T) {
		r := begin(t)
		r.heat(3050)
		r.pass(time.Minute)
		without := strings.ReplaceAll(strings.ReplaceAll(rigRoom+people, "id = \"moss\"", "id = \"fern\""), "enclosure = \"moss\"", "enclosure = \"fern\"")
		r.cfg = decode(t, without)
		r.take(r.core.Reconfigure(r.now, r.cfg, nil))
		r.pass(5 * time.Minute)
		got := r.silences()
		if len(got) != 2 || !strings.Contains(got[0].Text, "has moss no longer, while this was open: lethal limit reached") {
			t.Fatalf("%d messages: %+v", len(got), got)
		}
		for _, d := range r.sent {
			if strings.HasPrefix(d.Message.Title, "Over: ") {
				t.Errorf("renamed while it is hot: %s", d.Message.Title)
			}
		}
	})
	without := func(r *deskRig) {
		r.cfg = decode(t, strings.ReplaceAll(strings.ReplaceAll(rigRoom+people, "id = \"moss\"", "id = \"fern\""), "enclosure = \"moss\"", "enclosure = \"fern\""))
	}
	told := func(t *testing.T, r *deskRig, want string) {
		t.Helper()
		r.pass(5 * time.Minute)
		got := r.silences()
		if len(got) != 2 || !strings.Contains(got[0].Text, want) {
			t.Errorf("%d messages, want one to each of two people with %q: %+v", len(got), want, got)
		}
	}
	t.Run("dropped while it is answered", func(t *testing.T) {
		r := begin(t)
		r.heat(3050)
		r.must(rules.Action{Kind: rules.Acknowledge, Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "moss"}})
		without(r)
		r.take(r.core.Reconfigure(r.now, r.cfg, nil))
		before := r.wakes()
		r.pass(time.Minute)
		if r.wakes() == before {
			t.Error("the same heat under another name wakes nobody")
		}
		told(t, r, "has moss no longer, while this was open: lethal limit reached")
	})
	t.Run("dropped from the shelf", func(t *testing.T) {
		r := begin(t)
		r.heat(2890)
		r.pass(20 * time.Minute)
		r.want(alarm.AboveBand, alarm.Unack, "too warm")
		r.must(rules.Action{Kind: rules.Shelve, Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "moss"}, For: 15 * time.Minute})
		r.pass(5 * time.Minute)
		without(r)
		r.take(r.core.Reconfigure(r.now, r.cfg, nil))
		told(t, r, "has moss no longer, while this was open")
	})
	t.Run("put on the shelf in peace and dropped", func(t *testing.T) {
		r := begin(t)
		r.must(rules.Action{Kind: rules.Shelve, Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "moss"}, For: 50 * time.Minute})
		without(r)
		r.take(r.core.Reconfigure(r.now, r.cfg, nil))
		r.pass(5 * time.Minute)
		if got := r.silences(); len(got) != 0 {
			t.Errorf("%+v", got)
		}
	})
	t.Run("dropped between two starts", func(t *testing.T) {
		r := begin(t)
		r.heat(3050)
		r.pass(time.Minute)
		without(r)
		r.restart(nil)
		told(t, r, "has moss no longer, while this was open: lethal limit reached")
		if got := r.silences(); len(got) == 2 {
			r.restart(nil)
			r.pass(10 * time.Minute)
			if more := r.silences(); len(more) != 2 {
				t.Errorf("told again after another start: %+v", more)
			}
		}
	})
	for name, c := range map[string]struct {
		ceiling string
		want    int
	}{"a higher lethal limit": {"36 °C", 2}, "the same": {"30 °C", 0}, "a lower one": {"29.5 °C", 0}} {
		t.Run(name, func(t *testing.T) {
			r := begin(t)
			r.heat(3050)
			r.must(rules.Action{Kind: rules.Acknowledge, Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "moss"}})
			r.cfg = decode(t, rigRoom+people+"[[species]]\nid = \"dendrobates-tinctorius\"\nceiling = \""+c.ceiling+"\"\n")
			r.take(r.core.Reconfigure(r.now, r.cfg, nil))
			r.pass(5 * time.Minute)
			got := r.silences()
			if len(got) != c.want || c.want > 0 && !strings.Contains(got[0].Text, "higher lethal limit for moss than the one before, while this was open: lethal limit reached") {
				t.Errorf("%d messages: %+v", len(got), got)
			}
		})
	}
}
