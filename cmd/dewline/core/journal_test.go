package core

import (
	"strings"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/event"
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
		want event.Line
	}{
		{rules.Action{Kind: rules.Shelve, Key: above, For: 2 * time.Hour, OneShot: true},
			event.Line{Subject: "above-band/moss", Old: "UNACK", New: "SHLVD for 2h0m0s, once"}},
		{rules.Action{Kind: rules.Unshelve, Key: above}, event.Line{Subject: "above-band/moss", Old: "SHLVD", New: "UNACK"}},
		{rules.Action{Kind: rules.Acknowledge, Key: above}, event.Line{Subject: "above-band/moss", Old: "UNACK", New: "ACKED"}},
		{rules.Action{Kind: rules.TakeOut, Key: rules.Key{Subject: "moss"}, Until: end},
			event.Line{Subject: "/moss", Old: "in service", New: "out of service until " + end.UTC().Format(time.RFC3339)}},
		{rules.Action{Kind: rules.ReturnToService, Key: rules.Key{Subject: "moss"}}, event.Line{Subject: "/moss", Old: "out of service", New: "in service"}},
	} {
		c.act.By, c.act.Why = "una", "because"
		r.journal = nil
		r.must(c.act)
		c.want.Kind, c.want.Who, c.want.Why = string(c.act.Kind), "una", "because"
		found, moved := false, false
		for _, e := range r.journal {
			l := e.Line()
			moved = moved || l.Kind == "alarm" && l.Old != "" && l.New != "" && l.Old != l.New
			found = found || l == c.want
		}
		if !found || !moved {
			t.Errorf("%s: no line %+v, or none of the alarm, in %+v", c.act.Kind, c.want, r.journal)
		}
	}
}

// TestJournalOfAStart asks what the journal is told of each kind of start.
func TestJournalOfAStart(t *testing.T) {
	now := at(time.Hour, true)
	for _, c := range []struct {
		report store.Report
		want   string
	}{
		{store.Report{}, "start "},
		{store.Report{Fresh: true}, "start a new record"},
		{store.Report{Fresh: true, Quarantined: "dewline.db.damaged-1"}, "start the record was damaged and set aside as dewline.db.damaged-1"},
		{store.Report{FellBack: true, LastWall: now.Wall.Add(-time.Minute)}, "start the last commit of the record was damaged, and the one before is used"},
		{store.Report{Migrated: true, LastWall: now.Wall.Add(stepAtLeast - time.Second)}, "start the record was brought to the layout of this version"},
		{store.Report{LastWall: now.Wall.Add(time.Hour)}, "start ; clock-step set back by 1h0m0s or more while dewline was not running"},
	} {
		var got []string
		for _, ev := range StartEvents(now, c.report, "1") {
			e := ev.Line()
			got = append(got, e.Kind+" "+e.Why)
			if e.Kind == "clock-step" && (e.Old != now.Wall.Add(time.Hour).Format(time.RFC3339) || e.New != now.Wall.Format(time.RFC3339)) {
				t.Errorf("the clock stepped from %s to %s", e.Old, e.New)
			}
		}
		if text := strings.Join(got, "; "); text != c.want {
			t.Errorf("%+v gives %q, want %q", c.report, text, c.want)
		}
	}
}
