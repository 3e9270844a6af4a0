package iio

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

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
		{"half of it malformed", map[string]string{"in_temp_input": "24000", "in_humidityrelative_input": "wet"}, sensors.Sample{}, sensors.Malformed},
		{"scale malformed", map[string]string{"in_temp_raw": "24000", "in_temp_scale": "?"}, sensors.Sample{}, sensors.Malformed},
		{"too hot to be true", map[string]string{"in_temp_input": "150001000"}, sensors.Sample{}, sensors.OutOfRange},
		{"too wet to be true", map[string]string{"in_temp_input": "24000", "in_humidityrelative_input": "200000"}, sensors.Sample{}, sensors.OutOfRange},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			for name, text := range c.files {
				if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			p, err := Open(configs.Probe{ID: "canopy-2", Path: dir})
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

func TestADriverThatIsNotLoadedFails(t *testing.T) {
	p, err := Open(configs.Probe{ID: "p", Path: filepath.Join(t.TempDir(), "iio:device0")})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Sample(t.Context()); sensors.ReasonOf(err) != sensors.BusError {
		t.Errorf("err = %v", err)
	}
	if _, err := Open(configs.Probe{ID: "p"}); err == nil {
		t.Error("an empty path was accepted")
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
		if c, err := inRange[sensors.CentiCelsius](v, -60_00, 150_00); err == nil && (c < -60_00 || c > 150_00) {
			t.Errorf("%q gave %v", text, c)
		}
	})
}
