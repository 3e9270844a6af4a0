package sensors

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

// at is an instant some seconds after a fixed start.
func at(seconds float64) Instant {
	d := time.Duration(seconds * float64(time.Second))
	return Instant{Mono: d, Wall: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).Add(d), Synced: true}
}

func warm(celsius float64) Sample {
	return Sample{Has: HasTemperature, Temperature: CelsiusOf(celsius)}
}

func climate(celsius, percent float64) Sample { return Zeros(CelsiusOf(celsius), PercentOf(percent)) }

func TestJudgeDriverFaultsAreBadWithTheirReason(t *testing.T) {
	for _, c := range []struct {
		err  error
		want Reason
	}{
		{Faultf(BadCRC, "checksum"), BadCRC},
		{Faultf(StuckBusy, "busy"), StuckBusy},
		{Faultf(Heating, "heater on"), Heating},
		{fmt.Errorf("read probe x: %w", Fault(AllZero, errors.New("zeros"))), AllZero},
		{errors.New("remote I/O error"), BusError},
		{context.DeadlineExceeded, TimedOut},
		{fmt.Errorf("read: %w", context.DeadlineExceeded), TimedOut},
		// A driver's mistake in naming the reason must not make it none.
		{Faultf(NoReason, "?"), BusError},
		{Faultf(numReasons, "?"), BusError},
	} {
		r := NewJudge("x", limitsOf("sht4x")).Read(at(1), climate(24, 80), c.err)
		if r.Quality != Bad || r.Reason != c.want || r.Has != 0 || r.Temperature != 0 || r.Raw != climate(24, 80) {
			t.Errorf("%v: got %s %s has %d, want bad %s and the raw sample kept", c.err, r.Quality, r.Reason, r.Has, c.want)
		}
	}
}

func TestJudgeImpossibleHumidityDoesNotHideTheHeat(t *testing.T) {
	for _, percent := range []float64{-6, 0, 0.49, 119.01, math.NaN(), math.Inf(1)} {
		r := NewJudge("x", limitsOf("sht4x")).Read(at(0), climate(34, percent), nil)
		if r.Quality != Suspect || r.Reason != OutOfRange || r.Has != HasTemperature || r.Temperature != 3400 || r.Humidity != 0 {
			t.Errorf("humidity %v: %+v", percent, r)
		}
	}
	only := Sample{Has: HasHumidity, Humidity: 12000}
	if r := NewJudge("x", limitsOf("")).Read(at(0), only, nil); r.Quality != Bad || r.Reason != OutOfRange {
		t.Errorf("nothing but an impossible humidity: %+v", r)
	}
}

func TestJudgeClipsHumidityAndKeepsRaw(t *testing.T) {
	// SHT4x data sheet: RH = -6 + 125 S/65535 reaches from -6 to 119.
	for raw, want := range map[float64]CentiPercent{0.5: 50, 99: 9900, 104.2: 10000, 119: 10000} {
		r := NewJudge("x", limitsOf("sht4x")).Read(at(0), climate(24, raw), nil)
		if r.Humidity != want || r.Raw.Humidity != PercentOf(raw) || r.Quality != Good {
			t.Errorf("raw %v: %s %s, raw kept %s", raw, r.Quality, r.Humidity, r.Raw.Humidity)
		}
	}
}

func TestJudgeSampleWithoutAnyQuantity(t *testing.T) {
	for _, has := range []Quantities{0, 1 << 6} {
		if r := NewJudge("x", limitsOf("remote")).Read(at(0), Sample{Has: has}, nil); r.Quality != Bad || r.Reason != Malformed {
			t.Errorf("has %d: %s %s", has, r.Quality, r.Reason)
		}
	}
}

func TestJudgeLight(t *testing.T) {
	j := NewJudge("x", limitsOf("bh1750"))
	for i := range 20_000 { // two dark days
		if r := j.Read(at(float64(10*i)), Sample{Has: HasLight}, nil); r.Quality != Good || r.Has != HasLight {
			t.Fatalf("dark for %d samples: %s %s", i, r.Quality, r.Reason)
		}
	}
	if r := j.Read(at(1e6), Sample{Has: HasLight, LightLux: 54612}, nil); r.LightLux != 54612 || r.Quality != Good {
		t.Errorf("bright: %+v", r)
	}
	if r := j.Read(at(1e6), Sample{Has: HasLight, LightLux: math.MaxUint32}, nil); r.Reason != OutOfRange {
		t.Errorf("too bright: %s %s", r.Quality, r.Reason)
	}
}

// DS18B20 data sheet p. 6: the temperature register holds +85 °C after power-up.
func TestJudgePowerOnValue(t *testing.T) {
	t.Run("first value", func(t *testing.T) {
		j := NewJudge("x", limitsOf("ds18b20"))
		for i := range 9000 { // a weak pull-up: 85 °C for a day
			if r := j.Read(at(float64(10*i)), warm(85), nil); r.Quality != Bad || r.Reason != PowerOnValue {
				t.Fatalf("sample %d: %s %s", i, r.Quality, r.Reason)
			}
		}
		if r := j.Read(at(90000), warm(23.5), nil); r.Quality != Good {
			t.Errorf("the first true value: %s %s", r.Quality, r.Reason)
		}
	})
	t.Run("impossible jump", func(t *testing.T) {
		j := NewJudge("x", limitsOf("ds18b20"))
		j.Read(at(0), warm(23.5), nil)
		for _, s := range []float64{10, 3600, 86400} {
			if r := j.Read(at(s), warm(85), nil); r.Quality != Bad || r.Reason != PowerOnValue {
				t.Errorf("%v s after 23.5 °C: %s %s", s, r.Quality, r.Reason)
			}
		}
		if r := j.Read(at(86410), warm(24), nil); r.Quality != Good {
			t.Errorf("back at 24 °C: %s %s", r.Quality, r.Reason)
		}
	})
	t.Run("reached in steps", func(t *testing.T) {
		j := NewJudge("x", limitsOf("ds18b20"))
		for i, c := 0, 25.0; c <= 85; i, c = i+1, c+2.5 {
			r := j.Read(at(float64(10*i)), warm(c), nil)
			if r.Quality != Good || r.Temperature != CelsiusOf(c) {
				t.Fatalf("%v °C: %s %s", c, r.Quality, r.Reason)
			}
		}
	})
	t.Run("near it, and other families", func(t *testing.T) {
		if r := NewJudge("x", limitsOf("ds18b20")).Read(at(0), warm(84.94), nil); r.Quality != Good {
			t.Errorf("84.94 °C first: %s %s", r.Quality, r.Reason)
		}
		if r := NewJudge("x", limitsOf("sht4x")).Read(at(0), warm(85), nil); r.Quality != Good {
			t.Errorf("85 °C of an SHT4x: %s %s", r.Quality, r.Reason)
		}
	})
}

// play reads temperatures at 10 s and returns the reasons.
func play(j *Judge, celsius ...float64) (got []Reason) {
	for i, c := range celsius {
		got = append(got, j.Read(at(float64(10*i)), climate(c, 80), nil).Reason)
	}
	return got
}

func TestJudgeTemperatureJump(t *testing.T) {
	for _, c := range []struct {
		name    string
		celsius []float64
		want    []Reason
	}{
		{"3 °C is no jump", []float64{24, 27, 24}, []Reason{0, 0, 0}},
		{"glitch", []float64{24, 27.01, 24}, []Reason{0, Jump, 0}},
		{"downwards", []float64{24, 20.9, 24.1}, []Reason{0, Jump, 0}},
		{"new level", []float64{24, 60, 60.2, 60.5, 60.1}, []Reason{0, Jump, Jump, 0, 0}},
		{"no level", []float64{24, 60, 70, 60, 70, 60, 70}, []Reason{0, Jump, Jump, Jump, Jump, Jump, Jump}},
		{"second thoughts", []float64{24, 60, 70, 70, 70}, []Reason{0, Jump, Jump, Jump, 0}},
		{"a climb after false cold", []float64{24, -40, -40, -40, 27, 27.45, 27.9, 28.35}, []Reason{0, Jump, Jump, 0, Jump, Jump, 0, 0}},
		{"a jump that climbs on", []float64{22, 26.1, 27.5, 28.9, 30.3}, []Reason{0, Jump, Jump, 0, 0}},
		{"a jump that climbs too fast", []float64{22, 26.1, 29.2, 32.3, 35.4}, []Reason{0, Jump, Jump, Jump, Jump}},
		{"a jump that falls on", []float64{24, 20.5, 19.6, 18.7, 17.8}, []Reason{0, Jump, Jump, Jump, Jump}},
		{"steady climb", []float64{24, 26, 28, 30, 32, 34}, []Reason{0, 0, 0, 0, 0, 0}},
	} {
		if got := play(NewJudge("x", limitsOf("sht4x")), c.celsius...); fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// Between slow samples a new level may move by more, as far as one knows what was between.
func TestJudgeNewLevelOfSlowSamples(t *testing.T) {
	for _, c := range []struct {
		gap, by float64
		want    Reason
	}{{300, 1.66, 0}, {300, 1.67, Jump}, {3600, 1.66, 0}, {3600, 1.67, Jump}} {
		j := NewJudge("x", limitsOf("sht4x"))
		play(j, 24, -40, -40, -40)
		var r Reading
		for i := range 3 {
			r = j.Read(at(40+c.gap*float64(i)), climate(27-c.by*float64(i), 80), nil)
		}
		if r.Reason != c.want {
			t.Errorf("%v °C in each %v s: %s", c.by, c.gap, r.Reason)
		}
	}
}

func TestJudgeJumpCarriesItsValueAndMissingSamplesDoNotAdvance(t *testing.T) {
	j := NewJudge("x", limitsOf("sht4x"))
	j.Read(at(0), climate(24, 80), nil)
	r := j.Read(at(10), climate(34, 80), nil)
	if r.Quality != Suspect || r.Temperature != 3400 || r.Humidity != 8000 || r.Has != HasTemperature|HasHumidity {
		t.Fatalf("suspect reading %+v", r)
	}
	for i := range 5 {
		j.Read(at(float64(20+10*i)), Sample{}, Faultf(BadCRC, "checksum"))
	}
	if r := j.Read(at(70), climate(34, 80), nil); r.Reason != Jump {
		t.Errorf("second sample of the level after a silence: %s", r.Reason)
	}
	if r := j.Read(at(80), climate(34, 80), nil); r.Quality != Good {
		t.Errorf("third sample: %s %s", r.Quality, r.Reason)
	}
}

func TestJudgeJumpLimitGrowsWithTheGap(t *testing.T) {
	for _, c := range []struct {
		gap, celsius float64
		want         Reason
	}{
		{90, 3, 0}, {90, 3.1, Jump}, {390, 3.9, 0}, {390, 4.1, Jump}, {3690, 14.9, 0}, {3690, 15.1, Jump}, {86400, 15.1, Jump},
	} {
		j := NewJudge("x", limitsOf("sht4x"))
		j.Read(at(0), warm(20), nil)
		if got := j.Read(at(c.gap), warm(20+c.celsius), nil).Reason; got != c.want {
			t.Errorf("%v °C in %v s: %q, want %q", c.celsius, c.gap, got, c.want)
		}
	}
}

func TestJudgeHumidityMayRiseButNotFallAtOnce(t *testing.T) {
	for _, c := range []struct {
		name    string
		percent []float64
		want    []Reason
	}{
		{"misting", []float64{62, 97, 99.9}, []Reason{0, 0, 0}},
		{"25 points down", []float64{95, 70}, []Reason{0, 0}},
		{"more", []float64{95, 69.9, 94}, []Reason{0, Jump, 0}},
		{"the door stays open", []float64{95, 60, 58, 55}, []Reason{0, Jump, Jump, 0}},
	} {
		j := NewJudge("x", limitsOf("sht4x"))
		var got []Reason
		for i, p := range c.percent {
			got = append(got, j.Read(at(float64(10*i)), climate(24, p), nil).Reason)
		}
		if fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// Pinned: at or above 99.5 % for 2 h while the temperature moves by 0.5 °C
// (common practice, no source).
func TestJudgePinnedWet(t *testing.T) {
	wet := func(moves float64, percent float64, silence float64) (first float64) {
		j := NewJudge("x", limitsOf("sht4x"))
		for s := 0.0; s < 4*3600; s += 10 {
			c := 24 + moves*math.Sin(s/3000)/2
			if silence > 0 && s > 1800 && s < 1800+silence {
				continue
			}
			if j.Read(at(s), climate(c+0.01*math.Mod(s, 3), percent), nil).Reason == PinnedWet {
				return s
			}
		}
		return -1
	}
	if got := wet(1.5, 99.6, 0); got != 7200 {
		t.Errorf("moving by 1.5 °C at 99.6 %%: pinned after %v s, want 7200", got)
	}
	if got := wet(1.5, 99.5, 0); got != 7200 {
		t.Errorf("at 99.5 %%: pinned after %v s, want 7200", got)
	}
	if got := wet(1.5, 103, 3600); got < 7200+3590 {
		t.Errorf("an hour's silence counted: pinned after %v s", got)
	}
	if got := wet(0.2, 99.9, 0); got != -1 {
		t.Errorf("steady temperature: pinned after %v s", got)
	}
	if got := wet(1.5, 99.4, 0); got != -1 {
		t.Errorf("at 99.4 %%: pinned after %v s", got)
	}
}

func TestJudgePinnedWetEndsWhenItDries(t *testing.T) {
	j := NewJudge("x", limitsOf("sht4x"))
	var last Reading
	for s := 0.0; s <= 7300; s += 10 {
		last = j.Read(at(s), climate(24+s/7300, 100), nil)
	}
	if last.Reason != PinnedWet || last.Has&HasHumidity == 0 {
		t.Fatalf("after 7300 s: %s", last.Reason)
	}
	if r := j.Read(at(7310), climate(25, 97), nil); r.Quality != Good {
		t.Errorf("dried: %s %s", r.Quality, r.Reason)
	}
}

func TestJudgeFrozen(t *testing.T) {
	first := func(family string, set time.Duration, s Sample) float64 {
		j := NewJudge("x", limitsOf(family))
		if set >= 0 {
			j.FreezeAfter(set)
		}
		for sec := 0.0; sec < 48*3600; sec += 10 {
			if r := j.Read(at(sec), s, nil); r.Reason == FrozenValue {
				if r.Temperature != s.Temperature {
					t.Errorf("%s: a frozen reading lost its value", family)
				}
				return sec / 3600
			}
		}
		return -1
	}
	for _, c := range []struct {
		family string
		set    time.Duration
		s      Sample
		want   float64 // hours
	}{
		{"sht4x", -1, climate(24, 80), 6}, {"sht4x", time.Hour, climate(24, 80), 1}, {"sht4x", 0, climate(24, 80), -1},
		{"ds18b20", -1, warm(23.5), 24}, {"remote", -1, climate(24, 80), 12},
	} {
		if got := first(c.family, c.set, c.s); got != c.want {
			t.Errorf("%s with %s: frozen after %v h, want %v", c.family, c.set, got, c.want)
		}
	}
}

func TestJudgeFrozenEndsWithTheFirstChangedBit(t *testing.T) {
	j := NewJudge("x", limitsOf("sht4x"))
	j.FreezeAfter(time.Minute)
	for s := 0.0; s <= 60; s += 10 {
		j.Read(at(s), climate(24, 80), nil)
	}
	j.Read(at(65), Sample{}, Faultf(BadCRC, "checksum")) // says nothing either way
	if r := j.Read(at(70), climate(24, 80), nil); r.Reason != FrozenValue {
		t.Errorf("still the same: %s", r.Reason)
	}
	if r := j.Read(at(80), climate(24.01, 80), nil); r.Quality != Good {
		t.Errorf("moved: %s %s", r.Quality, r.Reason)
	}
}

// Whatever comes in, one reading goes out; a bad one has no values and keeps
// the raw sample, a good one is possible in every quantity.
func TestJudgeNeverCallsTheImpossibleGood(t *testing.T) {
	names := []string{"sht4x", "sht3x", "ds18b20", "bh1750", "remote"}
	draws.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "family")
		f := limitsOf(name)
		j := NewJudge("x", f)
		now := time.Duration(0)
		for range rapid.IntRange(1, 60).Draw(t, "samples") {
			now += time.Duration(rapid.Int64Range(-1e9, 4e12).Draw(t, "gap"))
			s := Sample{
				Has:         Quantities(rapid.IntRange(0, 15).Draw(t, "has")),
				Temperature: CentiCelsius(rapid.OneOf(rapid.Int32Range(2000, 2600), rapid.Int32(), rapid.Just(int32(8500))).Draw(t, "t")),
				Humidity:    CentiPercent(rapid.OneOf(rapid.Int32Range(6000, 10100), rapid.Int32()).Draw(t, "h")),
				LightLux:    rapid.Uint32().Draw(t, "l"),
			}
			var err error
			if rapid.IntRange(0, 9).Draw(t, "fails") == 0 {
				err = Faultf(Reason(rapid.Uint8().Draw(t, "reason")), "fault")
			}
			r := j.Read(Instant{Mono: now}, s, err)
			check(t, f, s, err, r)
		}
	})
}

func check(t *rapid.T, f Limits, s Sample, err error, r Reading) {
	values := Reading{Has: r.Has, Temperature: r.Temperature, Humidity: r.Humidity, LightLux: r.LightLux}
	within := func(v, low, high int32) bool { return low <= v && v <= high }
	for what, holds := range map[string]bool{
		"keeps the raw sample and its probe": r.Raw == s && r.Probe == "x",
		"gives a reason to doubt, or none":   (r.Quality == Good) == (r.Reason == NoReason),
		"takes an error for a fault":         err == nil || r.Quality == Bad,
		"has values unless it is bad":        (r.Quality == Bad) == (r.Has == 0) && (r.Has != 0 || values == Reading{}),
		"has no more than was measured":      r.Has&^s.Has == 0,
		"takes no impossible temperature":    r.Has&HasTemperature == 0 || within(int32(s.Temperature), int32(f.Coldest), int32(f.Hottest)),
		"takes no impossible humidity":       r.Has&HasHumidity == 0 || within(int32(s.Humidity), int32(driest), int32(f.Wettest)),
		"clips the humidity":                 within(int32(r.Humidity), 0, 10000),
	} {
		if !holds {
			t.Fatalf("not so: %s: %+v of %+v, %v", what, r, s, err)
		}
	}
}

func TestRoundingToHundredths(t *testing.T) {
	for v, want := range map[float64]CentiCelsius{
		25.0625: 2506, -0.5: -50, 79.96: 7996, -0.045: -5, 0.005: 1,
		1e12: math.MaxInt32, -1e12: math.MinInt32,
	} {
		if got := CelsiusOf(v); got != want {
			t.Errorf("CelsiusOf(%v) = %d, want %d", v, got, want)
		}
	}
	if CelsiusOf(math.NaN()) != math.MinInt32 || PercentOf(math.NaN()) != math.MinInt32 {
		t.Error("NaN becomes something plausible")
	}
}

func corrected(tb testing.TB) *Corrections {
	c, err := NewCorrections([]Correction{
		{ID: "1", Probe: "x", Quantity: Humidity, Made: at(-10).Wall, From: at(-10).Wall, Gain: 1.02, Offset: -2, Uncertainty: 1},
		{ID: "2", Probe: "x", Quantity: Temperature, Made: at(-10).Wall, From: at(-10).Wall, Gain: 1, Offset: 0.2, Uncertainty: 0.2},
	})
	if err != nil {
		tb.Fatal(err)
	}
	return c
}

func TestJudgeReadDoesNotAllocate(t *testing.T) {
	j := NewJudge("x", limitsOf("sht4x"))
	j.Correct(corrected(t))
	fault := Faultf(BadCRC, "checksum")
	i := 0
	got := testing.AllocsPerRun(1000, func() {
		i++
		j.Read(at(float64(10*i)), climate(24+float64(i%7)/100, 85), nil)
		j.Read(at(float64(10*i)), Sample{}, fault)
	})
	if got != 0 {
		t.Errorf("%v allocations for a good and a bad reading", got)
	}
}

// go test -run - -bench Judge ./sensors
func BenchmarkJudgeRead(b *testing.B) {
	for _, c := range []struct {
		name string
		set  *Corrections
	}{{"raw", nil}, {"corrected", corrected(b)}} {
		b.Run(c.name, func(b *testing.B) {
			j := NewJudge("x", limitsOf("sht4x"))
			j.Correct(c.set)
			b.ReportAllocs()
			s, wall := climate(24, 85), at(1).Wall
			for i := 0; b.Loop(); i++ {
				s.Temperature = 2400 + CentiCelsius(i%5)
				j.Read(Instant{Mono: time.Duration(i) * 10 * time.Second, Wall: wall}, s, nil)
			}
		})
	}
}
