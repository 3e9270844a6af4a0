package daemon

import (
	"encoding/json"
	"math"
	"time"

	"dewline/configs"
	"dewline/rules"
)

// A climateDoc is the retained document of one enclosure. What is not known
// now is absent, never repeated.
type climateDoc struct {
	Time          time.Time       `json:"time"`
	Enclosure     string          `json:"enclosure"`
	Name          string          `json:"name,omitempty"`
	Place         string          `json:"place"` // rack, shelf and slot, what is known of them
	TemperatureC  *float64        `json:"temperature_c,omitempty"`
	HottestC      *float64        `json:"hottest_c,omitempty"`
	BandJudgedC   *float64        `json:"band_temperature_c,omitempty"` // where the band is judged
	Probe         string          `json:"temperature_probe,omitempty"`
	HumidityPct   *float64        `json:"humidity_pct,omitempty"`
	HumidityProbe string          `json:"humidity_probe,omitempty"`
	DoubtedPct    *float64        `json:"humidity_doubted_pct,omitempty"` // of a probe that is wet, say
	Doubt         string          `json:"humidity_doubt,omitempty"`       // why
	UncertaintyP  float64         `json:"humidity_uncertainty_pct,omitempty"`
	DewPointC     *float64        `json:"dew_point_c,omitempty"`
	VPDPa         *float64        `json:"vpd_pa,omitempty"`
	BandLowC      float64         `json:"band_low_c"`
	BandHighC     float64         `json:"band_high_c"`
	FloorPct      float64         `json:"floor_pct,omitempty"`
	CeilingC      float64         `json:"ceiling_c"`
	RateCPerHour  *float64        `json:"rate_c_per_hour,omitempty"`
	TimeToCeiling *rules.Range    `json:"time_to_ceiling,omitempty"`
	Exposure      float64         `json:"exposure"`
	LampsOn       *bool           `json:"lamps_on,omitempty"`
	Blind         bool            `json:"blind,omitempty"`
	OutOfService  bool            `json:"out_of_service,omitempty"`
	Alarms        []rules.AlarmID `json:"alarms,omitempty"`
	Worst         *rules.Priority `json:"worst,omitempty"`
}

func climateOf(v rules.EnclosureView) climateDoc {
	c := climateDoc{
		Time: v.At.Wall, Enclosure: v.ID, Name: v.Name, Place: configs.PlaceWords(v.Rack, v.Shelf, v.Slot),
		DewPointC: rounded(v.DewPoint), VPDPa: rounded(v.VPD), BandLowC: v.BandLow, BandHighC: v.BandHigh,
		FloorPct: v.Floor, CeilingC: v.Ceiling, RateCPerHour: rounded(v.RatePerHour), TimeToCeiling: v.ToCeiling,
		Exposure: math.Round(v.Exposure*1000) / 1000, LampsOn: v.LampsOn, Blind: v.Blind,
		OutOfService: v.OutOfService, Alarms: v.Alarms, Worst: v.Worst,
	}
	c.TemperatureC, c.HottestC, c.BandJudgedC = known(v.Temperature), known(v.Hottest), known(v.Band)
	if v.Temperature.Known {
		c.Probe = v.Temperature.Probe
	}
	if h := &v.Humidity; h.Known || h.Doubt != "" {
		c.HumidityProbe, c.Doubt = h.Probe, h.Doubt
	}
	if v.Humidity.Doubt != "" {
		c.DoubtedPct = rounded(&v.Humidity.Value)
	}
	c.HumidityPct, c.UncertaintyP = known(v.Humidity), v.Humidity.Uncertainty
	return c
}

func known(m rules.Measure) *float64 {
	if !m.Known {
		return nil
	}
	return rounded(&m.Value)
}

// rounded keeps two decimals.
func rounded(v *float64) *float64 {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		return nil
	}
	r := math.Round(*v*100) / 100
	return &r
}

// publishClimate refreshes the retained climate of every enclosure.
func (d *Daemon) publishClimate() {
	client := d.channels.broker()
	if client == nil {
		return
	}
	for _, v := range d.core.engine.Enclosures() {
		doc, err := json.Marshal(climateOf(v))
		if err != nil {
			d.log.Error("a climate cannot be shown", "enclosure", v.ID, "err", err)
			continue
		}
		client.Climate(v.ID, doc)
	}
}
