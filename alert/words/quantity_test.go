package words

import (
	"cmp"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

func TestSpan(t *testing.T) {
	for _, c := range []struct {
		d    time.Duration
		want string
	}{
		{-time.Second, "0 s"}, {40 * time.Second, "40 s"}, {119600 * time.Millisecond, "2 min"}, {125 * time.Second, "2 min"},
		{25 * time.Minute, "25 min"}, {95 * time.Minute, "95 min"}, {119*time.Minute + 40*time.Second, "2 h"},
		{2*time.Hour + 12*time.Minute, "2 h 10 min"}, {9*time.Hour + 58*time.Minute, "10 h"}, {26*time.Hour + 20*time.Minute, "26 h"},
		{47*time.Hour + 40*time.Minute, "2 days"}, {80 * time.Hour, "3 days"},
	} {
		if got := Span(c.d); got != c.want {
			t.Errorf("%v: %q, want %q", c.d, got, c.want)
		}
	}
}

func TestIn(t *testing.T) {
	for _, c := range []struct {
		from, to   float64
		want, gain string
	}{
		{38, 139, "in 40 min to 2 h 20 min", "40 min to 2 h 20 min"},
		{38, 104, "in 40–105 min", "40–105 min"},
		{1.2, 3.4, "in 1–3 min", "1–3 min"},
		{8, 21, "in 8–20 min", "8–20 min"},
		{0.3, 58, "within 60 min, perhaps now", "0–60 min"},
		{0, 0.2, "within 60 s, perhaps now", "0 s"},
		{41, 42, "in 40 min", "40 min"},
		{92, 360, "in 90 min at the earliest", "90 min or more"},
		{212, 360, "in 3 h 30 min at the earliest", "3 h 30 min or more"},
		{0.2, 360, "now at the earliest", "0 s or more"},
	} {
		r := alarm.Range{FromMinutes: c.from, ToMinutes: c.to}
		if got := In(r); got != c.want {
			t.Errorf("%v: %q, want %q", r, got, c.want)
		}
		if got := Gain(r); got != c.gain {
			t.Errorf("%v: %q, want %q", r, got, c.gain)
		}
	}
}

func TestFigure(t *testing.T) {
	for _, c := range []struct {
		f            Figure
		s            unit.Scale
		value, limit string
	}{
		{Figure{Alarm: alarm.ProbeSilent, Value: 125, Limit: 120, HasLimit: true, Unit: "s"}, unit.Celsius, "2 min 5 s", "2 min"},
		{Figure{Alarm: alarm.ProbeSilent, Value: 7200, Limit: 120, HasLimit: true, Unit: "s"}, unit.Celsius, "2 h", "2 min"},
		{Figure{Alarm: alarm.ProbeSilent, Value: 120.2, Limit: 120, HasLimit: true, Unit: "s"}, unit.Celsius, "just over 2 min", "2 min"},
		{Figure{Alarm: alarm.ProbeFrozen, Value: 360, Unit: "min"}, unit.Celsius, "6 h", ""},
		{Figure{Alarm: alarm.CertificateDue, Value: 29.9, Limit: 30, HasLimit: true, Unit: "d"}, unit.Celsius, "29 days", "30 days"},
		{Figure{Alarm: alarm.CertificateDue, Value: 1.2, Unit: "d"}, unit.Celsius, "1 day", ""},
		{Figure{Alarm: alarm.HumidityFloor, Value: 68.94, Limit: 70, HasLimit: true, Unit: "%"}, unit.Celsius, "68.9 %", "70.0 %"},
		{Figure{Alarm: alarm.LethalLimit, Value: 32.97, Limit: 33, HasLimit: true, Unit: "°C"}, unit.Celsius, "32.97 °C", "33.00 °C"},
		{Figure{Alarm: alarm.LethalLimit, Value: 32.97, Limit: 33, HasLimit: true, Unit: "°C"}, unit.Fahrenheit, "91.3 °F", "91.4 °F"},
		{Figure{Alarm: alarm.LethalLimit, Value: 33, Limit: 33, HasLimit: true, Unit: "°C"}, unit.Celsius, "33.0 °C", "33.0 °C"},
		// A difference of 0.5 °C is 0.9 °F (NIST SP 811, B.8).
		{Figure{Alarm: alarm.NightDrop, Value: 0.5, Limit: 2, HasLimit: true, Unit: "°C"}, unit.Fahrenheit, "0.9 °F", "3.6 °F"},
		{Figure{Alarm: alarm.LethalLimit, Value: math.NaN(), Limit: 33, HasLimit: true, Unit: "°C"}, unit.Celsius, "? °C", "33.0 °C"},
	} {
		if got := c.f.Text(c.s); got.Value != c.value || got.Limit != c.limit {
			t.Errorf("%+v: %+v, want %q, %q", c.f, got, c.value, c.limit)
		}
	}
	for percent, want := range map[float64]string{62.4: "62 % of your heat limit", 132: "132 % of your heat limit", 200: "2 × your heat limit", 1017: "10.2 × your heat limit"} {
		if got := Dose(percent); got != want {
			t.Errorf("%v %%: %q, want %q", percent, got, want)
		}
	}
}

// Whatever the value, its limit, the lethal limit and the scale, a reader sees on
// which side of both the value is.
func TestFigure_KeepsTheRelation(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	seen := func(text string) float64 {
		number, _, _ := strings.Cut(text, " ")
		v, err := strconv.ParseFloat(number, 64)
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		return v
	}
	check := func(f Figure, value, limit string, v, l float64) {
		want := cmp.Compare(math.Round(v*1e6), math.Round(l*1e6))
		switch {
		case strings.HasPrefix(value, "just under ") && want < 0, strings.HasPrefix(value, "just over ") && want > 0:
		case strings.HasPrefix(value, "just "), cmp.Compare(seen(value), seen(limit)) != want:
			t.Errorf("%+v: %q beside %q", f, value, limit)
		}
	}
	just := 0
	for range 50_000 {
		f := Figure{Alarm: alarm.LethalLimit, Unit: "°C", HasLimit: true, Limit: math.Round((20+20*r.Float64())*100) / 100}
		f.Value = f.Limit + math.Round(r.NormFloat64()*10)/100
		switch r.IntN(4) {
		case 0: // any limit and any value
			f.Limit, f.Value = 20+20*r.Float64(), 20+20*r.Float64()
		case 1: // a limit in whole °F
			f.Limit = float64(unit.FromFahrenheit(float64(70 + r.IntN(30))))
			f.Value = math.Round((f.Limit+r.NormFloat64()/10)*100) / 100
		case 2:
			f.Unit, f.Alarm = "%", alarm.HumidityFloor
		}
		if r.IntN(2) == 0 {
			f.Lethal = math.Round((f.Value+math.Abs(r.NormFloat64())/10)*100) / 100
		}
		for _, s := range []unit.Scale{unit.Celsius, unit.Fahrenheit} {
			got := f.Text(s)
			if strings.HasPrefix(got.Value, "just ") {
				just++
				continue
			}
			check(f, got.Value, got.Limit, f.Value, f.Limit)
			if f.Lethal != 0 && f.Unit == "°C" {
				check(f, got.Value, got.Lethal, f.Value, f.Lethal)
			}
		}
	}
	if just > 50 {
		t.Errorf("%d of 100,000 in words", just)
	}
}

// A value back inside its limit under an alarm that still holds is explained.
func TestBrief_BackInRange(t *testing.T) {
	for _, c := range []struct {
		id           alarm.ID
		value, limit float64
		want         bool
	}{
		{alarm.AboveBand, 21.6, 22, true}, {alarm.AboveBand, 22, 22, false}, {alarm.LethalLimit, 30.9, 31, true},
		{alarm.BelowBand, 18.2, 18, true}, {alarm.BelowBand, 17, 18, false}, {alarm.HumidityFloor, 71, 70, true}, {alarm.MistMissing, 1, 2, false},
	} {
		row, _ := alarm.Find(c.id)
		m := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: c.id}, HasValue: true, HasLimit: true, Unit: row.Value.Unit(), Value: c.value, Limit: c.limit}}
		if got := m.Brief(unit.Celsius); strings.Contains(got, "back in range") != c.want {
			t.Errorf("%s at %v of %v: %s", c.id, c.value, c.limit, got)
		}
	}
}

// What heads for the lethal limit says how warm it is, and names the limit once.
func TestBrief_Ahead(t *testing.T) {
	d := alarm.Detail{DetailHeat: alarm.DetailHeat{Temperature: 27.5, Lethal: 28.5, TimeToLethal: &alarm.Range{FromMinutes: 25, ToMinutes: 75}}}
	m := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalAhead, Subject: "fern"}, Value: 25, HasValue: true, Unit: "min", Detail: d}}
	if got, want := m.Brief(unit.Celsius), "27.5 °C, lethal limit (28.5 °C) in 25–75 min"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
