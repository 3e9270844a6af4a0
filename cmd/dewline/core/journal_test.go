package core

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// TestEveryActionIsInTheJournal carries out each thing that a person can do about
// an alarm and asks for its line: who, about what, the state before and after, for
// how long, and why.
func TestEveryActionIsInTheJournal(t *testing.T) {
	r := newDeskRig(t, una)
	r.heat(2790)
	r.pass(45 * time.Minute)
	above := alarm.Key{Alarm: alarm.AboveBand, Subject: "moss"}
	end := r.now.Wall.Add(48 * time.Hour)
	for _, c := range []struct {
		act  rules.Action
		want event.Line
	}{
		{rules.Action{Kind: rules.Shelve, Key: above, For: 2 * time.Hour, OneShot: true},
			event.Line{Subject: "above-band/moss", Old: "UNACK", New: "SHLVD for 2h0m0s, once"}},
		{rules.Action{Kind: rules.Unshelve, Key: above}, event.Line{Subject: "above-band/moss", Old: "SHLVD", New: "UNACK"}},
		{rules.Action{Kind: rules.Acknowledge, Key: above}, event.Line{Subject: "above-band/moss", Old: "UNACK", New: "ACKED"}},
		{rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: "moss"}, Until: end},
			event.Line{Subject: "/moss", Old: "in service", New: "out of service until " + end.UTC().Format(time.RFC3339)}},
		{rules.Action{Kind: rules.ReturnToService, Key: alarm.Key{Subject: "moss"}}, event.Line{Subject: "/moss", Old: "out of service", New: "in service"}},
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
		{store.Report{LastWall: now.Wall.Add(stepAtLeast)}, "start ; clock-step set back by 10s or more while dewline was not running"},
		{store.Report{LastWall: now.Wall.Add(time.Hour)}, "start ; clock-step set back by 1h0m0s or more while dewline was not running"},
	} {
		var got []string
		for _, ev := range StartEvents(now, c.report, "1") {
			e := ev.Line()
			got = append(got, e.Kind+" "+e.Why)
			if e.Kind == "clock-step" && (e.Old != c.report.LastWall.Format(time.RFC3339) || e.New != now.Wall.Format(time.RFC3339)) {
				t.Errorf("the clock stepped from %s to %s", e.Old, e.New)
			}
		}
		if text := strings.Join(got, "; "); text != c.want {
			t.Errorf("%+v gives %q, want %q", c.report, text, c.want)
		}
	}
}

// Facts are in the journal as they were found, and names and words beside them.
func TestEventsOfFacts(t *testing.T) {
	now := at(time.Hour, true)
	value, limit := 31.5, 30.0
	x := rules.Transition{
		Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "moss"}, Seq: 7, Priority: alarm.Today, Cause: alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}, Value: value, Limit: limit, Unit: "°C"}, At: now, From: alarm.Norm, To: alarm.Unack, By: "una", Why: "because",
	}
	bare := event.Alarm{Alarm: "above-band", Subject: "moss", Onset: 7, From: "NORM", To: "UNACK", Priority: "today", Cause: "lamps", CauseID: "day", Unit: "°C"}
	full := bare
	full.Value, full.Limit = &value, &limit
	y := x
	y.HasValue, y.HasLimit = true, true
	end := now.Wall.Add(time.Hour)
	set := alert.DrillResult{ID: "d", Person: "odo", Taken: map[string]float64{"mqtt": 1}, Acked: true, AckedBy: "una", AckedIn: 9}
	correction := sensors.Correction{Probe: "p", Quantity: "humidity", From: end, Gain: 1.5, Offset: 2, Uncertainty: 3, By: "una", Undoes: "u", Note: "salt"}
	for _, c := range []struct {
		got  event.Event
		body event.Body
		by   event.Beside
	}{
		{alarmEvent(&x), bare, event.Beside{By: "una", Text: "because"}},
		{alarmEvent(&y), full, event.Beside{By: "una", Text: "because"}},
		{noticeEvent(&alert.Event{At: now, Notice: "n", What: "failed", Version: 2, Channel: "mqtt", Person: "odo", Why: "away"}),
			event.Notice{Notice: "n", What: "failed", Version: 2, Channel: "mqtt"}, event.Beside{Person: "odo", Text: "away"}},
		{dutyEvent(now, &rules.Action{Kind: alert.Duty, Key: alarm.Key{Subject: "odo"}, Until: end, By: "una", Why: "away"}, "una", "odo"),
			event.Act{Act: string(alert.Duty), Subject: "odo", From: "una", To: "odo", Until: end}, event.Beside{By: "una", Text: "away"}},
		{refusedEvent(now, "una", "moss", "what"), event.Refused{}, event.Beside{By: "una", About: "moss", Text: "what"}},
		{drillEvent(now, "una", "odo", "d"), event.Drill{Notice: "d"}, event.Beside{By: "una", Person: "odo"}},
		{drillOverEvent(now, &set), event.DrillOver{Notice: "d", Taken: map[string]float64{"mqtt": 1}, Answered: true, AnsweredIn: 9}, event.Beside{By: "una", Person: "odo"}},
		{gapEvent(now, end, time.Minute), event.Gap{From: end, For: 60}, event.Beside{}},
		{StopEvent(now, "1"), event.Stop{Version: "1"}, event.Beside{}},
		{RecordEvent(now, "what", "why"), event.Record{Act: "record", What: "what", Why: "why"}, event.Beside{}},
		{ConfigurationEvent(now, "f", ""), event.Configuration{File: "f"}, event.Beside{}},
		{ConfigurationEvent(now, "f", "line 3"), event.Configuration{File: "f", Refused: true}, event.Beside{Text: "line 3"}},
		{CalibrationEvent(now, &correction, "old", "new"),
			event.Calibration{Probe: "p", Quantity: "humidity", From: end, Gain: 1.5, Offset: 2, Uncertainty: 3, Undoes: "u"}, event.Beside{By: "una", Old: "old", New: "new", Text: "salt"}},
		{SummaryEvent(now, "una", "w", "odo", "sent", "why"), event.Summary{Week: "w", State: "sent"}, event.Beside{By: "una", Person: "odo", Text: "why"}},
	} {
		if !reflect.DeepEqual(c.got.Body, c.body) || c.got.Beside != c.by || c.got.At != now || c.got.Schema != event.Schema {
			t.Errorf("%+v\nwant %+v beside %+v", c.got, c.body, c.by)
		}
	}
}
