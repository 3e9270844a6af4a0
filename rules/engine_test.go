package rules

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/table"
)

func TestEngine_CalmWeekRaisesNothing(t *testing.T) {
	r := newRig(t, rigConfig(t, 4, ""))
	days := 7
	if raceOn {
		days = 1
	}
	r.run(time.Duration(days)*24*time.Hour, r.calm)
	r.quiet()
	if k := r.e.KPI(); k.Alarms != 0 || k.Days < days {
		t.Errorf("%+v", k)
	}
}

// The lethal limit of D. tinctorius is 30.0 °C (embedded species table).
func TestLethal_ReachedAtTheValueItself(t *testing.T) {
	for _, c := range []struct {
		celsius float64
		want    string
	}{{29.99, ""}, {30.00, "NORM>UNACK"}, {30.01, "NORM>UNACK"}} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.run(time.Minute, r.calm)
		r.step(r.good("p1", c.celsius, 85))
		r.want(alarm.LethalLimit, "e1", c.want)
	}
}

func TestLethal_TextSaysWhatAPersonNeeds(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	r.step(r.good("p1", 30.4, 85))
	x := r.last(alarm.LethalLimit)
	for _, want := range []string{"Tank 1 (rack a, shelf 1, slot 1)", "30.4 °C", "lethal limit of 30.0 °C", "since 09:01", "likely cause"} {
		if !strings.Contains(x.Text, want) {
			t.Errorf("%q lacks %q", x.Text, want)
		}
	}
	if x.Priority != alarm.Wake || x.Detail.FirstAction == "" || x.Value != 30.4 || x.Limit != 30 || x.Unit != "°C" {
		t.Errorf("%+v", x)
	}
	if strings.Contains(strings.ToLower(x.Text+x.Detail.FirstAction), "safe ") {
		t.Errorf("promises safety: %s", x.Text)
	}
}

func TestLethal_Doubted(t *testing.T) {
	t.Run("a single spike never wakes", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 2, ""))
		r.run(time.Minute, r.calm)
		r.step(r.suspect("p1", 33, sensors.Jump))
		r.now += poll
		r.run(time.Hour, r.calm)
		r.quiet()
	})
	t.Run("the same reading twice confirms nothing", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 2, ""))
		r.run(time.Minute, r.calm)
		r.step(r.suspect("p1", 33, sensors.Jump))
		r.step(r.suspect("p1", 33, sensors.Jump))
		r.want(alarm.LethalLimit, "", "")
	})
	t.Run("the next reading confirms, at a minute's rhythm too", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 2, ""))
		r.run(time.Minute, r.calm)
		r.step(r.suspect("p1", 33, sensors.Jump))
		r.now += time.Minute
		r.step(r.suspect("p1", 33.1, sensors.Jump))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
	t.Run("a leap to just below the limit, and on from there", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 2, ""))
		r.run(time.Minute, r.calm)
		r.step(r.suspect("p1", 29.7, sensors.Jump))
		r.now += 5 * time.Minute
		r.step(r.suspect("p1", 30.5, sensors.Jump))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
	t.Run("a spike to just below the limit, and a far one after it", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 2, ""))
		r.run(time.Minute, r.calm)
		r.step(r.suspect("p1", 29.7, sensors.Jump))
		r.now += poll
		r.step(r.suspect("p1", 34, sensors.Jump))
		r.want(alarm.LethalLimit, "", "")
	})
	t.Run("a failed reading between does not undo the first", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 2, ""))
		r.run(time.Minute, r.calm)
		r.step(r.suspect("p1", 33, sensors.Jump))
		r.now += poll
		r.step(r.bad("p1", sensors.BadCRC))
		r.now += poll
		r.step(r.good("p1", 33.1, 85))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
	t.Run("a doubt about humidity does not hide heat", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 2, ""))
		r.run(time.Minute, r.calm)
		r.step(r.suspect("p1", 30.5, sensors.PinnedWet))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
}

// Standards: an alarm returns by deadband and off-delay, and a latched one
// waits for a reset.
func TestLethal_ClearsByDeadbandAndOffDelayAndStaysLatched(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	r.run(time.Minute, r.hold("p1", 30.2, 85))
	r.run(20*time.Minute, r.hold("p1", 29.6, 85)) // within the deadband of 0.5 °C
	r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	r.run(5*time.Minute, r.hold("p1", 29.5, 85))
	r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	r.run(time.Minute, r.hold("p1", 29.5, 85))
	r.want(alarm.LethalLimit, "e1", "NORM>UNACK UNACK>LUNACK")
	if x := r.last(alarm.LethalLimit); !strings.Contains(x.Text, "now 29.5 °C, it reached 30.2 °C") {
		t.Error(x.Text)
	}
	key := alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}
	if err := r.act(Action{Kind: Acknowledge, Key: key, By: "robin"}); err != nil {
		t.Fatal(err)
	}
	if err := r.act(Action{Kind: Reset, Key: key, By: "robin"}); err != nil {
		t.Fatal(err)
	}
	r.want(alarm.LethalLimit, "e1", "NORM>UNACK UNACK>LUNACK LUNACK>LACKED LACKED>NORM")
}

// A probe frozen at 23 °C beside a twin at 31 °C, and its reverse.
func TestLethal_MaskedHeat(t *testing.T) {
	t.Run("a cool twin hides nothing", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 2, "", 1))
		r.run(time.Minute, r.calm)
		r.step(r.good("p1", 23, 85))
		r.step(r.good("q1", 31, 85))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
	t.Run("a hot probe that falls silent does not clear", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 2, "", 1))
		r.run(time.Minute, r.calm)
		r.step(r.good("q1", 31, 85))
		r.run(time.Hour, r.with("q1", func() *sensors.Reading { return nil }))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
		r.want(alarm.ProbeSilent, "q1", "NORM>UNACK")
	})
	t.Run("one probe at 60 °C alone is a probe fault that is told", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(20*time.Minute, r.calm)
		r.run(time.Hour, r.hold("q1", 60, 85))
		r.want(alarm.LethalLimit, "", "")
		r.want(alarm.ProbeJump, "q1", "NORM>UNACK")
		if x := r.last(alarm.ProbeJump); x.Priority != alarm.Today || !strings.Contains(x.Text, "60.0 °C") {
			t.Errorf("%s %s", x.Priority, x.Text)
		}
	})
	t.Run("without a twin the room and the others are the witnesses", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, ""))
		r.run(20*time.Minute, r.calm)
		r.run(time.Hour, r.hold("p1", 60, 85))
		r.want(alarm.LethalLimit, "", "")
		r.want(alarm.ProbeJump, "p1", "NORM>UNACK")
	})
	t.Run("a calm twin speaks for its enclosure in a hot room", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(20*time.Minute, r.calm)
		r.step(r.good("p2", 29, 85))
		r.step(r.good("p3", 29, 85))
		r.step(r.good("q1", 60, 85))
		r.now += poll
		r.step(r.good("p1", 24, 85))
		r.step(r.good("q1", 60, 85))
		r.want(alarm.LethalLimit, "", "")
		r.want(alarm.ProbeJump, "q1", "NORM>UNACK")
	})
	t.Run("with a hot twin it is heat", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(20*time.Minute, r.calm)
		r.step(r.good("p1", 32, 85))
		r.step(r.good("q1", 50, 85))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
		r.want(alarm.ProbeJump, "", "")
	})
	t.Run("a heater that climbs past 45 °C is heat", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(20*time.Minute, r.calm)
		c := 24.0
		r.run(2*time.Hour, r.with("q1", func() *sensors.Reading {
			c = min(c+0.05, 50)
			x := r.good("q1", c, 85)
			return &x
		}))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
		r.want(alarm.ProbeJump, "", "")
	})
	t.Run("without any witness heat is believed", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.step(r.good("p1", 60, 85))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
}

func TestMissing_NeitherClearsNorAdvancesNorResets(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	r.step(r.good("p1", 30.5, 85))
	r.run(3*time.Hour, r.with("p1", func() *sensors.Reading {
		x := r.bad("p1", sensors.TimedOut)
		return &x
	}))
	r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	if x := r.last(alarm.LethalLimit); len(x.Detail.Unknown) == 0 || x.From != x.To {
		t.Errorf("not marked as unknown: %+v", x)
	}
	open := r.e.Open()
	if !open[0].Unknown || open[0].Key.Alarm != alarm.LethalLimit {
		t.Errorf("%+v", open[0])
	}
	for i := range open {
		if v, ok := r.e.Alarm(open[i].Key); !ok || !reflect.DeepEqual(v, open[i]) {
			t.Errorf("by itself %v is %+v, among all %+v", open[i].Key, v, open[i])
		}
	}
	if v, ok := r.e.Alarm(alarm.Key{Alarm: alarm.BelowBand, Subject: "e1"}); ok {
		t.Errorf("what is as it should be is open: %+v", v)
	}
	if v := r.e.Enclosures()[0]; !v.Blind || v.Temperature.Known {
		t.Errorf("%+v", v)
	}
}

func TestBand_OnDelayAndItsBoundary(t *testing.T) {
	// By day the band of D. tinctorius is 22–26 °C, both ends inside.
	t.Run("its end is inside", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(3*time.Hour, r.hold("p1", 26, 85))
		r.quiet()
	})
	t.Run("30 min beyond it", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(30*time.Minute, r.hold("p1", 26.01, 85))
		r.want(alarm.AboveBand, "e1", "")
		r.run(time.Minute, r.hold("p1", 26.01, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK")
		if x := r.last(alarm.AboveBand); x.Priority != alarm.Note || x.Since.Mono != 13*time.Hour {
			t.Errorf("%s since %v", x.Priority, x.Since.Mono)
		}
		r.run(20*time.Minute, r.hold("p1", 25.6, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK")
		r.run(11*time.Minute, r.hold("p1", 25.5, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK UNACK>NORM")
	})
	t.Run("30 min far beyond it", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(31*time.Minute, r.hold("p1", 26.5, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK")
		if x := r.last(alarm.AboveBand); x.Priority != alarm.Today {
			t.Errorf("%s", x.Priority)
		}
		r.run(11*time.Minute, r.hold("p1", 25.5, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK UNACK>RTNUN")
	})
	t.Run("below", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(31*time.Minute, r.hold("p1", 21.99, 85))
		r.want(alarm.BelowBand, "e1", "NORM>UNACK")
	})
}

func TestBand_NightAndSettling(t *testing.T) {
	t.Run("after lights-off the wider band holds for three hours", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 20 * time.Hour
		r.run(3*time.Hour, r.hold("p1", 24, 85))
		r.want(alarm.AboveBand, "e1", "")
		r.run(31*time.Minute, r.hold("p1", 24, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK")
		if x := r.last(alarm.AboveBand); !strings.Contains(x.Text, "night band") {
			t.Error(x.Text)
		}
	})
	t.Run("an unset clock judges by both bands", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now, r.synced = 24*time.Hour, false
		r.run(3*time.Hour, r.hold("p1", 24, 85))
		r.want(alarm.AboveBand, "e1", "")
		r.run(time.Hour, r.hold("p1", 26.5, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK")
	})
}

func TestBand_BecomesUrgent(t *testing.T) {
	t.Run("act limit for five minutes", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(40*time.Minute, r.hold("p1", 27, 85))
		if err := r.act(Action{Kind: Acknowledge, Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}, By: "robin"}); err != nil {
			t.Fatal(err)
		}
		r.run(4*time.Minute, r.hold("p1", 28.5, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK UNACK>ACKED")
		r.run(2*time.Minute, r.hold("p1", 28.5, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK UNACK>ACKED ACKED>UNACK")
		if x := r.last(alarm.AboveBand); x.Priority != alarm.Wake {
			t.Errorf("%s: %s", x.Priority, x.Text)
		}
	})
	t.Run("unacknowledged it is an update", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(40*time.Minute, r.hold("p1", 27, 85))
		r.run(6*time.Minute, r.hold("p1", 28.5, 85))
		x := r.last(alarm.AboveBand)
		if x.From != alarm.Unack || x.To != alarm.Unack || x.Priority != alarm.Wake {
			t.Errorf("%v>%v %s", x.From, x.To, x.Priority)
		}
	})
	t.Run("without waiting for the band's delay", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(6*time.Minute, r.hold("p1", 28.5, 85))
		if x := r.last(alarm.AboveBand); x.To != alarm.Unack || x.Priority != alarm.Wake {
			t.Errorf("%v %s", x.To, x.Priority)
		}
	})
	t.Run("cold limit for ten minutes", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(11*time.Minute, r.hold("p1", 15, 85))
		if x := r.last(alarm.BelowBand); x.To != alarm.Unack || x.Priority != alarm.Wake || !strings.Contains(x.Text, "cold limit") {
			t.Errorf("%v %s %s", x.To, x.Priority, x.Text)
		}
	})
}

func TestFloor(t *testing.T) {
	t.Run("reached at 70.00 % after ten minutes", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(time.Hour, r.hold("p1", 24, 70.01))
		r.want(alarm.HumidityFloor, "e1", "")
		r.run(10*time.Minute, r.with("p1", func() *sensors.Reading { x := r.good("p1", 24, 70); return &x }))
		r.want(alarm.HumidityFloor, "e1", "")
		r.run(poll, r.with("p1", func() *sensors.Reading { x := r.good("p1", 24, 70); return &x }))
		r.want(alarm.HumidityFloor, "e1", "NORM>UNACK")
		r.run(20*time.Minute, r.hold("p1", 24, 72.9))
		r.want(alarm.HumidityFloor, "e1", "NORM>UNACK")
		r.run(6*time.Minute, r.hold("p1", 24, 73))
		r.want(alarm.HumidityFloor, "e1", "NORM>UNACK UNACK>RTNUN")
	})
	t.Run("less the uncertainty, where the keeper wants it", func(t *testing.T) {
		cfg := rigConfig(t, 1, "")
		cfg.Rules.FloorLessUncert = true
		r := newRig(t, cfg)
		r.now = 13 * time.Hour
		r.run(11*time.Minute, r.with("p1", func() *sensors.Reading {
			x := r.good("p1", 24, 72.5)
			x.Uncertainty.HumidityBelow = sensors.PercentOf(3)
			return &x
		}))
		r.want(alarm.HumidityFloor, "e1", "NORM>UNACK")
		if x := r.last(alarm.HumidityFloor); x.Value != 69.5 {
			t.Errorf("judged on %v", x.Value)
		}
	})
	t.Run("a dry probe that falls silent does not clear", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 1, "", 1))
		r.now = 13 * time.Hour
		dry := func(id string, at time.Duration) *sensors.Reading {
			x := r.good(id, 24, 60)
			return &x
		}
		r.run(11*time.Minute, dry)
		r.run(time.Hour, func(id string, at time.Duration) *sensors.Reading {
			if id == "q1" {
				return nil
			}
			return r.calm(id, at)
		})
		r.want(alarm.HumidityFloor, "e1", "NORM>UNACK")
	})
}

// The power-up value of a DS18B20 is no heat; the same value after a climb is
// (data sheet: 85 °C is the register's content after power-up).
func TestLethal_PowerOnValue(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, ""))
	judge := table.NewJudge("p1", "ds18b20")
	c := 85.0
	feed := func(id string, at time.Duration) *sensors.Reading {
		if id != "p1" {
			return r.calm(id, at)
		}
		x := judge.Read(r.instant(), sensors.Sample{Has: sensors.HasTemperature, Temperature: sensors.CelsiusOf(c)}, nil)
		return &x
	}
	r.run(20*time.Second, feed)
	c = 24
	r.run(10*time.Minute, feed)
	r.want(alarm.LethalLimit, "", "")
	for c < 85 {
		c += 0.25
		r.run(poll, feed)
	}
	c = 85
	r.run(30*time.Minute, feed)
	r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
}

// A value that wavers by 0.1 °C around a limit is one alarm, not a storm.
func TestBand_WaveringIsOneAlarm(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.now = 12 * time.Hour
	r.run(7*time.Hour, r.with("p1", func() *sensors.Reading {
		x := r.good("p1", 26.1+0.1*math.Sin(float64(r.now/poll)/300), 85)
		return &x
	}))
	if got := r.events(alarm.AboveBand, "e1"); got != "" && got != "NORM>UNACK" {
		t.Errorf("%q", got)
	}
	for _, x := range r.log {
		if x.Key.Alarm != alarm.AboveBand {
			t.Errorf("%v: %s", x.Key, x.Text)
		}
	}
}
