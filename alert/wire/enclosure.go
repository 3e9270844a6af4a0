package wire

import (
	"time"

	"dewline/alert"
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
	Known bool   `json:"known"`
	Age   int64  `json:"age_seconds"`
	Probe string `json:"probe,omitempty"`
	Place string `json:"place,omitempty"` // where that probe hangs
	Doubt string `json:"doubt,omitempty"` // why its value is not trusted, such as wet
}

func sourceOf(m *rules.Measure) Source {
	return Source{Known: m.Known, Age: seconds(m.Age), Probe: m.Probe, Place: m.Place, Doubt: m.Doubt}
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

// Estimates are what was worked out from an enclosure's readings. Every one of
// them is absent while it is not known.
type Estimates struct {
	DewPoint     *float64 `json:"dew_point_c,omitempty"`
	VPD          *float64 `json:"vpd_pa,omitempty"` // vapour pressure deficit of the air
	Rate         *float64 `json:"rate_c_per_hour,omitempty"`
	ToLethal     *Span    `json:"time_to_lethal_limit,omitempty"`
	LampsOffGain *Span    `json:"lamps_off_gain,omitempty"`
	Exposure     float64  `json:"exposure"` // share of the keeper's reference dose
	LampsOn      *bool    `json:"lamps_on,omitempty"`
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
	Estimates
	Blind        bool            `json:"blind,omitempty"` // no probe of it delivers
	OutOfService bool            `json:"out_of_service,omitempty"`
	Alarms       []alarm.ID      `json:"alarms"` // not normal
	Worst        *alarm.Priority `json:"worst,omitempty"`
}

// ClimateOf makes the retained document of an enclosure.
func ClimateOf(v *rules.EnclosureView) Climate {
	now := func(m rules.Measure) *float64 { return known(given(m.Known, m.Value), hundredth) }
	c := Climate{
		Time: v.At.Wall.Round(time.Second), Enclosure: v.ID, Name: v.Name, Place: configs.PlaceWords(v.Rack, v.Shelf, v.Slot),
		Temperature: now(v.Temperature), Hottest: now(v.Temperature), Humidity: now(v.Humidity),
		Uncertainty: tenth(v.Humidity.Uncertainty), EnclosureLimits: v.EnclosureLimits, Estimates: estimatesOf(v),
		Blind: v.Blind, OutOfService: v.OutOfService, Alarms: list(v.Alarms), Worst: v.Worst, InBand: now(v.Band),
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

// Standing is where an enclosure stands, what is known of it.
type Standing struct {
	Rack  string `json:"rack,omitempty"`
	Shelf int    `json:"shelf,omitempty"`
	Slot  int    `json:"slot,omitempty"`
}

// Habits are how an enclosure's mists and nights went.
type Habits struct {
	SinceMist    *int64   `json:"since_mist_seconds,omitempty"`
	MissedMists  int      `json:"missed_mists"` // scheduled ones in a row without a pulse
	DryDown      *int64   `json:"dry_down_half_life_seconds,omitempty"`
	DryDownUsual *int64   `json:"dry_down_usual_seconds,omitempty"`
	NightDrop    *float64 `json:"night_drop_c,omitempty"` // of the last whole night
	NightsNoDrop int      `json:"nights_without_drop"`
}

// An Enclosure is what the API says of one enclosure.
type Enclosure struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Standing
	Species     string    `json:"species"`
	Stage       string    `json:"stage"`
	Time        time.Time `json:"time,omitzero"` // of the last reading
	Temperature *Celsius  `json:"temperature,omitempty"`
	Hottest     *Celsius  `json:"hottest,omitempty"`          // what heat is judged on
	InBand      *Celsius  `json:"band_temperature,omitempty"` // what the band is judged on
	Humidity    *Percent  `json:"humidity,omitempty"`
	Band        string    `json:"band"` // "day", "night" or "day or night"
	rules.EnclosureLimits
	Estimates
	Habits
	DoorOpen      bool            `json:"door_open"`
	OutOfService  bool            `json:"out_of_service"`
	Blind         bool            `json:"blind"`
	Unknown       []string        `json:"unknown"`
	Alarms        []alarm.ID      `json:"alarms"`
	WorstPriority *alarm.Priority `json:"worst,omitempty"`
}

func enclosureOf(v *rules.EnclosureView) Enclosure {
	return Enclosure{
		ID: v.ID, Name: v.Name, Standing: Standing{v.Rack, v.Shelf, v.Slot}, Species: v.Species, Stage: v.Stage,
		Time: wall(v.At), Temperature: celsius(v.Temperature), Hottest: celsius(v.Temperature), InBand: celsius(v.Band), Humidity: percent(v.Humidity),
		Band: v.BandName, EnclosureLimits: v.EnclosureLimits, Estimates: estimatesOf(v),
		Habits: Habits{
			maybeSeconds(v.LastMist), v.MissedMists, maybeSeconds(v.DryDown), maybeSeconds(v.DryDownUsual),
			known(v.NightDrop, tenth), v.NightsNoDrop,
		},
		DoorOpen:     v.DoorOpen,
		OutOfService: v.OutOfService, Blind: v.Blind, Unknown: list(v.Unknown),
		Alarms: list(v.Alarms), WorstPriority: v.Worst,
	}
}

func estimatesOf(v *rules.EnclosureView) Estimates {
	exposure := v.Exposure
	e := Estimates{
		DewPoint: known(v.DewPoint, tenth), VPD: known(v.VPD, tenth), Rate: known(v.RatePerHour, tenth),
		ToLethal: spanOf(v.ToLethal), LampsOffGain: spanOf(v.LampsOffGain), LampsOn: v.LampsOn,
	}
	if share := known(&exposure, func(x float64) float64 { return tenth(x*100) / 100 }); share != nil {
		e.Exposure = *share
	}
	return e
}

// A Prospect is what an assumed room would do to one enclosure within 24 h: a
// forecast and no promise. The figures are absent where no probe delivers.
type Prospect struct {
	Enclosure string `json:"enclosure"`
	Name      string `json:"name"`
	Standing
	Now    *float64 `json:"now_c,omitempty"`
	Peak   *float64 `json:"peak_c,omitempty"`
	Lethal float64  `json:"lethal_limit_c"`
	// ToLethal is the time until the limit is reached, absent where it is not.
	ToLethal *int64 `json:"to_lethal_limit_seconds,omitempty"`
	Learned  bool   `json:"learned"` // by the enclosure's own model, else by usual figures
	// WetBulb is the assumed room's, absent where its humidity is not known;
	// BlownIn is "vent", "shut", "either" or "unknown".
	WetBulb *float64 `json:"wet_bulb_c,omitempty"`
	BlownIn string   `json:"blown_in"`
}

// ProspectsOf makes the answer to an assumption.
func ProspectsOf(list []rules.Prospect) []Prospect {
	return listOf(list, func(p *rules.Prospect) Prospect {
		d := Prospect{Enclosure: p.Enclosure, Name: p.Name, Standing: Standing{p.Rack, p.Shelf, p.Slot}, Lethal: p.Lethal, Learned: p.Learned,
			WetBulb: known(p.WetBulb, tenth), BlownIn: string(p.BlownIn)}
		if p.Known {
			d.Now, d.Peak = known(&p.Now, hundredth), known(&p.Peak, tenth)
		}
		if p.Known && p.Reached {
			d.ToLethal = maybeSeconds(&p.ToLethal)
		}
		return d
	})
}

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

// A Contact is what the API says of one contact. Where it is not known nothing
// follows from it: not that it is active, nor that it is not.
type Contact struct {
	ID     string   `json:"id"`
	Is     string   `json:"is"` // mains, pump, reservoir, door or battery
	Known  bool     `json:"known"`
	Why    string   `json:"why,omitempty"` // it is not known
	Serves []string `json:"serves"`        // enclosures; none for the whole room
	// Active says that the mains are there, the pump runs, the reservoir or the
	// battery is low, the door is open.
	Active  *bool    `json:"active,omitempty"`
	Seconds *int64   `json:"for_seconds,omitempty"` // it has been so
	Value   *float64 `json:"value,omitempty"`       // of a battery
	Unit    string   `json:"unit,omitempty"`
}

// ContactsOf lists the contacts of a snapshot in file order.
func ContactsOf(s *alert.Snapshot) []Contact { return listOf(s.Contacts, contactOf) }

func contactOf(v *rules.ContactView) Contact {
	c := Contact{ID: v.ID, Is: v.Is, Known: v.Known, Serves: list(v.Serves)}
	if !v.Known {
		c.Why = v.Why
		return c
	}
	c.Active, c.Seconds = &v.Active, maybeSeconds(&v.For)
	if v.Unit != "" {
		c.Value, c.Unit = &v.Value, v.Unit
	}
	return c
}
