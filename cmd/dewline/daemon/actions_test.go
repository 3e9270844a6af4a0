package daemon

import (
	"testing"
	"time"

	"dewline/rules"
	"dewline/store"
)

// TestEveryActionIsInTheJournal carries out each thing that a person can do about
// an alarm and asks for its line: who, about what, the state before and after, for
// how long, and why.
func TestEveryActionIsInTheJournal(t *testing.T) {
	r := newDeskRig(t, una)
	r.heat(2790)
	r.pass(45 * time.Minute)
	above := rules.Key{Alarm: rules.AboveBand, Subject: "moss"}
	end := r.now.Wall.Add(48 * time.Hour)
	for _, c := range []struct {
		act  rules.Action
		want store.JournalEntry
	}{
		{rules.Action{Kind: rules.Shelve, Key: above, For: 2 * time.Hour, OneShot: true},
			store.JournalEntry{Subject: "above-band/moss", Old: "UNACK", New: "SHLVD for 2h0m0s, once"}},
		{rules.Action{Kind: rules.Unshelve, Key: above}, store.JournalEntry{Subject: "above-band/moss", Old: "SHLVD", New: "UNACK"}},
		{rules.Action{Kind: rules.Acknowledge, Key: above}, store.JournalEntry{Subject: "above-band/moss", Old: "UNACK", New: "ACKED"}},
		{rules.Action{Kind: rules.TakeOut, Key: rules.Key{Subject: "moss"}, Until: end},
			store.JournalEntry{Subject: "/moss", Old: "in service", New: "out of service until " + end.UTC().Format(time.RFC3339)}},
		{rules.Action{Kind: rules.ReturnToService, Key: rules.Key{Subject: "moss"}}, store.JournalEntry{Subject: "/moss", Old: "out of service", New: "in service"}},
	} {
		c.act.By, c.act.Why = "una", "because"
		r.journal = nil
		r.must(c.act)
		c.want.Kind, c.want.Who, c.want.Why = string(c.act.Kind), "una", "because"
		found, moved := false, false
		for _, e := range r.journal {
			moved = moved || e.Kind == "alarm" && e.Old != "" && e.New != "" && e.Old != e.New
			e.At, e.Seq = c.want.At, 0
			found = found || e == c.want
		}
		if !found || !moved {
			t.Errorf("%s: no line %+v, or none of the alarm, in %+v", c.act.Kind, c.want, r.journal)
		}
	}
}
