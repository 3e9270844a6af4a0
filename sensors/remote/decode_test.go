package remote

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// TestPointerRFC6901 runs the examples of RFC 6901, section 5.
func TestPointerRFC6901(t *testing.T) {
	const doc = `{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}`
	var v any
	if err := json.Unmarshal([]byte(doc), &v); err != nil {
		t.Fatal(err)
	}
	for pointer, want := range map[string]string{
		"/foo": `["bar","baz"]`, "/foo/0": `"bar"`, "/": "0", "/a~1b": "1", "/c%d": "2", "/e^f": "3",
		"/g|h": "4", `/i\j`: "5", `/k"l`: "6", "/ ": "7", "/m~0n": "8",
	} {
		p, err := ParsePointer(pointer)
		if err != nil {
			t.Fatalf("%q: %v", pointer, err)
		}
		got, err := p.Find(v)
		if text, _ := json.Marshal(got); err != nil || string(text) != want {
			t.Errorf("%q: %s, %v; want %s", pointer, text, err, want)
		}
	}
	for _, missing := range []string{"/foo/2", "/foo/-", "/foo/00", "/foo/+1", "/foo/bar", "/nope", "/foo/0/x"} {
		p, err := ParsePointer(missing)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := p.Find(v); err == nil {
			t.Errorf("%q found %v", missing, got)
		}
	}
	whole, err := ParsePointer("")
	if got, ferr := whole.Find(v); err != nil || ferr != nil || len(got.(map[string]any)) != 10 {
		t.Errorf("the empty pointer: %v, %v, %v", got, err, ferr)
	}
}

func TestPointerTildes(t *testing.T) {
	for _, bad := range []string{"foo", "/a~2", "/a~"} {
		if _, err := ParsePointer(bad); err == nil {
			t.Errorf("%q was accepted", bad)
		}
	}
	// ~01 is the name ~1 and never a slash (section 4).
	p, _ := ParsePointer("/~01")
	if got, err := p.Find(map[string]any{"~1": "right", "/": "wrong"}); err != nil || got != "right" {
		t.Errorf("~01 found %v, %v", got, err)
	}
}

// node is a probe of a node that sends everything.
func node() configs.Probe {
	return configs.Probe{ID: "shelf-4", Topic: "nodes/4", TemperaturePointer: "/t", HumidityPointer: "/h", TimePointer: "/at"}
}

func TestDecode(t *testing.T) {
	fahrenheit := configs.Probe{TemperaturePointer: "/env/0/temp", TemperatureUnit: "F", HumidityPointer: "/env/0/rh", HumidityUnit: "ratio"}
	both := sensors.HasTemperature | sensors.HasHumidity
	for _, c := range []struct {
		name    string
		probe   configs.Probe
		payload string
		want    sensors.Sample
		at      int64
	}{
		{"plain", node(), `{"t": 24.315, "h": 83.1, "at": "2026-03-01T12:00:00+01:00"}`, sensors.Sample{Has: both, Temperature: 24_32, Humidity: 83_10}, 1772362800},
		{"milliseconds", node(), `{"t": 24, "h": 80, "at": 1772362800500}`, sensors.Sample{Has: both, Temperature: 24_00, Humidity: 80_00}, 1772362800},
		{"a clock that was never set", node(), `{"t": 24, "h": 80, "at": "0001-01-01T00:00:00Z"}`, sensors.Sample{Has: both, Temperature: 24_00, Humidity: 80_00}, -62135596800},
		{"before 1970", node(), `{"t": 24, "h": 80, "at": -5}`, sensors.Sample{Has: both, Temperature: 24_00, Humidity: 80_00}, -5},
		{"seconds", node(), `{"t": -1, "h": 101, "at": 1772362800.5}`, sensors.Sample{Has: both, Temperature: -1_00, Humidity: 101_00}, 1772362800},
		{"numbers as text", node(), `{"t": " 24.3 ", "h": "8.31e1", "at": "1772362800"}`, sensors.Sample{Has: both, Temperature: 24_30, Humidity: 83_10}, 1772362800},
		{"other units", fahrenheit, `{"env": [{"temp": 80.6, "rh": 0.7254}]}`, sensors.Sample{Has: both, Temperature: 27_00, Humidity: 72_54}, 0},
		{"a bare number", configs.Probe{TemperaturePointer: "/0"}, `[21]`, sensors.Sample{Has: sensors.HasTemperature, Temperature: 21_00}, 0},
	} {
		f, err := NewFormat(c.probe)
		if err != nil {
			t.Fatal(err)
		}
		got, at, err := f.Decode([]byte(c.payload))
		if err != nil || got != c.want {
			t.Errorf("%s: %+v, %v", c.name, got, err)
		}
		if at.Said != (c.at != 0) || at.Said && at.At.Unix() != c.at || at.Err != nil {
			t.Errorf("%s: time %+v", c.name, at)
		}
	}
}

func TestDecodeFaults(t *testing.T) {
	f, err := NewFormat(node())
	if err != nil {
		t.Fatal(err)
	}
	for payload, reason := range map[string]sensors.Reason{
		``:                                            sensors.Malformed,
		`{`:                                           sensors.Malformed,
		`{"t":24,"h":80,"at":1}x`:                     sensors.Malformed,
		`{"t":24,"h":80,"at":1}{"t":24}`:              sensors.Malformed,
		`{"h":80,"at":1}`:                             sensors.Malformed,
		`{"t":null,"h":80,"at":1}`:                    sensors.Malformed,
		`{"t":true,"h":80,"at":1}`:                    sensors.Malformed,
		`{"t":"warm","h":80,"at":1}`:                  sensors.Malformed,
		`{"t":"NaN","h":80,"at":1}`:                   sensors.Malformed,
		`{"t":"0x18","h":80,"at":1}`:                  sensors.Malformed,
		`{"t":1e999,"h":80,"at":1}`:                   sensors.Malformed,
		`{"t":240,"h":80,"at":1}`:                     sensors.OutOfRange,
		strings.Repeat("[", 100_000):                  sensors.Malformed,
		`{"t":24,"p":"` + strings.Repeat("x", 70_000): sensors.Malformed,
	} {
		s, at, err := f.Decode([]byte(payload))
		if sensors.ReasonOf(err) != reason || s != (sensors.Sample{}) || at != (Stamp{}) {
			t.Errorf("%.40q: %+v, %v, %v; want %q", payload, s, at, err, reason)
		}
	}
}

// A time that cannot be read hides no value, and is not taken for none.
func TestDecodeATimeThatCannotBeRead(t *testing.T) {
	f, err := NewFormat(node())
	if err != nil {
		t.Fatal(err)
	}
	for _, at := range []string{``, `,"at":null`, `,"at":"noon"`, `,"at":"2026-03-01T12:00:00"`, `,"at":1e300`, `,"at":-1e300`, `,"at":{}`} {
		s, stamp, err := f.Decode([]byte(`{"t":33.4,"h":80` + at + `}`))
		if err != nil || s.Temperature != 33_40 || stamp.Said || stamp.Err == nil || !strings.Contains(stamp.Err.Error(), "/at") {
			t.Errorf("%q: %+v, %+v, %v", at, s, stamp, err)
		}
	}
}

// A humidity element that breaks off in a hot enclosure must not take the
// temperature along, from the message to the reading.
func TestABrokenHumidityElementHidesNoHeat(t *testing.T) {
	f, err := NewFormat(node())
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range []string{"831", "-46", "1e300", "null", `"nan"`, "true", "{}"} {
		s, _, err := f.Decode([]byte(`{"t":33.4,"h":` + h + `,"at":1}`))
		r := sensors.NewJudge("shelf-4", Family().Limits).Read(sensors.Instant{Mono: time.Second}, s, err)
		if r.Quality == sensors.Bad || r.Temperature != 33_40 || r.Has != sensors.HasTemperature {
			t.Errorf("humidity %s: %+v, %v", h, r, err)
		}
	}
	if s, _, err := f.Decode([]byte(`{"t":33.4,"at":1}`)); err != nil || s.Has != sensors.HasTemperature {
		t.Errorf("no humidity at all: %+v, %v", s, err)
	}
	only := node()
	only.TemperaturePointer = ""
	if f, err = NewFormat(only); err != nil {
		t.Fatal(err)
	}
	if _, _, err := f.Decode([]byte(`{"h":null,"at":1}`)); sensors.ReasonOf(err) != sensors.Malformed {
		t.Errorf("a humidity probe without one: %v", err)
	}
}

func TestNewFormatTellsEveryFault(t *testing.T) {
	_, err := NewFormat(configs.Probe{TemperaturePointer: "t", HumidityPointer: "/~9"})
	for _, want := range []string{`"t"`, `"/~9"`} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v lacks %s", err, want)
		}
	}
	if _, err := NewFormat(configs.Probe{}); err == nil {
		t.Error("a probe without quantities was accepted")
	}
}

// FuzzDecode: no message panics, an error carries a reason and no value, and a
// value is in range.
func FuzzDecode(f *testing.F) {
	for _, s := range []string{
		`{"t": 24.3, "h": 83.1, "at": "2026-03-01T12:00:00Z"}`, `{"t":"24","h":"8e1","at":1772362800}`, `[[[`, `{"t":1e308,"h":-1e308,"at":1e308}`,
	} {
		f.Add([]byte(s))
	}
	format, err := NewFormat(node())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		s, at, err := format.Decode(payload)
		if err != nil {
			switch sensors.ReasonOf(err) {
			case sensors.Malformed, sensors.OutOfRange:
			default:
				t.Errorf("%q: reason of %v", payload, err)
			}
			if s != (sensors.Sample{}) || at != (Stamp{}) {
				t.Errorf("%q: %+v, %v beside %v", payload, s, at, err)
			}
			return
		}
		if s.Temperature < -60_00 || s.Temperature > 150_00 || s.Humidity < -100_00 || s.Humidity > 1000_00 || at.Said == (at.Err != nil) {
			t.Errorf("%q gave %+v at %v", payload, s, at)
		}
	})
}

// FuzzPointer: what parses can be printed and parsed again to the same thing.
func FuzzPointer(f *testing.F) {
	f.Add("/a~1b/0")
	f.Add("/~01")
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParsePointer(s)
		if err != nil {
			return
		}
		if p.String() != s {
			t.Errorf("%q prints as %q", s, p)
		}
		_, _ = p.Find(map[string]any{"a": []any{1.0}})
	})
}
