package event

import (
	"reflect"
	"testing"
	"time"

	"dewline/sensors"
)

// Every type comes back as it was written, at the same moment to the nanosecond.
func TestEveryTypeComesBack(t *testing.T) {
	at := sensors.Instant{Mono: 1234567890123456789, Wall: time.Date(2026, 7, 1, 12, 0, 0, 5e8, time.UTC), Synced: true}
	drop := 2.5
	for _, want := range []Body{
		Alarm{Alarm: "above-band", Subject: "moss", Onset: 1 << 60, From: "NORM", To: "UNACK", Value: &drop, Unit: "°C"},
		Act{Act: "shelve", Subject: "moss", For: 7200, Once: true}, Mist{Enclosure: "moss", Due: at.Wall, Verdict: MistWeak, Start: at.Wall, Before: 70.25, Peak: 90, Rise: 3},
		DryDown{Enclosure: "moss", Start: at.Wall, Wet: 60, HalfLife: 1800, Trend: "slower"}, Night{Enclosure: "moss", Drop: &drop, DayMax: 26},
		Dose{Enclosure: "moss", Share: 0.25, DegreeHours: 1.5, Unseen: 60}, Stop{Version: "1"}, Note{}, Refused{More: 3},
		DrillOver{Notice: "drill/una/1", Taken: map[string]float64{"mqtt": 1.5}, Answered: true, AnsweredIn: 38},
		Gap{From: at.Wall, For: 600}, Clock{Before: at.Wall, After: at.Wall}, Limits{Enclosure: "moss", Floor: 70, Lethal: 30},
	} {
		e := New(at, want)
		e.Seq = 7
		text, err := Encode(&e, "hash")
		if err != nil {
			t.Fatal(err)
		}
		got, beside, err := Decode(text)
		if err != nil || beside != "hash" || !reflect.DeepEqual(got, e) {
			t.Errorf("%s\nreads %+v, %v\nwant  %+v", text, got, err, e)
		}
	}
}

// A line of a later version is kept and shown by its word.
func TestLaterVersionsAreRead(t *testing.T) {
	e, _, err := Decode([]byte(`{"v":2,"type":"hatching","seq":3,"time":"2027-01-01T00:00:00Z","clock_set":true,"running_s":1.5,"eggs":4}`))
	if err != nil || e.Line().Kind != "hatching" || e.At.Mono != 1500*time.Millisecond {
		t.Errorf("%+v, %v", e, err)
	}
}

func TestRunningTimes(t *testing.T) {
	for want, text := range map[Running]string{0: "0", 1: "0.000000001", -1500000000: "-1.5", 1 << 62: "4611686018.427387904", 1e10: "10"} {
		b, err := want.MarshalJSON()
		var back Running
		if err != nil || string(b) != text || back.UnmarshalJSON(b) != nil || back != want {
			t.Errorf("%d is written %s and read %d, want %s", want, b, back, text)
		}
	}
	for _, bad := range []string{"x", "1.0000000001", "1e3"} {
		if new(Running).UnmarshalJSON([]byte(bad)) == nil {
			t.Errorf("%q was read", bad)
		}
	}
}

// What a person did is told in words: for how long, or until when, and what more.
func TestAct_Words(t *testing.T) {
	until := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	for want, a := range map[string]Act{
		"SHLVD":                  {To: "SHLVD"},
		"SHLVD for 2h0m0s, once": {To: "SHLVD", For: 7200, Once: true},
		"SHLVD for 1s":           {To: "SHLVD", For: 1, Until: until},
		"OOSRV until 2026-05-01T12:00:00Z, empty": {To: "OOSRV", Until: until, Empty: true},
	} {
		if got := a.words(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// What a dose adds is told in parts of a hundred.
func TestLine_OfADose(t *testing.T) {
	e := New(sensors.Instant{}, Dose{Enclosure: "moss", Share: 0.25, DegreeHours: 1.5})
	if l := e.Line(); l.Subject != "moss" || l.New != "25 % of the reference, 1.5 °C h added" {
		t.Errorf("%+v", l)
	}
	for id, want := range map[string]bool{"above-band/moss/7": true, "above-band/a/b/7": true, "above-band/moss": false, "above-band": false, "a/b/x": false} {
		if a, ok := parseID(id); ok != want || ok && (a.Alarm != "above-band" || a.Onset != 7) {
			t.Errorf("%q: %+v, %v", id, a, ok)
		}
	}
}

// The journal is printed by these words: what, who, about what, before, after and why.
func TestLine_OfEveryKind(t *testing.T) {
	at := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	const stamped = "2026-05-01T12:00:00Z"
	drop := 2.25
	beside := Beside{By: "una", Person: "odo", About: "phone", Old: "was", New: "is", Text: "why"}
	for _, c := range []struct {
		body Body
		want Line
	}{
		{Alarm{Alarm: "above-band", Subject: "moss", Onset: 7, From: "NORM", To: "UNACK", Priority: "today"},
			Line{"alarm", "una", "above-band/moss/7", "NORM", "UNACK", "why", "today"}},
		{Notice{Notice: "n", What: "handed-over", Channel: "mqtt"}, Line{"notice", "odo", "n", "mqtt", "handed-over", "why", ""}},
		{Act{Act: "shelve", Alarm: "a", Subject: "s", From: "UNACK", To: "SHLVD", For: 60}, Line{"shelve", "una", "a/s", "UNACK", "SHLVD for 1m0s", "why", ""}},
		{Refused{}, Line{"refused", "una", "phone", "", "why", "", ""}},
		{Refused{More: 3}, Line{"refused", "una", "phone", "", "why (and 3 others before)", "", ""}},
		{Drill{Notice: "n"}, Line{"drill", "una", "odo", "", "n", "why", ""}},
		{DrillOver{Notice: "n"}, Line{"drill-result", "una", "n", "", "why", "for odo", ""}},
		{Note{Enclosure: "moss"}, Line{"note", "una", "moss", "", "why", "", ""}},
		{Calibration{Probe: "p"}, Line{"calibration", "una", "p", "was", "is", "why", ""}},
		{Setting{Key: "k"}, Line{"setting", "keeper", "k", "was", "is", "why", ""}},
		{Configuration{File: "f"}, Line{"configuration", "keeper", "f", "", "in force", "why", ""}},
		{Configuration{File: "f", Refused: true}, Line{"configuration", "keeper", "f", "", "refused", "why", ""}},
		{Summary{Week: "w", State: "sent"}, Line{"summary", "una", "w", "odo", "sent", "why", ""}},
		{Start{Version: "1", Note: "a new record"}, Line{"start", "una", "", "", "1", "a new record", ""}},
		{Stop{Version: "1"}, Line{"stop", "una", "", "", "1", "why", ""}},
		{Clock{Before: at, After: at.Add(time.Hour), Why: "set"}, Line{"clock-step", "una", "", stamped, "2026-05-01T13:00:00Z", "set", ""}},
		{Gap{From: at, For: 90}, Line{"gap", "una", "", stamped, "1m30s", "why", ""}},
		{Gap{}, Line{"gap", "una", "", "", "0s", "why", ""}},
		{Record{Act: "restore", File: "f", Was: "w", What: "x", Why: "y"}, Line{"restore", "una", "f", "w", "x", "y", ""}},
		{Mist{Enclosure: "moss", Due: at, Verdict: MistMissed}, Line{"mist", "una", "moss", stamped, "missed", "why", ""}},
		{Mist{Enclosure: "moss", Verdict: MistGiven, Start: at, Before: 70.4, Peak: 91}, Line{"mist", "una", "moss", "", "given, 70 → 91 %", "why", ""}},
		{DryDown{Enclosure: "moss", Start: at, Trend: "slower"}, Line{"dry-down", "una", "moss", stamped, "not fitted", "slower", ""}},
		{DryDown{Enclosure: "moss", Start: at, HalfLife: 1800}, Line{"dry-down", "una", "moss", stamped, "half-life 30 min", "", ""}},
		{Night{Enclosure: "moss"}, Line{"night", "una", "moss", "", "too few readings", "why", ""}},
		{Night{Enclosure: "moss", Drop: &drop}, Line{"night", "una", "moss", "", "drop 2.2 °C", "why", ""}},
		{Limits{Enclosure: "moss", DayLow: 22, DayHigh: 26, NightLow: 18, NightHigh: 22, Floor: 70, Lethal: 30},
			Line{"limits", "una", "moss", "", "day 22 to 26 °C, night 18 to 22 °C, floor 70 %, lethal limit 30 °C", "why", ""}},
		{Other{Word: "hatching", Line: Line{Who: "x", New: "4"}}, Line{Kind: "hatching", Who: "x", New: "4"}},
	} {
		e := New(sensors.Instant{}, c.body)
		if e.Beside = beside; e.Line() != c.want {
			t.Errorf("%T:\n%+v, want\n%+v", c.body, e.Line(), c.want)
		}
		measured := map[string]bool{"mist": true, "dry-down": true, "night": true, "dose": true}
		if e.Measured() != measured[e.Kind()] {
			t.Errorf("%T is measured: %v", c.body, e.Measured())
		}
	}
	e := New(sensors.Instant{}, Stop{})
	if e.Line().Who != "dewline" {
		t.Errorf("who stops: %+v", e.Line())
	}
}

// What a line of before events had types says is said of it ever after.
func TestLine_OfOldOnesStays(t *testing.T) {
	for _, l := range []Line{
		{"alarm", "una", "above-band/moss/7", "NORM", "UNACK", "why", "today"}, {"alarm", "una", "no onset", "NORM", "UNACK", "why", "today"},
		{"notice", "odo", "n", "mqtt", "handed-over", "why", ""}, {"acknowledge", "una", "a/s", "UNACK", "ACKED", "why", ""},
		{"shelve", "una", "a/s", "UNACK", "SHLVD", "why", ""}, {"unshelve", "una", "a/s", "SHLVD", "UNACK", "why", ""},
		{"reset", "una", "a/s", "LUNACK", "NORM", "why", ""}, {"out-of-service", "una", "/s", "a", "b", "why", ""}, {"in-service", "una", "/s", "a", "b", "why", ""},
		{"refused", "una", "phone", "", "what", "", ""}, {"drill", "una", "odo", "", "n", "why", ""}, {"drill-result", "una", "n", "", "taken", "for odo", ""},
		{"note", "una", "moss", "", "text", "", ""}, {"calibration", "una", "p", "was", "is", "why", ""}, {"setting", "keeper", "k", "was", "is", "why", ""},
		{"configuration", "keeper", "f", "", "in force", "why", ""}, {"configuration", "keeper", "f", "", "refused", "why", ""},
		{"summary", "una", "w", "odo", "sent", "why", ""}, {"start", "dewline", "", "", "1", "note", ""}, {"stop", "dewline", "", "", "1", "", ""},
		{"clock-step", "dewline", "", "2026-05-01T12:00:00Z", "2026-05-01T13:00:00Z", "set", ""},
		{"record", "dewline", "f", "w", "x", "y", ""}, {"import", "una", "f", "w", "x", "y", ""}, {"restore", "una", "f", "w", "x", "y", ""}, {"repair", "una", "f", "w", "x", "y", ""},
		{"something", "una", "a", "b", "c", "d", "e"},
	} {
		e := OfLine(sensors.Instant{}, l)
		if got := e.Line(); got != l {
			t.Errorf("%+v\nis read as %+v: %+v", l, e.Body, got)
		}
	}
}
