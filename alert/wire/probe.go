package wire

import (
	"time"

	"dewline/rules"
	"dewline/sensors"
)

// A Probe is what the API says of one probe. A value with a doubt beside it is
// the present one; without, it is the last good one.
type Probe struct {
	ID        string    `json:"id"`
	Family    string    `json:"family"`
	Place     string    `json:"place"`
	Enclosure string    `json:"enclosure,omitempty"`
	Time      time.Time `json:"time,omitzero"`               // of the last reading, of any quality
	LastGood  time.Time `json:"last_good,omitzero"`          // of the last good one
	Fresh     bool      `json:"fresh"`                       // it answers, be it with values that are doubted
	Age       *int64    `json:"age_seconds,omitempty"`       // of the last good value
	HeardAge  *int64    `json:"heard_age_seconds,omitempty"` // of the last answer
	Quality   string    `json:"quality,omitempty"`           // of the last reading: good, suspect or bad
	Reason    string    `json:"reason,omitempty"`
	Values
	Readings       uint64            `json:"readings"`
	Good           uint64            `json:"good_readings"`
	Counts         map[string]uint64 `json:"doubts"` // suspect and bad readings by reason
	HumidityDue    *time.Time        `json:"humidity_calibration_due,omitempty"`
	TemperatureDue *time.Time        `json:"temperature_calibration_due,omitempty"`
	Frozen         bool              `json:"frozen"`
}

// Values are those that a probe told last.
type Values struct {
	Temperature *float64 `json:"temperature_c,omitempty"`
	Humidity    *float64 `json:"humidity_pct,omitempty"`
	TempDoubt   string   `json:"temperature_doubt,omitempty"` // why the present value is not trusted
	HumDoubt    string   `json:"humidity_doubt,omitempty"`
	Uncertainty float64  `json:"humidity_uncertainty_pct,omitempty"` // ±, about 95 %
	Light       *uint32  `json:"light_lux,omitempty"`
}

func probeOf(v *rules.ProbeView) Probe {
	p := Probe{
		ID: v.ID, Family: v.Family, Place: v.Place, Enclosure: v.Enclosure, Time: wall(v.At), LastGood: wall(v.LastGood),
		Fresh: v.Fresh, Quality: v.Quality, Reason: v.Reason,
		Readings: v.Readings, Good: v.Good, Counts: v.Counts, Frozen: v.Frozen,
		HumidityDue: v.HumidityDue, TemperatureDue: v.TemperatureDue,
		Values: Values{TempDoubt: v.TemperatureDoubt, HumDoubt: v.HumidityDoubt, Uncertainty: tenth(v.Uncertainty)},
	}
	p.Age, p.HeardAge = given(v.Good > 0, seconds(v.Age)), given(v.Readings > 0, seconds(v.HeardAge))
	if p.Counts == nil {
		p.Counts = map[string]uint64{}
	}
	p.Temperature, p.Humidity = given(v.HasTemperature, v.Temperature.Celsius()), given(v.HasHumidity, v.Humidity.Percent())
	p.Light = given(v.HasLight, v.LightLux)
	return p
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
	d.Light = given(r.Has&sensors.HasLight != 0, r.LightLux)
	return d
}

// values returns what there is of a temperature and a humidity.
func values(has sensors.Quantities, t sensors.CentiCelsius, h sensors.CentiPercent) (celsius, percent *float64) {
	return given(has&sensors.HasTemperature != 0, t.Celsius()), given(has&sensors.HasHumidity != 0, h.Percent())
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
