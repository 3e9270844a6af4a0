package remote

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"dewline/configs"
	"dewline/configs/unit"
	"dewline/sensors"
)

// maxPayload is far above what a probe node sends.
const maxPayload = 64 << 10

// A Format says how to read a node's messages.
type Format struct {
	temperature, humidity, time *Pointer // nil for a quantity that the node lacks
	fahrenheit                  bool
	ratio                       bool // humidity from 0 to 1
	truth                       bool // humidity stands for a contact: true and false are 1 and 0
}

// NewFormat reads the pointers and units of a checked probe.
func NewFormat(p configs.Probe) (Format, error) {
	f := Format{fahrenheit: p.TemperatureUnit == "F", ratio: p.HumidityUnit == "ratio"}
	var faults []error
	read := func(text string) *Pointer {
		if text == "" {
			return nil
		}
		ptr, err := ParsePointer(text)
		faults = append(faults, err)
		return &ptr
	}
	f.temperature, f.humidity, f.time = read(p.TemperaturePointer), read(p.HumidityPointer), read(p.TimePointer)
	if f.temperature == nil && f.humidity == nil { // a key may be given and empty
		faults = append(faults, errors.New("a remote probe needs temperature_pointer or humidity_pointer"))
	}
	return f, errors.Join(faults...)
}

// Decode reads one message: the sample, and the node's own time. A humidity
// that cannot be used hides no temperature: an impossible one goes on to the
// judge, and one that is no number is missing. Nor does a time that cannot be
// read. The error is a sensors.FaultError.
func (f Format) Decode(payload []byte) (sensors.Sample, Stamp, error) {
	var s sensors.Sample
	doc, err := parse(payload)
	if err != nil {
		return s, Stamp{}, err
	}
	if f.temperature != nil {
		if s.Temperature, err = f.celsius(doc); err != nil {
			return sensors.Sample{}, Stamp{}, fmt.Errorf("temperature: %w", err)
		}
		s.Has |= sensors.HasTemperature
	}
	if f.humidity != nil {
		h, err := f.figure(doc)
		switch {
		case err == nil:
			s.Has |= sensors.HasHumidity
			s.Humidity = f.percent(h)
		case s.Has == 0:
			return sensors.Sample{}, Stamp{}, fmt.Errorf("humidity: %w", err)
		}
	}
	return s, f.when(doc), nil
}

func (f Format) celsius(doc any) (sensors.CentiCelsius, error) {
	c, err := number(doc, *f.temperature)
	if err != nil {
		return 0, err
	}
	if f.fahrenheit {
		c = float64(unit.FromFahrenheit(c))
	}
	if c < -60 || c > 150 {
		return 0, sensors.Faultf(sensors.OutOfRange, "%g °C is outside what a probe can measure", c)
	}
	return sensors.CelsiusOf(c), nil
}

// figure is the humidity, or what stands in its place.
func (f Format) figure(doc any) (float64, error) {
	if f.truth {
		if v, err := f.humidity.Find(doc); err == nil && v == true {
			return 1, nil
		} else if err == nil && v == false {
			return 0, nil
		}
	}
	return number(doc, *f.humidity)
}

// percent keeps an impossible humidity impossible, but small.
func (f Format) percent(h float64) sensors.CentiPercent {
	if f.ratio {
		h *= 100
	}
	return sensors.PercentOf(min(max(h, -100), 1000))
}

// parse decodes exactly one JSON value.
func parse(payload []byte) (any, error) {
	if len(payload) > maxPayload {
		return nil, sensors.Faultf(sensors.Malformed, "message of %d bytes; the limit is %d", len(payload), maxPayload)
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.UseNumber()
	var doc any
	if err := d.Decode(&doc); err != nil {
		return nil, sensors.Fault(sensors.Malformed, fmt.Errorf("not JSON: %w", err))
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, sensors.Faultf(sensors.Malformed, "something follows the JSON value")
	}
	return doc, nil
}

// number accepts a JSON number, or a string that holds one in the same
// grammar, which some nodes send.
func number(doc any, p Pointer) (float64, error) {
	v, err := p.Find(doc)
	if err != nil {
		return 0, sensors.Fault(sensors.Malformed, err)
	}
	var text string
	switch v := v.(type) {
	case json.Number:
		text = v.String()
	case string:
		text = strings.TrimSpace(v)
		if strings.Trim(text, "0123456789+-.eE") != "" {
			return 0, sensors.Faultf(sensors.Malformed, "%q at %q is not a number", v, p)
		}
	default:
		return 0, sensors.Faultf(sensors.Malformed, "at %q stands %T, not a number", p, v)
	}
	f, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(f, 0) || math.IsNaN(f) {
		return 0, sensors.Faultf(sensors.Malformed, "%q at %q is not a number", text, p)
	}
	return f, nil
}

// when returns the node's own time: RFC 3339, or seconds or milliseconds since
// 1970.
func (f Format) when(doc any) Stamp {
	if f.time == nil {
		return Stamp{}
	}
	v, err := f.time.Find(doc)
	if err != nil {
		return Stamp{Err: fmt.Errorf("time: %w", err)}
	}
	if text, ok := v.(string); ok {
		if at, err := time.Parse(time.RFC3339, text); err == nil {
			return Stamp{At: at, Said: true}
		}
	}
	seconds, err := number(doc, *f.time)
	if err != nil {
		return Stamp{Err: fmt.Errorf("time: at %q stands neither an RFC 3339 time, which has a zone, nor seconds since 1970", f.time)}
	}
	// As seconds, milliseconds of today would be the year 50,000 and more.
	const latest = 1 << 36
	if math.Abs(seconds) > latest {
		seconds /= 1000
	}
	if math.Abs(seconds) > latest {
		return Stamp{Err: fmt.Errorf("time: %g s since 1970, at %q, is no time", seconds*1000, f.time)}
	}
	whole, part := math.Modf(seconds)
	return Stamp{At: time.Unix(int64(whole), int64(part*1e9)), Said: true}
}

// A Pointer is a parsed JSON pointer (RFC 6901). The zero value points at the
// whole document.
type Pointer struct {
	text   string
	tokens []string
}

// ParsePointer parses "" or "/a/b/0", with ~1 for a slash and ~0 for a tilde
// inside a name.
func ParsePointer(s string) (Pointer, error) {
	if s == "" {
		return Pointer{}, nil
	}
	if s[0] != '/' {
		return Pointer{}, fmt.Errorf("JSON pointer %q must begin with a slash, such as %q", s, "/"+s)
	}
	tokens := strings.Split(s[1:], "/")
	for i, t := range tokens {
		for j := range len(t) {
			if t[j] == '~' && (j+1 == len(t) || t[j+1] != '0' && t[j+1] != '1') {
				return Pointer{}, fmt.Errorf("JSON pointer %q: a tilde is written ~0 and a slash inside a name ~1", s)
			}
		}
		// In this order, or ~01 would become a slash (RFC 6901, section 4).
		tokens[i] = strings.ReplaceAll(strings.ReplaceAll(t, "~1", "/"), "~0", "~")
	}
	return Pointer{text: s, tokens: tokens}, nil
}

// String returns the pointer as it was written.
func (p Pointer) String() string { return p.text }

// Find returns the value that p points at in a document of encoding/json's
// types.
func (p Pointer) Find(doc any) (any, error) {
	for i, token := range p.tokens {
		next, ok := child(doc, token)
		if !ok {
			return nil, fmt.Errorf("nothing is at %q (the part %d, %q, is missing)", p.text, i+1, token)
		}
		doc = next
	}
	return doc, nil
}

func child(doc any, token string) (any, bool) {
	switch d := doc.(type) {
	case map[string]any:
		v, ok := d[token]
		return v, ok
	case []any:
		// An index has no sign and no leading zero (RFC 6901, section 4).
		i, err := strconv.ParseUint(token, 10, 31)
		if err != nil || i >= uint64(len(d)) || strconv.FormatUint(i, 10) != token {
			return nil, false
		}
		return d[i], true
	}
	return nil, false
}
