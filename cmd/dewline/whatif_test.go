package main

import (
	"strings"
	"testing"
	"time"

	"dewline/configs/unit"
	"dewline/rules"
)

func TestProspect(t *testing.T) {
	now := 24.31
	to := func(peak rules.Tenth) rules.Prospect { return rules.Prospect{Now: &now, Peak: &peak, Lethal: 30} }
	reached := func(d time.Duration) rules.Prospect {
		p := to(32.9)
		p.ToLethal, p.Learned = rules.Given(true, rules.Seconds(d)), true
		return p
	}
	for _, c := range []struct {
		p    rules.Prospect
		want string
	}{
		{rules.Prospect{}, "not known: no probe delivers"},
		{to(26), "24.3 °C\t26.0 °C\t30.0 °C\tnot within 24 h\tby usual figures"},
		{reached(0), "24.3 °C\t32.9 °C\t30.0 °C\tthere now\tlearned"},
		{reached(54*time.Minute + 40*time.Second), "\t55 min\t"},
		{reached(119*time.Minute + 40*time.Second), "\t2 h\t"},
		{reached(5*time.Hour + 7*time.Minute), "\t5 h 10 min\t"},
	} {
		if got := prospect(c.p, unit.Celsius); !strings.Contains(got, c.want) {
			t.Errorf("%+v: %q, want %q", c.p, got, c.want)
		}
	}
}

func TestWhatIf(t *testing.T) {
	b := newBench(t)
	code, out, problem := runDewline(t, "whatif", "--room", "38C", "--control", b.socket)
	if code != exitOK || !strings.Contains(out, "tank") || !strings.Contains(out, "no time in the heat is safe") {
		t.Errorf("%d %s%s", code, out, problem)
	}
	if !strings.Contains(out, "humidity is not known") {
		t.Errorf("without --rh: %s", out)
	}
	// 33 °C at 60 % has a wet bulb of 26.47 °C by the psychrometer equation (Buck 1996, A = 0.000662;
	// computed apart); Stull 2011 gives 26.7 °C.
	code, out, problem = runDewline(t, "whatif", "--room", "33C", "--rh", "60", "--control", b.socket)
	if code != exitOK || !strings.Contains(out, "cools what is wet to 26.4 °C") || !strings.Contains(out, "vents open, fan, wet every ten minutes") {
		t.Errorf("%d %s%s", code, out, problem)
	}
	code, out, problem = runDewline(t, "whatif", "--room", "91.4F", "--rh", "60", "--control", b.socket)
	if code != exitOK || !strings.Contains(out, "cools what is wet to 79.5 °F") || strings.Contains(out, "°C") {
		t.Errorf("asked in °F: %d %s%s", code, out, problem)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--room", "33C", "--rh", "0"}, "--rh"},
		{[]string{"--room", "33C", "--rh", "101 %"}, "--rh"},
		{nil, `--room ""`},
		{[]string{"--room", "33"}, "has no unit"},
		{[]string{"--room", "33C", "--lamps", "dim"}, "--lamps is on or off"},
		{[]string{"--room", "33C", "now"}, `"now" is no flag`},
	} {
		code, _, problem := runDewline(t, append([]string{"whatif"}, c.args...)...)
		if code != exitUsage || !strings.Contains(problem, c.want) {
			t.Errorf("%v: %d %q", c.args, code, problem)
		}
	}
}
