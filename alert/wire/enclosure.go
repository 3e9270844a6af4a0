package wire

import (
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A Celsius is a temperature as the probes of an enclosure say it.
type Celsius struct {
	Value float64 `json:"value_c"`
	Source
}

// A Percent is a relative humidity as the probes of an enclosure say it.
type Percent struct {
	Value       float64 `json:"value_pct"`
	Uncertainty float64 `json:"uncertainty_pct,omitempty"` // ±, about 95 %
	Source
}

// A Source says where a value comes from and how old it is. Known is false
// where the value is the last good one and no present one.
type Source struct {
	Known bool          `json:"known"`
	Age   rules.Seconds `json:"age_seconds"`
	Probe string        `json:"probe,omitempty"`
	Place string        `json:"place,omitempty"` // where that probe hangs
	Doubt string        `json:"doubt,omitempty"` // why its value is not trusted, such as wet
}

func sourceOf(m *rules.Measure) Source {
	return Source{Known: m.Known, Age: rules.Seconds(m.Age), Probe: m.Probe, Place: m.Place, Doubt: m.Doubt}
}

func celsius(m rules.Measure) *Celsius {
	if !m.Ever {
		return nil
	}
	return &Celsius{Value: hundredth(m.Value), Source: sourceOf(&m)}
}

func percent(m rules.Measure) *Percent {
	if !m.Ever {
		return nil
	}
	return &Percent{Value: hundredth(m.Value), Uncertainty: tenth(m.Uncertainty), Source: sourceOf(&m)}
}

// A Climate is the retained document of one enclosure. What is not known now
// is absent, never repeated.
type Climate struct {
	Time        time.Time `json:"time"`
	Enclosure   string    `json:"enclosure"`
	Name        string    `json:"name,omitempty"`
	Place       string    `json:"place"` // rack, shelf and slot, what is known of them
	Temperature *float64  `json:"temperature_c,omitempty"`
	Hottest     *float64  `json:"hottest_c,omitempty"`
	Probe       string    `json:"temperature_probe,omitempty"`
	InBand      *float64  `json:"band_temperature_c,omitempty"` // where the band is judged
	Humidity    *float64  `json:"humidity_pct,omitempty"`
	HumProbe    string    `json:"humidity_probe,omitempty"`
	Doubted     *float64  `json:"humidity_doubted_pct,omitempty"` // of a probe that is wet, say
	Doubt       string    `json:"humidity_doubt,omitempty"`       // why
	Uncertainty float64   `json:"humidity_uncertainty_pct,omitempty"`
	rules.EnclosureLimits
	rules.EnclosureOutlook
	Blind        bool            `json:"blind,omitempty"` // no probe of it delivers
	OutOfService bool            `json:"out_of_service,omitempty"`
	Alarms       []alarm.ID      `json:"alarms"` // not normal
	Worst        *alarm.Priority `json:"worst,omitempty"`
}

// ClimateOf makes the retained document of an enclosure.
func ClimateOf(v *rules.EnclosureView) Climate {
	now := func(m rules.Measure) *float64 { return known(rules.Given(m.Known, m.Value), hundredth) }
	c := Climate{
		Time: v.At.Wall.Round(time.Second), Enclosure: v.ID, Name: v.Name, Place: configs.PlaceWords(v.Rack, v.Shelf, v.Slot),
		Temperature: now(v.Temperature), Hottest: now(v.Temperature), Humidity: now(v.Humidity),
		Uncertainty: tenth(v.Humidity.Uncertainty), EnclosureLimits: v.EnclosureLimits, EnclosureOutlook: v.EnclosureOutlook,
		Blind: v.Blind, OutOfService: v.OutOfService, Alarms: v.Alarms, Worst: v.Worst, InBand: now(v.Band),
	}
	if v.Temperature.Known {
		c.Probe = v.Temperature.Probe
	}
	if h := &v.Humidity; h.Known || h.Doubt != "" {
		c.HumProbe, c.Doubt = h.Probe, h.Doubt
	}
	if v.Humidity.Doubt != "" {
		c.Doubted = known(&v.Humidity.Value, hundredth)
	}
	return c
}

// An Enclosure is what the API says of one enclosure.
type Enclosure struct {
	rules.EnclosureHome
	Time        rules.Moment `json:"time,omitzero"` // of the last reading
	Temperature *Celsius     `json:"temperature,omitempty"`
	Hottest     *Celsius     `json:"hottest,omitempty"`          // what heat is judged on
	InBand      *Celsius     `json:"band_temperature,omitempty"` // what the band is judged on
	Humidity    *Percent     `json:"humidity,omitempty"`
	Band        string       `json:"band"` // "day", "night" or "day or night"
	rules.EnclosureLimits
	rules.EnclosureOutlook
	rules.EnclosureHabits
	rules.EnclosureState
}

func enclosureOf(v *rules.EnclosureView) Enclosure {
	return Enclosure{
		v.EnclosureHome, v.At, celsius(v.Temperature), celsius(v.Temperature), celsius(v.Band), percent(v.Humidity),
		v.BandName, v.EnclosureLimits, v.EnclosureOutlook, v.EnclosureHabits, v.EnclosureState,
	}
}

// A Reading is one reading of one probe, with what the driver gave.
type Reading struct {
	Time        time.Time `json:"time"`
	Number      int64     `json:"number"` // grows with every reading of the probe
	Quality     string    `json:"quality"`
	Reason      string    `json:"reason,omitempty"`
	Again       bool      `json:"again,omitempty"` // no new measurement
	Temperature *float64  `json:"temperature_c,omitempty"`
	Humidity    *float64  `json:"humidity_pct,omitempty"`
	Light       *uint32   `json:"light_lux,omitempty"`
	Raw         Raw       `json:"raw"`
	// How far the corrected values can be trusted, about 95 %: the temperature to
	// either side, the true humidity so far below and above. Zero for not stated.
	TempWithin float64 `json:"temperature_uncertainty_c,omitempty"`
	HumBelow   float64 `json:"humidity_uncertainty_below_pct,omitempty"`
	HumAbove   float64 `json:"humidity_uncertainty_above_pct,omitempty"`
}

// Raw is a sample as its driver gave it, before any correction.
type Raw struct {
	Temperature *float64 `json:"temperature_c,omitempty"`
	Humidity    *float64 `json:"humidity_pct,omitempty"`
}

// ReadingOf makes the document of a reading. Its number is the running time in
// milliseconds.
func ReadingOf(r *sensors.Reading) Reading {
	d := Reading{
		Time: r.At.Wall, Number: r.At.Mono.Milliseconds(), Quality: r.Quality.String(), Reason: r.Reason.String(), Again: r.Again,
		TempWithin: r.Uncertainty.Temperature.Celsius(), HumBelow: r.Uncertainty.HumidityBelow.Percent(), HumAbove: r.Uncertainty.HumidityAbove.Percent(),
	}
	d.Temperature, d.Humidity = values(r.Has, r.Temperature, r.Humidity)
	d.Raw.Temperature, d.Raw.Humidity = values(r.Raw.Has, r.Raw.Temperature, r.Raw.Humidity)
	d.Light = rules.Given(r.Has&sensors.HasLight != 0, r.LightLux)
	return d
}

// values returns what there is of a temperature and a humidity.
func values(has sensors.Quantities, t sensors.CentiCelsius, h sensors.CentiPercent) (celsius, percent *float64) {
	return rules.Given(has&sensors.HasTemperature != 0, t.Celsius()), rules.Given(has&sensors.HasHumidity != 0, h.Percent())
}

// A HistoryRow is a reading, or the sum of a span where there are minima and
// maxima beside the mean.
type HistoryRow struct {
	Time     time.Time `json:"time"`
	TempMin  *float64  `json:"temperature_min_c,omitempty"`
	TempMean *float64  `json:"temperature_c,omitempty"`
	TempMax  *float64  `json:"temperature_max_c,omitempty"`
	HumMin   *float64  `json:"humidity_min_pct,omitempty"`
	HumMean  *float64  `json:"humidity_pct,omitempty"`
	HumMax   *float64  `json:"humidity_max_pct,omitempty"`
	Quality  string    `json:"quality,omitempty"`
	Reason   string    `json:"reason,omitempty"`
	Gap      float64   `json:"gap_seconds,omitempty"` // of the span without a good reading
}

// Sensors is the reading of a probe that d tells of, as far as a document
// carries it: running time to the millisecond.
func (d Reading) Sensors(probe sensors.ProbeID) sensors.Reading {
	r := sensors.Reading{
		Probe: probe, At: sensors.Instant{Mono: time.Duration(d.Number) * time.Millisecond, Wall: d.Time}, Again: d.Again,
		Quality: sensors.Bad,
		Uncertainty: sensors.Stated{
			Temperature: sensors.CelsiusOf(d.TempWithin), HumidityBelow: sensors.PercentOf(d.HumBelow), HumidityAbove: sensors.PercentOf(d.HumAbove),
		},
	}
	for _, q := range []sensors.Quality{sensors.Good, sensors.Suspect} {
		if q.String() == d.Quality {
			r.Quality = q
		}
	}
	r.Has, r.Temperature, r.Humidity = quantities(d.Temperature, d.Humidity)
	r.Raw.Has, r.Raw.Temperature, r.Raw.Humidity = quantities(d.Raw.Temperature, d.Raw.Humidity)
	return r
}

// quantities is the inverse of values.
func quantities(celsius, percent *float64) (has sensors.Quantities, t sensors.CentiCelsius, h sensors.CentiPercent) {
	if celsius != nil {
		has, t = has|sensors.HasTemperature, sensors.CelsiusOf(*celsius)
	}
	if percent != nil {
		has, h = has|sensors.HasHumidity, sensors.PercentOf(*percent)
	}
	return has, t, h
}
