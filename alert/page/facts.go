package page

import (
	"cmp"
	"fmt"
	"slices"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/climate"
)

// trustOf says where a value comes from and how old it is.
func trustOf(m rules.Measure, cfg *configs.Config) string {
	if !m.Ever {
		return "no reading yet"
	}
	text := m.Probe
	for _, p := range cfg.Probes {
		if p.ID == m.Probe {
			text = "probe in the " + string(p.Place)
		}
	}
	switch {
	case m.Known:
		return text
	case m.Doubt != "":
		return text + ", " + doubtWords(m.Doubt)
	}
	return text + ", last value " + words.Span(m.Age) + " ago"
}

func tempMeasure(v *rules.EnclosureView, cfg *configs.Config, u unit.Scale) measure {
	m := measure{Value: "–", Trust: trustOf(v.Temperature, cfg), Bad: true, Judgement: "not known now"}
	if !v.Temperature.Known {
		return m
	}
	t := v.Band.Value // which is of the probe where the frogs live
	m.Value = words.Beside(v.Temperature.Value, v.Lethal, u)
	band := words.Band(v.BandLow, v.BandHigh, u)
	switch {
	case v.Temperature.Value >= v.Lethal:
		m.Judgement = "at its lethal limit"
	case t > v.BandHigh:
		m.Judgement = words.Apart(unit.TemperatureDelta(t-v.BandHigh), u) + " above the " + v.BandName + " band " + band
	case t < v.BandLow:
		m.Judgement = words.Apart(unit.TemperatureDelta(v.BandLow-t), u) + " below the " + v.BandName + " band " + band
	default:
		m.Judgement, m.Bad = "inside the "+v.BandName+" band "+band, false
	}
	return m
}

func humMeasure(v *rules.EnclosureView, cfg *configs.Config) measure {
	m := measure{Value: "–", Trust: trustOf(v.Humidity, cfg), Bad: true, Judgement: "not known now"}
	if v.Humidity.Doubt != "" {
		m.Value = words.Humidity(v.Humidity.Value) + ", " + doubtWords(v.Humidity.Doubt)
	}
	if !v.Humidity.Known {
		return m
	}
	f := words.BesideFloor(v.Humidity.Value, v.Floor)
	m.Value = f.Value
	if v.Humidity.Uncertainty > 0 {
		m.Trust += fmt.Sprintf(", ± %s %%", unit.Number(v.Humidity.Uncertainty, 1))
	}
	switch {
	case v.Floor <= 0:
		m.Judgement, m.Bad = "no floor for this stage", false
	case v.Humidity.Value <= v.Floor: // which is reached at the value itself
		m.Judgement = "at or below the floor of " + f.Limit
	default:
		m.Judgement, m.Bad = "above the floor of "+f.Limit, false
	}
	return m
}

func facts(v *rules.EnclosureView, u unit.Scale) []fact {
	return slices.Concat(heatFacts(v, u), airFacts(v, u), careFacts(v, u))
}

// heatFacts say how far lethal heat is, in degrees and in time.
func heatFacts(v *rules.EnclosureView, u unit.Scale) []fact {
	var out []fact
	room := headroom(v)
	switch {
	case !v.Temperature.Known:
	case room > 0:
		out = append(out, fact{"Below its lethal limit", words.Apart(unit.TemperatureDelta(room), u), room <= v.Lethal-v.Act})
	case room == 0:
		out = append(out, fact{"Lethal limit", "reached", true})
	default:
		out = append(out, fact{"Above its lethal limit", words.Apart(unit.TemperatureDelta(-room), u), true})
	}
	if v.Band.Known && v.Temperature.Value-v.Band.Value >= 0.1 {
		out = append(out, fact{cmp.Or(words.Capital(v.Band.Place), "Middle of the probes") + ", for the band", words.Degrees(v.Band.Value, u), false})
	}
	if v.RatePerHour != nil {
		out = append(out, fact{"Trend", cmp.Or(words.Rate(unit.TemperatureDelta(*v.RatePerHour), u), "steady"), false})
	}
	if v.ToLethal != nil && room > 0 {
		out = append(out, fact{"Lethal limit", words.In(*v.ToLethal), true})
	}
	if v.LampsOffGain != nil && room > 0 {
		out = append(out, fact{"Lamps off now buys", words.Gain(*v.LampsOffGain), false})
	}
	return append(out, fact{"Heat dose", words.Dose(v.Exposure * 100), v.Exposure >= 0.5})
}

// airFacts are about the water in the air.
func airFacts(v *rules.EnclosureView, u unit.Scale) []fact {
	var out []fact
	if v.DewPoint != nil {
		out = append(out, fact{"Dew point", words.Degrees(*v.DewPoint, u), false})
	}
	if v.VPD != nil {
		out = append(out, fact{"Vapour pressure deficit", vpd(*v.VPD, v.Humidity.Value), false})
	}
	if v.RoomWet != nil {
		out = append(out, fact{"Wet bulb of the room's air", words.Degrees(*v.RoomWet, u), false})
	}
	if v.OutsideWet != nil {
		out = append(out, fact{"Wet bulb outside", words.Degrees(*v.OutsideWet, u), false})
	}
	if v.Temperature.Known && v.Warn > 0 && v.Temperature.Value >= v.Warn && v.BlownIn != "" {
		out = append(out, fact{"Room air blown in", words.Blown(v.BlownIn), v.BlownIn != climate.BlowVent})
	}
	if v.LastMist != nil {
		out = append(out, fact{"Last mist", words.Span(*v.LastMist) + " ago", v.MissedMists > 0})
	}
	if v.MissedMists > 0 {
		out = append(out, fact{"Missed mist", times(v.MissedMists, "pulse"), true})
	}
	if v.DryDown != nil && v.DryDownUsual != nil {
		out = append(out, fact{"Dries by half in", words.Span(*v.DryDown) + " (usually " + words.Span(*v.DryDownUsual) + ")", false})
	}
	return out
}

// careFacts are about lamps, nights and the door.
func careFacts(v *rules.EnclosureView, u unit.Scale) []fact {
	var out []fact
	if v.LampsOn != nil {
		out = append(out, fact{"Lamps", map[bool]string{true: "on by schedule", false: "off by schedule"}[*v.LampsOn], false})
	}
	if v.NightDrop != nil {
		out = append(out, fact{"Last night's drop", words.Steps(*v.NightDrop, u), v.NightsNoDrop > 0})
	}
	if v.DoorOpen {
		out = append(out, fact{"Door", "seems open", true})
	}
	return out
}

// vpd writes kilopascals. Close to saturation the probe's error is larger than
// the value.
func vpd(pascals, rh float64) string {
	if rh >= 97 {
		return "0.1 kPa or less, saturated"
	}
	return unit.Number(pascals/1000, 2) + " kPa"
}

// A fact is a name with a value; Bad sets it off.
type fact struct {
	Name, Value string
	Bad         bool
}

// A measure is a value as a person judges it.
type measure struct {
	Value, Trust, Judgement string
	Bad                     bool
}
