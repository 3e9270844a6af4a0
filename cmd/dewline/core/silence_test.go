package core

import (
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules"
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
		r.must(rules.Action{Kind: rules.TakeOut, Key: rules.Key{Subject: "moss"}, For: 5 * time.Hour, Why: "quarantine"})
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
}
