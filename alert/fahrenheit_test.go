package alert

import (
	"strings"
	"testing"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// What each alarm says to a reader of °F, reckoned by hand from NIST SP 811,
// B.8: a temperature is 1.8 t + 32, a difference 1.8 d. No other °F number may
// stand in the message.
func TestRender_FahrenheitByDimension(t *testing.T) {
	for _, c := range []struct {
		id           alarm.ID
		value, limit float64
		want         []string
	}{
		{alarm.LethalLimit, 30.5, 30, []string{"86.9 °F", "86.0 °F"}},
		{alarm.LethalLimit, 29.5, 30, []string{"85.1 °F", "86.0 °F"}},
		{alarm.AboveBand, 27, 26, []string{"80.6 °F", "78.8 °F"}},
		{alarm.BelowBand, 17, 18, []string{"62.6 °F", "64.4 °F"}},
		{alarm.NightDrop, 0.5, 2, []string{"0.9 °F", "3.6 °F"}},
		{alarm.ProbeDisagrees, 1.8, 1, []string{"3.2 °F"}},
		{alarm.ProbeJump, 34, 25, []string{"93.2 °F"}},
	} {
		m := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: c.id, Subject: "e1"}, Seq: 1, Priority: alarm.Wake, Unit: "°C", Value: c.value, HasValue: true, Limit: c.limit, HasLimit: true, Detail: alarm.Detail{DetailHeat: alarm.DetailHeat{RatePerHour: 1.5, HasRate: true}}}, State: unack}
		for _, kind := range []Kind{Raise, FollowUp} {
			n := Notice{Kind: kind, Time: t0, Since: t0, ClockSet: true, Priority: alarm.Wake, Cause: alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}, Members: []Member{m}}
			got := Render(n, unit.Fahrenheit)
			text := got.Title + "\n" + got.Text
			if strings.Contains(text, "°C") {
				t.Errorf("%s: °C is left: %s", c.id, text)
			}
			allowed := strings.NewReplacer("2.7 °F/h", "", c.want[0], "")
			rest := allowed.Replace(text)
			for _, w := range c.want {
				if kind == Raise && !strings.Contains(text, w) {
					t.Errorf("%s: no %s in %s", c.id, w, text)
				}
				rest = strings.ReplaceAll(rest, w, "")
			}
			if c.id != alarm.ProbeDisagrees && c.id != alarm.ProbeJump && strings.Contains(strings.ReplaceAll(rest, "68–72 °F, never under 64 °F", ""), "°F") {
				t.Errorf("%s: another temperature in %s", c.id, text)
			}
		}
	}
}

// A value just under its limit is not told as the limit itself.
func TestRender_JustUnderItsLimit(t *testing.T) {
	m := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}, Seq: 1, Priority: alarm.Wake, Unit: "°C", Value: 32.97, HasValue: true, Limit: 33, HasLimit: true}, Name: "Tank", State: unack}
	n := Notice{Kind: Raise, Time: t0, Since: t0, ClockSet: true, Priority: alarm.Wake, Cause: alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}, Members: []Member{m}}
	for u, want := range map[unit.Scale]string{unit.Celsius: "32.97 °C", unit.Fahrenheit: "91.3 °F"} {
		if got := Render(n, u); !strings.Contains(got.Title, want) || strings.Contains(got.Text, "33.0 °C (lethal limit 33.0 °C)") && !strings.Contains(got.Text, want) {
			t.Errorf("%q: %s", want, got.Title+"\n"+got.Text)
		}
	}
}
