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
		if mono, ok := At(text); !ok || mono != at.Mono {
			t.Errorf("%s: running time %v", text, mono)
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
