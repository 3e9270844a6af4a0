package iio

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// both is what a directory that offers both quantities gives.
const both = sensors.HasTemperature | sensors.HasHumidity

func TestSample(t *testing.T) {
	for _, c := range []struct {
		name   string
		files  map[string]string
		want   sensors.Sample
		reason sensors.Reason
	}{
		{"processed IIO", map[string]string{"in_temp_input": "24310\n", "in_humidityrelative_input": "83150\n"},
			sensors.Sample{Has: both, Temperature: 24_31, Humidity: 83_15}, sensors.NoReason},
		// Linux's Documentation/ABI/testing/sysfs-bus-iio: (raw + offset) · scale.
		{"raw IIO", map[string]string{
			"in_temp_raw": "26214", "in_temp_scale": "2.670288085", "in_temp_offset": "-16852.229508196",
			"in_humidityrelative_raw": "52428", "in_humidityrelative_scale": "1.525878906"},
			sensors.Sample{Has: both, Temperature: 25_00, Humidity: 80_00}, sensors.NoReason},
		{"hwmon", map[string]string{"temp1_input": "-1250", "humidity1_input": "101200", "temp1_fault": "0\n"},
			sensors.Sample{Has: both, Temperature: -1_25, Humidity: 101_20}, sensors.NoReason},
		{"temperature alone", map[string]string{"in_temp_input": "24315"},
			sensors.Sample{Has: sensors.HasTemperature, Temperature: 24_32}, sensors.NoReason},
		{"broken by its own word", map[string]string{"temp1_input": "24000", "temp1_fault": "1"}, sensors.Sample{}, sensors.BusError},
		{"nothing", map[string]string{"name": "x"}, sensors.Sample{}, sensors.BusError},
		{"humidity malformed", map[string]string{"in_temp_input": "34000", "in_humidityrelative_input": "wet"},
			sensors.Sample{Has: sensors.HasTemperature, Temperature: 34_00}, sensors.NoReason},
		{"humidity alone, malformed", map[string]string{"in_humidityrelative_input": "wet"}, sensors.Sample{}, sensors.Malformed},
		{"temperature malformed", map[string]string{"in_temp_input": "hot", "in_humidityrelative_input": "83000"}, sensors.Sample{}, sensors.Malformed},
		{"scale malformed", map[string]string{"in_temp_raw": "24000", "in_temp_scale": "?"}, sensors.Sample{}, sensors.Malformed},
		{"too hot to be true", map[string]string{"in_temp_input": "150001000"}, sensors.Sample{}, sensors.OutOfRange},
		// The judge knows what to do with these; see TestABrokenHumidityElementHidesNoHeat.
		{"too wet to be true", map[string]string{"in_temp_input": "24000", "in_humidityrelative_input": "200000"},
			sensors.Sample{Has: both, Temperature: 24_00, Humidity: 200_00}, sensors.NoReason},
		{"far too wet", map[string]string{"in_temp_input": "24000", "in_humidityrelative_input": "99999999999999999999"},
			sensors.Sample{Has: both, Temperature: 24_00, Humidity: 1000_00}, sensors.NoReason},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			for name, text := range c.files {
				if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			p, err := Family().Open(configs.Probe{ID: "canopy-2", Path: dir}, nil)
			if err != nil {
				t.Fatal(err)
			}
			got, err := p.Sample(t.Context())
			if got != c.want || sensors.ReasonOf(err) != c.reason {
				t.Errorf("%+v, %v; want %+v, %q", got, err, c.want, c.reason)
			}
			if err != nil && !strings.Contains(err.Error(), "probe canopy-2") {
				t.Errorf("%v does not say where", err)
			}
		})
	}
}

// A humidity element that breaks off in a hot enclosure must not take the
// temperature along, from the kernel's file to the reading.
func TestABrokenHumidityElementHidesNoHeat(t *testing.T) {
	for _, humidity := range []string{"-45000", "131000", "99999999", "?"} {
		dir := t.TempDir()
		for name, text := range map[string]string{"in_temp_input": "33400", "in_humidityrelative_input": humidity} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		p, err := Family().Open(configs.Probe{ID: "canopy-2", Path: dir}, nil)
		if err != nil {
			t.Fatal(err)
		}
		s, err := p.Sample(t.Context())
		r := sensors.NewJudge("canopy-2", Family().Limits).Read(sensors.Instant{Mono: time.Second}, s, err)
		if r.Quality == sensors.Bad || r.Temperature != 33_40 || r.Has != sensors.HasTemperature {
			t.Errorf("humidity %s: %+v", humidity, r)
		}
	}
}

func TestADriverThatIsNotLoadedFails(t *testing.T) {
	p, err := Family().Open(configs.Probe{ID: "p", Path: filepath.Join(t.TempDir(), "iio:device0")}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Sample(t.Context()); sensors.ReasonOf(err) != sensors.BusError || !strings.Contains(err.Error(), "is the driver loaded") {
		t.Errorf("err = %v", err)
	}
}

// FuzzDecode: no text panics, and what is accepted is a plain finite number.
func FuzzDecode(f *testing.F) {
	for _, s := range []string{"24310", "-0.25", "", "NaN", "1e9", "--", "0x10", "1_000", strings.Repeat("9", 41)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, err := Decode(text)
		if err != nil {
			if sensors.ReasonOf(err) != sensors.Malformed || v != 0 {
				t.Errorf("%q: %v, %v", text, v, err)
			}
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(text, "eExX_ naN") {
			t.Errorf("%q gave %v", text, v)
		}
		if c, err := inRange(v); err == nil && (c < -60_00 || c > 150_00) {
			t.Errorf("%q gave %v", text, c)
		}
		if h := clamped(v); h < -100_00 || h > 1000_00 {
			t.Errorf("%q gave %v", text, h)
		}
	})
}
