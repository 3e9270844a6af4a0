package wire

import (
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
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
