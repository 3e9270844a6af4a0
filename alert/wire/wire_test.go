package wire

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

func encoded(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestTransition_IsTheContractsLine(t *testing.T) {
	at := sensors.Instant{Mono: time.Minute, Wall: time.Date(2026, 3, 2, 9, 1, 0, 0, time.UTC), Synced: true}
	line := encoded(t, TransitionOf(&rules.Transition{
		Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}, Seq: 1, Priority: alarm.Wake, Cause: alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}, Value: 30.4, HasValue: true, Limit: 30, HasLimit: true, Unit: "°C", Text: "hot"}, At: at, From: alarm.Norm, To: alarm.Unack,
	}))
	want := `{"time":"2026-03-02T09:01:00Z","alarm":"lethal-ceiling","cause":{"kind":"enclosure","id":"e1"},"subject":"e1","seq":1,` +
		`"from":"NORM","to":"UNACK","priority":"wake","value":30.4,"limit":30,"unit":"°C","text":"hot"}`
	if line != want {
		t.Errorf("got  %s\nwant %s", line, want)
	}
	if none := encoded(t, TransitionOf(&rules.Transition{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.DoorAjar, Subject: "e1"}}})); !strings.Contains(none, `"value":null,"limit":null`) {
		t.Error(none)
	}
}

// What is not known is absent, what is old says so, and what is worked out is
// rounded.
func TestEnclosure_SaysWhatIsKnown(t *testing.T) {
	if got := encoded(t, enclosureOf(&rules.EnclosureView{EnclosureHome: rules.EnclosureHome{ID: "e1"}, EnclosureState: rules.EnclosureState{Unknown: []string{}, Alarms: []alarm.ID{}}})); strings.Contains(got, "temperature") ||
		strings.Contains(got, "null") || !strings.Contains(got, `"alarms":[]`) || !strings.Contains(got, `"unknown":[]`) {
		t.Errorf("an enclosure that never said anything: %s", got)
	}
	rate, dew := rules.Tenth(1.2345), rules.Tenth(18.26)
	v := rules.EnclosureView{
		EnclosureHome:    rules.EnclosureHome{ID: "e1"},
		EnclosureAir:     rules.EnclosureAir{Temperature: rules.Measure{Value: 24.314, Known: true, Ever: true, Age: 5400 * time.Millisecond, Probe: "p1"}, Humidity: rules.Measure{Value: 81.5, Ever: true, Age: time.Hour, Uncertainty: 2.04}},
		EnclosureOutlook: rules.EnclosureOutlook{DewPoint: &dew, RatePerHour: &rate},
		EnclosureLimits:  rules.EnclosureLimits{Lethal: 30},
	}
	got := encoded(t, enclosureOf(&v))
	for _, want := range []string{
		`"temperature":{"value_c":24.31,"known":true,"age_seconds":5,"probe":"p1"}`,
		`"humidity":{"value_pct":81.5,"uncertainty_pct":2,"known":false,"age_seconds":3600}`,
		`"rate_c_per_hour":1.2`, `"dew_point_c":18.3`, `"lethal_limit_c":30`,
	} {
		if !strings.Contains(got, want) {
			t.Errorf("%s lacks %s", got, want)
		}
	}
	if c := encoded(t, ClimateOf(&v)); strings.Contains(c, "humidity_pct\":") || !strings.Contains(c, `"temperature_c":24.31`) {
		t.Errorf("the retained document repeats an old value, or lacks a present one: %s", c)
	}
}

// A moment on a clock that was not set is no moment.
func TestAlarm_HasNoWrongTime(t *testing.T) {
	v := rules.AlarmView{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}, Since: sensors.Instant{Mono: time.Minute, Wall: time.Unix(60, 0)}}, State: alarm.Unack}
	got := encoded(t, AlarmOf(&v, sensors.Instant{Mono: 3 * time.Minute}))
	if strings.Contains(got, `"since"`) || !strings.Contains(got, `"for_seconds":120`) || !strings.Contains(got, `"state":"UNACK"`) {
		t.Error(got)
	}
	v.Since.Synced = true
	if got := encoded(t, AlarmOf(&v, v.Since)); !strings.Contains(got, `"since":"`) {
		t.Error(got)
	}
}

// A reading comes back from its document as what a calibration looks at.
func TestReading_ComesBack(t *testing.T) {
	r := sensors.Reading{
		Probe: "p", At: sensors.Instant{Mono: 90 * time.Second, Wall: time.Date(2026, 3, 2, 9, 1, 0, 0, time.UTC)}, Quality: sensors.Suspect,
		Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: 2431, Humidity: 8150,
		Raw: sensors.Sample{Has: sensors.HasHumidity, Humidity: 8033}, Uncertainty: sensors.Stated{Temperature: 20, HumidityBelow: 310, HumidityAbove: 180},
	}
	var doc Reading
	if err := json.Unmarshal([]byte(encoded(t, ReadingOf(&r))), &doc); err != nil {
		t.Fatal(err)
	}
	if got := doc.Sensors("p"); got != r {
		t.Errorf("got %+v, want %+v", got, r)
	}
}

// A value may be newer than the text beside it: the document says how old the text is.
func TestAlarmOf_HowOldItsTextIs(t *testing.T) {
	v := rules.AlarmView{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}, Value: 24, HasValue: true, Limit: 30, HasLimit: true, Unit: "°C",
		Since:  sensors.Instant{Mono: time.Hour},
		Detail: alarm.Detail{Is: alarm.Fact{ID: alarm.FactID(alarm.LethalLimit)}, Turn: alarm.TurnActive, Active: true, Value: 31.2, Limit: 30, For: time.Minute}}, State: alarm.Unack, Active: true}
	a := AlarmOf(&v, sensors.Instant{Mono: time.Hour + 3*time.Minute})
	if *a.Value != 24 || !strings.Contains(a.Text, "31.2 °C") || a.TextAge != rules.Seconds(2*time.Minute) {
		t.Errorf("value %v, text %q of %v ago", *a.Value, a.Text, time.Duration(a.TextAge))
	}
}

// A document speaks °C in its texts as in its numbers, whatever the first person reads,
// and tells the furthest value that the rules keep.
func TestTexts_AreInTheUnitsOfTheNumbers(t *testing.T) {
	at := sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Synced: true}
	onset := alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}, Seq: 1, Priority: alarm.Wake, Cause: alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"},
		Value: 31.2, HasValue: true, Limit: 30, HasLimit: true, Unit: "°C", Since: at, Peak: &alarm.Peak{Value: 32.345, Limit: 30, At: at},
		Detail: alarm.Detail{Is: alarm.Fact{ID: alarm.FactID(alarm.LethalLimit)}, Turn: alarm.TurnActive, Active: true, Value: 31.2, Limit: 30}}
	n := alert.Notice{ID: "a", Kind: alert.Raise, Time: at.Wall, Since: at.Wall, ClockSet: true, Priority: alarm.Wake, Cause: onset.Cause, Members: []alert.Member{{Onset: onset, State: alarm.Unack}}}
	s := &alert.Snapshot{At: at, Alarms: []rules.AlarmView{{Onset: onset, State: alarm.Unack, Active: true}}, Telling: alert.Telling{Notices: []alert.NoticeView{{Notice: n, Message: alert.Render(n, unit.Fahrenheit)}}}}
	a := AlarmsOf(s)[0]
	for _, text := range []string{NoticesOf(s)[0].Title, NoticesOf(s)[0].Text, a.Text} {
		if !strings.Contains(text, "31.2 °C") || strings.Contains(text, "°F") {
			t.Errorf("%q", text)
		}
	}
	if f := a.Furthest; f == nil || f.Value != 32.35 || f.Limit != 30 || !f.Time.Wall.Equal(at.Wall) {
		t.Errorf("furthest %+v", f)
	}
}
