package table

import (
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/configs"
	"dewline/sensors"
)

// Every row can be used: who reads the table finds no hole in it.
func TestEveryRowIsWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range Families() {
		onBus := len(f.Addresses) > 0
		for what, holds := range map[string]bool{
			"has a name of its own":                 f.Name != "" && !seen[f.Name],
			"has limits":                            f.Limits != sensors.Limits{},
			"has a driver":                          f.Open != nil,
			"is identified where it has addresses":  onBus == (f.Identify != nil),
			"shares a bus or names its wire":        onBus || f.Wire != nil,
			"measures within its limits, or light":  (f.Limits.Hottest > f.Limits.Coldest && f.Measures != nil) || f.Limits.Brightest > 0,
			"is certain of what it measures":        f.Limits.Accuracy.Celsius > 0 || f.Measures == nil,
			"has addresses that a multiplexer's no": !slices.ContainsFunc(f.Addresses, func(a int) bool { return a < 8 || a > 0x77 }),
		} {
			if !holds {
				t.Errorf("family %q: not so: %s", f.Name, what)
			}
		}
		seen[f.Name] = true
	}
}

// A driver that is only opened touches nothing: a probe that is not there yet is
// picked up once it is.
func TestOpeningSendsNothing(t *testing.T) {
	for _, f := range Families() {
		p := configs.Probe{ID: "p", Family: f.Name, Path: "/nowhere", Topic: "t", TemperaturePointer: "/t"}
		if len(f.Addresses) > 0 {
			p.Address = f.Addresses[0]
		}
		bus := &i2ctest.Playback{DontPanic: true}
		s, err := f.Open(p, bus)
		if (err == nil) == f.DemoOnly || err == nil && s == nil || bus.Count != 0 {
			t.Errorf("%s: %v, %d transfers", f.Name, err, bus.Count)
		}
	}
}

func TestWhatFamiliesMeasure(t *testing.T) {
	for _, x := range []struct {
		p    configs.Probe
		want configs.Measures
	}{
		{configs.Probe{Family: "sht4x"}, configs.Measures{Temperature: true, Humidity: true}},
		{configs.Probe{Family: "ds18b20"}, configs.Measures{Temperature: true}},
		{configs.Probe{Family: "bh1750"}, configs.Measures{}},
		{configs.Probe{Family: "remote", TemperaturePointer: "/t"}, configs.Measures{Temperature: true}},
		{configs.Probe{Family: "remote", HumidityPointer: "/h"}, configs.Measures{Humidity: true}},
		{configs.Probe{Family: "unheard-of"}, configs.Measures{}},
	} {
		Families().Complete(&x.p)
		if x.p.Measures != x.want {
			t.Errorf("%+v, want %+v", x.p, x.want)
		}
	}
}

// The keeper wires by the README: each chip there is a family, and answers at
// these addresses and no others.
func TestWiringOfTheREADME(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for line := range strings.Lines(string(text)) {
		cells := strings.Split(line, "|")
		if len(cells) < 5 || !strings.Contains(cells[3], "0x") || strings.Contains(cells[1], "multiplexer") {
			continue
		}
		names := regexp.MustCompile(`\w+`).FindAllString(strings.Split(cells[1], "(")[0], -1)
		addresses := strings.Split(cells[3], ";")
		for i, name := range names {
			f, ok := Of(strings.ToLower(name))
			if got := readAddresses(t, addresses[min(i, len(addresses)-1)]); !ok || !slices.Equal(got, f.Addresses) {
				t.Errorf("%s: %#x in the README, %#x in the table", name, got, f.Addresses)
			}
			checked++
		}
	}
	if checked < 6 {
		t.Errorf("found only %d chips in the README's table", checked)
	}
}

// readAddresses reads "0x44, 0x45" and "0x44–0x46".
func readAddresses(t *testing.T, text string) (all []int) {
	t.Helper()
	for part := range strings.SplitSeq(text, ",") {
		low, high, _ := strings.Cut(strings.TrimSpace(part), "–")
		if high == "" {
			high = low
		}
		a, errA := strconv.ParseInt(low, 0, 16)
		b, errB := strconv.ParseInt(high, 0, 16)
		if errA != nil || errB != nil {
			t.Fatalf("no address: %q", part)
		}
		for ; a <= b; a++ {
			all = append(all, int(a))
		}
	}
	return all
}

func at(seconds float64) sensors.Instant {
	d := time.Duration(seconds * float64(time.Second))
	return sensors.Instant{Mono: d, Wall: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).Add(d), Synced: true}
}

func warm(celsius float64) sensors.Sample {
	return sensors.Sample{Has: sensors.HasTemperature, Temperature: sensors.CelsiusOf(celsius)}
}

func climate(celsius, percent float64) sensors.Sample {
	return sensors.Zeros(sensors.CelsiusOf(celsius), sensors.PercentOf(percent))
}

// Limits from the data sheets named in the rows; an end belongs to the range.
func TestRangeOfEachFamily(t *testing.T) {
	for _, c := range []struct {
		family           string
		coldest, hottest float64
	}{
		{"sht4x", -40, 125}, {"sht3x", -40, 125}, {"hdc302x", -40, 125}, {"bme280", -40, 85}, {"simulated", -40, 125},
		{"aht20", -40, 85}, {"ds18b20", -55, 125}, {"iio", -55, 125}, {"remote", -55, 125}, {"nobody knows", -55, 125},
	} {
		for _, v := range []struct {
			celsius float64
			bad     bool
		}{{c.coldest, false}, {c.coldest - 0.01, true}, {c.hottest, false}, {c.hottest + 0.01, true}, {math.NaN(), true},
			{math.Inf(1), true}, {math.Inf(-1), true}, {-273.15, true}} {
			r := NewJudge("x", c.family).Read(at(0), warm(v.celsius), nil)
			if (r.Quality == sensors.Bad) != v.bad || v.bad && r.Reason != sensors.OutOfRange {
				t.Errorf("%s at %v °C: %s %s", c.family, v.celsius, r.Quality, r.Reason)
			}
		}
	}
}

func TestZeroFrames(t *testing.T) {
	for _, c := range []struct {
		family string
		s      sensors.Sample
	}{
		{"sht4x", climate(-45, -6)}, {"sht3x", climate(-45, 0)}, {"hdc302x", climate(-45, 0)},
		{"aht20", climate(-50, 0)}, {"remote", climate(0, 0)},
	} {
		if r := NewJudge("x", c.family).Read(at(0), c.s, nil); r.Quality != sensors.Bad || r.Reason != sensors.AllZero {
			t.Errorf("%s: %s %s", c.family, r.Quality, r.Reason)
		}
	}
	// A sealed DS18B20 in ice reads exactly 0 °C: only its driver sees the frame.
	if r := NewJudge("x", "ds18b20").Read(at(0), warm(0), nil); r.Quality != sensors.Good {
		t.Errorf("0 °C of a DS18B20: %s %s", r.Quality, r.Reason)
	}
}

// A BH1750 knows light and shows one value all night; its register counts to
// 54,612 lx at its usual sensitivity (ROHM data sheet, 65,535 counts of 1/1.2).
func TestLightIsNeverFrozen(t *testing.T) {
	j := NewJudge("x", "bh1750")
	for i := range 20_000 { // two dark days
		if r := j.Read(at(float64(10*i)), sensors.Sample{Has: sensors.HasLight}, nil); r.Quality != sensors.Good {
			t.Fatalf("dark for %d samples: %s %s", i, r.Quality, r.Reason)
		}
	}
	if r := j.Read(at(1e6), sensors.Sample{Has: sensors.HasLight, LightLux: 54_612}, nil); r.Quality != sensors.Good {
		t.Errorf("bright: %+v", r)
	}
}

// The SHT3x-DIS data sheet (v7): ±2 %RH typical up to 80 %RH, ±4 for an SHT30
// at 100 %RH, hysteresis 0.8, drift 0.25 a year, ±0.2 °C and 0.03 °C a year.
func TestUncertaintyFromTheDataSheet(t *testing.T) {
	for _, c := range []struct {
		family string
		s      sensors.Sample
		t      sensors.CentiCelsius
		h      sensors.CentiPercent
	}{
		{"sht3x", climate(24, 50), 20, 217},  // sqrt(2² + 0.25² + 0.8²)
		{"sht3x", climate(24, 90), 20, 311},  // sqrt(3² + 0.25² + 0.8²)
		{"sht3x", climate(24, 100), 20, 409}, // sqrt(4² + 0.25² + 0.8²)
		{"sht4x", climate(24, 80), 20, 199},
		{"bme280", climate(24, 50), 100, 320}, // sqrt(3² + 0.5² + 1²)
		{"ds18b20", warm(24), 51, 0},          // sqrt(0.5² + 0.1²)
	} {
		got := NewJudge("x", c.family).Read(at(0), c.s, nil).Uncertainty
		if want := (sensors.Stated{Temperature: c.t, HumidityBelow: c.h, HumidityAbove: c.h}); got != want {
			t.Errorf("%s at %s: %+v, want %+v", c.family, c.s.Humidity, got, want)
		}
	}
}

// Each limit of a family's own span holds at the value itself and not beyond.
func TestSpansOfFamilies(t *testing.T) {
	const minute, day = time.Minute, 24 * time.Hour
	heater := "[[probe]]\nid = \"h\"\nfamily = \"sht4x\"\nplace = \"room\"\nbus = \"/dev/i2c-1\""
	node := "[mqtt]\nbroker = \"tcp://h:1883\"\n[[probe]]\nid = \"n\"\nfamily = \"remote\"\nplace = \"room\"\ntopic = \"t\"\ntemperature_pointer = \"/t\""
	for _, x := range []struct {
		section, key string
		least, most  time.Duration
	}{
		{heater, "heater_every", 10 * minute, 30 * day}, {node, "max_age", time.Second, day},
	} {
		for d, fine := range map[time.Duration]bool{x.least: true, x.most: true, x.least - time.Millisecond: false, x.most + time.Second: false} {
			text := fmt.Sprintf("%s\n%s\n%s = %q\n", minimalRoom, x.section, x.key, configs.Duration(d))
			if _, err := Decode("f", []byte(text)); (err == nil) != fine {
				t.Errorf("%s = %s: %v", x.key, configs.Duration(d), err)
			}
		}
	}
}

const minimalRoom = `
[[enclosure]]
id = "a"
species = "dendrobates-auratus"

[[probe]]
id = "a-canopy"
family = "simulated"
place = "canopy"
enclosure = "a"
`
